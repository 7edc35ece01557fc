"""The one unit registry, and the closed list of unit codes that clients may write.

Invariants: client text is only ever looked up in ``UNITS``, never parsed; every factor comes from Pint once,
at import, as an exact rational; columns are converted in whole numbers, without a rounding error. Inside the
service a distance is whole metres, a duration whole seconds and a volume whole millilitres (``CANONICAL``),
so that each figure of 0.1 km, 0.1 mi, 0.1 L or 0.1 qt comes back exactly when it is shown to
``UNITS[code].decimals`` places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import pint

from domain.errors import Breach, QuantityError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

# No figure of this trade is larger; beyond it a column would overflow its integers.
LARGEST_FIGURE = 1e12

# The registry holds the units that the service knows, from their exact legal definitions, and no others: reading Pint's
# whole file of thousands of units would cost every start more than all else that is imported. A test holds each factor
# against Pint's own registry.
_DEFINITIONS = (
    "milli- = 1e-3 = m-",
    "centi- = 1e-2 = c-",
    "kilo- = 1e3 = k-",
    "meter = [length] = m",
    "second = [time] = s",
    "gram = [mass] = g",
    "minute = 60 * second",
    "hour = 60 * minute",
    "liter = 1000 * centimeter ** 3",
    "inch = 25.4 * millimeter",
    "foot = 12 * inch",
    "mile = 5280 * foot",
    "gallon = 231 * inch ** 3",
    "quart = gallon / 4",
    "pint = gallon / 8",
    "fluid_ounce = gallon / 128",
    "imperial_gallon = 4.54609 * liter",
    "imperial_quart = imperial_gallon / 4",
    "imperial_pint = imperial_gallon / 8",
    "imperial_fluid_ounce = imperial_gallon / 160",
    "pound = 0.45359237 * kilogram",
    "newton = kilogram * meter / second ** 2",
    "pascal = newton / meter ** 2",
    "bar = 100000 * pascal",
    "standard_gravity = 9.80665 * meter / second ** 2",
    "force_pound = pound * standard_gravity",
    "force_kilogram = kilogram * standard_gravity",
)


def _registry() -> pint.UnitRegistry[Any]:
    made: pint.UnitRegistry[Any] = pint.UnitRegistry(None, non_int_type=Fraction, cache_folder=None)
    for definition in _DEFINITIONS:
        made.define(definition)
    return made


registry: pint.UnitRegistry[Any] = _registry()


class Dimension(StrEnum):
    """What a unit measures."""

    DISTANCE = "distance"
    DURATION = "duration"
    CALENDAR = "calendar"
    VOLUME = "volume"
    TEMPERATURE = "temperature"
    TORQUE = "torque"
    LENGTH = "length"
    MASS = "mass"
    DENSITY = "density"
    PRESSURE = "pressure"
    DISTANCE_PER_DURATION = "distance_per_duration"


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit code that clients may write.

    Attributes:
        code: The code in requests and answers.
        dimension: What it measures.
        factor: Canonical units in one of this unit, exact; for temperatures, kelvins in one degree.
        offset: Canonical figure at zero of this unit; other than 0 for temperature scales only.
        decimals: Places shown in answers.
        name: Name in words, for documentation.
    """

    code: str
    dimension: Dimension
    factor: Fraction
    offset: Fraction
    decimals: int
    name: str


