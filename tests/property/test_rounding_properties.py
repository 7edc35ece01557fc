"""Properties of rounding for showing."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from domain.rounding import ShownWhole, Whole, shown_nested, shown_parts, shown_range
from domain.units import UNITS, Dimension, from_canonical

CODES = st.sampled_from(
    [code for code, unit in UNITS.items() if unit.dimension in {Dimension.VOLUME, Dimension.DISTANCE}]
)
VALUES = st.lists(st.integers(0, 10**9), max_size=30)
LEAVES = st.builds(Whole, st.integers(0, 10**6))
TREES = st.recursive(
    LEAVES, lambda inner: st.builds(Whole, st.just(0), st.lists(inner, max_size=5).map(tuple))
)


def _places(value: float, code: str) -> int:
    scale: int = 10 ** UNITS[code].decimals
    return round(Fraction(repr(value)) * scale)


def _exact_places(value: int, code: str) -> Fraction:
    scale: int = 10 ** UNITS[code].decimals
    return Fraction(value) / UNITS[code].factor * scale


def _check_sums(shown: ShownWhole, code: str) -> None:
    if shown.parts:
        assert sum(_places(part.value, code) for part in shown.parts) == _places(shown.value, code)
    for part in shown.parts:
        _check_sums(part, code)


def _flat(shown: ShownWhole) -> list[float]:
    return [shown.value, *(value for part in shown.parts for value in _flat(part))]


@given(VALUES, CODES)
def test_shown_parts_add_up_and_move_by_less_than_a_place(values: list[int], code: str) -> None:
    """The total is as it would be alone, the parts add up to it, each within a place of its figure."""
    parts, total = shown_parts(values, code)
    assert total == from_canonical(sum(values), code)
    assert sum(_places(part, code) for part in parts) == _places(total, code)
    for part, value in zip(parts, values, strict=True):
        assert abs(_places(part, code) - _exact_places(value, code)) < 1


@given(VALUES, CODES)
def test_a_larger_part_never_shows_smaller(values: list[int], code: str) -> None:
    """Equal figures may differ by the last place, but the order of unequal ones holds."""
    parts, _ = shown_parts(values, code)
    by_value = sorted(zip(values, parts, strict=True))
    for (smaller, shown_smaller), (larger, shown_larger) in pairwise(by_value):
        assert smaller == larger or shown_smaller <= shown_larger


@given(TREES, CODES)
def test_nested_totals_add_up_at_each_level(whole: Whole, code: str) -> None:
    """However deep the parts go."""
    _check_sums(shown_nested(whole, code), code)


@given(TREES, CODES, st.data())
def test_ranges_add_up_and_never_turn_round(low: Whole, code: str, data: st.DataObject) -> None:
    """Both ends add up at each level, no low end shows above its high end, and both totals stand as alone."""

    def widened(whole: Whole) -> Whole:
        width = data.draw(st.sampled_from([0, 0, 1, 137, 10**5]))
        return Whole(whole.value + width, tuple(widened(part) for part in whole.parts))

    high = widened(low)
    shown_low, shown_high = shown_range(low, high, code)
    _check_sums(shown_low, code)
    _check_sums(shown_high, code)
    assert all(a <= b for a, b in zip(_flat(shown_low), _flat(shown_high), strict=True))
    assert shown_low.value == shown_nested(low, code).value
    assert shown_high.value == shown_nested(high, code).value
