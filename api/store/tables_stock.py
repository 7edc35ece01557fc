"""Tables of the stock ledger: items, entries and their movements, the balances kept with them, and used fluid.

Entries and movements are never changed; a wrong one is undone by an entry that names it. A balance changes only in the
transaction that adds its movements.
"""

from __future__ import annotations

from datetime import date

from sqlalchemy import BigInteger, CheckConstraint, ForeignKeyConstraint, Index, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row

_DEPOT = (["fleet_id", "depot_id"], ["depot.fleet_id", "depot.id"])
_ITEM = (["fleet_id", "stock_item_id"], ["stock_item.fleet_id", "stock_item.id"])


class StockItem(Row, table=True):
    """A part or a fluid product that is kept in stock, once one was."""

    __tablename__ = "stock_item"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        UniqueConstraint("fleet_id", "part_id"),
        UniqueConstraint("fleet_id", "fluid_product_id"),
        ForeignKeyConstraint(["fleet_id", "part_id"], ["part.fleet_id", "part.id"]),
        ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"], ["fluid_product.fleet_id", "fluid_product.id"]
        ),
        CheckConstraint("(part_id IS NULL) <> (fluid_product_id IS NULL)", name="either"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    part_id: int | None = None
    fluid_product_id: int | None = None


class StockBalance(Row, table=True):
    """What a depot has of an item: the sums of its movements [piece or mL]."""

    __tablename__ = "stock_balance"
    __table_args__ = (ForeignKeyConstraint(*_DEPOT), ForeignKeyConstraint(*_ITEM))

    fleet_id: int = Field(primary_key=True)
    depot_id: int = Field(primary_key=True)
    stock_item_id: int = Field(primary_key=True)
    on_hand: int = Field(default=0, sa_type=BigInteger)
    reserved: int = Field(default=0, sa_type=BigInteger)
    on_order: int = Field(default=0, sa_type=BigInteger)
    is_count_asked: bool = Field(default=False)
    version: int = Field(default=1)
    changed_at_us: int = Field(sa_type=BigInteger)


class StockLot(Row, table=True):
    """What a depot has of one lot of an item; ``lot_key`` holds the terms that tell it from others."""

    __tablename__ = "stock_lot"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        UniqueConstraint("fleet_id", "depot_id", "stock_item_id", "lot_key"),
        ForeignKeyConstraint(*_DEPOT),
        ForeignKeyConstraint(*_ITEM),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    depot_id: int
    stock_item_id: int
    lot_key: str = Field(max_length=120)
    code: str | None = Field(default=None, max_length=64)
    best_before_on: date | None = None
    opened_on: date | None = None
    container_ml: int | None = Field(default=None, sa_type=BigInteger)
    keeps_through_on: date | None = None
    on_hand: int = Field(default=0, sa_type=BigInteger)
    version: int = Field(default=1)


class StockEntry(Row, table=True):
    """One entry of the ledger; ``code`` is the key that its sender gave, ``digest`` tells whether it is the same."""

    __tablename__ = "stock_entry"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        UniqueConstraint("fleet_id", "corrects_id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
        ForeignKeyConstraint(["fleet_id", "corrects_id"], ["stock_entry.fleet_id", "stock_entry.id"]),
        Index(None, "fleet_id", "job_key"),
        Index(None, "fleet_id", "order_key"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=100)
    digest: str = Field(max_length=32)
    kind: str = Field(max_length=16)
    at_us: int = Field(sa_type=BigInteger)
    job_key: str | None = Field(default=None, max_length=64)
    order_key: str | None = Field(default=None, max_length=100)
    expected_on: date | None = None
    supplier: str | None = Field(default=None, max_length=200)
    entered_by: str | None = Field(default=None, max_length=200)
    reason: str | None = Field(default=None, max_length=2000)
    note: str | None = Field(default=None, max_length=2000)
    corrects_id: int | None = None
    recorded_at_us: int = Field(sa_type=BigInteger)


class StockMovement(Row, table=True):
    """One figure of a balance, moved by an entry; ``after`` is that figure afterwards."""

    __tablename__ = "stock_movement"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "stock_entry_id"], ["stock_entry.fleet_id", "stock_entry.id"]),
        ForeignKeyConstraint(*_DEPOT),
        ForeignKeyConstraint(*_ITEM),
        ForeignKeyConstraint(["fleet_id", "stock_lot_id"], ["stock_lot.fleet_id", "stock_lot.id"]),
        Index(None, "fleet_id", "stock_item_id", "stock_entry_id"),
    )

    fleet_id: int = Field(primary_key=True)
    stock_entry_id: int = Field(primary_key=True)
    rank: int = Field(primary_key=True)
    depot_id: int
    stock_item_id: int
    stock_lot_id: int | None = None
    measure: str = Field(max_length=16)
    cause: str = Field(max_length=16)
    amount: int = Field(sa_type=BigInteger)
    after: int = Field(sa_type=BigInteger)


class UsedFluidBalance(Row, table=True):
    """Used fluid that waits at a depot for its collection, by stream."""

    __tablename__ = "used_fluid_balance"
    __table_args__ = (ForeignKeyConstraint(*_DEPOT),)

    fleet_id: int = Field(primary_key=True)
    depot_id: int = Field(primary_key=True)
    stream: str = Field(primary_key=True, max_length=32)
    held_ml: int = Field(default=0, sa_type=BigInteger)
    version: int = Field(default=1)
    changed_at_us: int = Field(sa_type=BigInteger)


class UsedFluidEntry(Row, table=True):
    """Used fluid put into a stream (above zero) or collected from it (below zero)."""

    __tablename__ = "used_fluid_entry"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        UniqueConstraint("fleet_id", "corrects_id"),
        ForeignKeyConstraint(*_DEPOT),
        ForeignKeyConstraint(
            ["fleet_id", "corrects_id"], ["used_fluid_entry.fleet_id", "used_fluid_entry.id"]
        ),
        Index(None, "fleet_id", "depot_id", "stream"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=100)
    digest: str = Field(max_length=32)
    kind: str = Field(max_length=16)
    depot_id: int
    stream: str = Field(max_length=32)
    volume_ml: int = Field(sa_type=BigInteger)
    after_ml: int = Field(sa_type=BigInteger)
    at_us: int = Field(sa_type=BigInteger)
    job_key: str | None = Field(default=None, max_length=64)
    entered_by: str | None = Field(default=None, max_length=200)
    collected_by: str | None = Field(default=None, max_length=200)
    reason: str | None = Field(default=None, max_length=2000)
    note: str | None = Field(default=None, max_length=2000)
    corrects_id: int | None = None
    recorded_at_us: int = Field(sa_type=BigInteger)
