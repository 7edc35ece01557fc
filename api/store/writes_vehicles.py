"""The rows of vehicles as they are stored: the vehicle, its unit numbers and its meters.

Invariants: a change of a vehicle's own row that a client asks for names the version that it was read at, and
the statement itself checks it; a meter segment is never changed but withdrawn, and stored anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, update
from sqlmodel import col

from api.store.tables_vehicle import MeterSegment, UnitNumber, Vehicle

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from api.store.session import WriteSession


def add_vehicle(session: WriteSession, values: Mapping[str, Any]) -> int:
    """The key of a new vehicle with these columns."""
    key = session.execute(insert(Vehicle).values(**values, version=1).returning(col(Vehicle.id))).scalar_one()
    return int(key or 0)


def change_vehicle(
    session: WriteSession, fleet: int, vehicle: int, *, version: int | None, values: Mapping[str, Any]
) -> bool:
    """Whether the vehicle still had that version, and has these columns and the next version now.

    Args:
        session: The unit of work.
        fleet: The fleet.
        vehicle: The vehicle.
        version: The version that the change starts from; None: whichever it is.
        values: Columns to set.
    """
    statement = update(Vehicle).where(col(Vehicle.fleet_id) == fleet, col(Vehicle.id) == vehicle)
    if version is not None:
        statement = statement.where(col(Vehicle.version) == version)
    changed = session.execute(
        statement.values(**values, version=col(Vehicle.version) + 1).returning(col(Vehicle.id)),
        execution_options={"synchronize_session": False},
    )
    return changed.first() is not None


def add_label(session: WriteSession, fleet: int, vehicle: int, values: Mapping[str, Any]) -> None:
    """Give a vehicle a unit number with these columns."""
    session.execute(insert(UnitNumber).values(fleet_id=fleet, vehicle_id=vehicle, **values))


def end_label(session: WriteSession, fleet: int, label: int, *, valid_through: date | None) -> None:
    """Let a unit number be valid through another day; None: until further notice."""
    session.execute(
        update(UnitNumber)
        .where(col(UnitNumber.fleet_id) == fleet, col(UnitNumber.id) == label)
        .values(valid_through=valid_through),
        execution_options={"synchronize_session": False},
    )


def add_segment(session: WriteSession, fleet: int, vehicle: int, values: Mapping[str, Any]) -> None:
    """Store a meter segment with these columns."""
    session.execute(insert(MeterSegment).values(fleet_id=fleet, vehicle_id=vehicle, **values))


def withdraw_segment(session: WriteSession, fleet: int, segment: int, *, now_us: int) -> None:
    """Let a meter segment hold no longer for questions about what is known from now on."""
    session.execute(
        update(MeterSegment)
        .where(col(MeterSegment.fleet_id) == fleet, col(MeterSegment.id) == segment)
        .values(withdrawn_at_us=now_us),
        execution_options={"synchronize_session": False},
    )
