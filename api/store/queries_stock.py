"""The SELECTs of the stock ledger: items by code and key, balances with their lots, entries with their movements."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, func, or_, select

from api.store.base import Row
from api.store.tables_fleet import Depot, Part
from api.store.tables_product import FluidProduct
from api.store.tables_stock import (
    StockBalance,
    StockEntry,
    StockItem,
    StockLot,
    StockMovement,
    UsedFluidBalance,
    UsedFluidEntry,
)
from api.store.text_lists import among

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    import sqlalchemy
    from sqlalchemy import ColumnElement, Table

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]
    Place = tuple[int, int]


def _table(of: type[Row]) -> Table:
    return Row.metadata.tables[str(of.__tablename__)]


_ITEM, _BALANCE, _LOT = _table(StockItem), _table(StockBalance), _table(StockLot)
_ENTRY, _MOVEMENT = _table(StockEntry), _table(StockMovement)
_PART, _PRODUCT, _DEPOT = _table(Part), _table(FluidProduct), _table(Depot)
_USED, _HELD = _table(UsedFluidEntry), _table(UsedFluidBalance)


def parts(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """Parts of these codes, each with the key of its stock item (``item``), None where it was never stocked."""
    return session.execute(
        select(_PART.c.id, _PART.c.code, _ITEM.c.id.label("item"))
        .outerjoin(_ITEM, and_(_ITEM.c.fleet_id == _PART.c.fleet_id, _ITEM.c.part_id == _PART.c.id))
        .where(_PART.c.fleet_id == fleet, among(session, _PART.c.code, codes))
    ).all()


def products(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """Fluid products of these codes with how they keep, each with the key of its stock item (``item``)."""
    return session.execute(
        select(
            _PRODUCT.c.id,
            _PRODUCT.c.code,
            _PRODUCT.c.kind,
            _PRODUCT.c.shelf_unopened_months,
            _PRODUCT.c.shelf_opened_months,
            _ITEM.c.id.label("item"),
        )
        .outerjoin(
            _ITEM, and_(_ITEM.c.fleet_id == _PRODUCT.c.fleet_id, _ITEM.c.fluid_product_id == _PRODUCT.c.id)
        )
        .where(_PRODUCT.c.fleet_id == fleet, among(session, _PRODUCT.c.code, codes))
    ).all()


def items(session: ReadSession, fleet: int, keys: Iterable[int]) -> Sequence[Found]:
    """Items of these keys: the part's or the product's code and name, and how a product keeps."""
    return session.execute(
        select(
            _ITEM.c.id,
            _PART.c.code.label("part"),
            _PRODUCT.c.code.label("fluid_product"),
            func.coalesce(_PART.c.name, _PRODUCT.c.name).label("name"),
            _PRODUCT.c.kind,
            _PRODUCT.c.shelf_unopened_months,
            _PRODUCT.c.shelf_opened_months,
        )
        .outerjoin(_PART, and_(_PART.c.fleet_id == _ITEM.c.fleet_id, _PART.c.id == _ITEM.c.part_id))
        .outerjoin(
            _PRODUCT, and_(_PRODUCT.c.fleet_id == _ITEM.c.fleet_id, _PRODUCT.c.id == _ITEM.c.fluid_product_id)
        )
        .where(_ITEM.c.fleet_id == fleet, _ITEM.c.id.in_(sorted(set(keys))))
    ).all()


def depot_zones(session: ReadSession, fleet: int) -> dict[int, tuple[str, str]]:
    """Code and time zone of each depot, by key."""
    found = select(_DEPOT.c.id, _DEPOT.c.code, _DEPOT.c.time_zone).where(_DEPOT.c.fleet_id == fleet)
    return {row.id: (row.code, row.time_zone) for row in session.execute(found)}


def locked_balances(session: WriteSession, fleet: int, places: Iterable[Place]) -> Sequence[Found]:
    """Balances of these depots and items, kept from other writers until the unit of work ends."""
    # In the order of their keys, so that two writers never wait for each other.
    return session.execute(
        select(_BALANCE)
        .where(_BALANCE.c.fleet_id == fleet, _of(_BALANCE, places))
        .order_by(_BALANCE.c.depot_id, _BALANCE.c.stock_item_id)
        .with_for_update()
    ).all()


def lots(session: ReadSession, fleet: int, places: Iterable[Place]) -> Sequence[Found]:
    """Lots of these depots and items, in the order in which they were first there."""
    return session.execute(
        select(_LOT).where(_LOT.c.fleet_id == fleet, _of(_LOT, places)).order_by(_LOT.c.id)
    ).all()


def balances(  # noqa: PLR0913 - what a list of balances can be asked for
    session: ReadSession,
    fleet: int,
    on: date,
    *,
    after: Place | None,
    limit: int,
    depot: int | None = None,
    item: int | None = None,
    condition: str | None = None,
) -> Sequence[Found]:
    """Balances by depot and item, with what is past its date (``past_date``), from the one after ``after`` on.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        on: The day that dates are held against.
        after: Depot and item of the last balance of the page before.
        limit: Most rows.
        depot: Only of this depot.
        item: Only of this item.
        condition: ``short``, ``count_asked`` or ``past_date``; None: all.
    """
    past = (
        select(func.coalesce(func.sum(_LOT.c.on_hand), 0))
        .where(
            _LOT.c.fleet_id == _BALANCE.c.fleet_id,
            _LOT.c.depot_id == _BALANCE.c.depot_id,
            _LOT.c.stock_item_id == _BALANCE.c.stock_item_id,
            _LOT.c.on_hand > 0,
            _LOT.c.keeps_through_on < on,
        )
        .correlate(_BALANCE)
        .scalar_subquery()
    )
    query = (
        select(_BALANCE, past.label("past_date"))
        .where(_BALANCE.c.fleet_id == fleet)
        .order_by(_BALANCE.c.depot_id, _BALANCE.c.stock_item_id)
        .limit(limit)
    )
    if depot is not None:
        query = query.where(_BALANCE.c.depot_id == depot)
    if item is not None:
        query = query.where(_BALANCE.c.stock_item_id == item)
    if condition == "short":
        query = query.where(_BALANCE.c.on_hand - past < _BALANCE.c.reserved)
    elif condition == "count_asked":
        query = query.where(_BALANCE.c.is_count_asked)
    elif condition == "past_date":
        query = query.where(past > 0)
    if after is not None:
        query = query.where(
            or_(
                _BALANCE.c.depot_id > after[0],
                and_(_BALANCE.c.depot_id == after[0], _BALANCE.c.stock_item_id > after[1]),
            )
        )
    return session.execute(query).all()


def entry_by_code(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The entry that was sent with a key."""
    return session.execute(select(_ENTRY).where(_ENTRY.c.fleet_id == fleet, _ENTRY.c.code == code)).first()


