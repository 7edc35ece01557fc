"""Properties of quantities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.units import (
    UNITS,
    Dimension,
    column_from_canonical,
    column_to_canonical,
    from_canonical,
    to_canonical,
    to_canonical_whole,
)

TENTHS = st.integers(-(10**8), 10**8)
COLUMN_CODES = st.sampled_from(
    [
        code
        for code, unit in UNITS.items()
        if unit.dimension in {Dimension.DISTANCE, Dimension.DURATION, Dimension.VOLUME}
    ]
)


@pytest.mark.parametrize("code", ["km", "mi", "L", "qt_us", "gal_us", "pt_us", "qt_imp", "gal_imp", "pt_imp"])
@given(tenths=TENTHS)
def test_each_tenth_comes_back_exactly(code: str, tenths: int) -> None:
    """Stored as whole metres or millilitres and shown again, in single figures and in columns."""
    value = tenths / 10
    dimension = UNITS[code].dimension
    whole = to_canonical_whole(value, code, dimension)
    assert from_canonical(whole, code) == value
    column = column_to_canonical(np.array([value]), code, dimension)
    assert column.tolist() == [whole]
    assert column_from_canonical(column, code).tolist() == [value]


@given(st.lists(st.tuples(st.integers(-(10**12), 10**12), COLUMN_CODES), max_size=20))
def test_columns_equal_single_figures(rows: list[tuple[int, str]]) -> None:
    """Element by element, for figures of three decimals up to 1e9, whatever units a column mixes."""
    for dimension in (Dimension.DISTANCE, Dimension.DURATION, Dimension.VOLUME):
        given_rows = [(n / 1000, code) for n, code in rows if UNITS[code].dimension is dimension]
        values = np.array([value for value, _ in given_rows], dtype=np.float64)
        column = column_to_canonical(values, [code for _, code in given_rows], dimension)
        assert column.tolist() == [to_canonical_whole(value, code, dimension) for value, code in given_rows]


@given(st.lists(st.tuples(st.integers(-(10**15), 10**15), COLUMN_CODES), max_size=20))
def test_columns_of_six_decimals_equal_single_figures(rows: list[tuple[int, str]]) -> None:
    """The same for distances and durations that somebody computed, such as 12345.678901 km."""
    for dimension in (Dimension.DISTANCE, Dimension.DURATION):
        given_rows = [(n / 10**6, code) for n, code in rows if UNITS[code].dimension is dimension]
        values = np.array([value for value, _ in given_rows], dtype=np.float64)
        column = column_to_canonical(values, [code for _, code in given_rows], dimension, decimals=6)
        assert column.tolist() == [to_canonical_whole(value, code, dimension) for value, code in given_rows]


@given(st.floats(-1e12, 1e12), st.sampled_from(sorted(UNITS)))
def test_a_whole_figure_is_the_exact_one_rounded(value: float, code: str) -> None:
    """Within half a canonical unit, and a float's own precision where that is coarser."""
    dimension = UNITS[code].dimension
    exact = to_canonical(value, code, dimension)
    assert abs(to_canonical_whole(value, code, dimension) - exact) <= 0.5 + 1e-15 * abs(exact)
