"""Severe duty, each case worked by hand in its docstring."""

from __future__ import annotations

import math
from datetime import date

import pytest

from domain.duty import (
    DutyEntry,
    Shares,
    Stretch,
    check_duty,
    day_start_us,
    passing_figure,
    stretches,
    wear_factor,
    weighted_figure,
    worn,
)
from domain.errors import DutyError
from domain.sheet import DutyCondition
from tests.unit.domain.due_cases import us

TOWING, DUST, HEAT = DutyCondition.TOWING, DutyCondition.DUST, DutyCondition.EXTREME_HEAT


def entry(condition: DutyCondition, share: float, from_on: str, through_on: str | None = None) -> DutyEntry:
    return DutyEntry(
        condition,
        share,
        date.fromisoformat(from_on),
        None if through_on is None else date.fromisoformat(through_on),
    )


def found(*entries: DutyEntry) -> list[tuple[str, str]]:
    """Place and rule of each breach."""
    with pytest.raises(DutyError) as caught:
        check_duty(entries)
    return [(breach.pointer, breach.rule) for breach in caught.value.breaches]


def shown(*entries: DutyEntry) -> list[tuple[str | None, Shares]]:
    """The stretches, their days as text."""
    return [
        (None if s.starts_on is None else date.fromordinal(s.starts_on).isoformat(), s.shares)
        for s in stretches(entries)
    ]


def test_a_utc_day_begins_at_midnight() -> None:
    """1 January 1970 is instant 0."""
    assert day_start_us(date(1970, 1, 1).toordinal()) == 0
    assert day_start_us(date(2024, 2, 29).toordinal()) == us("2024-02-29", 0)


def test_entries_that_agree_pass() -> None:
    """Neighbouring days, overlapping conditions, a share of 1, one day alone, and nothing at all."""
    check_duty([])
    check_duty(
        [
            entry(TOWING, 1.0, "2024-01-01", "2024-01-31"),
            entry(TOWING, 0.1, "2024-02-01"),
            entry(DUST, 1.0, "2024-01-15", "2024-01-15"),
        ]
    )


@pytest.mark.parametrize("share", [0.0, -0.1, 1.000001, math.nan, math.inf])
def test_a_share_is_above_zero_and_at_most_one(share: float) -> None:
    """A share that is no number neither."""
    assert found(entry(TOWING, share, "2024-01-01")) == [("/0/share", "share_out_of_range")]


def test_all_contradictions_are_found_at_once() -> None:
    """A reversed range, and a second entry of one condition on a day that the first still covers."""
    assert found(
        entry(DUST, 0.5, "2024-02-01", "2024-01-31"),
        entry(TOWING, 0.5, "2024-01-01", "2024-03-01"),
        entry(TOWING, 0.5, "2024-03-01"),
        entry(TOWING, 2.0, "2030-01-01"),
    ) == [
        ("/0/through_on", "range_reversed"),
        ("/2/from_on", "duty_overlaps"),
        ("/3/share", "share_out_of_range"),
        ("/3/from_on", "duty_overlaps"),
    ]


def test_an_entry_without_an_end_overlaps_every_later_one() -> None:
    """Given in either order."""
    open_end, later = entry(TOWING, 0.5, "2024-01-01"), entry(TOWING, 0.5, "2034-01-01", "2034-01-02")
    assert found(open_end, later) == found(later, open_end) == [("/1/from_on", "duty_overlaps")]


def test_no_entries_make_one_stretch_of_normal_duty() -> None:
    """From before all time."""
    assert stretches([]) == (Stretch(None, ()),)


def test_stretches_change_where_an_entry_begins_or_ends() -> None:
    """Dust in January, heat from 15 January on: three changes; the last day counts in full."""
    assert shown(entry(HEAT, 0.2, "2024-01-15"), entry(DUST, 0.5, "2024-01-01", "2024-01-31")) == [
        (None, ()),
        ("2024-01-01", ((DUST, 0.5),)),
        ("2024-01-15", ((DUST, 0.5), (HEAT, 0.2))),
        ("2024-02-01", ((HEAT, 0.2),)),
    ]


def test_equal_neighbours_are_one_stretch() -> None:
    """An entry split at any day reads like one."""
    whole = stretches([entry(TOWING, 0.5, "2024-01-01", "2024-12-31")])
    split = [entry(TOWING, 0.5, "2024-07-01", "2024-12-31"), entry(TOWING, 0.5, "2024-01-01", "2024-06-30")]
    assert stretches(split) == whole


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((), 1.0),
        # Not a condition of this rule.
        (((HEAT, 1.0),), 1.0),
        # 0.4 / 0.5 + 0.6 = 1.4.
        (((TOWING, 0.4),), 1.4),
        (((TOWING, 1.0),), 2.0),
        # 0.7 / 0.5 + 0.3 / 0.75 = 1.8: dust fills what towing leaves; multipliers never multiply.
        (((DUST, 0.6), (TOWING, 0.7)), 1.8),
        # 0.5 / 0.5 + 0.25 / 0.75 + 0.25 = 1.58333.
        (((DUST, 0.25), (TOWING, 0.5)), 1.5 + 0.25 / 3),
        # Both all the time: as severe as the worse one alone.
        (((DUST, 1.0), (TOWING, 1.0)), 2.0),
    ],
)
def test_shares_fill_from_the_most_severe_down(shares: Shares, expected: float) -> None:
    """Towing halves an interval, dust leaves three quarters of it."""
    assert wear_factor(shares, {TOWING: 0.5, DUST: 0.75}) == pytest.approx(expected, rel=1e-12)


