"""Parts kits: of one vehicle's visit, and for all vehicles that something is due on."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Query, Response

from api.deps import Fleet, Page, ReadSession, Units
from api.intake import router
from api.problems import documented
from api.routes.asking import FleetAsk
from api.routes.asking_vehicle import VehicleVisit
from api.schemas.kits import KitList, VehicleKit, shown_kits, shown_vehicle_kit
from api.services import kits
from api.services.due import Place

routes = router("", tag="kits")


@routes.get(
    "/vehicles/{unit}/kit",
    operation_id="show_vehicle_kit",
    summary="Show the kit of a vehicle's visit",
    responses=documented(410),
)
def show_vehicle_kit(asked: VehicleVisit, fleet: Fleet, session: ReadSession, units: Units) -> VehicleKit:
    """Parts, tools, torques, labour, fluids and cautions of the services, merged: each task counts once."""
    kit = kits.kit_of(session, fleet.fleet_key, asked.visit)
    return shown_vehicle_kit(asked.visit, kit, asked.ask, units)


@routes.get("/kits", operation_id="list_kits", summary="List the kits of what is due")
def list_kits(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    ask: FleetAsk,
    page: Page,
    response: Response,
    *,
    totals: Annotated[bool, Query(description="Whether to sum the parts over all pages.")] = False,
) -> KitList:
    """One visit a vehicle, in the order of the due list; `limit` counts its lines, and no visit is split.

    A page may hold fewer visits, even none, and still have a next one: what calls for a reading takes no kit.
    """
    after = cast("Place | None", page.after(int, int, int))
    found = kits.kit_page(session, fleet.fleet_key, ask, limit=page.limit, after=after)
    parts = kits.part_totals(session, fleet.fleet_key, ask) if totals else None
    more = None if found.next_place is None else page.cursor(*found.next_place)
    return shown_kits(found, parts, ask, units, next_cursor=page.link(response, more))
