"""Instants and days in requests and answers.

Invariants: an instant is RFC 3339 text with an offset, from 1970 to 2200, and becomes whole UTC
microseconds; digits beyond the sixth are cut, the same on every database. A day is ``YYYY-MM-DD`` from
1900 to 2199. Epoch numbers, instants without an offset and week dates are refused.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
EARLIEST_US = 0
LATEST_US = (datetime(2200, 1, 1, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)

_INSTANT = re.compile(
    r"(?P<day>[0-9]{4}-[0-9]{2}-[0-9]{2})[Tt](?P<clock>[0-9]{2}:[0-9]{2}:[0-9]{2})"
    r"(?:\.(?P<fraction>[0-9]{1,30}))?(?P<offset>[Zz]|[+-][0-9]{2}:[0-9]{2})"
)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def instant_us(text: str) -> int | None:
    """UTC microseconds of RFC 3339 text with an offset; ``None`` where the text is none or out of bounds.

    Args:
        text: Such as ``2031-05-04T08:00:00.25+02:00``.
    """
    match = _INSTANT.fullmatch(text)
    if match is None:
        return None
    fraction = (match["fraction"] or "")[:6].ljust(6, "0")
    offset = "+00:00" if match["offset"] in "Zz" else match["offset"]
    try:
        local = datetime.fromisoformat(f"{match['day']}T{match['clock']}.{fraction}{offset}")
    except ValueError:
        return None
    # The difference never leaves datetime's range, as a conversion of year 1 or 9999 to UTC would.
    at_us = (local - EPOCH) // timedelta(microseconds=1)
    return at_us if EARLIEST_US <= at_us < LATEST_US else None


def instant_text(at_us: int) -> str:
    """RFC 3339 text in UTC of an instant [us]."""
    moment = EPOCH + timedelta(microseconds=at_us)
    return moment.isoformat(timespec="microseconds" if at_us % 1_000_000 else "seconds").replace(
        "+00:00", "Z"
    )


def day_of(text: str) -> date | None:
    """The day of ``YYYY-MM-DD`` text; ``None`` where the text is none or out of bounds."""
    if not _DAY.fullmatch(text):
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if FIRST_DAY <= day <= LAST_DAY else None


def _instant(value: Any) -> int:
    at_us = instant_us(value) if isinstance(value, str) else None
    if at_us is None:
        rule, text = "instant_malformed", "An instant is RFC 3339 text with an offset, from 1970 to 2199"
        raise PydanticCustomError(rule, text)
    return at_us


def _day(value: Any) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    day = day_of(value) if isinstance(value, str) else None
    if day is None:
        rule, text = "day_malformed", "A day is YYYY-MM-DD, from 1900-01-01 to 2199-12-31"
        raise PydanticCustomError(rule, text)
    return day


Instant = Annotated[
    int,
    BeforeValidator(_instant),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2031-05-04T08:00:00+02:00"]}),
]
"""An instant in a request: RFC 3339 text with an offset, inside whole UTC microseconds [us]."""

Day = Annotated[
    date,
    BeforeValidator(_day),
    WithJsonSchema({"type": "string", "format": "date", "examples": ["2031-05-04"]}),
]
"""A day in a request or an answer."""

ShownInstant = Annotated[
    int,
    Field(strict=True),
    PlainSerializer(instant_text, return_type=str),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""An instant in an answer: give whole UTC microseconds [us], RFC 3339 text in UTC is sent."""
