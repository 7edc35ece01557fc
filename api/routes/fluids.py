"""Fluid needs: of one vehicle's visit, and summed over all vehicles that something is due on."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query

from api.deps import Fleet, ReadSession, Units
from api.intake import router
from api.problems import documented
from api.routes.asking import FleetAsk
from api.routes.asking_vehicle import VehicleVisit
from api.schemas.fluid_totals import FluidSums, VehicleFluids, shown_sums, shown_vehicle_fluids
from api.services import fluid_totals

routes = router("", tag="fluids")


@routes.get(
    "/vehicles/{unit}/fluids",
    operation_id="show_vehicle_fluids",
    summary="Show the fluids of a vehicle's visit",
    responses=documented(410),
)
def show_vehicle_fluids(
    asked: VehicleVisit, fleet: Fleet, session: ReadSession, units: Units
) -> VehicleFluids:
    """By requirement and compartment, each litre once: what a drain takes out, unless the sheet says else."""
    found = fluid_totals.visit_fluids(session, fleet.fleet_key, asked.visit)
    return shown_vehicle_fluids(asked.visit, found, asked.ask, units)


@routes.get("/fluids", operation_id="show_fluids", summary="Show the fluids of what is due")
def show_fluids(
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    ask: FleetAsk,
    *,
    by_vehicle: Annotated[bool, Query(description="Whether the totals go down to single vehicles.")] = False,
) -> FluidSums:
    """By fluid requirement, depot and kind of compartment; at each level the parts shown add up."""
    found = fluid_totals.fleet_fluids(session, fleet.fleet_key, ask, is_by_vehicle=by_vehicle)
    return shown_sums(found, ask, units)
