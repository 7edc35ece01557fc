"""The table of fluid samples: how each was taken from which compartment, and what was measured on it.

A sample is withdrawn, never deleted. ``measures`` and ``fresh`` are ``domain.condition.Measures`` as JSON.
"""

from __future__ import annotations

from datetime import date

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, Text
from sqlmodel import Field

from api.store.base import Row


class FluidSample(Row, table=True):
    """A sample of a vehicle's fluid; ``fresh`` is what was measured on the fluid before its use."""

    __tablename__ = "fluid_sample"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"], ["fluid_product.fleet_id", "fluid_product.id"]
        ),
        Index(None, "fleet_id", "vehicle_id", "compartment"),
        Index(None, "fleet_id", "fluid_product_id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    compartment: str = Field(max_length=64)
    taken_at_us: int = Field(sa_type=BigInteger)
    taken_on: date
    taken_by: str = Field(max_length=200)
    taking: str = Field(max_length=32)
    is_bottle_clean: bool
    figures: str = Field(sa_type=Text)
    fluid_product_id: int | None = None
    measures: str = Field(sa_type=Text)
    fresh: str | None = Field(default=None, sa_type=Text)
    reference: str | None = Field(default=None, max_length=100)
    note: str | None = Field(default=None, max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_by: str | None = Field(default=None, max_length=200)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)
