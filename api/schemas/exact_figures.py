"""Stored figures as decimal text that brings each of them back exactly when it is sent in again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.schemas.quantities import unit_code
from domain.units import UNITS

if TYPE_CHECKING:
    from api.schemas.quantities import UnitSystem
    from domain.units import Dimension


def exact_figure(canonical: int, dimension: Dimension, system: UnitSystem) -> tuple[str, str]:
    """The figure in a system's unit with the fewest places that bring it back exactly, and the unit code.

    Args:
        canonical: Whole canonical units.
        dimension: What it measures: something stored in whole canonical units.
        system: Units of the answer.
    """
    code = unit_code(system, dimension)
    unit = UNITS[code]
    per_unit, parts = unit.factor.numerator, unit.factor.denominator
    size, decimals = abs(canonical), unit.decimals
    while True:
        scale = 10**decimals
        shown = (2 * size * parts * scale + per_unit) // (2 * per_unit)
        back = (2 * shown * per_unit + parts * scale) // (2 * parts * scale)
        if back == size:
            whole, rest = divmod(shown, scale)
            digits = f"{whole}.{rest:0{decimals}d}" if decimals else str(whole)
            return ("-" if canonical < 0 else "") + digits, code
        decimals += 1
