"""Taking vehicles into the fleet, and giving them unit numbers.

Invariants: on one day at most one vehicle carries a unit number, whoever writes at the same time; a vehicle
begins with one meter for each that its type has; readings that waited for a unit number are taken in with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from api.services import meters
from api.services.errors import ConflictError, RefusedError
from api.services.feed.recording import place_waiting
from api.services.meters import MeterGiven, Noted
from api.services.standing import recompute
from api.services.units import vehicle_at
from api.services.vehicle_span import day_in_depot, first_instant_us
from api.store import queries_vehicles, writes_vehicles
from api.store.facts import Owner
from api.store.sheets import load_sheet
from domain.errors import Breach, RuleBrokenError
from domain.vin import VinVerdict, parse_vin

if TYPE_CHECKING:
    from api.services.units import Address
    from api.store.session import ReadSession, WriteSession
    from domain.meters import MeterSegment

FURTHEST_AHEAD_DAYS = 366
"""How far ahead a vehicle's first day, or the first day of a unit number, may lie [d]."""


@dataclass(frozen=True, slots=True)
class NewVehicle:
    """A vehicle as registered.

    Attributes:
        unit: Its unit number.
        valid_from: First day of that number; None: its first day.
        spec_sheet: Code of its type.
        depot: Code of its depot.
        vin: Vehicle identification number.
        serial_number: Serial number of plant.
        model_year: Model year.
        engine: Engine code.
        in_service_on: Day on which it was first put to use.
        is_known_from_new: False for a vehicle bought used.
        meters: Meters that differ from a new one that was fitted on the first day.
        make: Who made it.
        tyre_size: Size of its tyres, as marked on them.
        supplied_by: Who supplied it, where the fleet does not own it.
    """

    unit: str
    valid_from: date | None
    spec_sheet: str
    depot: str
    vin: str | None
    serial_number: str | None
    model_year: int | None
    engine: str | None
    in_service_on: date
    is_known_from_new: bool
    meters: tuple[MeterGiven, ...]
    make: str | None = None
    tyre_size: str | None = None
    supplied_by: str | None = None


@dataclass(frozen=True, slots=True)
class Validity:
    """A unit number from one day up to and including another; None: until further notice."""

    unit: str
    valid_from: date
    valid_through: date | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """A unit number with its validity.

    Attributes:
        key: Identifies it.
        unit: The number.
        valid_from: First day.
        valid_through: Last day; None: until further notice.
    """

    key: int
    unit: str
    valid_from: date
    valid_through: date | None


