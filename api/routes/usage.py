"""How a vehicle's meters run, and what they are expected to show."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated, Any, NoReturn
from zoneinfo import ZoneInfo

from fastapi import Path, Query, Request, Response

from api.deps import Fleet, Now, QueryDay, ReadSession, Units
from api.downloads import preferred
from api.intake import router
from api.pictures.answers import DOCUMENTED_SVG, usage_answer
from api.pictures.charts import SVG
from api.problems import FieldError, RequestRefusedError, documented
from api.routes.asking import LONGEST_WINDOW_DAYS
from api.schemas.times import Instant, day_of
from api.schemas.usage import VehicleUsage, vehicle_usage
from api.services.units import vehicle_key_of
from domain.calendar import add_months

routes = router("", tag="usage")

_USUAL_MONTHS = (1, 3, 6, 12)
_DAY = "[0-9]{4}-[0-9]{2}-[0-9]{2}"


@routes.get(
    "/vehicles/{unit}/usage",
    operation_id="show_vehicle_usage",
    summary="Show how a vehicle's meters run",
    response_model=VehicleUsage,
    responses={200: {"content": DOCUMENTED_SVG}, **documented(410)},
)
def show_vehicle_usage(  # noqa: PLR0913, PLR0917 - what the route asks for
    request: Request,
    response: Response,
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number of the vehicle.")],
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    now_us: Now,
    as_of: Annotated[
        QueryDay,
        Query(
            description="Any day; a past one is answered from the readings up to its end. Today unless given."
        ),
    ] = None,
    on: Annotated[
        str | None,
        Query(
            pattern=f"^{_DAY}(,{_DAY}){{0,35}}$",
            max_length=400,
            description="Days to tell the meters' figures of, from `as_of` on, separated by commas;"
            " 1, 3, 6 and 12 months after `as_of` unless given.",
        ),
    ] = None,
    known_at: Annotated[
        Instant | None,
        Query(description="Only what had been entered by then; all that is known unless given."),
    ] = None,
) -> Any:
    """The rate of each meter with its spread, and what it is expected to show, life-to-date, on days to come.

    How a type runs its meters is learned from the fleet's own past by `fillmark learn`; until then a vehicle goes by
    its own recent use. All quantiles are read from the same law as due dates and forecasts.
    """
    # Imported here: SciPy takes longer to load than everything else, and most answers need none of it.
    from api.services.vehicle_use import vehicle_usage as found_usage

    moment = datetime.fromtimestamp(now_us / 1e6, UTC)
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, moment.date())
    today = moment.astimezone(ZoneInfo(vehicle.time_zone)).date()
    day = as_of or today
    found = found_usage(
        session,
        fleet.fleet_key,
        vehicle.key,
        as_of=day,
        today=today,
        on=_days(on, day),
        known_at_us=known_at,
    )
    answer = vehicle_usage(found, units, unit=unit, time_zone=vehicle.time_zone)
    if preferred(request, "application/json", SVG) == SVG:
        return usage_answer(answer)
    response.headers["Vary"] = "Accept"
    return answer


def _days(on: str | None, as_of: date) -> list[date]:
    """The days asked for.

    Raises:
        RequestRefusedError: One is no day, lies before ``as_of``, or further than ten years after it.
    """
    if on is None:
        return [add_months(as_of, months) for months in _USUAL_MONTHS]
    days = []
    for text in on.split(","):
        day = day_of(text)
        if day is None:
            _refuse("day_malformed", "A day is YYYY-MM-DD, from 1900-01-01 to 2199-12-31.")
        ahead = (day - as_of).days
        if ahead < 0:
            _refuse("day_past", "Days lie on or after the day asked about.")
        if ahead > LONGEST_WINDOW_DAYS:
            _refuse("day_too_far", f"Days lie within {LONGEST_WINDOW_DAYS} days of the day asked about.")
        days.append(day)
    return days


def _refuse(code: str, detail: str) -> NoReturn:
    raise RequestRefusedError([FieldError("query", "/on", code, detail)])
