"""Demand ahead: fluids, parts and bay hours, by depot and period."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import msgspec
from fastapi import Depends, Query, Request, Response

from api.deps import Fleet, Now, QueryDay, ReadSession, Units
from api.downloads import DOCUMENTED_CSV, csv_answer, wants_csv
from api.intake import router
from api.problems import FieldError, RequestRefusedError
from api.schemas.forecasts import (
    CSV_COLUMNS,
    BayHoursForecast,
    FluidForecast,
    PartForecast,
    csv_rows,
    shown_fluids,
    shown_hours,
    shown_parts,
)
from api.services import due
from api.services.demand_terms import MOST_MONTHS, By, DemandAsk, Kind, span_of
from api.services.fleets import fleet_state

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any


routes = router("/forecasts", tag="forecasts")

LATEST_DAYS = 1_096


def demand_ask(  # noqa: PLR0913, PLR0917 - what the forecasts ask for
    fleet: Fleet,
    session: ReadSession,
    now_us: Now,
    as_of: Annotated[
        QueryDay,
        Query(description="The first day, today or later; today in the fleet's zone unless given."),
    ] = None,
    months: Annotated[int, Query(ge=1, le=MOST_MONTHS, description="How many months.")] = 12,
    by: Annotated[By, Query(description="How the time is divided.")] = By.MONTH,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this depot.")
    ] = None,
    spec_sheet: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this type.")
    ] = None,
) -> DemandAsk:
    """The question as the services take it."""
    today = today_in_fleet(session, fleet.fleet_key, now_us)
    first_on = as_of or today
    if first_on < today:
        detail = "A forecast begins today or later; ask a vehicle for its past."
        raise RequestRefusedError([FieldError("query", "/as_of", "day_past", detail)])
    if first_on > today + timedelta(days=LATEST_DAYS):
        detail = f"A forecast begins at most {LATEST_DAYS} days ahead."
        raise RequestRefusedError([FieldError("query", "/as_of", "day_too_late", detail)])
    keys = due.fleet_ask(
        session, fleet.fleet_key, due.FleetQuestion(first_on, depot=depot, spec_sheet=spec_sheet)
    )
    return DemandAsk(span_of(first_on, months, by), by, keys.depot_key, keys.spec_sheet_key)


def today_in_fleet(session: ReadSession, fleet_key: int, now_us: int) -> date:
    """The day in the fleet's time zone."""
    zone = ZoneInfo(fleet_state(session, fleet_key).time_zone)
    return datetime.fromtimestamp(now_us / 1e6, UTC).astimezone(zone).date()


Asked = Annotated[DemandAsk, Depends(demand_ask)]


@routes.get(
    "/fluids",
    operation_id="forecast_fluids",
    summary="Forecast the demand for fluids",
    response_model=FluidForecast,
    responses={200: DOCUMENTED_CSV},
)
def forecast_fluids(
    request: Request, ask: Asked, fleet: Fleet, session: ReadSession, units: Units
) -> Response:
    """Over all repeats of all rules, with severe duty, whichever comes first, and services that contain others.

    Volumes are what the work takes: drained volumes, passes and fill bases as the sheets have them. What is due already
    counts in the first period. Top-ups between services come on lines of their own.
    """
    from api.schemas.fluid_totals import shown_requirement
    from api.services import demand, fluid_totals

    found = demand.forecast(session, fleet.fleet_key, ask, Kind.FLUID)
    if wants_csv(request):
        return csv_answer("fluids-ahead.csv", CSV_COLUMNS, csv_rows(found, units))
    known = fluid_totals.requirements_of(session, fleet.fleet_key, {item.code for item in found.items})
    shown = {item.code: shown_requirement(item.code, known) for item in found.items}
    return _sent(shown_fluids(found, shown, ask.by, units))


@routes.get(
    "/parts",
    operation_id="forecast_parts",
    summary="Forecast the demand for parts",
    response_model=PartForecast,
    responses={200: DOCUMENTED_CSV},
)
def forecast_parts(
    request: Request, ask: Asked, fleet: Fleet, session: ReadSession, units: Units
) -> Response:
    """By the part number now supplied, seals and filters with each drain pass as the kits count them."""
    from api.services import demand

    found = demand.forecast(session, fleet.fleet_key, ask, Kind.PART)
    if wants_csv(request):
        return csv_answer("parts-ahead.csv", CSV_COLUMNS, csv_rows(found, units))
    names = demand.part_names(session, fleet.fleet_key, [item.code for item in found.items])
    return _sent(shown_parts(found, names, ask.by))


@routes.get(
    "/bay-hours",
    operation_id="forecast_bay_hours",
    summary="Forecast the bay hours",
    response_model=BayHoursForecast,
    responses={200: DOCUMENTED_CSV},
)
def forecast_bay_hours(
    request: Request, ask: Asked, fleet: Fleet, session: ReadSession, units: Units
) -> Response:
    """Labour time of the services' tasks as the sheets have it, each service by itself."""
    from api.services import demand

    found = demand.forecast(session, fleet.fleet_key, ask, Kind.LABOUR)
    if wants_csv(request):
        return csv_answer("bay-hours-ahead.csv", CSV_COLUMNS, csv_rows(found, units))
    return _sent(shown_hours(found, ask.by, units))


def _sent(body: Mapping[str, Any]) -> Response:
    return Response(msgspec.json.encode(body), media_type="application/json")
