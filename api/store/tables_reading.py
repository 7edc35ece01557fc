"""Tables of readings.

The key is led by fleet and UTC day, holds the time, and takes the figure in, so that two readings of one
instant that disagree both stay. On PostgreSQL ``reading`` is partitioned by day. Readings of unit numbers
that nobody has registered wait in ``unplaced_reading``.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Index, UniqueConstraint, false, text
from sqlmodel import Field

from api.store.base import Row


class Reading(Row, table=True):
    """One reading of one meter.

    ``figure`` is what the dial showed and ``life`` its life-to-date, in canonical units; ``status`` and ``meter``
    are codes of ``api.store.codes``. ``is_settled`` marks what thinning kept: it stays accepted. The index holds
    the readings for review only, so that accepted ones cost it nothing.
    """

    __tablename__ = "reading"
    __table_args__ = (
        Index(
            "ix_reading_held",
            "fleet_id",
            "vehicle_id",
            "meter",
            "at_us",
            "source_id",
            "figure",
            sqlite_where=text("status = 2"),
            postgresql_where=text("status = 2"),
        ),
        {"sqlite_with_rowid": False, "postgresql_partition_by": "RANGE (day)"},
    )

    fleet_id: int = Field(primary_key=True)
    day: int = Field(primary_key=True)
    vehicle_id: int = Field(primary_key=True)
    meter: int = Field(primary_key=True)
    at_us: int = Field(primary_key=True, sa_type=BigInteger)
    source_id: int = Field(primary_key=True)
    figure: int = Field(primary_key=True, sa_type=BigInteger)
    life: int = Field(sa_type=BigInteger)
    status: int
    reason: int
    recorded_at_us: int = Field(sa_type=BigInteger)
    withdrawn_at_us: int | None = Field(default=None, sa_type=BigInteger)
    is_settled: bool = Field(default=False, sa_column_kwargs={"server_default": false()})


class UnplacedReading(Row, table=True):
    """A reading of a unit number that no vehicle carried on its day; it waits under that name."""

    __tablename__ = "unplaced_reading"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id"], ["fleet.id"]),
        UniqueConstraint("fleet_id", "unit", "meter", "at_us", "source_id", "figure"),
        Index(None, "fleet_id", "unit"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    unit: str = Field(max_length=64)
    meter: int
    at_us: int = Field(sa_type=BigInteger)
    source_id: int
    figure: int = Field(sa_type=BigInteger)
    recorded_at_us: int = Field(sa_type=BigInteger)
