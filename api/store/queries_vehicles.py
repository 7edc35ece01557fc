"""The SELECTs of vehicles: by unit number and day, one by one, in bulk and in pages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import msgspec
from sqlalchemy import Date, Integer, and_, bindparam, func, or_, select, text
from sqlmodel import col

from api.store.base import Row
from api.store.tables_due import Standing
from api.store.tables_fleet import Depot, Fleet
from api.store.tables_sheet import SpecSheet, SpecSheetVersion
from api.store.tables_vehicle import MeterSegment, UnitNumber, Vehicle
from api.store.tables_work import WorkDone

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from sqlalchemy import Select

    from api.store.session import ReadSession, WriteSession

# All labels of many unit numbers in one statement that stays the same however many are asked for.
_LABELS = {
    "sqlite": "SELECT unit, valid_from, valid_through, vehicle_id FROM unit_number"
    " WHERE fleet_id = :fleet AND unit IN (SELECT value FROM json_each(:units))",
    "postgresql": "SELECT unit, valid_from, valid_through, vehicle_id FROM unit_number"
    " WHERE fleet_id = :fleet AND unit = ANY(ARRAY(SELECT json_array_elements_text(CAST(:units AS json))))",
}
_LABEL_QUERIES = {
    dialect: text(statement).columns(valid_from=Date, valid_through=Date, vehicle_id=Integer)
    for dialect, statement in _LABELS.items()
}

_NEWEST_VERSION = (
    select(col(SpecSheetVersion.id))
    .where(
        col(SpecSheetVersion.fleet_id) == col(Vehicle.fleet_id),
        col(SpecSheetVersion.spec_sheet_id) == col(Vehicle.spec_sheet_id),
    )
    .order_by(col(SpecSheetVersion.number).desc())
    .limit(1)
    .scalar_subquery()
)

# Statements of single look-ups are put together once: that costs more than running them.
_VEHICLES: Select[Any] = (
    select(
        col(Vehicle.id),
        col(UnitNumber.unit),
        col(UnitNumber.valid_from),
        col(UnitNumber.valid_through),
        col(Vehicle.depot_id),
        col(Depot.code).label("depot"),
        col(Depot.time_zone),
        col(Vehicle.spec_sheet_id),
        col(SpecSheet.code).label("spec_sheet"),
        _NEWEST_VERSION.label("spec_sheet_version_id"),
        col(Vehicle.vin),
        col(Vehicle.serial_number),
        col(Vehicle.model_year),
        col(Vehicle.engine),
        col(Vehicle.make),
        col(Vehicle.tyre_size),
        col(Vehicle.supplied_by),
        col(Vehicle.in_service_on),
        col(Vehicle.is_known_from_new),
        col(Vehicle.retired_on),
        col(Vehicle.version),
    )
    .join_from(
        UnitNumber,
        Vehicle,
        and_(
            col(Vehicle.fleet_id) == col(UnitNumber.fleet_id),
            col(Vehicle.id) == col(UnitNumber.vehicle_id),
        ),
    )
    .join(
        Depot,
        and_(col(Depot.fleet_id) == col(Vehicle.fleet_id), col(Depot.id) == col(Vehicle.depot_id)),
    )
    .join(
        SpecSheet,
        and_(
            col(SpecSheet.fleet_id) == col(Vehicle.fleet_id),
            col(SpecSheet.id) == col(Vehicle.spec_sheet_id),
        ),
    )
    .where(col(Vehicle.fleet_id) == bindparam("fleet"), col(UnitNumber.fleet_id) == bindparam("fleet"))
)

_LABELLED = (
    _VEHICLES.where(col(UnitNumber.unit) == bindparam("unit"), col(UnitNumber.valid_from) <= bindparam("on"))
    .order_by(col(UnitNumber.valid_from).desc(), col(UnitNumber.id).desc())
    .limit(1)
)
_LABELLED_LOCKING = _LABELLED.with_for_update(of=Vehicle, key_share=True)


def labels(session: ReadSession, fleet: int, units: Sequence[str]) -> Sequence[Any]:
    """Every validity of these unit numbers with the vehicle's key; one statement for any number of them."""
    statement = _LABEL_QUERIES[session.get_bind().dialect.name]
    return session.execute(
        statement, {"fleet": fleet, "units": msgspec.json.encode(list(units)).decode()}
    ).all()


