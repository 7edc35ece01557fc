"""Tables of jobs in the bay: the job, the services that it is for, its entries, and the drains to learn from.

Entries are only ever added. The state in the job's row is the fold of its entries, kept for lists.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, Text, UniqueConstraint, text
from sqlmodel import Field

from api.store.base import Row

_JOB = (["fleet_id", "job_id"], ["job.fleet_id", "job.id"])


class Job(Row, table=True):
    """A job on a vehicle; ``frozen`` holds what was planned when it was opened."""

    __tablename__ = "job"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        ForeignKeyConstraint(["fleet_id", "depot_id"], ["depot.fleet_id", "depot.id"]),
        ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"], ["spec_sheet_version.fleet_id", "spec_sheet_version.id"]
        ),
        ForeignKeyConstraint(["fleet_id", "work_done_id"], ["work_done.fleet_id", "work_done.id"]),
        Index(None, "fleet_id", "vehicle_id", "id"),
        Index(None, "fleet_id", "depot_id", "id"),
        Index(None, "fleet_id", "state", "id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    depot_id: int
    spec_sheet_version_id: int
    unit: str = Field(max_length=64)
    state: str = Field(max_length=16)
    waits_for: str | None = Field(default=None, max_length=16)
    opened_by: str = Field(max_length=200)
    opened_at_us: int = Field(sa_type=BigInteger)
    changed_at_us: int = Field(sa_type=BigInteger)
    closed_at_us: int | None = Field(default=None, sa_type=BigInteger)
    reference: str | None = Field(default=None, max_length=100)
    note: str | None = Field(default=None, max_length=2000)
    frozen: str = Field(sa_type=Text)
    work_done_id: int | None = None
    version: int = Field(default=1)


class JobService(Row, table=True):
    """A service that a job is for; of a vehicle and service at most one is open."""

    __tablename__ = "job_service"
    __table_args__ = (
        ForeignKeyConstraint(*_JOB),
        ForeignKeyConstraint(["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"]),
        Index(
            "uq_job_service_fleet_id_vehicle_id_service",
            "fleet_id",
            "vehicle_id",
            "service",
            unique=True,
            sqlite_where=text("is_open"),
            postgresql_where=text("is_open"),
        ),
    )

    fleet_id: int = Field(primary_key=True)
    job_id: int = Field(primary_key=True)
    service: str = Field(primary_key=True, max_length=64)
    vehicle_id: int
    is_named: bool
    is_open: bool


class JobEntry(Row, table=True):
    """What was written down about a job, as JSON in canonical units."""

    __tablename__ = "job_entry"
    __table_args__ = (ForeignKeyConstraint(*_JOB),)

    fleet_id: int = Field(primary_key=True)
    job_id: int = Field(primary_key=True)
    number: int = Field(primary_key=True)
    kind: str = Field(max_length=16)
    by: str = Field(max_length=200)
    noted_at_us: int = Field(sa_type=BigInteger)
    recorded_at_us: int = Field(sa_type=BigInteger)
    said: str = Field(sa_type=Text)


class JobDrain(Row, table=True):
    """A drain of a job that was signed off [mL], at 15 degC where that is known."""

    __tablename__ = "job_drain"
    __table_args__ = (
        ForeignKeyConstraint(*_JOB),
        ForeignKeyConstraint(["fleet_id", "spec_sheet_id"], ["spec_sheet.fleet_id", "spec_sheet.id"]),
        Index(None, "fleet_id", "spec_sheet_id", "compartment", "job_id"),
    )

    fleet_id: int = Field(primary_key=True)
    job_id: int = Field(primary_key=True)
    compartment: str = Field(primary_key=True, max_length=64)
    number: int = Field(primary_key=True)
    spec_sheet_id: int
    drained_15c_ml: int