# code, Pint's name, dimension, decimals shown, name in words
_LISTED: tuple[tuple[str, str, Dimension, int, str], ...] = (
    ("m", "meter", Dimension.DISTANCE, 0, "metre"),
    ("km", "kilometer", Dimension.DISTANCE, 1, "kilometre"),
    ("mi", "mile", Dimension.DISTANCE, 1, "international mile, 1609.344 m"),
    ("s", "second", Dimension.DURATION, 0, "second"),
    ("min", "minute", Dimension.DURATION, 1, "minute"),
    ("h", "hour", Dimension.DURATION, 2, "hour"),
    ("mL", "milliliter", Dimension.VOLUME, 0, "millilitre"),
    ("L", "liter", Dimension.VOLUME, 3, "litre"),
    ("fl_oz_us", "fluid_ounce", Dimension.VOLUME, 1, "US fluid ounce, 1/128 US gallon"),
    ("pt_us", "pint", Dimension.VOLUME, 2, "US liquid pint, 1/8 US gallon"),
    ("qt_us", "quart", Dimension.VOLUME, 2, "US liquid quart, 1/4 US gallon"),
    ("gal_us", "gallon", Dimension.VOLUME, 2, "US liquid gallon, 3.785411784 L"),
    ("fl_oz_imp", "imperial_fluid_ounce", Dimension.VOLUME, 1, "imperial fluid ounce, 1/160 imperial gallon"),
    ("pt_imp", "imperial_pint", Dimension.VOLUME, 2, "imperial pint, 1/8 imperial gallon"),
    ("qt_imp", "imperial_quart", Dimension.VOLUME, 2, "imperial quart, 1/4 imperial gallon"),
    ("gal_imp", "imperial_gallon", Dimension.VOLUME, 2, "imperial gallon, 4.54609 L"),
    ("degC", "degree_Celsius", Dimension.TEMPERATURE, 1, "degree Celsius"),
    ("degF", "degree_Fahrenheit", Dimension.TEMPERATURE, 1, "degree Fahrenheit"),
    ("N.m", "newton * meter", Dimension.TORQUE, 1, "newton metre"),
    ("lbf.ft", "force_pound * foot", Dimension.TORQUE, 1, "pound-force foot"),
    ("lbf.in", "force_pound * inch", Dimension.TORQUE, 0, "pound-force inch"),
    ("kgf.m", "force_kilogram * meter", Dimension.TORQUE, 2, "kilogram-force metre"),
    ("mm", "millimeter", Dimension.LENGTH, 1, "millimetre"),
    ("in", "inch", Dimension.LENGTH, 3, "inch"),
    ("g", "gram", Dimension.MASS, 0, "gram"),
    ("kg", "kilogram", Dimension.MASS, 3, "kilogram"),
    ("lb", "pound", Dimension.MASS, 2, "avoirdupois pound"),
    ("kg/m3", "kilogram / meter ** 3", Dimension.DENSITY, 1, "kilogram per cubic metre"),
    ("g/mL", "gram / milliliter", Dimension.DENSITY, 4, "gram per millilitre"),
    ("kPa", "kilopascal", Dimension.PRESSURE, 1, "kilopascal"),
    ("bar", "bar", Dimension.PRESSURE, 2, "bar"),
    ("psi", "force_pound / inch ** 2", Dimension.PRESSURE, 1, "pound-force per square inch"),
    ("km/h", "kilometer / hour", Dimension.DISTANCE_PER_DURATION, 1, "kilometre per hour"),
    ("mi/h", "mile / hour", Dimension.DISTANCE_PER_DURATION, 1, "mile per hour"),
)

_CANONICAL_PINT = {
    Dimension.DISTANCE: "meter",
    Dimension.DURATION: "second",
    Dimension.VOLUME: "milliliter",
    Dimension.TORQUE: "newton * meter",
    Dimension.LENGTH: "millimeter",
    Dimension.MASS: "gram",
    Dimension.DENSITY: "kilogram / meter ** 3",
    Dimension.PRESSURE: "kilopascal",
    Dimension.DISTANCE_PER_DURATION: "meter / hour",
}

# Temperatures are degrees Celsius inside; an offset scale is no factor, so it is stated from its definition.
_TEMPERATURE = {
    "degC": (Fraction(1), Fraction(0)),
    "degF": (Fraction(5, 9), Fraction(-160, 9)),
}

CANONICAL: dict[Dimension, str] = {
    Dimension.DISTANCE: "m",
    Dimension.DURATION: "s",
    Dimension.CALENDAR: "month",
    Dimension.VOLUME: "mL",
    Dimension.TEMPERATURE: "degC",
    Dimension.TORQUE: "N.m",
    Dimension.LENGTH: "mm",
    Dimension.MASS: "g",
    Dimension.DENSITY: "kg/m3",
    Dimension.PRESSURE: "kPa",
    Dimension.DISTANCE_PER_DURATION: "m/h",
}


