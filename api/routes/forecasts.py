"""Demand ahead: fluids, parts and bay hours, by depot and period."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Literal
from zoneinfo import ZoneInfo

import msgspec
from fastapi import Depends, Query, Request, Response

from api.deps import Fleet, Now, QueryDay, ReadSession, Units
from api.downloads import CSV, DOCUMENTED_CSV, csv_answer, preferred, wants_csv
from api.intake import router
from api.pictures.answers import DOCUMENTED_SVG, fluids_answer
from api.pictures.charts import SVG
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
from api.schemas.what_if import WhatIf, WhatIfAnswer, shown_what_if
from api.services import due
from api.services.demand_terms import MOST_MONTHS, By, DemandAsk, Kind, span_of
from api.services.fleets import fleet_state

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Any


routes = router("/forecasts", tag="forecasts")

LATEST_DAYS = 1_096
_JSON = "application/json"


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
    return _ask(session, fleet.fleet_key, as_of, today, months, by, depot, spec_sheet, "query")


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
    responses={200: {"content": DOCUMENTED_CSV["content"] | DOCUMENTED_SVG}},
)
def forecast_fluids(
    request: Request, ask: Asked, fleet: Fleet, session: ReadSession, units: Units
) -> Response:
    """Over all repeats of all rules, with severe duty, whichever comes first, and services that contain others.

    Volumes are what the work takes: drained volumes, passes and fill bases as the sheets have them. What is due already
    counts in the first period. Top-ups between services come on lines of their own. As `image/svg+xml` it is a picture.
    """
    from api.schemas.fluid_totals import shown_requirement
    from api.services import demand, fluid_totals

    found = demand.forecast(session, fleet.fleet_key, ask, Kind.FLUID)
    kind = preferred(request, _JSON, CSV, SVG)
    if kind == CSV:
        return csv_answer("fluids-ahead.csv", CSV_COLUMNS, csv_rows(found, units))
    known = fluid_totals.requirements_of(session, fleet.fleet_key, {item.code for item in found.items})
    shown = {item.code: shown_requirement(item.code, known) for item in found.items}
    answer = shown_fluids(found, shown, ask.by, units)
    return fluids_answer(answer) if kind == SVG else _sent(answer, {"Vary": "Accept"})


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


@routes.post(
    "/what-if",
    operation_id="forecast_what_if",
    summary="Forecast under changed assumptions",
    response_model=WhatIfAnswer,
)
def forecast_what_if(body: WhatIf, fleet: Fleet, session: ReadSession, now_us: Now, units: Units) -> Response:
    """The same figures before and after the changes, with their difference; nothing is stored.

    Other duty or intervals count as if they had held since each service was last done.
    """
    from api.services.what_if import what_if

    today = today_in_fleet(session, fleet.fleet_key, now_us)
    ask = _ask(session, fleet.fleet_key, body.as_of, today, body.months, body.by, body.depot, body.spec_sheet)
    found = what_if(session, fleet.fleet_key, ask, body.changes(), today=today)
    return _sent(shown_what_if(found, body.by, units))


def _ask(  # noqa: PLR0913, PLR0917 - what a forecast asks for
    session: ReadSession,
    fleet_key: int,
    as_of: date | None,
    today: date,
    months: int,
    by: By,
    depot: str | None,
    spec_sheet: str | None,
    place: Literal["query", "body"] = "body",
) -> DemandAsk:
    first_on = as_of or today
    if first_on < today:
        detail = "A forecast begins today or later; ask a vehicle for its past."
        raise RequestRefusedError([FieldError(place, "/as_of", "day_past", detail)])
    if first_on > today + timedelta(days=LATEST_DAYS):
        detail = f"A forecast begins at most {LATEST_DAYS} days ahead."
        raise RequestRefusedError([FieldError(place, "/as_of", "day_too_late", detail)])
    keys = due.fleet_ask(session, fleet_key, due.FleetQuestion(first_on, depot=depot, spec_sheet=spec_sheet))
    return DemandAsk(span_of(first_on, months, by), by, keys.depot_key, keys.spec_sheet_key)


def _sent(body: Mapping[str, Any], headers: Mapping[str, str] | None = None) -> Response:
    return Response(msgspec.json.encode(body), media_type=_JSON, headers=headers)
