"""When a vehicle comes in and for what, and what visits to a depot cost."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Path, Query, Response

from api.deps import Fleet, Now, Precondition, ReadSession, Units, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.visit_plans import DepotVisitPlan, VisitPlanShown, VisitTerms, VisitTermsReplacement
from api.services import visit_plans
from api.services.units import vehicle_key_of
from api.services.visit_plans import MOST_DAYS

routes = router("", tag="visits")

Depot = Annotated[Key, Path(description="The fleet's code of the depot.")]


@routes.get(
    "/depots/{depot}/visit-terms", operation_id="show_visit_terms", summary="What visits to a depot cost"
)
def show_visit_terms(
    depot: Depot, fleet: Fleet, session: ReadSession, units: Units, response: Response
) -> VisitTerms:
    """What a visit costs by itself, what lateness risks, and the bay time of a day."""
    found = visit_plans.visit_terms(session, fleet.fleet_key, depot)
    tag(response, found.version)
    return VisitTerms.of(found, units)


@routes.put(
    "/depots/{depot}/visit-terms",
    operation_id="put_visit_terms",
    summary="Set what visits to a depot cost",
    responses={201: {"description": "Created", "model": VisitTerms}, **documented(409, 412, 428)},
)
def put_visit_terms(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot,
    body: VisitTermsReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> VisitTerms:
    """Creates the terms, or replaces the version that If-Match names."""
    found, is_created = visit_plans.put_visit_terms(
        session, fleet.fleet_key, depot, body.value(), condition, now_us=now_us
    )
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/depots/{depot}/visit-terms"
    return VisitTerms.of(found, units)


@routes.get(
    "/vehicles/{unit}/visit-plan",
    operation_id="plan_visits",
    summary="Plan a vehicle's visits",
    responses=documented(409, 410),
)
def plan_visits(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number of the vehicle.")],
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    now_us: Now,
    days: Annotated[int, Query(ge=1, le=MOST_DAYS, description="How many days the plan holds.")] = 120,
) -> VisitPlanShown:
    """Services that fall due within the days ahead, gathered into the visits that cost least.

    Each visit costs by itself; a service done early loses the unused share of its interval, one done late risks its
    lateness. Of all groupings and open days the cheapest is shown, within windows and bay time, with what it was
    weighed by. Nothing is stored.
    """
    moment = datetime.fromtimestamp(now_us / 1e6, UTC)
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, moment.date())
    today = moment.astimezone(ZoneInfo(vehicle.time_zone)).date()
    found = visit_plans.vehicle_visit_plan(session, fleet.fleet_key, vehicle, today=today, days=days)
    return VisitPlanShown.of(unit, found, units)


@routes.get(
    "/depots/{depot}/visit-plan",
    operation_id="plan_depot_visits",
    summary="Plan the visits of a depot's vehicles",
    responses=documented(409),
)
def plan_depot_visits(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot,
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    now_us: Now,
    days: Annotated[int, Query(ge=1, le=92, description="How many days the plan holds.")] = 28,
) -> DepotVisitPlan:
    """As the plan of one vehicle, for all that something falls due on, within the depot's bay time.

    The vehicle that is due first is placed before the others, each at its cheapest in the bay time that is left. Up to
    200 vehicles are looked at. Nothing is stored.
    """
    found = visit_plans.depot_visit_plan(session, fleet.fleet_key, depot, now_us=now_us, days=days)
    return DepotVisitPlan.of(found, units)
