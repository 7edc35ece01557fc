"""Entries about one vehicle that are withdrawn and never deleted: duty, components exchanged, deferrals, devices.

Invariant: an entry is withdrawn once; the statement itself checks that it was not before.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, select, update

from api.store.base import Row
from api.store.tables_source import SourceCalibration, SourceFitting
from api.store.tables_top_up import TopUp
from api.store.tables_vehicle import ComponentExchange, Deferral, DutyEntry

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Select, Table

    from api.store.session import ReadSession, WriteSession

DUTY: Table = Row.metadata.tables[str(DutyEntry.__tablename__)]
EXCHANGES: Table = Row.metadata.tables[str(ComponentExchange.__tablename__)]
DEFERRALS: Table = Row.metadata.tables[str(Deferral.__tablename__)]
FITTINGS: Table = Row.metadata.tables[str(SourceFitting.__tablename__)]
TOP_UPS: Table = Row.metadata.tables[str(TopUp.__tablename__)]
CALIBRATIONS: Table = Row.metadata.tables[str(SourceCalibration.__tablename__)]


@dataclass(frozen=True, slots=True)
class Owner:
    """The vehicle that entries are about: key of its fleet and its own."""

    fleet: int
    vehicle: int


@dataclass(frozen=True, slots=True)
class Window:
    """Which entries a list shows.

    Attributes:
        after: Key of the entry after which they begin; None: from the first on.
        limit: Most entries; None: all.
        has_withdrawn: Whether withdrawn entries are among them.
    """

    after: int | None = None
    limit: int | None = None
    has_withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """When an entry is withdrawn [us UTC], and why."""

    at_us: int
    reason: str


def entry(session: ReadSession, table: Table, owner: Owner, key: int) -> Any | None:
    """The row of one entry, also of a withdrawn one; None where the vehicle has none of that key."""
    return session.execute(_of(table, owner).where(table.c.id == key)).first()


def entries(session: ReadSession, table: Table, owner: Owner, window: Window) -> Sequence[Any]:
    """Rows of entries in the order in which they were recorded."""
    query = _of(table, owner).order_by(table.c.id)
    if not window.has_withdrawn:
        query = query.where(table.c.withdrawn_at_us.is_(None))
    if window.after is not None:
        query = query.where(table.c.id > window.after)
    if window.limit is not None:
        query = query.limit(window.limit)
    return session.execute(query).all()


def add(session: WriteSession, table: Table, owner: Owner, values: Mapping[str, Any]) -> int:
    """The key of a new entry with these columns."""
    statement = insert(table).values(fleet_id=owner.fleet, vehicle_id=owner.vehicle, **values)
    return int(session.execute(statement.returning(table.c.id)).scalar_one())


def withdraw(session: WriteSession, table: Table, owner: Owner, key: int, withdrawal: Withdrawal) -> bool:
    """Whether the entry was there, not withdrawn, and is withdrawn now."""
    changed = session.execute(
        update(table)
        .where(
            table.c.fleet_id == owner.fleet,
            table.c.vehicle_id == owner.vehicle,
            table.c.id == key,
            table.c.withdrawn_at_us.is_(None),
        )
        .values(withdrawn_at_us=withdrawal.at_us, withdrawn_reason=withdrawal.reason)
        .returning(table.c.id)
    )
    return changed.first() is not None


def _of(table: Table, owner: Owner) -> Select[Any]:
    return select(table).where(table.c.fleet_id == owner.fleet, table.c.vehicle_id == owner.vehicle)
