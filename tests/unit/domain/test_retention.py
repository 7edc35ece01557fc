"""How long entries are kept: rounded up, and while a due point rests on them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from domain.due import due_points
from domain.retention import counted_from, kept_until, months_later
from domain.sheet import Counting, IntervalRule
from tests.unit.domain.due_cases import every, line, service_of, sheet_of, vehicle, work


@pytest.mark.parametrize(
    ("on", "left", "until"),
    [
        # 49 CFR 396.3(c), one year where it is housed and six months after it leaves (public copies of the rule);
        # the arithmetic is exact, the later of the two is our reading.
        ("2025-03-31", None, "2026-03-31"),
        ("2025-03-31", "2025-08-31", "2026-03-31"),
        ("2024-09-01", "2025-08-31", "2026-03-01"),
        ("2024-02-29", None, "2025-03-01"),
        ("2025-01-15", "2025-01-20", "2026-01-15"),
        ("2020-01-15", "2025-08-30", "2026-03-01"),
        ("2020-01-15", "2025-08-28", "2026-02-28"),
    ],
)
def test_what_the_rule_says_is_rounded_up(on: str, left: str | None, until: str) -> None:
    found = kept_until(date.fromisoformat(on), None if left is None else date.fromisoformat(left))
    assert found == date.fromisoformat(until)


def test_a_day_that_a_month_lacks_is_the_first_of_the_next() -> None:
    assert months_later(date(2025, 8, 31), 6) == date(2026, 3, 1)
    assert months_later(date(2025, 8, 31), 1) == date(2025, 10, 1)
    assert months_later(date(2025, 8, 31), 0) == date(2025, 8, 31)


def test_the_entry_that_a_due_point_is_counted_from_is_held() -> None:
    """Oil three times, the belt once long ago: the last oil change and the belt hold two due points."""
    sheet = sheet_of(
        service_of(IntervalRule(every(10_000, 12))), service_of(IntervalRule(every(100_000, 120)), "belt")
    )
    history = vehicle(
        work("2024-03-01", 8_000, "oil", "belt", key=1),
        work("2024-09-01", 16_000, key=2),
        work("2025-03-01", 24_000, key=3),
        odometer=line(("2024-01-01", 0), ("2025-06-01", 27_000)),
    )
    assert counted_from(sheet, history) == {1, 3}
    assert counted_from(sheet_of(service_of(IntervalRule(every(10_000)))), history) == {3}
    assert counted_from(sheet, vehicle()) == frozenset()


def test_a_partial_restoration_holds_what_it_carries_over_from() -> None:
    sheet = sheet_of(service_of(IntervalRule(every(10_000))))
    history = vehicle(
        work("2024-03-01", 8_000, key=1),
        work("2024-09-01", 14_000, key=2, restored={"oil": 0.6}),
        odometer=line(("2024-01-01", 0), ("2025-06-01", 27_000)),
    )
    assert counted_from(sheet, history) == {1, 2}


@pytest.mark.parametrize("counting", list(Counting))
def test_due_points_rest_on_the_entries_held_alone(counting: Counting) -> None:
    """Whatever the way of counting, what is not held can go without a due point moving."""
    sheet = sheet_of(service_of(IntervalRule(every(10_000, 12), counting=counting)))
    history = vehicle(
        *(work(f"2024-{month:02}-01", 2_300 * month, key=month) for month in range(2, 12, 3)),
        odometer=line(("2024-01-01", 0), ("2025-06-01", 40_000)),
    )
    held = counted_from(sheet, history)
    assert held
    rest = replace(history, work=tuple(each for each in history.work if each.key in held))
    assert due_points(sheet, rest) == due_points(sheet, history)
