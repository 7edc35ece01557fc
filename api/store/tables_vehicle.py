"""Tables of vehicles: the vehicle, its dated unit numbers, meters, duty, components exchanged, deferrals.

A fact is withdrawn, never deleted: it holds for questions asked with a ``known_at`` from its
``recorded_at_us`` up to its ``withdrawn_at_us``.
"""

from __future__ import annotations

from datetime import date

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, Text, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row

_VEHICLE = (["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"])


class Vehicle(Row, table=True):
    """A vehicle or a piece of plant."""

    __tablename__ = "vehicle"
    __table_args__ = (
        UniqueConstraint("fleet_id", "id"),
        ForeignKeyConstraint(["fleet_id", "spec_sheet_id"], ["spec_sheet.fleet_id", "spec_sheet.id"]),
        ForeignKeyConstraint(["fleet_id", "depot_id"], ["depot.fleet_id", "depot.id"]),
        Index(None, "fleet_id", "spec_sheet_id", "id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    spec_sheet_id: int
    depot_id: int
    vin: str | None = Field(default=None, max_length=17)
    serial_number: str | None = Field(default=None, max_length=64)
    model_year: int | None = None
    engine: str | None = Field(default=None, max_length=64)
    make: str | None = Field(default=None, max_length=64)
    tyre_size: str | None = Field(default=None, max_length=64)
    supplied_by: str | None = Field(default=None, max_length=200)
    in_service_on: date
    is_known_from_new: bool
    retired_on: date | None = None
    version: int = Field(default=1)
    recorded_at_us: int = Field(sa_type=BigInteger)


class UnitNumber(Row, table=True):
    """The fleet's own number of a vehicle, valid from one day up to and including another."""

    __tablename__ = "unit_number"
    __table_args__ = (
        ForeignKeyConstraint(*_VEHICLE),
        Index(None, "fleet_id", "unit", "valid_from"),
        Index(None, "fleet_id", "vehicle_id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    unit: str = Field(max_length=64)
    valid_from: date
    valid_through: date | None = None
    recorded_at_us: int = Field(sa_type=BigInteger)


class MeterSegment(Row, table=True):
    """One physical meter between its fitting and its removal."""

    __tablename__ = "meter_segment"
    __table_args__ = (ForeignKeyConstraint(*_VEHICLE), Index(None, "fleet_id", "vehicle_id", "meter"))

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    meter: int
    fitted_at_us: int = Field(sa_type=BigInteger)
    removed_at_us: int | None = Field(default=None, sa_type=BigInteger)
    life_offset: int = Field(sa_type=BigInteger)
    unit: str = Field(max_length=16)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)


class DutyEntry(Row, table=True):
    """A duty condition over whole UTC days."""

    __tablename__ = "duty_entry"
    __table_args__ = (ForeignKeyConstraint(*_VEHICLE), Index(None, "fleet_id", "vehicle_id"))

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    condition: str = Field(max_length=32)
    share: float
    from_on: date
    through_on: date | None = None
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class ComponentExchange(Row, table=True):
    """A component exchanged for another; the clocks of its compartment's services start anew."""

    __tablename__ = "component_exchange"
    __table_args__ = (ForeignKeyConstraint(*_VEHICLE), Index(None, "fleet_id", "vehicle_id"))

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    compartment: str = Field(max_length=64)
    serial_number: str | None = Field(default=None, max_length=64)
    exchanged_at_us: int = Field(sa_type=BigInteger)
    exchanged_on: date
    figures: str = Field(sa_type=Text)
    note: str | None = Field(default=None, max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class Deferral(Row, table=True):
    """A service put off, with the authority and the reason."""

    __tablename__ = "deferral"
    __table_args__ = (ForeignKeyConstraint(*_VEHICLE), Index(None, "fleet_id", "vehicle_id"))

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    service: str = Field(max_length=64)
    granted_on: date
    authority: str = Field(max_length=200)
    reason: str = Field(max_length=2000)
    limits: str = Field(sa_type=Text)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)
