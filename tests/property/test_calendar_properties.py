"""Properties of months."""

from __future__ import annotations

import calendar
from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from domain.calendar import add_months, add_part_months, months_between, part_months_between

DAYS = st.dates(date(1900, 1, 1), date(2199, 12, 31))
MONTHS = st.integers(-600, 600)


@given(DAYS, MONTHS)
def test_the_day_of_the_month_stays_or_is_the_last(anchor: date, months: int) -> None:
    """And the month is the one counted to."""
    day = add_months(anchor, months)
    last = calendar.monthrange(day.year, day.month)[1]
    assert (day.year - anchor.year) * 12 + day.month - anchor.month == months
    assert day.day == min(anchor.day, last)


@given(DAYS, DAYS, MONTHS)
def test_a_later_anchor_is_never_due_earlier(one: date, other: date, months: int) -> None:
    """Clamping may bring two days together but never turns them round."""
    earlier, later = sorted((one, other))
    assert add_months(earlier, months) <= add_months(later, months)


@given(DAYS, DAYS)
def test_whole_months_are_the_most_that_fit(start: date, end: date) -> None:
    """One more would pass the end."""
    months = months_between(start, end)
    assert add_months(start, months) <= end < add_months(start, months + 1)


@given(DAYS, st.integers(1, 240), st.integers(1, 100), st.integers(1, 100))
def test_a_larger_factor_never_ends_an_interval_earlier(
    anchor: date, months: int, one: int, other: int
) -> None:
    """A share of an interval ends after its anchor, not after the whole, and in the order of the shares."""
    days = [add_part_months(anchor, months * hundredths / 100) for hundredths in sorted((one, other))]
    assert anchor < days[0] <= days[1] <= add_months(anchor, months)


@given(DAYS, DAYS)
def test_months_in_part_lead_back_to_their_day(one: date, other: date) -> None:
    """Counting them and adding them again, from the earlier day on."""
    start, end = sorted((one, other))
    months = part_months_between(start, end)
    assert months_between(start, end) <= months < months_between(start, end) + 1
    assert add_part_months(start, months) == end
