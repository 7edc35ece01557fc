"""Which vehicle a unit number stands for on a day: the one place that resolves the fleet's own numbers.

Invariant: a unit number is a label with a validity; on one day at most one vehicle carries it, and it may be
given to another vehicle later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import GoneError, NotFoundError
from api.store import queries_vehicles

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from api.store.session import ReadSession


@dataclass(frozen=True, slots=True)
class Address:
    """How a request names a vehicle: in which fleet, by which unit number, valid on which day."""

    fleet_key: int
    unit: str
    on: date


@dataclass(frozen=True, slots=True)
class VehicleRef:
    """A vehicle as its unit number leads to it.

    Attributes:
        key: Its key.
        unit: The unit number asked for.
        valid_from: First day of that unit number.
        valid_through: Last day of it; None: until further notice.
        depot_key: Its depot.
        depot: The depot's code.
        time_zone: The depot's time zone (IANA name).
        spec_sheet_key: Its type.
        spec_sheet: The type's code.
        spec_sheet_version_key: Newest version of that sheet.
        in_service_on: Its first day.
        retired_on: Its last day; None while it is in the fleet.
        version: Version of its row.
    """

    key: int
    unit: str
    valid_from: date
    valid_through: date | None
    depot_key: int
    depot: str
    time_zone: str
    spec_sheet_key: int
    spec_sheet: str
    spec_sheet_version_key: int
    in_service_on: date
    retired_on: date | None
    version: int


def vehicle_key_of(
    session: ReadSession, fleet_key: int, unit: str, on: date, *, is_locking: bool = False
) -> VehicleRef:
    """The vehicle that carries a unit number on a day.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        unit: The unit number.
        on: The day.
        is_locking: Whether the vehicle is kept from other writers until the unit of work ends.

    Raises:
        NotFoundError: No vehicle carries it on that day, or did before.
        GoneError: A vehicle carried it before that day, and none does on it.
    """
    return vehicle_at(session, Address(fleet_key, unit, on), is_locking=is_locking)


def vehicle_at(session: ReadSession, at: Address, *, is_locking: bool = False) -> VehicleRef:
    """As ``vehicle_key_of``, for an address."""
    return reference_of(vehicle_row(session, at, is_locking=is_locking))


def vehicle_keys_of(
    session: ReadSession, fleet_key: int, asked: Iterable[tuple[str, date]]
) -> dict[tuple[str, date], int | None]:
    """The key of the vehicle that carries each unit number on each day, None where none does.

    One statement, whatever the number of pairs.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Unit numbers with days.
    """
    pairs = dict.fromkeys(asked)
    units = {unit for unit, _ in pairs}
    by_unit: dict[str, list[tuple[date, date | None, int]]] = {}
    if units:
        for label in queries_vehicles.labels(session, fleet_key, sorted(units)):
            by_unit.setdefault(label.unit, []).append(
                (label.valid_from, label.valid_through, label.vehicle_id)
            )
    return {(unit, on): _carrier(by_unit.get(unit, ()), on) for unit, on in pairs}


def vehicle_row(session: ReadSession, at: Address, *, is_locking: bool = False) -> Any:
    """As ``vehicle_at``, with every column that ``api.store.queries_vehicles`` gives."""
    row = queries_vehicles.labelled(session, at.fleet_key, at.unit, at.on, is_locking=is_locking)
    if row is None:
        raise NotFoundError(_KIND)
    if row.valid_through is not None and row.valid_through < at.on:
        raise GoneError(_KIND)
    return row


def reference_of(row: Any) -> VehicleRef:
    """The reference in a row of ``vehicle_row``."""
    return VehicleRef(
        row.id,
        row.unit,
        row.valid_from,
        row.valid_through,
        row.depot_id,
        row.depot,
        row.time_zone,
        row.spec_sheet_id,
        row.spec_sheet,
        row.spec_sheet_version_id,
        row.in_service_on,
        row.retired_on,
        row.version,
    )


_KIND = "vehicle"


def _carrier(labels: Iterable[tuple[date, date | None, int]], on: date) -> int | None:
    for valid_from, valid_through, key in labels:
        if valid_from <= on and (valid_through is None or on <= valid_through):
            return key
    return None
