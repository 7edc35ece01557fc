"""Table of what was filled in between services: top-ups of a level, and fills after a repair."""

from __future__ import annotations

from datetime import date

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, Text
from sqlmodel import Field

from api.store.base import Row


class TopUp(Row, table=True):
    """A fluid filled into a compartment between services. A wrong entry is withdrawn, with a reason, and stays."""

    __tablename__ = "top_up"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        Index(None, "fleet_id", "vehicle_id"),
        Index(None, "fleet_id", "topped_up_on"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    compartment: str = Field(max_length=64)
    fluid_requirement: str = Field(max_length=64)
    volume_ml: int = Field(sa_type=BigInteger)
    reason: str = Field(max_length=16)
    topped_up_at_us: int = Field(sa_type=BigInteger)
    topped_up_on: date
    figures: str = Field(sa_type=Text)
    note: str | None = Field(default=None, max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)
