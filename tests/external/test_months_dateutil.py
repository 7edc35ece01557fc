"""Months against python-dateutil, and why a calendar's recurrence rule is no interval."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, YEARLY, rrule

from domain.calendar import add_months, months_between


@pytest.mark.parametrize(
    ("anchor", "months", "expected"),
    [
        # python-dateutil 4.0.0, relativedelta: documented to clamp to the month's end.
        ("2023-01-31", 1, "2023-02-28"),
        ("2024-01-31", 1, "2024-02-29"),
        ("2000-01-31", 1, "2000-02-29"),
        ("2100-01-31", 1, "2100-02-28"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2024-03-31", -1, "2024-02-29"),
        ("2023-08-31", 6, "2024-02-29"),
        ("2024-12-31", 2, "2025-02-28"),
        ("2024-11-30", 3, "2025-02-28"),
        ("2024-10-31", 4, "2025-02-28"),
    ],
)
def test_months_clamp_as_dateutil_clamps(anchor: str, months: int, expected: str) -> None:
    """The library gives the stated day, and so do we."""
    start = date.fromisoformat(anchor)
    assert start + relativedelta(months=months) == date.fromisoformat(expected)
    assert add_months(start, months) == date.fromisoformat(expected)


def test_every_day_of_a_leap_cycle_agrees_with_dateutil() -> None:
    """Each day of 2023 to 2026 plus each of some intervals in use, and back."""
    for ordinal in range(date(2023, 1, 1).toordinal(), date(2027, 1, 1).toordinal()):
        day = date.fromordinal(ordinal)
        for months in (1, 3, 6, 12, 24, 48, -1, -13):
            assert add_months(day, months) == day + relativedelta(months=months)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (date(2024, 2, 29), date(2025, 2, 28)),
        (date(2024, 1, 31), date(2024, 3, 30)),
        (date(2024, 1, 31), date(2024, 3, 31)),
        (date(2020, 5, 17), date(2026, 11, 25)),
    ],
)
def test_whole_months_agree_with_dateutil(start: date, end: date) -> None:
    """Its years and months make up our count; 29 to 28 February is a year there too."""
    found = relativedelta(end, start)
    assert months_between(start, end) == found.years * 12 + found.months


def test_chained_months_drift_and_anchored_months_do_not() -> None:
    """From 31 January 2024: chained the third day is 29 March, counted from the anchor 31 March."""
    anchor = date(2024, 1, 31)
    chained = add_months(add_months(anchor, 1), 1)
    assert chained == anchor + relativedelta(months=1) + relativedelta(months=1) == date(2024, 3, 29)
    assert add_months(anchor, 2) == date(2024, 3, 31)


def test_a_recurrence_rule_skips_what_an_interval_clamps() -> None:
    """RFC 5545: invalid dates are left out, so a monthly rule from the 31st has seven dates a year.

    A calendar feed written as such a rule would lose due dates; RFC 7529's SKIP was added for that reason.
    """
    rule = rrule(MONTHLY, dtstart=datetime(2024, 1, 31), until=datetime(2024, 12, 31))  # noqa: DTZ001 - days
    skipped = [instant.date() for instant in rule]
    clamped = [add_months(date(2024, 1, 31), n) for n in range(12)]
    assert [day.month for day in skipped] == [1, 3, 5, 7, 8, 10, 12]
    assert len(clamped) == 12
    assert set(skipped) < set(clamped)


def test_a_yearly_recurrence_rule_from_a_leap_day_waits_four_years() -> None:
    """RFC 5545 by python-dateutil: 2028 and 2032; an interval of 12 months falls due on 28 February 2025."""
    rule = rrule(YEARLY, dtstart=datetime(2024, 2, 29), count=3)  # noqa: DTZ001 - days, not instants
    assert [instant.year for instant in rule] == [2024, 2028, 2032]
    assert add_months(date(2024, 2, 29), 12) == date(2025, 2, 28)


def test_the_last_day_of_each_month_is_what_clamping_gives() -> None:
    """BYMONTHDAY=-1 names each month's end, as months counted from a 31st do."""
    start = datetime(2024, 1, 31)  # noqa: DTZ001 - days, not instants
    ends = [instant.date() for instant in rrule(MONTHLY, dtstart=start, bymonthday=-1, count=24)]
    assert ends == [add_months(start.date(), n) for n in range(24)]
