"""Days counted from the day of loading, so that the demo is always of today.

A text ``day-12`` is the date twelve days before, ``day-12 16:30`` that instant in UTC, ``year-3`` the number of the
year three years before. Invariant: any other text stays as it is.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Any

_DAY = re.compile(r"day([+-]\d{1,5})(?: ([0-2]\d:[0-5]\d))?")
_YEAR = re.compile(r"year([+-]\d{1,2})")


def resolved(value: Any, today: date) -> Any:
    """A JSON value with each counted day in it put on the calendar.

    Args:
        value: Any JSON value.
        today: The day of loading, in UTC.
    """
    if isinstance(value, dict):
        return {name: resolved(member, today) for name, member in value.items()}
    if isinstance(value, list):
        return [resolved(member, today) for member in value]
    return _resolved_text(value, today) if isinstance(value, str) else value


def instant(today: date, offset_days: int, time_utc: str) -> str:
    """The instant so many days from the day of loading, as RFC 3339 text in UTC."""
    return f"{today + timedelta(days=offset_days)}T{time_utc}:00Z"


def _resolved_text(text: str, today: date) -> str | int:
    if found := _DAY.fullmatch(text):
        offset, time_utc = int(found[1]), found[2]
        return str(today + timedelta(days=offset)) if time_utc is None else instant(today, offset, time_utc)
    if found := _YEAR.fullmatch(text):
        return today.year + int(found[1])
    return text