def _from_registry() -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    for code, pint_name, dimension, decimals, name in _LISTED:
        if dimension is Dimension.TEMPERATURE:
            factor, offset = _TEMPERATURE[code]
        else:
            one = registry.Quantity(Fraction(1), pint_name).to(_CANONICAL_PINT[dimension])
            factor, offset = Fraction(one.magnitude), Fraction(0)
        units[code] = Unit(code, dimension, factor, offset, decimals, name)
    # Months are counted on the calendar, never as a mean length: domain.calendar does the arithmetic.
    for code, months, name in (("month", 1, "calendar month"), ("year", 12, "calendar year, 12 months")):
        units[code] = Unit(code, Dimension.CALENDAR, Fraction(months), Fraction(0), 0, name)
    return units


UNITS: dict[str, Unit] = _from_registry()
# Numerator and denominator of the factor, and last places shown in one unit: a Fraction gives them slowly.
_WHOLE_TERMS = {
    code: (unit.factor.numerator, unit.factor.denominator, 10**unit.decimals) for code, unit in UNITS.items()
}

# What comes in columns: readings and volumes. Torque and pressure factors have too many digits for 64 bits.
COLUMN_DECIMALS: dict[Dimension, int] = {
    Dimension.DISTANCE: 6,
    Dimension.DURATION: 6,
    Dimension.CALENDAR: 6,
    Dimension.VOLUME: 3,
}
"""Decimals that columns of a dimension can keep, with every unit's exact factor in 64 bits."""


def codes(dimension: Dimension) -> tuple[str, ...]:
    """The unit codes of one dimension, in the order listed."""
    return tuple(code for code, unit in UNITS.items() if unit.dimension is dimension)


def unit_of(code: str, dimension: Dimension, *, pointer: str = "/unit") -> Unit:
    """The listed unit of that code and dimension.

    Raises:
        QuantityError: The code is not listed (``unit_unknown``) or measures something else
            (``unit_of_wrong_dimension``).
    """
    unit = UNITS.get(code)
    if unit is None or unit.dimension is not dimension:
        rule = "unit_unknown" if unit is None else "unit_of_wrong_dimension"
        allowed = ", ".join(codes(dimension))
        raise QuantityError(Breach(pointer, rule, f"a {dimension} takes one of these unit codes: {allowed}"))
    return unit


def to_canonical(value: float, code: str, dimension: Dimension) -> float:
    """The figure in the dimension's canonical unit, not rounded.

    Args:
        value: Figure as given [code].
        code: A listed unit code.
        dimension: What the figure must measure.

    Raises:
        QuantityError: Unknown or wrong unit, or a figure that is not finite or beyond ``LARGEST_FIGURE``.
    """
    unit = unit_of(code, dimension)
    _check_figure(value)
    return float(Fraction(value) * unit.factor + unit.offset)


def to_canonical_whole(value: float, code: str, dimension: Dimension) -> int:
    """The figure in whole canonical units, halves away from zero.

    The decimal figure as written is converted exactly (0.1 means one tenth), then rounded once.

    Raises:
        QuantityError: Unknown or wrong unit, or a figure that is not finite or beyond ``LARGEST_FIGURE``.
    """
    unit = unit_of(code, dimension)
    _check_figure(value)
    if unit.offset:
        return _whole(
            Fraction(repr(value) if isinstance(value, float) else value) * unit.factor + unit.offset
        )
    # Every figure of a request passes here: the same sum in whole numbers, without fractions.
    given, parts = Decimal(repr(value)).as_integer_ratio() if isinstance(value, float) else (value, 1)
    numerator, denominator, _ = _WHOLE_TERMS[code]
    parts *= denominator
    rounded = (2 * abs(given) * numerator + parts) // (2 * parts)
    return rounded if given >= 0 else -rounded


