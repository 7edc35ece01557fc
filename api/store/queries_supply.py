"""The rows of suppliers, stock policies and visit terms: read by depot, added unless there, changed from a version."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, select, update

from api.store.base import Row
from api.store.new_rows import insert_unless_there
from api.store.tables_fleet import Part
from api.store.tables_product import FluidProduct
from api.store.tables_stock import StockItem
from api.store.tables_supply import StockPolicy, Supplier, VisitTerms

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import sqlalchemy
    from sqlalchemy import Select, Table

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]


def _table(of: type[Row]) -> Table:
    return Row.metadata.tables[str(of.__tablename__)]


SUPPLIERS, POLICIES, VISITS = _table(Supplier), _table(StockPolicy), _table(VisitTerms)
_ITEM, _PART, _PRODUCT = _table(StockItem), _table(Part), _table(FluidProduct)
_KEYS = {
    SUPPLIERS.name: ("fleet_id", "depot_id", "code"),
    POLICIES.name: ("fleet_id", "depot_id", "stock_item_id"),
    VISITS.name: ("fleet_id", "depot_id"),
}


def supplier(session: ReadSession, fleet: int, depot: int, code: str) -> Found | None:
    """The supplier of that code to a depot."""
    return session.execute(_suppliers(fleet, depot).where(SUPPLIERS.c.code == code)).first()


def suppliers(
    session: ReadSession, fleet: int, depot: int, *, after: str | None = None, limit: int | None = None
) -> Sequence[Found]:
    """Suppliers of a depot in the order of their codes."""
    query = _suppliers(fleet, depot).order_by(SUPPLIERS.c.code)
    if after is not None:
        query = query.where(SUPPLIERS.c.code > after)
    if limit is not None:
        query = query.limit(limit)
    return session.execute(query).all()


def policy(session: ReadSession, fleet: int, depot: int, item: int) -> Found | None:
    """The policy of a depot for an item."""
    return session.execute(_policies(fleet, depot).where(POLICIES.c.stock_item_id == item)).first()


def policies(
    session: ReadSession, fleet: int, depot: int, *, after: int | None = None, limit: int | None = None
) -> Sequence[Found]:
    """Policies of a depot in the order in which they were first stored."""
    query = _policies(fleet, depot).order_by(POLICIES.c.id)
    if after is not None:
        query = query.where(POLICIES.c.id > after)
    if limit is not None:
        query = query.limit(limit)
    return session.execute(query).all()


def visit_terms(session: ReadSession, fleet: int, depot: int) -> Found | None:
    """The visit terms of a depot."""
    return session.execute(
        select(VISITS).where(VISITS.c.fleet_id == fleet, VISITS.c.depot_id == depot)
    ).first()


def add(session: WriteSession, table: Table, values: Mapping[str, Any]) -> bool:
    """Whether the row is new; False where there is one of its key."""
    return insert_unless_there(session, table, [values], _KEYS[table.name]) is not None


def change(
    session: WriteSession, table: Table, key: Mapping[str, Any], *, version: int, values: Mapping[str, Any]
) -> bool:
    """Whether the row still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(table)
        .where(*(table.c[name] == value for name, value in key.items()), table.c.version == version)
        .values(**values, version=version + 1)
        .returning(table.c.version)
    )
    return changed.first() is not None


def _suppliers(fleet: int, depot: int) -> Select[Any]:
    return select(SUPPLIERS).where(SUPPLIERS.c.fleet_id == fleet, SUPPLIERS.c.depot_id == depot)


def _policies(fleet: int, depot: int) -> Select[Any]:
    return (
        select(
            POLICIES,
            SUPPLIERS.c.code.label("supplier"),
            _PART.c.code.label("part"),
            _PRODUCT.c.code.label("fluid_product"),
        )
        .join(
            SUPPLIERS,
            and_(SUPPLIERS.c.fleet_id == POLICIES.c.fleet_id, SUPPLIERS.c.id == POLICIES.c.supplier_id),
        )
        .join(_ITEM, and_(_ITEM.c.fleet_id == POLICIES.c.fleet_id, _ITEM.c.id == POLICIES.c.stock_item_id))
        .outerjoin(_PART, and_(_PART.c.fleet_id == _ITEM.c.fleet_id, _PART.c.id == _ITEM.c.part_id))
        .outerjoin(
            _PRODUCT, and_(_PRODUCT.c.fleet_id == _ITEM.c.fleet_id, _PRODUCT.c.id == _ITEM.c.fluid_product_id)
        )
        .where(POLICIES.c.fleet_id == fleet, POLICIES.c.depot_id == depot)
    )