def entry(session: ReadSession, fleet: int, key: int) -> Found | None:
    """One entry."""
    return session.execute(select(_ENTRY).where(_ENTRY.c.fleet_id == fleet, _ENTRY.c.id == key)).first()


def correction_of(session: ReadSession, fleet: int, key: int) -> int | None:
    """The key of the entry that corrects another one; None where none does."""
    found = select(_ENTRY.c.id).where(_ENTRY.c.fleet_id == fleet, _ENTRY.c.corrects_id == key)
    return session.execute(found).scalar()


def corrections_of(session: ReadSession, fleet: int, keys: Iterable[int]) -> dict[int, int]:
    """The keys of the entries that correct others, by the keys of these."""
    found = select(_ENTRY.c.corrects_id, _ENTRY.c.id).where(
        _ENTRY.c.fleet_id == fleet, _ENTRY.c.corrects_id.in_(sorted(set(keys)))
    )
    return {row.corrects_id: row.id for row in session.execute(found)}


def entries(  # noqa: PLR0913 - what a list of entries can be asked for
    session: ReadSession,
    fleet: int,
    *,
    before: int | None,
    limit: int,
    depot: int | None = None,
    item: int | None = None,
    job: str | None = None,
    order: str | None = None,
) -> Sequence[Found]:
    """Entries, the newest recorded first, from the one before ``before`` on."""
    query = select(_ENTRY).where(_ENTRY.c.fleet_id == fleet).order_by(_ENTRY.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(_ENTRY.c.id < before)
    if job is not None:
        query = query.where(_ENTRY.c.job_key == job)
    if order is not None:
        query = query.where(_ENTRY.c.order_key == order)
    if depot is not None or item is not None:
        moved = select(_MOVEMENT.c.stock_entry_id).where(_MOVEMENT.c.fleet_id == fleet)
        if depot is not None:
            moved = moved.where(_MOVEMENT.c.depot_id == depot)
        if item is not None:
            moved = moved.where(_MOVEMENT.c.stock_item_id == item)
        query = query.where(_ENTRY.c.id.in_(moved))
    return session.execute(query).all()


def movements(session: ReadSession, fleet: int, entry_keys: Iterable[int]) -> Sequence[Found]:
    """The movements of entries with the terms of their lots, entry by entry in their order."""
    return session.execute(
        select(
            _MOVEMENT,
            _LOT.c.code.label("lot"),
            _LOT.c.best_before_on,
            _LOT.c.opened_on,
            _LOT.c.container_ml,
        )
        .outerjoin(_LOT, and_(_LOT.c.fleet_id == _MOVEMENT.c.fleet_id, _LOT.c.id == _MOVEMENT.c.stock_lot_id))
        .where(_MOVEMENT.c.fleet_id == fleet, _MOVEMENT.c.stock_entry_id.in_(sorted(set(entry_keys))))
        .order_by(_MOVEMENT.c.stock_entry_id, _MOVEMENT.c.rank)
    ).all()


def outstanding(  # noqa: PLR0913 - whose sums are asked for
    session: ReadSession,
    fleet: int,
    measure: str,
    *,
    job: str | None = None,
    order: str | None = None,
    causes: Iterable[str] | None = None,
) -> dict[Place, int]:
    """Sums of a job's or an order's movements of a figure, by depot and item; those of nothing are left out."""
    total = func.sum(_MOVEMENT.c.amount)
    query = (
        select(_MOVEMENT.c.depot_id, _MOVEMENT.c.stock_item_id, total.label("amount"))
        .join(
            _ENTRY, and_(_ENTRY.c.fleet_id == _MOVEMENT.c.fleet_id, _ENTRY.c.id == _MOVEMENT.c.stock_entry_id)
        )
        .where(_ENTRY.c.fleet_id == fleet, _MOVEMENT.c.measure == measure)
        .group_by(_MOVEMENT.c.depot_id, _MOVEMENT.c.stock_item_id)
        .order_by(_MOVEMENT.c.depot_id, _MOVEMENT.c.stock_item_id)
        .having(total != 0)
    )
    if job is not None:
        query = query.where(_ENTRY.c.job_key == job)
    if order is not None:
        query = query.where(_ENTRY.c.order_key == order)
    if causes is not None:
        query = query.where(_MOVEMENT.c.cause.in_(sorted(causes)))
    return {(row.depot_id, row.stock_item_id): int(row.amount) for row in session.execute(query)}


def open_order_lines(
    session: ReadSession, fleet: int, *, after: Place | None, limit: int | None, depot: int | None = None
) -> Sequence[Found]:
    """What open orders still bring, by order and item, with the day on which each order is expected."""
    placed = _ENTRY.alias("placed")
    total = func.sum(_MOVEMENT.c.amount)
    query = (
        select(
            placed.c.id,
            placed.c.code,
            placed.c.expected_on,
            placed.c.at_us,
            placed.c.supplier,
            _MOVEMENT.c.depot_id,
            _MOVEMENT.c.stock_item_id,
            total.label("amount"),
        )
        .join(_ENTRY, and_(_ENTRY.c.fleet_id == placed.c.fleet_id, _ENTRY.c.order_key == placed.c.code))
        .join(
            _MOVEMENT,
            and_(_MOVEMENT.c.fleet_id == _ENTRY.c.fleet_id, _MOVEMENT.c.stock_entry_id == _ENTRY.c.id),
        )
        .where(placed.c.fleet_id == fleet, placed.c.kind == "order", _MOVEMENT.c.measure == "on_order")
        .group_by(
            placed.c.id,
            placed.c.code,
            placed.c.expected_on,
            placed.c.at_us,
            placed.c.supplier,
            _MOVEMENT.c.depot_id,
            _MOVEMENT.c.stock_item_id,
        )
        .having(total > 0)
        .order_by(placed.c.id, _MOVEMENT.c.stock_item_id)
    )
    if limit is not None:
        query = query.limit(limit)
    if depot is not None:
        query = query.where(_MOVEMENT.c.depot_id == depot)
    if after is not None:
        query = query.where(
            or_(
                placed.c.id > after[0],
                and_(placed.c.id == after[0], _MOVEMENT.c.stock_item_id > after[1]),
            )
        )
    return session.execute(query).all()


def used_entry_by_code(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The entry of used fluid that was sent with a key."""
    return session.execute(select(_USED).where(_USED.c.fleet_id == fleet, _USED.c.code == code)).first()


def used_entry(session: ReadSession, fleet: int, key: int) -> Found | None:
    """One entry of used fluid."""
    return session.execute(select(_USED).where(_USED.c.fleet_id == fleet, _USED.c.id == key)).first()


def used_entries(  # noqa: PLR0913 - what a list of entries can be asked for
    session: ReadSession,
    fleet: int,
    *,
    before: int | None,
    limit: int,
    depot: int | None = None,
    stream: str | None = None,
) -> Sequence[Found]:
    """Entries of used fluid, the newest recorded first, from the one before ``before`` on."""
    query = select(_USED).where(_USED.c.fleet_id == fleet).order_by(_USED.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(_USED.c.id < before)
    if depot is not None:
        query = query.where(_USED.c.depot_id == depot)
    if stream is not None:
        query = query.where(_USED.c.stream == stream)
    return session.execute(query).all()


def used_corrections_of(session: ReadSession, fleet: int, keys: Iterable[int]) -> dict[int, int]:
    """The keys of the entries of used fluid that correct others, by the keys of these."""
    found = select(_USED.c.corrects_id, _USED.c.id).where(
        _USED.c.fleet_id == fleet, _USED.c.corrects_id.in_(sorted(set(keys)))
    )
    return {row.corrects_id: row.id for row in session.execute(found)}


def held_used_fluid(
    session: ReadSession, fleet: int, *, after: tuple[int, str] | None, limit: int, depot: int | None = None
) -> Sequence[Found]:
    """What waits for collection, by depot and stream."""
    query = (
        select(_HELD).where(_HELD.c.fleet_id == fleet).order_by(_HELD.c.depot_id, _HELD.c.stream).limit(limit)
    )
    if depot is not None:
        query = query.where(_HELD.c.depot_id == depot)
    if after is not None:
        query = query.where(
            or_(_HELD.c.depot_id > after[0], and_(_HELD.c.depot_id == after[0], _HELD.c.stream > after[1]))
        )
    return session.execute(query).all()


def locked_used_fluid(session: WriteSession, fleet: int, depot: int, stream: str) -> Found:
    """What waits in a stream, kept from other writers until the unit of work ends; it is there."""
    return session.execute(
        select(_HELD)
        .where(_HELD.c.fleet_id == fleet, _HELD.c.depot_id == depot, _HELD.c.stream == stream)
        .with_for_update()
    ).one()


def _of(table: Table, places: Iterable[Place]) -> ColumnElement[bool]:
    by_depot: dict[int, set[int]] = {}
    for depot, item in places:
        by_depot.setdefault(depot, set()).add(item)
    return or_(
        *(
            and_(table.c.depot_id == depot, table.c.stock_item_id.in_(sorted(found)))
            for depot, found in sorted(by_depot.items())
        )
    )
