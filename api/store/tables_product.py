"""Tables of the catalogue: fluid products, the containers that they are sold in, and what they state to meet.

A product is withdrawn, never deleted; its version grows with each change.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row

_PRODUCT = (["fleet_id", "fluid_product_id"], ["fluid_product.fleet_id", "fluid_product.id"])


class FluidProduct(Row, table=True):
    """A fluid that can be bought; prices are in the minor unit of its currency."""

    __tablename__ = "fluid_product"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    kind: str = Field(max_length=32)
    currency: str = Field(max_length=3)
    density_15c_kg_m3: float | None = None
    shelf_unopened_months: int | None = None
    shelf_opened_months: int | None = None
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class FluidContainer(Row, table=True):
    """A container that a product is sold in; a product has one price for each size."""

    __tablename__ = "fluid_container"
    __table_args__ = (ForeignKeyConstraint(*_PRODUCT),)

    fleet_id: int = Field(primary_key=True)
    fluid_product_id: int = Field(primary_key=True)
    size_ml: int = Field(primary_key=True)
    price_minor: int = Field(sa_type=BigInteger)


class FluidStatement(Row, table=True):
    """One thing that a product states to meet, in an open standard's terms or as a maker names it."""

    __tablename__ = "fluid_statement"
    __table_args__ = (ForeignKeyConstraint(*_PRODUCT),)

    fleet_id: int = Field(primary_key=True)
    fluid_product_id: int = Field(primary_key=True)
    rank: int = Field(primary_key=True)
    standard: str = Field(max_length=32)
    service_class: str = Field(max_length=64)
    grade: str | None = Field(default=None, max_length=64)
