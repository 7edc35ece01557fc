"""Tables of work done: the visit, the services it did, the fluids drained and filled, and what corrects what."""

from __future__ import annotations

from datetime import date

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, Text, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row


class WorkDone(Row, table=True):
    """One visit. A wrong entry is withdrawn, with a reason, and stays."""

    __tablename__ = "work_done"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"], ["spec_sheet_version.fleet_id", "spec_sheet_version.id"]
        ),
        Index(None, "fleet_id", "vehicle_id", "done_at_us"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    spec_sheet_version_id: int
    done_at_us: int = Field(sa_type=BigInteger)
    done_on: date
    figures: str = Field(sa_type=Text)
    is_from_papers: bool
    reference: str | None = Field(default=None, max_length=100)
    note: str | None = Field(default=None, max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class WorkService(Row, table=True):
    """A service that a visit named, or did because a named one includes it."""

    __tablename__ = "work_service"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "work_done_id"], ["work_done.fleet_id", "work_done.id"]),
    )

    fleet_id: int = Field(primary_key=True)
    work_done_id: int = Field(primary_key=True)
    service: str = Field(primary_key=True, max_length=64)
    is_named: bool
    is_completed: bool
    restored_share: float


class WorkTask(Row, table=True):
    """A task of a visit, done or left undone."""

    __tablename__ = "work_task"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "work_done_id"], ["work_done.fleet_id", "work_done.id"]),
    )

    fleet_id: int = Field(primary_key=True)
    work_done_id: int = Field(primary_key=True)
    task: str = Field(primary_key=True, max_length=64)
    is_done: bool


class WorkFluid(Row, table=True):
    """What a visit drained from and filled into a compartment [mL]."""

    __tablename__ = "work_fluid"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "work_done_id"], ["work_done.fleet_id", "work_done.id"]),
        ForeignKeyConstraint(
            ["fleet_id", "fluid_requirement_id"], ["fluid_requirement.fleet_id", "fluid_requirement.id"]
        ),
    )

    fleet_id: int = Field(primary_key=True)
    work_done_id: int = Field(primary_key=True)
    compartment: str = Field(primary_key=True, max_length=64)
    fluid_requirement_id: int | None = None
    drained_ml: int | None = None
    filled_ml: int | None = None


class WorkCorrection(Row, table=True):
    """Who corrected an entry and why: by another entry, or by its withdrawal alone."""

    __tablename__ = "work_correction"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "corrects_id"], ["work_done.fleet_id", "work_done.id"]),
        ForeignKeyConstraint(["fleet_id", "work_done_id"], ["work_done.fleet_id", "work_done.id"]),
        UniqueConstraint("fleet_id", "work_done_id"),
    )

    fleet_id: int = Field(primary_key=True)
    corrects_id: int = Field(primary_key=True)
    work_done_id: int | None = None
    corrected_by: str = Field(max_length=200)
    why: str = Field(max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
