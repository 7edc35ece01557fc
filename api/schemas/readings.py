"""Readings as sent and as answered.

A batch is decoded without the request models, a row at a time at need: what is wrong with one row is that
row's verdict and never sinks the batch. The models below describe it.

Invariant: a row that these rules refuse is refused whatever else the batch holds, and is never stored.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

import msgspec
from pydantic import Field

from api.schemas.base import Answer, Key, Request
from api.schemas.quantities import (
    LARGEST_CANONICAL,
    Distance,
    Duration,
    ShownDistance,
    ShownDuration,
    ShownVolume,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.schemas.times import Instant, ShownInstant, instant_us
from api.services.errors import BodyMalformedError, RefusedError
from api.services.feed.batch import WHY_TEXT, Outcome, SentReading, Verdict, why_of
from api.services.feed.listing import METER_CODES, METERS_BY_CODE, ReadingStatus
from domain.errors import Breach
from domain.meters import METER_DIMENSION
from domain.sheet import Meter
from domain.units import UNITS, to_canonical_whole

ShownMeter = ShownDistance | ShownDuration | ShownVolume
MOST_ROWS = 10_000
MOST_DETAILS = 1_000
"""Most rows that an answer lists; its counts are exact all the same."""


class ReadingRow(Request):
    """One reading of one meter."""

    unit: Annotated[str, Field(min_length=1, max_length=64, description="Unit number of the vehicle.")]
    meter: Annotated[Meter, Field(description="Which meter.")]
    at: Annotated[Instant, Field(description="When it was read, with an offset from UTC.")]
    figure: Annotated[
        Distance | Duration | Volume, Field(description="What the dial showed, in the meter's dimension.")
    ]
    source: Annotated[Key, Field(description="Where it comes from: a code that the fleet gives.")]


class ReadingBatch(Request):
    """Readings in any order, new or old, of any number of vehicles."""

    readings: Annotated[
        list[ReadingRow], Field(min_length=1, max_length=MOST_ROWS, description="At most 10,000 rows.")
    ]


class RowVerdict(Answer):
    """A row that was not accepted."""

    index: Annotated[int, Field(description="Place of the row in `readings`, from 0.")]
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
    rows: Annotated[list[RowVerdict], Field(description="Rows not accepted, at most 1,000, by index.")]
    rows_truncated: Annotated[bool, Field(description="Whether more rows were not accepted than listed.")]


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


class _Figure(msgspec.Struct, forbid_unknown_fields=True):
    value: float
    unit: str


class _Row(msgspec.Struct, forbid_unknown_fields=True):
    unit: str
    meter: str
    at: str
    figure: _Figure
    source: str


class _Batch(msgspec.Struct, forbid_unknown_fields=True):
    readings: list[_Row]


class _RawBatch(msgspec.Struct, forbid_unknown_fields=True):
    readings: list[msgspec.Raw]


@dataclass(frozen=True, slots=True)
class RefusedRow:
    """A row that breaks a rule."""

    index: int
    code: str
    pointer: str | None
    detail: str


_whole = msgspec.json.Decoder(_Batch)
_rows = msgspec.json.Decoder(_RawBatch)
_row = msgspec.json.Decoder(_Row)

# meter -> its code and dimension; unit code -> canonical units in one, exact in a double for every listed unit
_METERS = {meter.value: (METER_CODES[meter], METER_DIMENSION[meter]) for meter in Meter}
_MEMBERS = (b'"unit"', b'"meter"', b'"at"', b'"figure"', b'"source"', b'"value"')
"""Members of a row: ``unit`` stands in one twice, the others once."""


def read_batch(body: bytes) -> tuple[list[SentReading], list[RefusedRow]]:
    """The rows of a JSON body, and those that break a rule.

    Args:
        body: The body as received.

    Raises:
        BodyMalformedError: The body is no JSON text in UTF-8.
        RefusedError: It is no batch, or has no row or too many.
    """
    try:
        body.decode("utf-8")
        rows: list[_Row | RefusedRow] = list(_whole.decode(body).readings)
    except UnicodeDecodeError:
        msg = "The body is not UTF-8."
        raise BodyMalformedError(msg) from None
    except msgspec.ValidationError:
        rows = [_one(raw, index) for index, raw in enumerate(_raw_rows(body))]
    except (msgspec.DecodeError, RecursionError):
        msg = "The body is no JSON."
        raise BodyMalformedError(msg) from None
    if not 1 <= len(rows) <= MOST_ROWS:
        raise RefusedError(Breach("/readings", "row_count", f"A batch has 1 to {MOST_ROWS} readings."))
    if _may_repeat_members(body, len(rows)):
        _refuse_repeated_batch(body)
        rows = [_one_of_distinct(raw, index) for index, raw in enumerate(_raw_rows(body))]
    sent: list[SentReading] = []
    refused: list[RefusedRow] = []
    for index, row in enumerate(rows):
        found = row if isinstance(row, RefusedRow) else _taken(sent, index, row)
        if found is not None:
            refused.append(found)
    return sent, refused


def shown_verdicts(outcome: Outcome, refused: list[RefusedRow], received: int) -> dict[str, Any]:
    """The answer to a batch (``ReadingVerdicts``)."""
    rows: list[dict[str, Any]] = [
        {
            "index": row.place,
            "verdict": row.verdict.value,
            "code": row.why.value,
            "pointer": None,
            "detail": WHY_TEXT[row.why],
        }
        for row in outcome.rows
    ]
    rows += [
        {
            "index": row.index,
            "verdict": Verdict.REFUSED.value,
            "code": row.code,
            "pointer": row.pointer,
            "detail": row.detail,
        }
        for row in refused
    ]
    rows.sort(key=lambda row: row["index"])
    return {
        "received": received,
        "accepted": outcome.accepted,
        "duplicate": outcome.duplicate,
        "held": outcome.held,
        "refused": len(refused),
        "rows": rows[:MOST_DETAILS],
        "rows_truncated": len(rows) > MOST_DETAILS,
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


def _may_repeat_members(body: bytes, rows: int) -> bool:
    # A row that was decoded holds each known member and no other. More occurrences than that may be repetitions (or a
    # text that looks like a member), and only then is it worth reading the body a second, slower time.
    counts = [body.count(member) for member in _MEMBERS]
    return (
        counts[0] != 2 * rows or any(count != rows for count in counts[1:]) or body.count(b'"readings"') != 1
    )


def _refuse_repeated_batch(body: bytes) -> None:
    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if sum(name == "readings" for name, _ in pairs) > 1:
            detail = "The object holds this member more than once."
            raise RefusedError(Breach("/readings", "member_repeated", detail))
        return {}

    json.loads(body, object_pairs_hook=members)


def _raw_rows(body: bytes) -> list[msgspec.Raw]:
    try:
        return _rows.decode(body).readings
    except msgspec.ValidationError:
        detail = "The body is an object with one member, readings, a list."
        raise RefusedError(Breach("", "body_malformed", detail)) from None


def _one(raw: msgspec.Raw, index: int) -> _Row | RefusedRow:
    try:
        return _row.decode(raw)
    except (msgspec.DecodeError, RecursionError) as error:
        return _refused(index, error)


def _one_of_distinct(raw: msgspec.Raw, index: int) -> _Row | RefusedRow:
    repeated: list[str] = []

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            repeated.append("")
        return found

    try:
        json.loads(bytes(raw), object_pairs_hook=members)
    except (ValueError, RecursionError) as error:
        return _refused(index, error)
    if repeated:
        return RefusedRow(index, "member_repeated", "", "The row holds a member more than once.")
    return _one(raw, index)


def _refused(index: int, error: Exception) -> RefusedRow:
    message, _, place = f"{error}".partition(" - at `$")
    pointer = place.rstrip("`").replace(".", "/") if place else None
    # The decoder names members and types, and never the value; an unknown member's name is the client's own text.
    if "unknown field" in message:
        return RefusedRow(index, "member_unknown", pointer or "", "The row has a member that is not known.")
    return RefusedRow(index, "row_malformed", pointer or "", f"{message}.")


def _taken(sent: list[SentReading], index: int, row: _Row) -> RefusedRow | None:
    """Add a row to the batch; what is wrong with it, if anything is."""
    meter = _METERS.get(row.meter)
    if meter is None:
        return RefusedRow(index, "meter_unknown", "/meter", "A meter is one of " + ", ".join(_METERS) + ".")
    unit = UNITS.get(row.figure.unit)
    if unit is None or unit.dimension is not meter[1]:
        code = "unit_unknown" if unit is None else "unit_of_wrong_dimension"
        allowed = ", ".join(c for c, u in UNITS.items() if u.dimension is meter[1])
        return RefusedRow(
            index, code, "/figure/unit", f"This meter takes one of these unit codes: {allowed}."
        )
    at_us = instant_us(row.at)
    if at_us is None:
        detail = "An instant is RFC 3339 text with an offset, from 1970 to 2199."
        return RefusedRow(index, "instant_malformed", "/at", detail)
    value = row.figure.value
    if not 0 <= value < math.inf or value * float(unit.factor) > LARGEST_CANONICAL:
        return RefusedRow(
            index, "figure_out_of_range", "/figure/value", "A figure is 0 or more, and not this large."
        )
    for pointer, text in (("/unit", row.unit), ("/source", row.source)):
        if not 1 <= len(text) <= 64 or not text.isprintable() or text != text.strip():  # noqa: PLR2004 - as the models
            detail = "A code is 1 to 64 printable characters without blanks at its ends."
            return RefusedRow(index, "code_malformed", pointer, detail)
    figure = to_canonical_whole(value, row.figure.unit, meter[1])
    sent.append(SentReading(index, row.unit, meter[0], at_us, figure, row.source))
    return None
