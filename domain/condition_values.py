"""The figure in which each measure of a fluid is followed over time, and the limit that it runs towards.

Invariants: a figure is followed only where it means the same on every sample: one titration method, undyed oils,
cleanliness from a basis for a code and as doublings above the limit, viscosity as its change against fresh.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from domain import cleanliness, oil_colour
from domain.condition import Measure, Measures, code_of, viscosity_change

if TYPE_CHECKING:
    from domain.sheet import ConditionLimits

UNITS: dict[Measure, str] = {
    Measure.COLOUR: "ASTM D1500 number",
    Measure.CLEANLINESS: "doublings above the limit of ISO 4406",
    Measure.WATER: "mg/kg",
    Measure.VISCOSITY_40: "share of the fresh viscosity at 40 degC",
    Measure.VISCOSITY_100: "share of the fresh viscosity at 100 degC",
    Measure.ACID_NUMBER: "mg/g of KOH",
    Measure.BASE_NUMBER: "mg/g of KOH",
}
"""What the followed figure is in."""


def followed_value(
    measure: Measure,
    measures: Measures,
    fresh: Measures | None,
    limits: ConditionLimits | None,
    *,
    is_code_basis: bool,
) -> float | None:
    """The figure of a measure on a sample; None where it was not taken or does not compare.

    Args:
        measure: The measure.
        measures: The sample.
        fresh: The fresh fluid, where known.
        limits: The limits of the compartment.
        is_code_basis: Whether the sample is a basis for a cleanliness code.
    """
    if measure is Measure.CLEANLINESS:
        return _cleanliness(measures, limits) if is_code_basis else None
    if measure in _AT_C:
        return viscosity_change(measures, fresh, _AT_C[measure])
    if measure is Measure.COLOUR:
        number = None if measures.colour is None else measures.colour.number
        return None if number is None else oil_colour.darkness(number)
    if measure is Measure.WATER:
        return measures.water_mg_kg
    return _titrated(measure, measures, limits)


def fresh_value(measure: Measure, fresh: Measures, limits: ConditionLimits | None) -> float | None:
    """The figure of a measure on the fresh fluid, where the way begins; None where it is not known."""
    if measure is Measure.CLEANLINESS:
        # New fluid is often dirtier than what a filter keeps.
        return None
    return followed_value(measure, fresh, fresh, limits, is_code_basis=False)


def limit_of(measure: Measure, limits: ConditionLimits, *, is_rising: bool) -> float | None:
    """The limit that a figure runs towards, in the figure's unit; None where none is set on that side.

    Args:
        measure: The measure.
        limits: The limits of the compartment.
        is_rising: Whether the figure rises.
    """
    fall, darkest = limits.viscosity_fall_max_share, limits.colour_darkest
    if measure in _AT_C and not is_rising:
        return None if fall is None else -fall
    if is_rising is (measure is Measure.BASE_NUMBER):
        return None
    return {
        Measure.COLOUR: None if darkest is None else oil_colour.darkness(darkest),
        Measure.CLEANLINESS: 0.0,
        Measure.WATER: limits.water_max_mg_kg,
        Measure.VISCOSITY_40: limits.viscosity_rise_max_share,
        Measure.VISCOSITY_100: limits.viscosity_rise_max_share,
        Measure.ACID_NUMBER: limits.acid_max_mg_g,
        Measure.BASE_NUMBER: limits.base_min_mg_g,
    }[measure]


_AT_C = {Measure.VISCOSITY_40: 40, Measure.VISCOSITY_100: 100}


def _titrated(measure: Measure, measures: Measures, limits: ConditionLimits | None) -> float | None:
    if limits is None:
        return None
    if measure is Measure.ACID_NUMBER:
        acid = measures.acid
        return acid.mg_g if acid is not None and acid.method.value == limits.acid_method else None
    base = measures.base
    return base.mg_g if base is not None and base.method.value == limits.base_method else None


def _cleanliness(measures: Measures, limits: ConditionLimits | None) -> float | None:
    code = code_of(measures)
    if code is None or limits is None or limits.cleanliness_worst is None:
        return None
    limit = cleanliness.parse_code(limits.cleanliness_worst)
    if measures.counts is not None:
        return cleanliness.count_excess(measures.counts, limit)
    return cleanliness.excess(code, limit)
