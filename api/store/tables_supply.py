"""Tables of how depots are supplied and plan their work: suppliers, what is kept up of items, and the bay.

A change raises a row's version.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row

_DEPOT = (["fleet_id", "depot_id"], ["depot.fleet_id", "depot.id"])


class Supplier(Row, table=True):
    """Who delivers to a depot, on which terms; money is in the minor unit of the currency."""

    __tablename__ = "supplier"
    __table_args__ = (
        UniqueConstraint("fleet_id", "depot_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(*_DEPOT),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    depot_id: int
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    currency: str = Field(max_length=3)
    lead_mean_days: float
    lead_sd_days: float
    review_days: int
    least_order_minor: int = Field(sa_type=BigInteger)
    order_cost_minor: int | None = Field(default=None, sa_type=BigInteger)
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class StockPolicy(Row, table=True):
    """How a depot keeps up its stock of an item, and from whom."""

    __tablename__ = "stock_policy"
    __table_args__ = (
        UniqueConstraint("fleet_id", "depot_id", "stock_item_id"),
        ForeignKeyConstraint(*_DEPOT),
        ForeignKeyConstraint(["fleet_id", "stock_item_id"], ["stock_item.fleet_id", "stock_item.id"]),
        ForeignKeyConstraint(["fleet_id", "supplier_id"], ["supplier.fleet_id", "supplier.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    depot_id: int
    stock_item_id: int
    supplier_id: int
    service_level: float
    cover_days: int
    room: int | None = Field(default=None, sa_type=BigInteger)
    pack_size: int | None = Field(default=None, sa_type=BigInteger)
    pack_price_minor: int | None = Field(default=None, sa_type=BigInteger)
    kept_share: float
    holding_share: float | None = None
    is_ordered: bool
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class VisitTerms(Row, table=True):
    """What a visit to a depot costs and how much work it takes a day; bit 0 of ``open_days`` is Monday."""

    __tablename__ = "visit_terms"
    __table_args__ = (ForeignKeyConstraint(*_DEPOT),)

    fleet_id: int = Field(primary_key=True)
    depot_id: int = Field(primary_key=True)
    currency: str = Field(max_length=3)
    visit_cost_minor: int = Field(sa_type=BigInteger)
    labour_minor_per_h: int = Field(sa_type=BigInteger)
    late_minor_per_day: int = Field(sa_type=BigInteger)
    bay_s_per_day: int = Field(sa_type=BigInteger)
    open_days: int
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)
