"""What services raise when a request cannot be carried out. They know no HTTP; each keeps its facts.

ServiceError
├── NotFoundError           nothing of that kind has that key in the caller's fleet
├── GoneError               it was there, and is no longer
├── ConflictError           the request contradicts what is stored (a unit number already taken)
├── StaleVersionError       the row changed since the caller read it
├── VersionMissingError     the change does not say which version it starts from
├── BodyMalformedError      a body that is no text of the form that the route reads
├── BodyTooLongError        a body beyond what the route reads
├── StoredInPartError       a long body was stored up to one of its lines, and no further
│   └── DiskFullInPartError     because the disk is full
├── CursorError             a page cursor that is no cursor, or belongs to another query
└── RefusedError            fields that break a rule which only stored data can tell; holds breaches
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from domain.errors import Breach


class ServiceError(Exception):
    """Root of what services raise on purpose."""


class NotFoundError(ServiceError):
    """Nothing of that kind has that key in the caller's fleet."""

    def __init__(self, kind: str) -> None:
        """Keep what was looked for, such as ``vehicle``; the key is the client's text and stays out."""
        super().__init__(f"no such {kind}")
        self.kind = kind


class GoneError(ServiceError):
    """It was there, and is no longer."""

    def __init__(self, kind: str) -> None:
        """Keep what was looked for, such as ``vehicle``."""
        super().__init__(f"this {kind} is gone")
        self.kind = kind


class ConflictError(ServiceError):
    """The request contradicts what is stored."""

    def __init__(self, *breaches: Breach) -> None:
        """Keep what contradicts what; there is at least one breach."""
        super().__init__("; ".join(breach.detail for breach in breaches))
        self.breaches = breaches


class StaleVersionError(ServiceError):
    """The row changed since the caller read it."""

    def __init__(self, kind: str, *, stored_version: int) -> None:
        """Keep what changed and the version that is stored now; 0 where nothing is stored."""
        super().__init__(
            f"this {kind} has version {stored_version} by now"
            if stored_version
            else f"there is no such {kind}"
        )
        self.kind = kind
        self.stored_version = stored_version


class VersionMissingError(ServiceError):
    """The change does not say which version it starts from."""

    def __init__(self, kind: str) -> None:
        """Keep what was to be changed, such as ``vehicle``."""
        super().__init__(f"a change of this {kind} names the version that it starts from")
        self.kind = kind


class BodyMalformedError(ServiceError):
    """A body that is no text of the form that the route reads; the message says why, without its content."""


class BodyTooLongError(ServiceError):
    """A body beyond what the route reads; the message names the limit."""


class StoredInPartError(ServiceError):
    """A long body was stored up to one of its lines, and no further."""

    def __init__(self, through_line: int) -> None:
        """Keep the number of the last line that is stored, from 1."""
        super().__init__(
            f"all rows up to line {through_line} are stored, and none after it; send all of it again"
        )
        self.through_line = through_line


class DiskFullInPartError(StoredInPartError):
    """As above, because the disk is full."""


class CursorError(ServiceError):
    """A page cursor that is no cursor, or belongs to another query."""


class RefusedError(ServiceError):
    """Fields that break a rule which only stored data can tell."""

    def __init__(self, *breaches: Breach) -> None:
        """Keep the breaches, in the order found; there is at least one."""
        super().__init__("; ".join(breach.detail for breach in breaches))
        self.breaches = breaches
