"""Parts in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.times import ShownInstant
from api.services.parts import PartState, PartTerms
from domain import kits
from domain.kits import PartKind

Unit = Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")]
_UNIT = "What one of it is, such as piece, set or tube; piece where it is left out."
_KIND = "What it is on the bench; other where it is left out."
_SUPERSEDED_BY = "Code of the part that is supplied in its place."
_ALTERNATES = "Codes of parts that do as well, best first."
_MOST_ALTERNATES = 20


class PartDefinition(Request):
    """A part as a spec sheet document defines it, in its own terms; what is left out states nothing."""

    code: Annotated[Key, Field(description="The fleet's part number.")]
    name: Annotated[Text, Field(description="In words.")]
    unit: Annotated[Unit | None, Field(description=_UNIT)] = None
    kind: Annotated[Choice[PartKind] | None, Field(description=_KIND)] = None
    superseded_by: Annotated[Key | None, Field(description=_SUPERSEDED_BY)] = None
    alternates: Annotated[list[Key] | None, Field(max_length=_MOST_ALTERNATES, description=_ALTERNATES)] = (
        None
    )

    def terms(self) -> PartTerms:
        """What the definition states."""
        return PartTerms(
            code=self.code,
            name=self.name,
            unit=self.unit,
            kind=self.kind,
            superseded_by=self.superseded_by,
            alternates=None if self.alternates is None else tuple(self.alternates),
        )


class PartReplacement(Request):
    """All of a part but its code."""

    name: Annotated[Text, Field(description="In words.")]
    unit: Annotated[Unit, Field(description=_UNIT)] = "piece"
    kind: Annotated[Choice[PartKind], Field(description=_KIND)] = PartKind.OTHER
    superseded_by: Annotated[Key | None, Field(description=_SUPERSEDED_BY)] = None
    alternates: Annotated[
        list[Key], Field(default_factory=list, max_length=_MOST_ALTERNATES, description=_ALTERNATES)
    ]

    def part(self, code: str) -> kits.Part:
        """The part of that code."""
        return kits.Part(
            code=code,
            name=self.name,
            unit=self.unit,
            kind=self.kind,
            superseded_by=self.superseded_by,
            alternates=tuple(self.alternates),
        )


class Part(Answer):
    """A part that services take."""

    code: Annotated[str, Field(description="The fleet's part number.")]
    name: Annotated[str, Field(description="In words.")]
    unit: Annotated[str, Field(description="What one of it is, such as piece, set or tube.")]
    kind: Annotated[PartKind, Field(description="What it is on the bench.")]
    superseded_by: Annotated[str | None, Field(description=_SUPERSEDED_BY)]
    alternates: Annotated[list[str], Field(description=_ALTERNATES)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]

    @classmethod
    def of(cls, state: PartState) -> Part:
        """The answer for a stored part."""
        part = state.part
        return cls(
            code=part.code,
            name=part.name,
            unit=part.unit,
            kind=part.kind,
            superseded_by=part.superseded_by,
            alternates=list(part.alternates),
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class PartList(Answer):
    """A page of parts, by code."""

    parts: Annotated[list[Part], Field(description="The parts, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]
