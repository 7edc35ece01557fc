"""Tables of the fleet itself: fleets, depots, parts, fluid requirements and reading sources."""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row


class Fleet(Row, table=True):
    """A fleet; every other row belongs to one."""

    __tablename__ = "fleet"
    __table_args__ = (UniqueConstraint("code"),)

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    time_zone: str = Field(max_length=64)
    unit_system: str = Field(max_length=16)
    stale_days: int
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class Depot(Row, table=True):
    """A depot, with the time zone that its dates are in."""

    __tablename__ = "depot"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    time_zone: str = Field(max_length=64)
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class Part(Row, table=True):
    """A part that services take."""

    __tablename__ = "part"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
        ForeignKeyConstraint(["fleet_id", "superseded_by_id"], ["part.fleet_id", "part.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    unit: str = Field(max_length=32)
    kind: str = Field(max_length=16)
    superseded_by_id: int | None = None
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class PartAlternate(Row, table=True):
    """A part that may be used in place of another; the best has the lowest rank."""

    __tablename__ = "part_alternate"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "part_id"], ["part.fleet_id", "part.id"]),
        ForeignKeyConstraint(["fleet_id", "alternate_id"], ["part.fleet_id", "part.id"]),
    )

    fleet_id: int = Field(primary_key=True)
    part_id: int = Field(primary_key=True)
    alternate_id: int = Field(primary_key=True)
    rank: int


class FluidRequirement(Row, table=True):
    """What a fluid must meet, in an open standard's terms or as the maker names it."""

    __tablename__ = "fluid_requirement"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    name: str = Field(max_length=200)
    standard: str = Field(max_length=32)
    service_class: str | None = Field(default=None, max_length=64)
    grade: str | None = Field(default=None, max_length=64)
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class ReadingSource(Row, table=True):
    """Where readings come from: a gateway, a person, paperwork.

    One that is a device, since its first fitting was recorded, counts only for vehicles that it is fitted to.
    """

    __tablename__ = "reading_source"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    device_since_us: int | None = Field(default=None, sa_type=BigInteger)
    recorded_at_us: int = Field(sa_type=BigInteger)
