"""What a replacement expects to find where it goes (RFC 9110, section 13.1)."""

from __future__ import annotations

from dataclasses import dataclass

from api.services.errors import StaleVersionError, VersionMissingError


@dataclass(frozen=True, slots=True)
class PutCondition:
    """What a replacement expects to find.

    Attributes:
        version: The version that it starts from; None where the request names none.
        is_new: Whether nothing may be there.
    """

    version: int | None = None
    is_new: bool = False

    def check(self, kind: str, stored_version: int | None) -> None:
        """Nothing, when what is stored is what was expected.

        Args:
            kind: What is replaced, in words.
            stored_version: The version stored; None where there is nothing.

        Raises:
            StaleVersionError: Another version is stored, or none, or one where none may be.
            VersionMissingError: There is something, and the request names no version.
        """
        if stored_version is None:
            if self.version is not None:
                raise StaleVersionError(kind, stored_version=0)
            return
        if self.version is None and not self.is_new:
            raise VersionMissingError(kind)
        if self.is_new or self.version != stored_version:
            raise StaleVersionError(kind, stored_version=stored_version)
