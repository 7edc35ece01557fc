from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from domain.errors import QuantityError
from domain.units import (
    CANONICAL,
    COLUMN_DECIMALS,
    LARGEST_FIGURE,
    UNITS,
    Dimension,
    codes,
    column_from_canonical,
    column_to_canonical,
    from_canonical,
    shown,
    to_canonical,
    to_canonical_whole,
    unit_of,
)


def test_every_dimension_has_units_and_a_canonical_one() -> None:
    """The canonical unit has factor 1 where clients may write it."""
    assert set(CANONICAL) == set(Dimension)
    for dimension in Dimension:
        assert codes(dimension)
        canonical = UNITS.get(CANONICAL[dimension])
        assert canonical is None or (canonical.factor == 1 and canonical.offset == 0)


def test_codes_come_in_the_order_listed() -> None:
    """Metric first."""
    assert codes(Dimension.DISTANCE) == ("m", "km", "mi")
    assert codes(Dimension.CALENDAR) == ("month", "year")


@pytest.mark.parametrize(
    ("value", "code", "dimension", "whole"),
    [
        (0.1, "km", Dimension.DISTANCE, 100),
        (0.1, "mi", Dimension.DISTANCE, 161),
        (100_000, "mi", Dimension.DISTANCE, 160_934_400),
        (0.1, "L", Dimension.VOLUME, 100),
        (0.1, "qt_us", Dimension.VOLUME, 95),
        (1, "qt_imp", Dimension.VOLUME, 1_137),
        (1.5, "h", Dimension.DURATION, 5_400),
        (0.025, "min", Dimension.DURATION, 2),
        (-0.0005, "km", Dimension.DISTANCE, -1),
        (-0.0004, "km", Dimension.DISTANCE, 0),
        (2, "year", Dimension.CALENDAR, 24),
        (212, "degF", Dimension.TEMPERATURE, 100),
        (-40, "degF", Dimension.TEMPERATURE, -40),
    ],
)
def test_whole_canonical_figures(value: float, code: str, dimension: Dimension, whole: int) -> None:
    """Worked by hand; halves go away from zero."""
    assert to_canonical_whole(value, code, dimension) == whole


def test_figures_that_are_not_rounded() -> None:
    """Torques and temperatures stay as exact as a float is."""
    assert to_canonical(25, "lbf.ft", Dimension.TORQUE) == pytest.approx(33.895448708285, rel=1e-14)
    assert to_canonical(176.0, "degF", Dimension.TEMPERATURE) == 80.0


@pytest.mark.parametrize("convert", [to_canonical, to_canonical_whole])
@pytest.mark.parametrize(
    ("value", "rule"),
    [
        (math.nan, "figure_not_finite"),
        (math.inf, "figure_not_finite"),
        (-math.inf, "figure_not_finite"),
        (1e308, "figure_out_of_range"),
        (-1e308, "figure_out_of_range"),
        (10**400, "figure_out_of_range"),
        (1.000001e12, "figure_out_of_range"),
    ],
)
def test_wild_figures_are_refused(convert: object, value: float, rule: str) -> None:
    """Not a number, infinite, or larger than any figure of the trade: an error and never an overflow."""
    assert callable(convert)
    with pytest.raises(QuantityError) as caught:
        convert(value, "mi", Dimension.DISTANCE)
    (breach,) = caught.value.breaches
    assert (breach.pointer, breach.rule) == ("/value", rule)


def test_the_largest_figure_is_admitted() -> None:
    """And fits the 64 bits of a database integer in every unit."""
    assert to_canonical_whole(LARGEST_FIGURE, "m", Dimension.DISTANCE) == 10**12
    assert max(LARGEST_FIGURE * unit.factor for unit in UNITS.values()) < 2**63


@pytest.mark.parametrize(
    ("code", "rule"),
    [
        ("parsec", "unit_unknown"),
        ("", "unit_unknown"),
        ("KM", "unit_unknown"),
        ("meter**99", "unit_unknown"),
        ("quart", "unit_unknown"),
        ("\ud800", "unit_unknown"),
        ("L", "unit_of_wrong_dimension"),
    ],
)
def test_a_unit_code_is_looked_up_and_never_parsed(code: str, rule: str) -> None:
    """The detail lists the admitted codes and not what the client wrote."""
    with pytest.raises(QuantityError) as caught:
        unit_of(code, Dimension.DISTANCE, pointer="/odometer/unit")
    (breach,) = caught.value.breaches
    assert (breach.pointer, breach.rule) == ("/odometer/unit", rule)
    assert breach.detail == "a distance takes one of these unit codes: m, km, mi"


