"""Units against their exact definitions and against printed conversion factors."""

from __future__ import annotations

from fractions import Fraction

import pint
import pytest

from domain import units
from domain.units import UNITS, Dimension, from_canonical, to_canonical

# International yard and pound agreement of 1959: 1 in = 0.0254 m, 1 lb = 0.45359237 kg, exact; standard
# gravity 9.80665 m/s2 (3rd CGPM, 1901), exact; US gallon 231 cubic inches; imperial gallon 4.54609 L (UK
# Units of Measurement Regulations 1995).
INCH_MM = Fraction("25.4")
POUND_G = Fraction("453.59237")
GRAVITY = Fraction("9.80665")
US_GALLON_ML = 231 * INCH_MM**3 / 1000
IMPERIAL_GALLON_ML = Fraction("4546.09")
FOOT_M = 12 * INCH_MM / 1000
POUND_FORCE_N = POUND_G / 1000 * GRAVITY


@pytest.mark.parametrize(
    ("code", "factor"),
    [
        ("m", 1),
        ("km", 1000),
        ("mi", 5280 * FOOT_M),
        ("s", 1),
        ("min", 60),
        ("h", 3600),
        ("mL", 1),
        ("L", 1000),
        ("gal_us", US_GALLON_ML),
        ("qt_us", US_GALLON_ML / 4),
        ("pt_us", US_GALLON_ML / 8),
        ("fl_oz_us", US_GALLON_ML / 128),
        ("gal_imp", IMPERIAL_GALLON_ML),
        ("qt_imp", IMPERIAL_GALLON_ML / 4),
        ("pt_imp", IMPERIAL_GALLON_ML / 8),
        ("fl_oz_imp", IMPERIAL_GALLON_ML / 160),
        ("degC", 1),
        ("degF", Fraction(5, 9)),
        ("N.m", 1),
        ("lbf.ft", POUND_FORCE_N * FOOT_M),
        ("lbf.in", POUND_FORCE_N * INCH_MM / 1000),
        ("kgf.m", GRAVITY),
        ("mm", 1),
        ("in", INCH_MM),
        ("g", 1),
        ("kg", 1000),
        ("lb", POUND_G),
        ("kg/m3", 1),
        ("g/mL", 1000),
        ("kPa", 1),
        ("bar", 100),
        ("psi", POUND_FORCE_N / (INCH_MM / 1000) ** 2 / 1000),
        ("km/h", 1000),
        ("mi/h", 5280 * FOOT_M),
        ("month", 1),
        ("year", 12),
    ],
)
def test_factors_equal_the_exact_definitions(code: str, factor: Fraction) -> None:
    """As exact rationals, without any rounding."""
    assert UNITS[code].factor == factor


def test_every_unit_is_checked_against_a_definition() -> None:
    """No unit comes in without a line in the list above."""
    (marker,) = (
        mark
        for mark in test_factors_equal_the_exact_definitions.pytestmark  # type: ignore[attr-defined]
        if mark.name == "parametrize"
    )
    assert {code for code, _ in marker.args[1]} == set(UNITS)


@pytest.mark.parametrize(
    ("code", "printed"),
    [
        # Exact decimals of the definitions, in the canonical unit.
        ("gal_us", 3785.411784),
        ("qt_us", 946.352946),
        ("pt_us", 473.176473),
        ("fl_oz_us", 29.5735295625),
        ("gal_imp", 4546.09),
        ("qt_imp", 1136.5225),
        ("fl_oz_imp", 28.4130625),
        ("mi", 1609.344),
        ("lbf.ft", 1.3558179483314004),
        ("kgf.m", 9.80665),
        # Rounded in print.
        ("lbf.in", 0.1129848290276167),
        ("psi", 6.894757293168361),
    ],
)
def test_factors_equal_the_decimals_in_print(code: str, printed: float) -> None:
    """To the last digit of a float."""
    assert float(UNITS[code].factor) == pytest.approx(printed, rel=2e-16)


@pytest.mark.parametrize(
    ("code", "printed"),
    [
        # NIST Special Publication 811 (2008), appendix B, seven digits: from memory.
        ("gal_us", 3785.412),
        ("qt_us", 946.3529),
        ("lbf.ft", 1.355818),
        ("psi", 6.894757),
        ("mi", 1609.344),
        ("gal_imp", 4546.09),
    ],
)
def test_factors_agree_with_seven_printed_digits(code: str, printed: float) -> None:
    """Within half of the seventh digit."""
    assert float(UNITS[code].factor) == pytest.approx(printed, rel=1e-7)


def test_us_and_imperial_quarts_are_a_fifth_apart() -> None:
    """1.1365225 / 0.946352946 = 1.2009499 by the exact definitions."""
    assert float(UNITS["qt_imp"].factor / UNITS["qt_us"].factor) == pytest.approx(1.2009499, abs=5e-8)


def test_bar_in_pounds_per_square_inch() -> None:
    """1 bar is 14.503773773020923 psi by the exact definitions, rounded to a float."""
    assert float(UNITS["bar"].factor / UNITS["psi"].factor) == pytest.approx(14.503773773020923, rel=2e-16)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(-40, -40), (32, 0), (122, 50), (176, 80), (212, 100)])
def test_fahrenheit_scale(fahrenheit: float, celsius: float) -> None:
    """(F - 32) x 5/9, the definition of the scale; a reading, never a difference."""
    assert to_canonical(fahrenheit, "degF", Dimension.TEMPERATURE) == celsius
    assert from_canonical(celsius, "degF") == fahrenheit


def test_factors_equal_those_of_the_general_library() -> None:
    """Each factor from our few definitions equals that of Pint's own registry of thousands of units, exactly."""
    whole: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    for code, name, dimension, _, _ in units._LISTED:
        if dimension is not Dimension.TEMPERATURE:
            one = whole.Quantity(Fraction(1), name).to(units._CANONICAL_PINT[dimension])
            assert UNITS[code].factor == Fraction(one.magnitude), code
