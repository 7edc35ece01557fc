"""How fast a meter runs, each case worked by hand in its docstring."""

from __future__ import annotations

from datetime import date

import pytest

from domain.meters import DAY_US
from domain.usage import LAST_DAY_ORDINAL, UsageState, fold, folded, projected_day, rate_per_day

DAY = date(2024, 6, 1).toordinal()


def test_no_reading_and_one_day_of_readings_have_no_rate() -> None:
    """However far it ran on that day."""
    assert folded([]) is None
    assert rate_per_day(None) is None
    assert rate_per_day(folded([(0, 0)])) is None
    assert rate_per_day(folded([(0, 0), (DAY_US - 1, 500_000)])) is None


def test_two_days_give_use_over_time() -> None:
    """300 km in 2 days: 150 km a day."""
    assert rate_per_day(folded([(0, 0), (2 * DAY_US, 300_000)])) == 150_000.0


def test_readings_around_midnight_say_nothing_about_a_day() -> None:
    """2 km in 2 minutes over midnight are no 1,440 km a day; from half a day on there is a rate."""
    assert rate_per_day(folded([(DAY_US - 60_000_000, 0), (DAY_US + 60_000_000, 2_000)])) is None
    assert rate_per_day(folded([(DAY_US // 2, 0), (DAY_US, 60_000)])) == 120_000.0
    # The next day makes it whole: 2 km + 98 km in a day and two minutes, the two minutes a day older.
    later = folded(
        [(DAY_US - 60_000_000, 0), (DAY_US + 60_000_000, 2_000), (2 * DAY_US + 60_000_000, 100_000)]
    )
    assert rate_per_day(later) == pytest.approx(100_000 / (1 + 120 / 86_400), rel=2e-4)


def test_only_the_last_reading_of_a_day_counts() -> None:
    """The one at noon gives way to the one at 18:00."""
    with_noon = folded([(0, 0), (DAY_US + DAY_US // 2, 70_000), (DAY_US + DAY_US * 3 // 4, 90_000)])
    assert with_noon == folded([(0, 0), (DAY_US + DAY_US * 3 // 4, 90_000)])
    assert with_noon == UsageState(DAY_US + DAY_US * 3 // 4, 90_000, 0, 0, 0.0, 0.0)


def test_use_of_half_a_lifetime_ago_counts_half() -> None:
    """120 days at 100 km a day, then 120 days at 300: (12,000 / 2 + 36,000) / (120 / 2 + 120) = 233.33 km a day."""
    state = folded([(0, 0), (120 * DAY_US, 12_000_000), (240 * DAY_US, 48_000_000)])
    assert rate_per_day(state) == pytest.approx(42_000_000 / 180, rel=1e-12)


def test_a_steady_vehicle_has_its_rate_whatever_the_gaps() -> None:
    """80 km a day read on days 0, 1, 5, 40 and 400."""
    state = folded([(day * DAY_US, day * 80_000) for day in (0, 1, 5, 40, 400)])
    assert rate_per_day(state) == pytest.approx(80_000, rel=1e-12)


def test_folding_goes_on_from_a_kept_state() -> None:
    """One reading at a time or all at once."""
    points = [(day * DAY_US, day * day * 1_000) for day in range(6)]
    state = None
    for at_us, life in points:
        state = fold(state, at_us, life)
    assert state == folded(points)


@pytest.mark.parametrize(
    ("remaining", "per_day", "expected"),
    [
        # 5,000 km at 100 a day: 50 days.
        (5_000_000, 100_000.0, DAY + 50),
        # A part of a day is a day more.
        (5_000_001, 100_000.0, DAY + 51),
        (1, 100_000.0, DAY + 1),
        (0, 100_000.0, DAY),
        # 250 km past: it was reached 2.5 days ago, that is on the day after the third before.
        (-250_000, 100_000.0, DAY - 2),
        # Standing still, or rate unknown: past things are past, others have no date.
        (0, 0.0, DAY),
        (-1, None, DAY),
        (1, 0.0, None),
        (1, None, None),
        # 0.1 + 0.2 a day in 3 days is 0.9, not a little less.
        (9, 3 * (0.1 + 0.2) * 10 / 3, DAY + 3),
        # The last day that is a date, and the one after it.
        (LAST_DAY_ORDINAL - DAY, 1.0, LAST_DAY_ORDINAL),
        (LAST_DAY_ORDINAL - DAY + 1, 1.0, None),
        (10**12, 1e-9, None),
        # Reached before the first day that can be written.
        (-(10**12), 1.0, 1),
        (-(10**12), 5e-324, 1),
        (10**12, 5e-324, None),
    ],
)
def test_the_day_on_which_the_rest_has_run(
    remaining: int, per_day: float | None, expected: int | None
) -> None:
    """Counted from 1 June 2024."""
    assert projected_day(remaining, DAY, per_day) == expected
