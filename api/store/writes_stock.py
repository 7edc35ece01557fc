"""The rows of the stock ledger as they are stored: entries and movements are added, balances and lots kept with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, insert, update

from api.store.base import Row
from api.store.new_rows import insert_new, insert_unless_there
from api.store.tables_stock import (
    StockBalance,
    StockEntry,
    StockItem,
    StockLot,
    StockMovement,
    UsedFluidBalance,
    UsedFluidEntry,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from sqlalchemy import Table

    from api.store.session import WriteSession

_BALANCE: Table = Row.metadata.tables[str(StockBalance.__tablename__)]
_LOT: Table = Row.metadata.tables[str(StockLot.__tablename__)]
_ENTRY: Table = Row.metadata.tables[str(StockEntry.__tablename__)]
_ITEM: Table = Row.metadata.tables[str(StockItem.__tablename__)]
_MOVEMENT: Table = Row.metadata.tables[str(StockMovement.__tablename__)]
_HELD: Table = Row.metadata.tables[str(UsedFluidBalance.__tablename__)]


def add_items(session: WriteSession, fleet: int, owner: str, keys: Iterable[int]) -> None:
    """Let parts (``part_id``) or fluid products (``fluid_product_id``) be items, unless they are."""
    rows = [{"fleet_id": fleet, owner: key} for key in sorted(set(keys))]
    insert_unless_there(session, _ITEM, rows, ["fleet_id", owner])


def add_balances(
    session: WriteSession, fleet: int, places: Iterable[tuple[int, int]], *, now_us: int
) -> None:
    """Let depots have a balance of items, unless they have."""
    rows = [
        {
            "fleet_id": fleet,
            "depot_id": depot,
            "stock_item_id": item,
            "on_hand": 0,
            "reserved": 0,
            "on_order": 0,
            "is_count_asked": False,
            "version": 0,
            "changed_at_us": now_us,
        }
        for depot, item in sorted(places)
    ]
    insert_unless_there(session, _BALANCE, rows, ["fleet_id", "depot_id", "stock_item_id"])


def add_entry(session: WriteSession, values: Mapping[str, Any]) -> int | None:
    """The key of the new entry; None where the fleet has one of its code."""
    return insert_unless_there(session, _ENTRY, [values], ["fleet_id", "code"])


def save_balances(session: WriteSession, fleet: int, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store balances that the unit of work holds; each has the next version."""
    session.connection().execute(
        update(_BALANCE)
        .where(
            _BALANCE.c.fleet_id == fleet,
            _BALANCE.c.depot_id == bindparam("of_depot"),
            _BALANCE.c.stock_item_id == bindparam("of_item"),
        )
        .values(
            on_hand=bindparam("now_on_hand"),
            reserved=bindparam("now_reserved"),
            on_order=bindparam("now_on_order"),
            is_count_asked=bindparam("now_asked"),
            version=_BALANCE.c.version + 1,
            changed_at_us=bindparam("now_us"),
        ),
        [dict(row) for row in rows],
    )


def save_lots(session: WriteSession, fleet: int, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store what is left of lots; each has the next version."""
    if rows:
        session.connection().execute(
            update(_LOT)
            .where(_LOT.c.fleet_id == fleet, _LOT.c.id == bindparam("of_lot"))
            .values(on_hand=bindparam("now_on_hand"), version=_LOT.c.version + 1),
            [dict(row) for row in rows],
        )


def add_lots(session: WriteSession, rows: Sequence[Mapping[str, Any]]) -> dict[tuple[int, int, str], int]:
    """The keys of new lots, by depot, item and the text of their terms."""
    if not rows:
        return {}
    made = session.execute(
        insert(_LOT)
        .values([dict(row) for row in rows])
        .returning(_LOT.c.id, _LOT.c.depot_id, _LOT.c.stock_item_id, _LOT.c.lot_key)
    )
    return {(row.depot_id, row.stock_item_id, row.lot_key): row.id for row in made}


def add_movements(session: WriteSession, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store the movements of an entry."""
    if rows:
        session.connection().execute(insert(_MOVEMENT), [dict(row) for row in rows])


def add_used_entry(session: WriteSession, values: Mapping[str, Any]) -> bool:
    """Whether the entry of used fluid is new; False where the fleet has one of that key."""
    return bool(insert_new(session, UsedFluidEntry, [values]))


def add_stream(session: WriteSession, fleet: int, depot: int, stream: str, *, now_us: int) -> None:
    """Let a depot keep a stream of used fluid, unless it does."""
    row = {
        "fleet_id": fleet,
        "depot_id": depot,
        "stream": stream,
        "held_ml": 0,
        "version": 0,
        "changed_at_us": now_us,
    }
    insert_unless_there(session, _HELD, [row], ["fleet_id", "depot_id", "stream"])


def save_stream(  # noqa: PLR0913 - a key and what it holds
    session: WriteSession, fleet: int, depot: int, stream: str, *, held_ml: int, now_us: int
) -> None:
    """Store what waits in a stream that the unit of work holds."""
    session.execute(
        update(_HELD)
        .where(_HELD.c.fleet_id == fleet, _HELD.c.depot_id == depot, _HELD.c.stream == stream)
        .values(held_ml=held_ml, version=_HELD.c.version + 1, changed_at_us=now_us)
    )
