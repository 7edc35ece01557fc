"""Tables of what is known about the sources of readings, and of people's decisions on single readings.

A fitting or a calibration is withdrawn, never deleted; a decision is never changed: the last one on a reading
holds.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index
from sqlmodel import Field

from api.store.base import Row

_VEHICLE = (["fleet_id", "vehicle_id"], ["vehicle.fleet_id", "vehicle.id"])
_SOURCE = (["fleet_id", "source_id"], ["reading_source.fleet_id", "reading_source.id"])


class SourceFitting(Row, table=True):
    """A gateway's device on a vehicle, from its fitting up to, not including, its removal."""

    __tablename__ = "source_fitting"
    __table_args__ = (
        ForeignKeyConstraint(*_VEHICLE),
        ForeignKeyConstraint(*_SOURCE),
        Index(None, "fleet_id", "vehicle_id"),
        Index(None, "fleet_id", "source_id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    source_id: int
    fitted_at_us: int = Field(sa_type=BigInteger)
    removed_at_us: int | None = Field(default=None, sa_type=BigInteger)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class SourceCalibration(Row, table=True):
    """How a source's figures of a meter lead to the dial's: times ``factor_ppb`` / 10^9, plus ``figure_offset``."""

    __tablename__ = "source_calibration"
    __table_args__ = (
        ForeignKeyConstraint(*_VEHICLE),
        ForeignKeyConstraint(*_SOURCE),
        Index(None, "fleet_id", "vehicle_id"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int
    source_id: int
    meter: int
    from_us: int = Field(sa_type=BigInteger)
    factor_ppb: int = Field(sa_type=BigInteger)
    figure_offset: int = Field(sa_type=BigInteger)
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    withdrawn_reason: str | None = Field(default=None, max_length=2000)


class ReadingDecision(Row, table=True):
    """What a person decided on one reading: of a vehicle, or of a unit number that it waits under.

    ``decision`` is a code of ``api.store.codes``; ``meant_figure`` is the figure in the other unit where the unit
    was mixed up.
    """

    __tablename__ = "reading_decision"
    __table_args__ = (
        ForeignKeyConstraint(*_VEHICLE),
        ForeignKeyConstraint(*_SOURCE),
        Index(None, "fleet_id", "vehicle_id"),
        Index(None, "fleet_id", "unit", "at_us"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    vehicle_id: int | None = None
    unit: str | None = Field(default=None, max_length=64)
    meter: int
    at_us: int = Field(sa_type=BigInteger)
    source_id: int
    figure: int = Field(sa_type=BigInteger)
    decision: int
    meant_figure: int | None = Field(default=None, sa_type=BigInteger)
    decided_by: str = Field(max_length=200)
    why: str = Field(max_length=2000)
    recorded_at_us: int = Field(sa_type=BigInteger)
