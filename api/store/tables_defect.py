"""Tables of defects: what is wrong with a vehicle, and each step from its finding to its release.

A step is added, never changed; ``state`` and ``assigned_to`` repeat what the last one said, for filters. A defect
entered in error is withdrawn, never deleted.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row


class Defect(Row, table=True):
    """Something found wrong with a vehicle."""

    __tablename__ = "defect"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        Index(None, "fleet_id", "vehicle_id", "state"),
        Index(None, "fleet_id", "state", "id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    compartment: str | None = Field(default=None, max_length=64)
    what: str = Field(max_length=2000)
    is_off_road: bool
    found_by: str = Field(max_length=200)
    found_at_us: int = Field(sa_type=BigInteger)
    reference: str | None = Field(default=None, max_length=100)
    state: str = Field(max_length=16)
    assigned_to: str | None = Field(default=None, max_length=200)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_by: str | None = Field(default=None, max_length=200)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class DefectStep(Row, table=True):
    """A step in the life of a defect: by whom, when, and what was done or seen."""

    __tablename__ = "defect_step"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "defect_id"], ["defect.fleet_id", "defect.id"]),
        Index(None, "fleet_id", "defect_id", "id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    defect_id: int
    step: str = Field(max_length=16)
    taken_by: str = Field(max_length=200)
    taken_at_us: int = Field(sa_type=BigInteger)
    assigned_to: str | None = Field(default=None, max_length=200)
    note: str | None = Field(default=None, max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