def labelled(
    session: ReadSession, fleet: int, unit: str, on: date, *, is_locking: bool = False
) -> Any | None:
    """The vehicle whose unit number this was last on or before a day, also where that has ended by then.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        unit: The unit number.
        on: The day.
        is_locking: Whether the vehicle is kept from other writers until the unit of work ends.
    """
    query = _LABELLED_LOCKING if is_locking else _LABELLED
    return session.execute(query, {"fleet": fleet, "unit": unit, "on": on}).first()


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which vehicles a list shows.

    Attributes:
        on: The day on which they carry a unit number.
        depot: Code of their depot; None: any.
        spec_sheet: Code of their type; None: any.
    """

    on: date
    depot: str | None = None
    spec_sheet: str | None = None


def listed(
    session: ReadSession, fleet: int, wanted: Wanted, *, after: int | None, limit: int
) -> Sequence[Any]:
    """The vehicles that carry a unit number on a day, in the order of their keys.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        wanted: Which vehicles.
        after: Key of the vehicle after which the page begins; None: from the first on.
        limit: Most vehicles.
    """
    on = wanted.on
    query = (
        _VEHICLES.where(
            col(UnitNumber.valid_from) <= on,
            or_(col(UnitNumber.valid_through).is_(None), col(UnitNumber.valid_through) >= on),
        )
        .order_by(col(Vehicle.id))
        .limit(limit)
    )
    if after is not None:
        query = query.where(col(Vehicle.id) > after)
    if wanted.depot is not None:
        query = query.where(col(Depot.code) == wanted.depot)
    if wanted.spec_sheet is not None:
        query = query.where(col(SpecSheet.code) == wanted.spec_sheet)
    return session.execute(query, {"fleet": fleet}).all()


def unit_numbers(session: ReadSession, fleet: int, vehicle: int) -> Sequence[Any]:
    """Every unit number of a vehicle, in order of time."""
    return session.execute(
        select(
            col(UnitNumber.id),
            col(UnitNumber.unit),
            col(UnitNumber.valid_from),
            col(UnitNumber.valid_through),
            col(UnitNumber.recorded_at_us),
        )
        .where(col(UnitNumber.fleet_id) == fleet, col(UnitNumber.vehicle_id) == vehicle)
        .order_by(col(UnitNumber.valid_from), col(UnitNumber.id))
    ).all()


def stored_version(session: ReadSession, fleet: int, vehicle: int) -> int:
    """The version that a vehicle's row has now."""
    return session.execute(
        select(col(Vehicle.version)).where(col(Vehicle.fleet_id) == fleet, col(Vehicle.id) == vehicle)
    ).scalar_one()


def lock_labels(session: WriteSession, fleet: int) -> None:
    """Keep other writers from giving out unit numbers of the fleet until the unit of work ends."""
    session.execute(select(col(Fleet.id)).where(col(Fleet.id) == fleet).with_for_update(key_share=True))


def depot_of(session: ReadSession, fleet: int, code: str) -> Any | None:
    """Key and time zone of a depot."""
    return session.execute(
        select(col(Depot.id), col(Depot.time_zone)).where(
            col(Depot.fleet_id) == fleet, col(Depot.code) == code
        )
    ).first()


def newest_sheet(session: ReadSession, fleet: int, code: str) -> Any | None:
    """Key of a spec sheet (``id``) and of its newest version (``version_id``)."""
    return session.execute(
        select(col(SpecSheet.id), col(SpecSheetVersion.id).label("version_id"))
        .join(
            SpecSheetVersion,
            and_(
                col(SpecSheetVersion.fleet_id) == col(SpecSheet.fleet_id),
                col(SpecSheetVersion.spec_sheet_id) == col(SpecSheet.id),
            ),
        )
        .where(col(SpecSheet.fleet_id) == fleet, col(SpecSheet.code) == code)
        .order_by(col(SpecSheetVersion.number).desc())
        .limit(1)
    ).first()


def fitted(session: ReadSession, fleet: int, vehicles: Sequence[int]) -> Sequence[Any]:
    """The meter segments of vehicles that no withdrawal has ended, in order of vehicle, meter and time."""
    return session.execute(
        select(
            col(MeterSegment.id),
            col(MeterSegment.vehicle_id),
            col(MeterSegment.meter),
            col(MeterSegment.fitted_at_us),
            col(MeterSegment.removed_at_us),
            col(MeterSegment.life_offset),
            col(MeterSegment.unit),
            col(MeterSegment.recorded_at_us),
        )
        .where(
            col(MeterSegment.fleet_id) == fleet,
            col(MeterSegment.vehicle_id).in_(vehicles),
            col(MeterSegment.withdrawn_at_us).is_(None),
        )
        .order_by(
            col(MeterSegment.vehicle_id),
            col(MeterSegment.meter),
            col(MeterSegment.fitted_at_us),
            col(MeterSegment.id),
        )
    ).all()


def standings(session: ReadSession, fleet: int, vehicles: Sequence[int]) -> Sequence[Any]:
    """How the meters of vehicles stand, one row a vehicle."""
    table = Row.metadata.tables["standing"]
    meters = [column for column in table.c if column.name.endswith(("_m", "_s", "_ml", "_on"))]
    return session.execute(
        select(table.c.vehicle_id, *meters).where(
            col(Standing.fleet_id) == fleet, col(Standing.vehicle_id).in_(vehicles)
        )
    ).all()


def last_work_on(session: ReadSession, fleet: int, vehicle: int) -> date | None:
    """The last day on which work was done on a vehicle; None where none was."""
    return session.execute(
        select(func.max(col(WorkDone.done_on))).where(
            col(WorkDone.fleet_id) == fleet,
            col(WorkDone.vehicle_id) == vehicle,
            col(WorkDone.withdrawn_at_us).is_(None),
        )
    ).scalar_one()
