"""The SELECTs of the fleet and its depots, and their rows as they are stored.

Invariant: a change names the version that it was read at, and the statement itself checks it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, select, update
from sqlmodel import col

from api.store.tables_fleet import Depot, Fleet
from api.store.tables_vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import sqlalchemy
    from sqlalchemy import Select

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]

_BY_STATEMENT = {"synchronize_session": False}


def fleet_row(session: ReadSession, fleet: int) -> Found:
    """The fleet, which must exist."""
    return session.execute(
        select(
            col(Fleet.code),
            col(Fleet.name),
            col(Fleet.time_zone),
            col(Fleet.unit_system),
            col(Fleet.stale_days),
            col(Fleet.version),
            col(Fleet.recorded_at_us),
        ).where(col(Fleet.id) == fleet)
    ).one()


def change_fleet(session: WriteSession, fleet: int, *, version: int, values: Mapping[str, Any]) -> bool:
    """Whether the fleet still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(Fleet)
        .where(col(Fleet.id) == fleet, col(Fleet.version) == version)
        .values(**values, version=version + 1)
        .returning(col(Fleet.id)),
        execution_options=_BY_STATEMENT,
    )
    return changed.first() is not None


def depot(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The depot of that code."""
    return session.execute(_depots(fleet).where(col(Depot.code) == code)).first()


def listed_depots(session: ReadSession, fleet: int, *, after: str | None, limit: int) -> Sequence[Found]:
    """Depots in the order of their codes, from the one after ``after`` on."""
    query = _depots(fleet).order_by(col(Depot.code)).limit(limit)
    if after is not None:
        query = query.where(col(Depot.code) > after)
    return session.execute(query).all()


def add_depot(session: WriteSession, fleet: int, values: Mapping[str, Any]) -> None:
    """Store a new depot with these columns."""
    session.execute(insert(Depot).values(fleet_id=fleet, version=1, **values))


def change_depot(
    session: WriteSession, fleet: int, code: str, *, version: int, values: Mapping[str, Any]
) -> bool:
    """Whether the depot still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(Depot)
        .where(col(Depot.fleet_id) == fleet, col(Depot.code) == code, col(Depot.version) == version)
        .values(**values, version=version + 1)
        .returning(col(Depot.id)),
        execution_options=_BY_STATEMENT,
    )
    return changed.first() is not None


def vehicle_keys(session: ReadSession, fleet: int, *, depot_key: int | None = None) -> list[int]:
    """Keys of the fleet's vehicles, or of those at one depot, in their order."""
    query = select(col(Vehicle.id)).where(col(Vehicle.fleet_id) == fleet).order_by(col(Vehicle.id))
    if depot_key is not None:
        query = query.where(col(Vehicle.depot_id) == depot_key)
    return [int(key or 0) for key in session.execute(query).scalars()]


def _depots(fleet: int) -> Select[*tuple[Any, ...]]:
    return select(
        col(Depot.id),
        col(Depot.code),
        col(Depot.name),
        col(Depot.time_zone),
        col(Depot.version),
        col(Depot.recorded_at_us),
    ).where(col(Depot.fleet_id) == fleet)
