"""The question that the kit and the fluids of one vehicle share: which day, which window, which services."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Path, Query

from api.deps import Fleet, Now, QueryDay, ReadSession
from api.routes.asking import LONGEST_WINDOW_DAYS
from api.schemas.quantities import distance_m
from api.services import visits
from api.services.due import DueAsk
from api.services.units import vehicle_key_of

_CODE = "[A-Za-z0-9][A-Za-z0-9._-]*"


@dataclass(frozen=True, slots=True)
class VehicleAsked:
    """One vehicle's visit, and the question that it answers."""

    ask: DueAsk
    visit: visits.Visit


def vehicle_visit(  # noqa: PLR0913, PLR0917 - what the routes ask for
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number of the vehicle.")],
    fleet: Fleet,
    session: ReadSession,
    now_us: Now,
    as_of: Annotated[
        QueryDay, Query(description="Any day, past or future; today in the depot's zone unless given.")
    ] = None,
    window_days: Annotated[
        int,
        Query(
            ge=0, le=LONGEST_WINDOW_DAYS, description="Also what falls due in so many days after `as_of` [d]."
        ),
    ] = 0,
    window_distance: Annotated[
        str | None,
        Query(
            pattern=r"^[0-9]{1,7}(\.[0-9])?(km|mi|m)$",
            max_length=16,
            description="Also what falls due within this distance of the last reading, as in `500km`.",
        ),
    ] = None,
    services: Annotated[
        str | None,
        Query(
            min_length=1,
            max_length=2000,
            pattern=f"^{_CODE}(,{_CODE})*$",
            description="Codes of services, separated by commas, in place of those that are called for.",
        ),
    ] = None,
) -> VehicleAsked:
    """The visit that is asked about."""
    moment = datetime.fromtimestamp(now_us / 1e6, UTC)
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, moment.date())
    today: date = moment.astimezone(ZoneInfo(vehicle.time_zone)).date()
    ask = DueAsk(
        as_of or today, window_days, None if window_distance is None else distance_m(window_distance)
    )
    named = None if services is None else services.split(",")
    visit = visits.vehicle_visit(
        session, fleet.fleet_key, vehicle.key, ask, unit=unit, today=today, services=named
    )
    return VehicleAsked(ask, visit)


VehicleVisit = Annotated[VehicleAsked, Depends(vehicle_visit)]
