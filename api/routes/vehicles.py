"""Vehicles: registered, listed, shown, changed, renumbered."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query, Response

from api.deps import ExpectedVersion, Fleet, Now, Page, ReadSession, Today, Units, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.routes.addressing import Place, PlaceAsked
from api.schemas.times import Day
from api.schemas.vehicles import (
    UnitNumber,
    UnitNumberGiven,
    UnitNumberList,
    VehicleAnswer,
    VehicleChange,
    VehicleList,
    VehicleRegistration,
    listed_vehicle,
    unit_number,
    vehicle_answer,
)
from api.services import registration, vehicles
from api.services.units import Address
from api.store.queries_vehicles import Wanted

routes = router("/vehicles", tag="vehicles")


@routes.post(
    "",
    operation_id="register_vehicle",
    status_code=201,
    summary="Register a vehicle",
    responses=documented(409),
)
def register_vehicle(  # noqa: PLR0913, PLR0917 - what the route asks for
    body: VehicleRegistration,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    today: Today,
    response: Response,
) -> VehicleAnswer:
    """It gets a meter for each that its type has, and the readings that waited for its unit number."""
    new = body.value()
    registration.register(session, fleet.fleet_key, new, now_us=now_us)
    first_on = new.valid_from or new.in_service_on
    at = Address(fleet.fleet_key, new.unit, first_on)
    response.headers["Location"] = PlaceAsked(at, has_day=first_on > today).path()
    found = vehicles.vehicle(session, at)
    tag(response, found.ref.version)
    return vehicle_answer(found)


@routes.get("", operation_id="list_vehicles", summary="List vehicles")
def list_vehicles(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    page: Page,
    units: Units,
    today: Today,
    response: Response,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this depot.")
    ] = None,
    spec_sheet: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only vehicles of this type.")
    ] = None,
    valid_on: Annotated[
        Day | None,
        Query(description="Vehicles that carry a unit number on this day; today (UTC) unless given."),
    ] = None,
) -> VehicleList:
    """In the order in which they were registered, each with what its meters showed last."""
    after = page.after(int)
    found = vehicles.vehicles(
        session,
        fleet.fleet_key,
        Wanted(valid_on or today, depot, spec_sheet),
        after=None if after is None else int(after[0] or 0),
        limit=page.limit + 1,
    )
    more = page.cursor(found[page.limit - 1].ref.key) if len(found) > page.limit else None
    shown = [listed_vehicle(one, units) for one in found[: page.limit]]
    return VehicleList(vehicles=shown, next=page.link(response, more))


@routes.get("/{unit}", operation_id="show_vehicle", summary="Show one vehicle", responses=documented(410))
def show_vehicle(place: Place, session: ReadSession, response: Response) -> VehicleAnswer:
    """What its meters show stands at `meters` below its path."""
    found = vehicles.vehicle(session, place.address)
    tag(response, found.ref.version)
    return vehicle_answer(found)


@routes.patch(
    "/{unit}",
    operation_id="change_vehicle",
    summary="Change a vehicle, or retire it",
    responses=documented(409, 410, 412, 428),
)
def change_vehicle(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: VehicleChange,
    version: ExpectedVersion,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> VehicleAnswer:
    """A last day ends the unit number, which may then be given to another vehicle."""
    changes = vehicles.Changes(version, body.values())
    found = vehicles.change(session, place.address, changes, now_us=now_us)
    tag(response, found.ref.version)
    return vehicle_answer(found)


@routes.get(
    "/{unit}/unit-numbers",
    operation_id="list_unit_numbers",
    summary="List the unit numbers of a vehicle",
    responses=documented(410),
)
def list_unit_numbers(place: Place, session: ReadSession) -> UnitNumberList:
    """Every number that the vehicle has carried or will carry, in order of time."""
    labels = registration.unit_numbers(session, place.address)
    return UnitNumberList(unit_numbers=[unit_number(label) for label in labels])


@routes.post(
    "/{unit}/unit-numbers",
    operation_id="renumber_vehicle",
    status_code=201,
    summary="Give a vehicle another unit number",
    responses=documented(409, 410),
)
def renumber_vehicle(
    place: Place, body: UnitNumberGiven, session: WriteSession, now_us: Now, response: Response
) -> UnitNumber:
    """The number before ends on the day before; readings that waited for the new one are taken in."""
    label = registration.renumber(
        session, place.address, body.unit, valid_from=body.valid_from, now_us=now_us
    )
    response.headers["Location"] = place.path("unit-numbers")
    return unit_number(label)