@pytest.mark.parametrize(
    ("value", "code", "expected"),
    [
        (161, "mi", 0.1),
        (95, "qt_us", 0.1),
        (5_700, "L", 5.7),
        (5_700, "qt_us", 6.02),
        (-4, "km", 0.0),
        (100, "degF", 212.0),
        (-40, "degF", -40.0),
        (34, "lbf.ft", 25.1),
        (24, "year", 2.0),
    ],
)
def test_figures_shown(value: float, code: str, expected: float) -> None:
    """Rounded to the places that the unit is shown with, never negative zero."""
    found = from_canonical(value, code)
    assert found == expected
    assert math.copysign(1, found) == math.copysign(1, expected)


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [(0.5, 0, 1.0), (-0.5, 0, -1.0), (2.675, 2, 2.68), (-0.04, 1, 0.0), (1.0, 3, 1.0)],
)
def test_halves_of_the_decimal_figure_go_away_from_zero(value: float, decimals: int, expected: float) -> None:
    """2.675 is taken as written, though its binary value lies below."""
    assert shown(value, decimals) == expected


def test_columns_equal_single_figures_where_floats_would_not() -> None:
    """Figures of three decimals near 1e9: a product of floats misses a whole unit there."""
    generator = np.random.default_rng(565)
    for code, dimension in (("mi", Dimension.DISTANCE), ("gal_imp", Dimension.VOLUME)):
        values = np.round(generator.uniform(-1e9, 1e9, 2_000), 3)
        expected = [to_canonical_whole(float(value), code, dimension) for value in values]
        assert column_to_canonical(values, code, dimension).tolist() == expected


def test_a_column_with_a_unit_for_each_figure() -> None:
    """Kilometres, miles and metres in one column; none at all in another."""
    found = column_to_canonical(np.array([1.0, 1.0, 1.0, -0.1]), ["km", "mi", "m", "mi"], Dimension.DISTANCE)
    assert found.tolist() == [1_000, 1_609, 1, -161]
    assert column_to_canonical(np.array([]), [], Dimension.DISTANCE).tolist() == []
    assert column_to_canonical(np.array([]), "km", Dimension.DISTANCE).tolist() == []


def test_every_unit_that_comes_in_columns_fits_64_bits() -> None:
    """The widest intermediate figure of the exact conversion, for each unit and the most decimals kept."""
    for dimension, decimals in COLUMN_DECIMALS.items():
        for code in codes(dimension):
            numerator, denominator = UNITS[code].factor.as_integer_ratio()
            scale = 10**decimals
            assert (denominator * scale - 1) * numerator + denominator * scale // 2 < 2**63
            assert Fraction(10**9) * numerator / denominator < 2**63
            assert 10**9 * scale < 2**53


def test_columns_refuse_unknown_units_and_other_dimensions() -> None:
    """One bad code spoils the column; a column of torques is a mistake of the program."""
    with pytest.raises(QuantityError):
        column_to_canonical(np.array([1.0, 2.0]), ["km", "furlong"], Dimension.DISTANCE)
    with pytest.raises(ValueError, match="no columns of torque"):
        column_to_canonical(np.array([1.0]), "lbf.ft", Dimension.TORQUE)
    with pytest.raises(ValueError, match="no columns of volume with 4 decimals"):
        column_to_canonical(np.array([1.0]), "L", Dimension.VOLUME, decimals=4)


def test_a_column_is_shown_as_its_figures_are() -> None:
    """Element by element, without negative zero."""
    metres = np.array([161, 0, -4, 160_934_400])
    found = column_from_canonical(metres, "mi")
    assert found.tolist() == [from_canonical(int(value), "mi") for value in metres]
    assert not np.signbit(found[2])
    assert column_from_canonical(np.array([100.0, -40.0]), "degF").tolist() == [212.0, -40.0]
