"""Vehicles as they stand in the fleet: one, a page of them, and changing one.

Invariant: a change names the version that it was read at; the statement that changes the row checks it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from api.services import registration
from api.services.errors import RefusedError, StaleVersionError
from api.services.feed.recording import place_waiting
from api.services.meters import MeterNow, meters_now
from api.services.standing import recompute
from api.services.units import reference_of, vehicle_row
from api.services.vehicle_span import day_breaches
from api.store import queries_vehicles, writes_vehicles
from domain.errors import Breach
from domain.vin import VinVerdict, parse_vin

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from api.services.units import Address, VehicleRef
    from api.store.queries_vehicles import Wanted
    from api.store.session import ReadSession, WriteSession


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A vehicle as it stands.

    Attributes:
        ref: How its unit number leads to it.
        vin: Vehicle identification number.
        vin_check: What the number's check digit says; None without a number.
        serial_number: Serial number of plant.
        model_year: Model year.
        engine: Engine code.
        make: Who made it.
        tyre_size: Size of its tyres.
        supplied_by: Who supplied it, where the fleet does not own it.
        is_known_from_new: False for a vehicle bought used.
        meters: The meters that are fitted.
    """

    ref: VehicleRef
    vin: str | None
    vin_check: VinVerdict | None
    serial_number: str | None
    model_year: int | None
    engine: str | None
    make: str | None
    tyre_size: str | None
    supplied_by: str | None
    is_known_from_new: bool
    meters: tuple[MeterNow, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """A change of a vehicle.

    Attributes:
        version: The version that it starts from.
        values: New values of ``depot`` (a code), ``vin``, ``serial_number``, ``model_year``, ``engine``,
            ``make``, ``tyre_size``, ``supplied_by``, ``is_known_from_new`` and ``retired_on``; a field left
            out stays as it is.
    """

    version: int
    values: Mapping[str, Any]


def vehicle(session: ReadSession, at: Address) -> Vehicle:
    """The vehicle at an address.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    (found,) = _with_meters(session, at.fleet_key, [vehicle_row(session, at)])
    return found


def vehicles(
    session: ReadSession, fleet_key: int, wanted: Wanted, *, after: int | None, limit: int
) -> tuple[Vehicle, ...]:
    """Vehicles in the order in which they were registered; three statements for any number of them.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        wanted: Which vehicles.
        after: Key of the vehicle after which they begin.
        limit: Most vehicles.
    """
    rows = queries_vehicles.listed(session, fleet_key, wanted, after=after, limit=limit)
    return _with_meters(session, fleet_key, rows)


def change(session: WriteSession, at: Address, changes: Changes, *, now_us: int) -> Vehicle:
    """The vehicle after some of its fields were changed; what is due on it follows at once.

    Args:
        session: The unit of work.
        at: The vehicle.
        changes: The change.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        StaleVersionError: The vehicle has another version by now.
        RefusedError: Fields break a rule, with a breach for each.
        ConflictError: Another vehicle has taken the unit number since the vehicle left (``unit_taken``).
    """
    ref = reference_of(vehicle_row(session, at))
    values = _checked(session, at.fleet_key, ref, changes.values)
    if not writes_vehicles.change_vehicle(
        session, at.fleet_key, ref.key, version=changes.version, values=values
    ):
        stored = queries_vehicles.stored_version(session, at.fleet_key, ref.key)
        raise StaleVersionError(_KIND, stored_version=stored)
    if "retired_on" in values and values["retired_on"] != ref.retired_on:
        breaches = registration.end_on(session, at.fleet_key, ref.key, values["retired_on"])
        if breaches:
            raise RefusedError(*breaches)
    recompute(session, at.fleet_key, [ref.key], now_us=now_us)
    if "retired_on" in values:
        label = registration.last_label(session, at.fleet_key, ref.key)
        place_waiting(session, at.fleet_key, label.unit, now_us=now_us)
    # The unit number may have ended before the day asked for; its first day always leads to the vehicle.
    return vehicle(session, replace(at, on=ref.valid_from))


_KIND = "vehicle"


def _with_meters(session: ReadSession, fleet_key: int, rows: Sequence[Any]) -> tuple[Vehicle, ...]:
    if not rows:
        return ()
    meters = meters_now(session, fleet_key, [row.id for row in rows])
    return tuple(
        Vehicle(
            reference_of(row),
            row.vin,
            None if row.vin is None else parse_vin(row.vin).verdict,
            row.serial_number,
            row.model_year,
            row.engine,
            row.make,
            row.tyre_size,
            row.supplied_by,
            row.is_known_from_new,
            meters[row.id],
        )
        for row in rows
    )


def _checked(
    session: ReadSession, fleet_key: int, ref: VehicleRef, changes: Mapping[str, Any]
) -> dict[str, Any]:
    """The columns that a change sets."""
    values = {name: value for name, value in changes.items() if name != "depot"}
    breaches: list[Breach] = []
    if "depot" in changes:
        depot = queries_vehicles.depot_of(session, fleet_key, changes["depot"])
        if depot is None:
            breaches.append(Breach("/depot", "depot_unknown", "the fleet has no depot of that code"))
        else:
            values["depot_id"] = depot.id
    if "vin" in changes:
        values["vin"], wrong = registration.checked_vin(changes["vin"])
        breaches += wrong
    if changes.get("retired_on") is not None:
        breaches += _retirement_breaches(session, fleet_key, ref, changes["retired_on"])
    if breaches:
        raise RefusedError(*breaches)
    return values


def _retirement_breaches(
    session: ReadSession, fleet_key: int, ref: VehicleRef, retired_on: date
) -> list[Breach]:
    breaches = [
        breach
        for breach in day_breaches(ref, retired_on, pointer="/retired_on")
        if breach.rule == "before_first_day"
    ]
    worked_on = queries_vehicles.last_work_on(session, fleet_key, ref.key)
    if worked_on is not None and worked_on > retired_on:
        detail = f"work was done on the vehicle on {worked_on.isoformat()}"
        breaches.append(Breach("/retired_on", "work_after_retirement", detail))
    return breaches
