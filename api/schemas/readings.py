"""Readings as sent and as answered.

Batches are decoded without the request models (``reading_batches``, ``reading_lines``); the models here describe
them.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Choice, Request
from api.schemas.exact_figures import exact_figure
from api.schemas.quantities import (
    Distance,
    Duration,
    ShownDistance,
    ShownDuration,
    ShownVolume,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.schemas.times import Instant, ShownInstant, instant_text
from api.services.feed.batch import Verdict, why_of
from api.services.feed.listing import METERS_BY_CODE, ReadingStatus
from api.services.feed.parts import MOST_ROWS_AT_ONCE
from api.services.feed.tally import MOST_DETAILS, Tally
from domain.broadcast import LARGEST_RAW, Signal
from domain.meters import METER_DIMENSION
from domain.sheet import Meter

ShownMeter = ShownDistance | ShownDuration | ShownVolume
_Code = Annotated[str, Field(min_length=1, max_length=64)]
"""A code of the fleet's: 1 to 64 printable characters without blanks at its ends."""


class RawValue(Request):
    """A meter's figure as a vehicle broadcasts it, unscaled."""

    signal: Annotated[Choice[Signal], Field(description="Which broadcast parameter; it carries one meter.")]
    value: Annotated[
        int,
        Field(
            ge=0,
            le=LARGEST_RAW,
            description="The count as sent. What says not available, error or no figure refuses the row.",
        ),
    ]


class ReadingRow(Request):
    """One reading of one meter, with either a figure or a raw value."""

    unit: Annotated[_Code, Field(description="Unit number of the vehicle.")]
    meter: Annotated[Meter, Field(description="Which meter.")]
    at: Annotated[Instant, Field(description="When it was read, with an offset from UTC.")]
    source: Annotated[_Code, Field(description="Where it comes from: a code that the fleet gives.")]
    figure: Annotated[
        Distance | Duration | Volume | None,
        Field(default=None, description="What the dial showed, in the meter's dimension."),
    ]
    raw: Annotated[RawValue | None, Field(default=None, description="In place of a figure.")]


class ReadingBatch(Request):
    """Readings in any order, new or old, of any number of vehicles."""

    readings: Annotated[
        list[ReadingRow],
        Field(
            min_length=1, max_length=MOST_ROWS_AT_ONCE, description="At most 50,000 rows, one transaction."
        ),
    ]


class RowVerdict(Answer):
    """A row that was not accepted."""

    index: Annotated[
        int, Field(description="Place of the row in `readings`, from 0; of lines, its line less 1.")
    ]
    line: Annotated[int | None, Field(description="Number of the row's line, from 1; null in a JSON body.")]
    verdict: Annotated[Verdict, Field(description="What became of it at the moment of the answer.")]
    code: Annotated[str, Field(description="Why, as a stable code.")]
    pointer: Annotated[str | None, Field(description="Refused rows: place of the value that breaks a rule.")]
    detail: Annotated[str, Field(description="Why, in a sentence.")]


class ReadingVerdicts(Answer):
    """What became of a batch: exact counts, and the rows that were not accepted."""

    received: Annotated[int, Field(description="Rows of the batch.")]
    accepted: Annotated[int, Field(description="Stored and counted.")]
    duplicate: Annotated[int, Field(description="Stored before; nothing changed.")]
    held: Annotated[int, Field(description="Stored, and held for a person's review.")]
    refused: Annotated[int, Field(description="Not stored: the row breaks a rule.")]
    rows: Annotated[
        list[RowVerdict], Field(description=f"Rows not accepted, at most {MOST_DETAILS:,}, by index.")
    ]
    rows_truncated: Annotated[bool, Field(description="Whether more rows were not accepted than listed.")]


EXPORTED = (
    *("unit", "meter", "at", "value", "unit_code", "source"),
    *("life_to_date", "status", "code", "recorded_at"),
)
"""Columns of exported readings; the first six are those that an import takes."""


class StoredStatus(StrEnum):
    """How a stored reading stands."""

    ACCEPTED = "accepted"
    HELD = "held"
    DISCARDED = "discarded"


class StoredReading(Answer):
    """A stored reading."""

    meter: Annotated[Meter, Field(description="Which meter.")]
    at: Annotated[ShownInstant, Field(description="When it was read.")]
    figure: Annotated[ShownMeter, Field(description="What the dial showed.")]
    life_to_date: Annotated[ShownMeter, Field(description="Life-to-date then, over meters replaced.")]
    source: Annotated[str, Field(description="Where it comes from.")]
    status: Annotated[StoredStatus, Field(description="How it stands now.")]
    code: Annotated[str | None, Field(description="Why it is not accepted; null where it is.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was recorded.")]


class StoredReadings(Answer):
    """A page of a vehicle's readings, in order of time."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    readings: Annotated[list[StoredReading], Field(description="In order of time.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


def shown_verdicts(tally: Tally, *, is_lines: bool = False) -> dict[str, Any]:
    """The answer to a body of readings (``ReadingVerdicts``)."""
    return {
        "received": tally.received,
        "accepted": tally.accepted,
        "duplicate": tally.duplicate,
        "held": tally.held,
        "refused": tally.refused,
        "rows": [
            {
                "index": row.place,
                "line": row.place + 1 if is_lines else None,
                "verdict": row.verdict.value,
                "code": row.code,
                "pointer": row.pointer,
                "detail": row.detail,
            }
            for row in tally.details
        ],
        "rows_truncated": tally.is_truncated,
    }


def shown_stored(row: Any, units: UnitSystem) -> dict[str, Any]:
    """A stored reading as answered (``StoredReading``)."""
    meter = METERS_BY_CODE[row.meter]
    why = why_of(row.reason)
    return {
        "meter": meter,
        "at": row.at_us,
        "figure": shown_quantity(row.figure, METER_DIMENSION[meter], units),
        "life_to_date": shown_quantity(row.life, METER_DIMENSION[meter], units),
        "source": row.source,
        "status": StoredStatus[ReadingStatus(row.status).name],
        "code": None if why is None else why.value,
        "recorded_at": row.recorded_at_us,
    }


def exported(unit: str, row: Any, units: UnitSystem) -> tuple[str, ...]:
    """A stored reading in the columns of ``EXPORTED``."""
    meter = METERS_BY_CODE[row.meter]
    why = why_of(row.reason)
    value, code = exact_figure(row.figure, METER_DIMENSION[meter], units)
    return (
        unit,
        meter.value,
        instant_text(row.at_us),
        value,
        code,
        row.source,
        exact_figure(row.life, METER_DIMENSION[meter], units)[0],
        StoredStatus[ReadingStatus(row.status).name].value,
        "" if why is None else why.value,
        instant_text(row.recorded_at_us),
    )