def test_a_factor_of_one_wears_like_normal_duty() -> None:
    """At any share."""
    assert wear_factor(((TOWING, 0.3),), {TOWING: 1.0}) == pytest.approx(1.0, rel=1e-15)


@pytest.mark.parametrize(
    ("spans", "threshold", "expected"),
    [
        # Above the threshold from the start: it passes there.
        ([(40.0, 0.5)], 0.25, 40.0),
        # Any use passes a threshold of 0, none does not.
        ([(40.0, 0.01)], 0.0, 40.0),
        ([(40.0, 0.0)], 0.0, None),
        # Exactly the threshold never passes it.
        ([(40.0, 0.25)], 0.25, None),
        # (x - 46) = 0.25 (x - 40): x = 48.
        ([(40.0, 0.0), (46.0, 1.0)], 0.25, 48.0),
        # It would pass at 48, but towing ends at 47 and never returns.
        ([(40.0, 0.0), (46.0, 1.0), (47.0, 0.0)], 0.25, None),
        # 1 by 47; from 50 on at 0.5: 1 + 0.5 (x - 50) = 0.25 (x - 40): x = 56.
        ([(40.0, 0.0), (46.0, 1.0), (47.0, 0.0), (50.0, 0.5)], 0.25, 56.0),
        # At 48 sharp the share is the threshold and falls again: not passed.
        ([(40.0, 0.0), (46.0, 1.0), (48.0, 0.0)], 0.25, None),
        # At 48 sharp another span above it begins: passed there.
        ([(40.0, 0.0), (46.0, 1.0), (48.0, 0.5)], 0.25, 48.0),
        # A span without use counts for nothing.
        ([(40.0, 1.0), (40.0, 0.0)], 0.25, None),
    ],
)
def test_where_a_share_passes_its_threshold(
    spans: list[tuple[float, float]], threshold: float, expected: float | None
) -> None:
    """Solved by hand."""
    assert passing_figure(spans, threshold) == expected


@pytest.mark.parametrize(
    ("until", "expected"), [(49.0, 48.0), (48.0, None), (46.0, None), (40.0, None), (30.0, None)]
)
def test_use_is_looked_at_up_to_a_figure(until: float, expected: float | None) -> None:
    """The share passes at 48 exactly, so use must reach beyond it."""
    assert passing_figure([(40.0, 0.0), (46.0, 1.0)], 0.25, until=until) == expected
    # A span behind the figure is not looked at.
    assert passing_figure([(40.0, 0.0), (46.0, 1.0), (60.0, 0.0)], 0.25, until=until) == expected


@pytest.mark.parametrize(
    ("spans", "allowance", "expected"),
    [
        ([(40.0, 1.0)], 15.0, 55.0),
        ([(40.0, 2.0)], 15.0, 47.5),
        # 6 at 1, then 2 (x - 46) = 9.
        ([(40.0, 1.0), (46.0, 2.0)], 15.0, 50.5),
        # 6 at 2 are 12, 3 remain at 1.
        ([(40.0, 2.0), (46.0, 1.0)], 15.0, 49.0),
        # All used up at a change of duty.
        ([(40.0, 1.0), (55.0, 2.0)], 15.0, 55.0),
        ([(40.0, 1.0), (50.0, 2.0), (60.0, 4.0)], 15.0, 52.5),
        ([(40.0, 1.0)], 0.0, 40.0),
    ],
)
def test_where_wear_adds_up_to_an_allowance(
    spans: list[tuple[float, float]], allowance: float, expected: float
) -> None:
    """And there, and only there, the wear so far is the allowance."""
    figure = weighted_figure(spans, allowance)
    assert figure == pytest.approx(expected, rel=1e-12)
    assert worn(spans, figure) == pytest.approx(allowance, rel=1e-12)


def test_wear_is_counted_up_to_a_figure_only() -> None:
    """2 x 6 + 1 x 4 = 16; before the first span there is none."""
    spans = [(40.0, 2.0), (46.0, 1.0)]
    assert worn(spans, 50.0) == 16.0
    assert worn(spans, 43.0) == 6.0
    assert worn(spans, 39.0) == 0.0
