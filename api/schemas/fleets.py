"""The fleet's settings in requests and answers."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Choice, Request, Text
from api.schemas.quantities import UnitSystem
from api.schemas.time_zones import TimeZone
from api.services.fleets import FleetState

_NAME = "The fleet in words."
_TIME_ZONE = "Time zone of new depots (IANA name), such as Europe/Oslo."
_UNIT_SYSTEM = "Units of answers unless a request asks otherwise."
_STALE_DAYS = "A vehicle whose last reading is older is listed as reading stale [d]."


class FleetChange(Request):
    """What changes of the fleet's settings; what is left out stays."""

    name: Annotated[Text, Field(default_factory=str, description=_NAME)]
    time_zone: Annotated[TimeZone, Field(default_factory=str, description=_TIME_ZONE)]
    unit_system: Annotated[
        Choice[UnitSystem], Field(default_factory=lambda: UnitSystem.METRIC, description=_UNIT_SYSTEM)
    ]
    stale_days: Annotated[int, Field(default_factory=int, ge=1, le=3650, description=_STALE_DAYS)]

    def values(self) -> dict[str, Any]:
        """The new values by name."""
        return self.model_dump(mode="json", exclude_unset=True)


class Fleet(Answer):
    """The fleet's settings."""

    name: Annotated[str, Field(description=_NAME)]
    time_zone: Annotated[str, Field(description=_TIME_ZONE)]
    unit_system: Annotated[UnitSystem, Field(description=_UNIT_SYSTEM)]
    stale_days: Annotated[int, Field(description=_STALE_DAYS)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]

    @classmethod
    def of(cls, state: FleetState) -> Fleet:
        """The answer for the stored settings."""
        return cls(
            name=state.name,
            time_zone=state.time_zone,
            unit_system=UnitSystem(state.unit_system),
            stale_days=state.stale_days,
            version=state.version,
        )
