"""Tables of spec sheets: a sheet, its versions, and which parts and fluid requirements a version names."""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Text, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row


class SpecSheet(Row, table=True):
    """A vehicle type; what it prescribes stands in its versions."""

    __tablename__ = "spec_sheet"
    __table_args__ = (
        UniqueConstraint("fleet_id", "code"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    code: str = Field(max_length=64)
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class SpecSheetVersion(Row, table=True):
    """One version of a sheet, in force from its recording until the next; never changed.

    ``document`` is what the client sent, in its own units; ``sheet`` the same as a ``domain.sheet.SpecSheet``.
    """

    __tablename__ = "spec_sheet_version"
    __table_args__ = (
        UniqueConstraint("fleet_id", "spec_sheet_id", "number"),
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id", "spec_sheet_id"], ["spec_sheet.fleet_id", "spec_sheet.id"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    spec_sheet_id: int
    number: int
    name: str = Field(max_length=200)
    document: str = Field(sa_type=Text)
    sheet: str = Field(sa_type=Text)
    recorded_at_us: int = Field(sa_type=BigInteger)


class SpecSheetPart(Row, table=True):
    """A part that a version names."""

    __tablename__ = "spec_sheet_part"
    __table_args__ = (
        ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"], ["spec_sheet_version.fleet_id", "spec_sheet_version.id"]
        ),
        ForeignKeyConstraint(["fleet_id", "part_id"], ["part.fleet_id", "part.id"]),
    )

    fleet_id: int = Field(primary_key=True)
    spec_sheet_version_id: int = Field(primary_key=True)
    part_id: int = Field(primary_key=True)


class SpecSheetFluid(Row, table=True):
    """A fluid requirement that a version names."""

    __tablename__ = "spec_sheet_fluid"
    __table_args__ = (
        ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"], ["spec_sheet_version.fleet_id", "spec_sheet_version.id"]
        ),
        ForeignKeyConstraint(
            ["fleet_id", "fluid_requirement_id"], ["fluid_requirement.fleet_id", "fluid_requirement.id"]
        ),
    )

    fleet_id: int = Field(primary_key=True)
    spec_sheet_version_id: int = Field(primary_key=True)
    fluid_requirement_id: int = Field(primary_key=True)
