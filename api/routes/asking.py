"""The question that the due list, kits and fluid totals share: which day, which window, which vehicles."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query

from api.deps import Fleet, Now, QueryDay, ReadSession
from api.problems import FieldError, RequestRefusedError
from api.schemas.quantities import distance_m
from api.services import due
from api.services.fleets import fleet_state

LONGEST_WINDOW_DAYS = 3660


def fleet_ask(  # noqa: PLR0913, PLR0917 - what the lists ask for
    fleet: Fleet,
    session: ReadSession,
    now_us: Now,
    as_of: Annotated[
        QueryDay,
        Query(description="The day asked about, today or later; today in the fleet's zone unless given."),
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
            description="Also what falls due within this distance of the last reading, with its unit: `500km`, `300mi`.",
        ),
    ] = None,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this depot.")
    ] = None,
    spec_sheet: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this type.")
    ] = None,
    service: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only this service.")
    ] = None,
) -> due.DueAsk:
    """The question as the services take it."""
    zone = ZoneInfo(fleet_state(session, fleet.fleet_key).time_zone)
    today = datetime.fromtimestamp(now_us / 1e6, UTC).astimezone(zone).date()
    if as_of is not None and as_of < today:
        detail = "The list takes a day from today on; ask a vehicle for its past."
        raise RequestRefusedError([FieldError("query", "/as_of", "day_past", detail)])
    return due.fleet_ask(
        session,
        fleet.fleet_key,
        due.FleetQuestion(
            as_of or today,
            window_days,
            None if window_distance is None else distance_m(window_distance),
            depot,
            spec_sheet,
            service,
        ),
    )


FleetAsk = Annotated[due.DueAsk, Depends(fleet_ask)]
