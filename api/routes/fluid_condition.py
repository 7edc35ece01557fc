"""How the fluids of a vehicle stand, and where their condition is going."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Query

from api.deps import Now, ReadSession, Units
from api.intake import router
from api.problems import documented
from api.routes.addressing import Place
from api.schemas.fluid_condition import FluidCondition, shown_compartment
from api.services.fluid_condition import vehicle_condition
from api.services.units import vehicle_at

routes = router("/vehicles/{unit}/fluid-condition", tag="fluid condition")


@routes.get(
    "",
    operation_id="show_fluid_condition",
    summary="Show how a vehicle's fluids stand and where they are going",
    responses=documented(410),
)
def show_fluid_condition(
    place: Place,
    session: ReadSession,
    units: Units,
    now_us: Now,
    within_days: Annotated[
        int,
        Query(ge=0, le=3660, description="A limit that may be reached within so many days is warned of [d]."),
    ] = 90,
) -> FluidCondition:
    """The newest sample of each compartment against its limits, and trends that warn before a limit is crossed."""
    vehicle = vehicle_at(session, place.address)
    as_of = datetime.fromtimestamp(now_us / 1e6, UTC).astimezone(ZoneInfo(vehicle.time_zone)).date()
    found = vehicle_condition(session, place.address, as_of=as_of, within_days=within_days)
    return FluidCondition(
        unit=place.address.unit,
        as_of=as_of,
        through=as_of + timedelta(days=within_days),
        compartments=[shown_compartment(one, units) for one in found],
    )