def register(session: WriteSession, fleet_key: int, new: NewVehicle, *, now_us: int) -> int:
    """The key of a new vehicle with its meters; what is due on it follows at once.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        new: The vehicle.
        now_us: The present [us UTC].

    Raises:
        RefusedError: Fields break a rule, with a breach for each.
        ConflictError: Another vehicle carries the unit number then (``unit_taken``).
    """
    queries_vehicles.lock_labels(session, fleet_key)
    valid_from = new.valid_from or new.in_service_on
    vin, breaches = checked_vin(new.vin)
    sheet = queries_vehicles.newest_sheet(session, fleet_key, new.spec_sheet)
    if sheet is None:
        detail = "the fleet has no spec sheet of that code"
        breaches.append(Breach("/spec_sheet", "spec_sheet_unknown", detail))
    depot = queries_vehicles.depot_of(session, fleet_key, new.depot)
    if depot is None:
        breaches.append(Breach("/depot", "depot_unknown", "the fleet has no depot of that code"))
    time_zone = "UTC" if depot is None else depot.time_zone
    breaches += _day_breaches(new, day_in_depot(now_us, time_zone))
    segments: list[tuple[MeterSegment, int | None]] = []
    if sheet is not None:
        first_us = first_instant_us(new.in_service_on, time_zone)
        type_meters = load_sheet(session, fleet_key, sheet.version_id).meters
        segments, meter_breaches = meters.first_segments(
            type_meters, new.meters, first_us=first_us, now_us=now_us
        )
        breaches += meter_breaches
    if sheet is None or depot is None or breaches:
        raise RefusedError(*breaches)
    _refuse_taken(session, fleet_key, Validity(new.unit, valid_from))
    key = writes_vehicles.add_vehicle(
        session,
        {
            "fleet_id": fleet_key,
            "spec_sheet_id": sheet.id,
            "depot_id": depot.id,
            "vin": vin,
            "serial_number": new.serial_number,
            "model_year": new.model_year,
            "engine": new.engine,
            "make": new.make,
            "tyre_size": new.tyre_size,
            "supplied_by": new.supplied_by,
            "in_service_on": new.in_service_on,
            "is_known_from_new": new.is_known_from_new,
            "recorded_at_us": now_us,
        },
    )
    _add_label(session, Owner(fleet_key, key), Validity(new.unit, valid_from), now_us=now_us)
    for segment, _ in segments:
        meters.add_segment(session, fleet_key, key, segment, now_us=now_us)
    recompute(session, fleet_key, [key], now_us=now_us)
    for segment, figure in segments:
        if figure is not None:
            noted = Noted(segment, figure, meters.REGISTRATION_SOURCE)
            meters.note_figure(session, Owner(fleet_key, key), noted, now_us=now_us)
    place_waiting(session, fleet_key, new.unit, now_us=now_us)
    return key


def renumber(session: WriteSession, at: Address, new_unit: str, *, valid_from: date, now_us: int) -> Label:
    """The new unit number of a vehicle; the one before ends on the day before.

    Args:
        session: The unit of work.
        at: The vehicle.
        new_unit: Its new number.
        valid_from: First day of that.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The new number does not follow the last one (``unit_unchanged``, ``label_out_of_order``,
            ``after_last_day``, ``date_too_far_ahead``).
        ConflictError: Another vehicle carries the new number then (``unit_taken``).
    """
    queries_vehicles.lock_labels(session, at.fleet_key)
    vehicle = vehicle_at(session, at, is_locking=True)
    last = last_label(session, at.fleet_key, vehicle.key)
    breaches = []
    if new_unit == last.unit:
        breaches.append(
            Breach("/unit", "unit_unchanged", "the vehicle's last unit number is this one already")
        )
    if valid_from <= last.valid_from:
        detail = f"the vehicle's last unit number is valid from {last.valid_from.isoformat()}"
        breaches.append(Breach("/valid_from", "label_out_of_order", detail))
    if vehicle.retired_on is not None and valid_from > vehicle.retired_on:
        detail = f"the vehicle left on {vehicle.retired_on.isoformat()}"
        breaches.append(Breach("/valid_from", "after_last_day", detail))
    breaches += _too_far_ahead(valid_from, day_in_depot(now_us, vehicle.time_zone), "/valid_from")
    if breaches:
        raise RefusedError(*breaches)
    new = Validity(new_unit, valid_from, last.valid_through)
    _refuse_taken(session, at.fleet_key, new)
    writes_vehicles.end_label(session, at.fleet_key, last.key, valid_through=valid_from - timedelta(days=1))
    _add_label(session, Owner(at.fleet_key, vehicle.key), new, now_us=now_us)
    writes_vehicles.change_vehicle(session, at.fleet_key, vehicle.key, version=None, values={})
    recompute(session, at.fleet_key, [vehicle.key], now_us=now_us)
    place_waiting(session, at.fleet_key, new_unit, now_us=now_us)
    return last_label(session, at.fleet_key, vehicle.key)


