"""Calendar arithmetic of intervals: months counted from an anchor, clamped to the month's end.

Months are always counted from the anchor, never chained: 31 January plus 1 and plus 2 months are the last of
February and 31 March. Day ordinals are those of ``datetime.date.toordinal``.
"""

from __future__ import annotations

import calendar
import math
from datetime import date

from domain.errors import Breach, QuantityError

# Factors are decimal figures such as 0.1: this much of a day is rounding, not time.
_DAY_SLACK = 1e-6


def add_months(anchor: date, months: int) -> date:
    """The day ``months`` calendar months after the anchor, clamped to the end of a shorter month.

    Args:
        anchor: Day from which the months are counted.
        months: Calendar months [month]; may be negative.

    Raises:
        QuantityError: The day lies outside the years 1 to 9999 (``date_out_of_range``).
    """
    index = anchor.year * 12 + anchor.month - 1 + months
    year, month = divmod(index, 12)
    if not 1 <= year <= 9999:  # noqa: PLR2004 - the years of datetime.date
        raise QuantityError(Breach("", "date_out_of_range", "the date lies outside the years 1 to 9999"))
    return date(year, month + 1, min(anchor.day, calendar.monthrange(year, month + 1)[1]))


def months_between(start: date, end: date) -> int:
    """Whole calendar months from ``start`` to ``end``: the largest n with start + n months on or before end.

    Args:
        start: First day.
        end: Last day; before ``start`` the count is negative.
    """
    months = (end.year - start.year) * 12 + end.month - start.month
    return months if add_months(start, months) <= end else months - 1


def part_months_between(start: date, end: date) -> float:
    """Calendar months from ``start`` to ``end``, the last of them in part; what ``add_part_months`` undoes.

    Args:
        start: First day.
        end: Last day.
    """
    whole = months_between(start, end)
    reached = add_months(start, whole)
    return whole + (end - reached).days / (add_months(start, whole + 1) - reached).days


def add_part_months(anchor: date, months: float) -> date:
    """The day ``months`` calendar months after the anchor, where the last month may be a part of one.

    A part of a month is that share of its days, rounded up to a whole day.

    Args:
        anchor: Day from which the months are counted.
        months: Calendar months, at least 0 [month].
    """
    whole = math.floor(months + 1e-9)
    part = max(0.0, months - whole)
    start = add_months(anchor, whole)
    if part < 1e-9:  # noqa: PLR2004 - 2.4 x 5 counts as whole
        return start
    days = (add_months(anchor, whole + 1) - start).days
    return date.fromordinal(start.toordinal() + math.ceil(days * part - _DAY_SLACK))
