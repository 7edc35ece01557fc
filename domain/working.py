"""The working of a computation, step by step, and the notices that go with its answer.

Invariants: every figure of a step is in the canonical unit of its dimension, so that a caller can show it in
any unit of that dimension; a figure that no listed unit measures says what it is (``Plain``) and is shown as
it stands. A step repeats the figures that went into it, so that each one can be checked by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from domain.units import Dimension

ARITHMETIC = "exact arithmetic"
COMMON_PRACTICE = "common practice, no source"
FROM_MEMORY = "from memory"
NO_LIMIT = "any figures that the request admits"


class Plain(StrEnum):
    """What a figure is that takes no unit code."""

    SHARE = "share"
    COUNT = "count"
    FACTOR = "factor"
    MINOR_MONEY = "minor_money"
    MINOR_MONEY_PER_LITRE = "minor_money_per_litre"
    KELVIN_DIFFERENCE = "kelvin_difference"
    ML_PER_MM = "ml_per_mm"
    MM_PER_KELVIN = "mm_per_kelvin"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure that entered a step.

    Attributes:
        symbol: Its symbol in the step's formula.
        value: In the canonical unit of its dimension.
        unit_dimension: What it measures.
    """

    symbol: str
    value: float
    unit_dimension: Dimension | Plain


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a computation.

    Attributes:
        name: Short stable code of what comes out, such as ``old_share``.
        formula: The formula in the symbols of ``values``.
        values: The figures that entered.
        result: What came out, in the canonical unit of its dimension.
        unit_dimension: What the result measures.
        source: Where the formula or the constants stand.
        valid_range: For which figures the formula holds.
    """

    name: str
    formula: str
    values: tuple[Figure, ...]
    result: float
    unit_dimension: Dimension | Plain
    source: str = ARITHMETIC
    valid_range: str = NO_LIMIT


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that the reader of an answer has to know beside its figures.

    Attributes:
        code: Short stable code.
        detail: One or two sentences for a person.
        source: Where that is known from.
    """

    code: str
    detail: str
    source: str = COMMON_PRACTICE


def volume(symbol: str, value: float) -> Figure:
    """A volume [mL]."""
    return Figure(symbol, value, Dimension.VOLUME)


def temperature(symbol: str, value: float) -> Figure:
    """A temperature [degC]."""
    return Figure(symbol, value, Dimension.TEMPERATURE)


def density(symbol: str, value: float) -> Figure:
    """A density [kg/m3]."""
    return Figure(symbol, value, Dimension.DENSITY)


def share(symbol: str, value: float) -> Figure:
    """A share of a whole."""
    return Figure(symbol, value, Plain.SHARE)


def count(symbol: str, value: int) -> Figure:
    """A number of things."""
    return Figure(symbol, value, Plain.COUNT)


def factor(symbol: str, value: float) -> Figure:
    """A multiplier."""
    return Figure(symbol, value, Plain.FACTOR)