def unit_numbers(session: ReadSession, at: Address) -> tuple[Label, ...]:
    """Every unit number of the vehicle at an address, in order of time.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    return _labels(session, at.fleet_key, vehicle_at(session, at).key)


def last_label(session: ReadSession, fleet_key: int, vehicle_key: int) -> Label:
    """The unit number that a vehicle carries last."""
    return _labels(session, fleet_key, vehicle_key)[-1]


def end_on(session: WriteSession, fleet_key: int, vehicle_key: int, retired_on: date | None) -> list[Breach]:
    """Let a vehicle's last unit number end with its last day, or hold on; why it cannot, if it cannot.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        retired_on: Its last day; None: it is in the fleet.

    Raises:
        ConflictError: Another vehicle has carried the unit number since the day on which it ended
            (``unit_taken``).
    """
    queries_vehicles.lock_labels(session, fleet_key)
    last = last_label(session, fleet_key, vehicle_key)
    if retired_on is not None and retired_on < last.valid_from:
        detail = f"the vehicle's last unit number is valid from {last.valid_from.isoformat()}"
        return [Breach("/retired_on", "label_out_of_order", detail)]
    if last.valid_through is not None and (retired_on is None or retired_on > last.valid_through):
        after = last.valid_through + timedelta(days=1)
        _refuse_taken(session, fleet_key, Validity(last.unit, after, retired_on), pointer="/retired_on")
    writes_vehicles.end_label(session, fleet_key, last.key, valid_through=retired_on)
    return []


def checked_vin(text: str | None) -> tuple[str | None, list[Breach]]:
    """A vehicle identification number in capitals, and what is wrong with it.

    A check digit that fails proves something only where one is required: in North America.
    """
    if text is None:
        return None, []
    try:
        vin = parse_vin(text)
    except RuleBrokenError as error:
        return None, [breach.under("/vin") for breach in error.breaches]
    if vin.verdict is VinVerdict.INVALID:
        detail = "position 9 does not hold the check digit that North American numbers carry there"
        return None, [Breach("/vin", "vin_check_digit", detail)]
    return vin.text, []


def _labels(session: ReadSession, fleet_key: int, vehicle_key: int) -> tuple[Label, ...]:
    return tuple(
        Label(row.id, row.unit, row.valid_from, row.valid_through)
        for row in queries_vehicles.unit_numbers(session, fleet_key, vehicle_key)
    )


def _day_breaches(new: NewVehicle, today: date) -> list[Breach]:
    breaches = _too_far_ahead(new.in_service_on, today, "/in_service_on")
    if new.valid_from is not None:
        breaches += _too_far_ahead(new.valid_from, today, "/valid_from")
        if new.valid_from < new.in_service_on:
            detail = "a unit number is valid from the vehicle's first day at the earliest"
            breaches.append(Breach("/valid_from", "before_first_day", detail))
    return breaches


def _too_far_ahead(day: date, today: date, pointer: str) -> list[Breach]:
    if day <= today + timedelta(days=FURTHEST_AHEAD_DAYS):
        return []
    detail = f"the day lies at most {FURTHEST_AHEAD_DAYS} days ahead"
    return [Breach(pointer, "date_too_far_ahead", detail)]


def _add_label(session: WriteSession, owner: Owner, label: Validity, *, now_us: int) -> None:
    values = {
        "unit": label.unit,
        "valid_from": label.valid_from,
        "valid_through": label.valid_through,
        "recorded_at_us": now_us,
    }
    writes_vehicles.add_label(session, owner.fleet, owner.vehicle, values)


def _refuse_taken(session: ReadSession, fleet_key: int, wanted: Validity, *, pointer: str = "/unit") -> None:
    for label in queries_vehicles.labels(session, fleet_key, [wanted.unit]):
        begins_after = wanted.valid_through is not None and label.valid_from > wanted.valid_through
        ends_before = label.valid_through is not None and label.valid_through < wanted.valid_from
        if not begins_after and not ends_before:
            until = "on" if label.valid_through is None else f"through {label.valid_through.isoformat()}"
            detail = f"a vehicle carries this unit number from {label.valid_from.isoformat()} {until}"
            raise ConflictError(Breach(pointer, "unit_taken", detail))
