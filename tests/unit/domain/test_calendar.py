from __future__ import annotations

from datetime import date

import pytest

from domain.calendar import add_months, add_part_months, months_between
from domain.errors import QuantityError


def test_months_are_counted_from_the_anchor_and_clamped() -> None:
    """31 January plus 1, 2 and 3 months: the last of February, 31 March, 30 April; none is chained."""
    anchor = date(2023, 1, 31)
    assert [add_months(anchor, n) for n in (0, 1, 2, 3, -2)] == [
        anchor,
        date(2023, 2, 28),
        date(2023, 3, 31),
        date(2023, 4, 30),
        date(2022, 11, 30),
    ]
    assert add_months(date(2024, 1, 31), 1) == date(2024, 2, 29)


@pytest.mark.parametrize(
    ("anchor", "months"), [(date(9999, 12, 1), 1), (date(1, 1, 1), -1), (date(2000, 1, 1), 10**9)]
)
def test_a_day_outside_the_calendar_is_refused(anchor: date, months: int) -> None:
    """The years 1 to 9999 are all there is."""
    with pytest.raises(QuantityError) as caught:
        add_months(anchor, months)
    assert caught.value.breaches[0].rule == "date_out_of_range"


def test_the_ends_of_the_calendar_are_reached() -> None:
    """The last and the first month count."""
    assert add_months(date(9999, 11, 30), 1) == date(9999, 12, 30)
    assert add_months(date(1, 2, 28), -1) == date(1, 1, 28)


def test_decimal_parts_add_no_day_by_rounding() -> None:
    """One 31st of March is one day after its first, though the product of floats may exceed it."""
    assert add_part_months(date(2023, 3, 1), 1 / 31) == date(2023, 3, 2)
    assert add_part_months(date(2024, 1, 31), 24 * 0.5) == date(2025, 1, 31)


@pytest.mark.parametrize(
    ("months", "expected"),
    [
        (0.0, date(2024, 1, 31)),
        (2.0, date(2024, 3, 31)),
        (2.4 * 5, date(2025, 1, 31)),
        # One month to 29 February, then half of the 31 days to 31 March, rounded up.
        (1.5, date(2024, 3, 16)),
    ],
)
def test_a_part_of_a_month_is_a_share_of_its_days(months: float, expected: date) -> None:
    """From 31 January 2024, worked by hand."""
    assert add_part_months(date(2024, 1, 31), months) == expected


@pytest.mark.parametrize(
    ("start", "end", "months"),
    [
        (date(2024, 1, 31), date(2024, 1, 31), 0),
        (date(2024, 1, 31), date(2024, 2, 28), 0),
        (date(2024, 1, 31), date(2024, 2, 29), 1),
        (date(2024, 1, 31), date(2024, 3, 30), 1),
        (date(2024, 1, 31), date(2025, 1, 31), 12),
        (date(2024, 3, 15), date(2024, 3, 14), -1),
        (date(2024, 3, 15), date(2024, 2, 15), -1),
        (date(2024, 3, 15), date(2024, 2, 14), -2),
    ],
)
def test_whole_months_between_two_days(start: date, end: date, months: int) -> None:
    """The largest count that doesn't pass the end, also backwards."""
    assert months_between(start, end) == months