def _check_figure(value: float) -> None:
    # Written so that NaN fails; an integer of any size is compared exactly.
    if abs(value) <= LARGEST_FIGURE:
        return
    if isinstance(value, int) or math.isfinite(value):
        detail = f"the figure must lie between -{LARGEST_FIGURE:g} and {LARGEST_FIGURE:g}"
        raise QuantityError(Breach("/value", "figure_out_of_range", detail))
    raise QuantityError(Breach("/value", "figure_not_finite", "the figure must be a finite number"))


def _whole(exact: Fraction) -> int:
    rounded = (2 * abs(exact.numerator) + exact.denominator) // (2 * exact.denominator)
    return rounded if exact >= 0 else -rounded


def from_canonical(value: float, code: str) -> float:
    """The canonical figure in the unit asked for, rounded to the places that the unit is shown with.

    Args:
        value: Figure in the canonical unit of the unit's dimension.
        code: A listed unit code.
    """
    unit = UNITS[code]
    if type(value) is int and not unit.offset:
        # Whole canonical figures, nearly all of them, need no fraction: the same rounding in integers.
        numerator, denominator, places = _WHOLE_TERMS[code]
        whole = (2 * abs(value) * denominator * places + numerator) // (2 * numerator)
        return (whole if value >= 0 else -whole) / places if whole else 0.0
    return shown(float((Fraction(value) - unit.offset) / unit.factor), unit.decimals)


def shown(value: float, decimals: int) -> float:
    """A figure rounded for showing: halves away from zero, never negative zero."""
    scale = 10**decimals
    whole = _whole(Fraction(repr(float(value))) * scale)
    return whole / scale if whole else 0.0


def column_to_canonical(
    values: NDArray[np.float64], unit_codes: Iterable[str] | str, dimension: Dimension, *, decimals: int = 3
) -> NDArray[np.int64]:
    """A column of figures in whole canonical units.

    Equals ``to_canonical_whole`` element by element for figures of at most ``decimals`` decimals up to 1e9;
    further decimals are rounded away first.

    Args:
        values: Figures as given, shape (n,), finite, up to 1e9 either side of zero.
        unit_codes: One code for all, or one a figure, shape (n,).
        dimension: What the figures must measure: distance, duration, calendar or volume.
        decimals: Decimals that count: at most ``COLUMN_DECIMALS`` of the dimension.

    Raises:
        QuantityError: Unknown or wrong unit.
        ValueError: Another dimension, or too many decimals.
    """
    if decimals > COLUMN_DECIMALS.get(dimension, -1):
        msg = f"no columns of {dimension.value} with {decimals} decimals: 64 bits are too short for exact factors"
        raise ValueError(msg)
    given = [unit_codes] if isinstance(unit_codes, str) else list(unit_codes)
    places = {code: place for place, code in enumerate(dict.fromkeys(given))}
    ratios = [unit_of(code, dimension).factor.as_integer_ratio() for code in places]
    terms = np.array(ratios, dtype=np.int64).reshape(-1, 2)[[places[code] for code in given]]
    scale = 10**decimals
    numerators, denominators = terms[:, 0], terms[:, 1] * scale
    parts = np.rint(values * float(scale)).astype(np.int64)
    # Exact in 64 bits: a remainder is below its denominator, and denominator times numerator below 2^63.
    quotients, remainders = np.divmod(np.abs(parts), denominators)
    rest = (remainders * numerators + denominators // 2) // denominators
    whole: NDArray[np.int64] = np.sign(parts) * (quotients * numerators + rest)
    return whole


def column_from_canonical(values: NDArray[Any], code: str) -> NDArray[np.float64]:
    """A column of canonical figures in the unit asked for, rounded to the places it is shown with.

    Args:
        values: Figures in the canonical unit, shape (n,).
        code: A listed unit code.
    """
    unit = UNITS[code]
    column: NDArray[np.float64] = np.round(
        (values.astype(np.float64) - float(unit.offset)) / float(unit.factor), unit.decimals
    )
    return column + 0.0
