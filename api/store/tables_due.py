"""Tables of conclusions, all rewritable from the facts: due points and how each vehicle stands.

Everything stored is absolute (life-to-date figures, day ordinals), so neither the clock nor an ordinary
reading rewrites a due point; such a reading costs one row of ``standing``.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, Float, ForeignKeyConstraint, Index, LargeBinary, Text
from sqlmodel import Field

from api.store.base import Row

_VEHICLE = (["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"])


class DuePoint(Row, table=True):
    """When one service of a vehicle falls due: the least figures as columns, the whole point as ``detail``."""

    __tablename__ = "due_point"
    __table_args__ = (ForeignKeyConstraint(*_VEHICLE), {"sqlite_with_rowid": False})

    fleet_id: int = Field(primary_key=True)
    vehicle_id: int = Field(primary_key=True)
    service: str = Field(primary_key=True, max_length=64)
    spec_sheet_version_id: int
    is_always_listed: bool
    has_meter: bool
    due_on: int | None = None
    odometer_m: int | None = Field(default=None, sa_type=BigInteger)
    engine_s: int | None = Field(default=None, sa_type=BigInteger)
    second_engine_s: int | None = Field(default=None, sa_type=BigInteger)
    power_take_off_s: int | None = Field(default=None, sa_type=BigInteger)
    idle_s: int | None = Field(default=None, sa_type=BigInteger)
    fuel_ml: int | None = Field(default=None, sa_type=BigInteger)
    idle_m_per_h: int | None = None
    detail: str = Field(sa_type=Text)


class Standing(Row, table=True):
    """How a vehicle stands: last accepted reading and rate of each meter, and its next dates.

    ``usage`` holds what the rates are folded from; ``odometer_use`` and its like hold what is kept of a meter's level
    (``domain.use_level.packed_level``), null until patterns of use have been learned;
    ``first_day`` and ``last_day`` bound the UTC days on which the vehicle has readings of any status;
    ``is_settled`` is false while a due point rests on an extrapolation, and then every reading recomputes the vehicle.
    """

    __tablename__ = "standing"
    __table_args__ = (
        ForeignKeyConstraint(*_VEHICLE),
        Index(None, "fleet_id", "next_due_on", "vehicle_id"),
        Index(None, "fleet_id", "depot_id", "next_due_on", "vehicle_id"),
        Index(None, "fleet_id", "stale_on", "vehicle_id"),
        {"sqlite_with_rowid": False},
    )

    fleet_id: int = Field(primary_key=True)
    vehicle_id: int = Field(primary_key=True)
    depot_id: int
    spec_sheet_version_id: int
    unit: str = Field(max_length=64)
    is_listed: bool
    is_settled: bool
    next_due_on: int
    stale_on: int
    least_odometer_m: int | None = Field(default=None, sa_type=BigInteger)
    odometer_m: int | None = Field(default=None, sa_type=BigInteger)
    odometer_on: int | None = None
    odometer_m_per_day: float | None = Field(default=None, sa_type=Float)
    odometer_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    engine_s: int | None = Field(default=None, sa_type=BigInteger)
    engine_on: int | None = None
    engine_s_per_day: float | None = Field(default=None, sa_type=Float)
    engine_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    second_engine_s: int | None = Field(default=None, sa_type=BigInteger)
    second_engine_on: int | None = None
    second_engine_s_per_day: float | None = Field(default=None, sa_type=Float)
    second_engine_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    power_take_off_s: int | None = Field(default=None, sa_type=BigInteger)
    power_take_off_on: int | None = None
    power_take_off_s_per_day: float | None = Field(default=None, sa_type=Float)
    power_take_off_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    idle_s: int | None = Field(default=None, sa_type=BigInteger)
    idle_on: int | None = None
    idle_s_per_day: float | None = Field(default=None, sa_type=Float)
    idle_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    fuel_ml: int | None = Field(default=None, sa_type=BigInteger)
    fuel_on: int | None = None
    fuel_ml_per_day: float | None = Field(default=None, sa_type=Float)
    fuel_use: bytes | None = Field(default=None, sa_type=LargeBinary)
    first_day: int | None = None
    last_day: int | None = None
    usage: str = Field(sa_type=Text)
    version: int = Field(default=1)
