"""Depots in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Key, Request, Text
from api.schemas.time_zones import TimeZone
from api.schemas.times import ShownInstant
from api.services.depots import DepotState

_TIME_ZONE = "Time zone that dates of its vehicles are in (IANA name), such as Europe/Oslo."


class DepotOpening(Request):
    """A new depot."""

    code: Annotated[Key, Field(description="The fleet's code of the depot.")]
    name: Annotated[Text, Field(description="In words.")]
    time_zone: Annotated[
        TimeZone | None, Field(description=f"{_TIME_ZONE} The fleet's where it is left out.")
    ] = None


class DepotChange(Request):
    """What changes of a depot; what is left out stays."""

    name: Annotated[Text, Field(default_factory=str, description="In words.")]
    time_zone: Annotated[TimeZone, Field(default_factory=str, description=_TIME_ZONE)]

    def values(self) -> dict[str, str]:
        """The new values by name."""
        return self.model_dump(mode="json", exclude_unset=True)


class Depot(Answer):
    """A depot."""

    code: Annotated[str, Field(description="The fleet's code of the depot.")]
    name: Annotated[str, Field(description="In words.")]
    time_zone: Annotated[str, Field(description=_TIME_ZONE)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]

    @classmethod
    def of(cls, state: DepotState) -> Depot:
        """The answer for a stored depot."""
        return cls(
            code=state.code,
            name=state.name,
            time_zone=state.time_zone,
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class DepotList(Answer):
    """A page of depots, by code."""

    depots: Annotated[list[Depot], Field(description="The depots, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]
