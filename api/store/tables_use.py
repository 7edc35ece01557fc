"""The table of learned patterns of use: how the vehicles of a type run a meter, a new row each time it is learned.

Rows are never changed: an answer about a past day is given by the pattern that was known then.
"""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKeyConstraint, Text, UniqueConstraint
from sqlmodel import Field

from api.store.base import Row


class UsePattern(Row, table=True):
    """A pattern of use; ``pattern`` holds a ``domain.use_level.UsePattern`` as JSON.

    ``vehicles`` and ``forecasts`` say what it rests on: how many vehicles of the type had readings, and how many
    forecasts were held against what happened.
    """

    __tablename__ = "use_pattern"
    __table_args__ = (
        ForeignKeyConstraint(["fleet_id", "spec_sheet_id"], ["spec_sheet.fleet_id", "spec_sheet.id"]),
        UniqueConstraint("fleet_id", "spec_sheet_id", "meter", "version"),
    )

    id: int | None = Field(default=None, primary_key=True)
    fleet_id: int
    spec_sheet_id: int
    meter: int
    version: int
    vehicles: int
    forecasts: int
    pattern: str = Field(sa_type=Text)
    learned_at_us: int = Field(sa_type=BigInteger)
