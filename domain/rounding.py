"""Figures rounded for showing, so that shown parts add up to the shown total.

Invariants: a total is rounded once, by the same rule as a figure that stands alone (halves away from zero);
its parts are rounded down and the missing last places go to the largest remainders, so no part moves by a
whole place; equal remainders are served in the order given. Of a range, the low ends are shared out so, and
then the widths, so a low end never stands above its high end. Everything is computed in whole last places of
the unit, with integers, hence exactly; figures come out with the places that the unit is shown with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from domain.units import UNITS

if TYPE_CHECKING:
    from collections.abc import Sequence


_PER_PIECE = 10_000


@dataclass(frozen=True, slots=True)
class Whole:
    """A figure and the parts that make it up.

    Attributes:
        value: In the canonical unit; where there are parts, their sum is used instead.
        parts: What it is made of; may have parts in turn.
    """

    value: int = 0
    parts: tuple[Whole, ...] = ()


@dataclass(frozen=True, slots=True)
class ShownWhole:
    """A figure as shown, and its parts as shown, which add up to it.

    Attributes:
        value: In the unit asked for, to the places that it is shown with.
        parts: In the order of the parts given.
    """

    value: float
    parts: tuple[ShownWhole, ...]


@dataclass(frozen=True, slots=True)
class ShownGrid:
    """A table of figures as shown.

    Attributes:
        total: The whole.
        totals: The total of each row; they add up to the whole.
        rows: The cells, which add up to their row's total.
    """

    total: float
    totals: list[float]
    rows: list[list[float]]


def shown_parts(values_canonical: Sequence[int], code: str) -> tuple[tuple[float, ...], float]:
    """The parts and their total in the unit asked for; the shown parts add up to the shown total.

    Args:
        values_canonical: The parts in the canonical unit of the unit's dimension, shape (n,).
        code: A listed unit code whose scale starts at zero (no temperature scale).
    """
    shown = shown_nested(Whole(parts=tuple(Whole(value) for value in values_canonical)), code)
    return tuple(part.value for part in shown.parts), shown.value


def shown_nested(whole: Whole, code: str) -> ShownWhole:
    """The figure with all its parts, and theirs, in the unit asked for; at each level the parts add up.

    Args:
        whole: In the canonical unit of the unit's dimension.
        code: A listed unit code whose scale starts at zero (no temperature scale).
    """
    scale = _Scale.of(code)
    summed = _summed(whole)
    return scale.shown(scale.shared_out(summed, scale.nearest(summed.value)))


def shown_grid(rows: Sequence[Sequence[int]], code: str | None) -> ShownGrid:
    """Rows of figures with their totals, shown so that rows add up to the whole and cells to their rows.

    The same rule as ``shown_nested``, for tables.

    Args:
        rows: Figures in the canonical unit of the unit's dimension; counts of pieces in ten-thousandths.
        code: A listed unit code whose scale starts at zero; None: pieces, shown to two places.
    """
    scale = _Scale(1, _PER_PIECE // 100, 100) if code is None else _Scale.of(code)
    sums = [sum(row) for row in rows]
    total = scale.nearest(sum(sums))
    totals = scale.shares(sums, total)
    shown = [
        [places / scale.places_per_unit for places in scale.shares(row, of_row)]
        for row, of_row in zip(rows, totals, strict=True)
    ]
    return ShownGrid(
        total / scale.places_per_unit, [places / scale.places_per_unit for places in totals], shown
    )


def shown_range(low: Whole, high: Whole, code: str) -> tuple[ShownWhole, ShownWhole]:
    """Both ends of a range with all parts, in the unit asked for; at each level the parts add up.

    Both totals are rounded as if they stood alone; the high end of a part may be off by up to two places.

    Args:
        low: Low ends in the canonical unit of the unit's dimension.
        high: High ends, in the same shape; no part below that of ``low``.
        code: A listed unit code whose scale starts at zero (no temperature scale).
    """
    if low == high:
        both = shown_nested(low, code)
        return both, both
    scale = _Scale.of(code)
    lows, highs = _summed(low), _summed(high)
    widths = _combined(highs, lows, sign=-1)
    low_places = scale.shared_out(lows, scale.nearest(lows.value))
    # Two rounded figures differ by their exact difference rounded down or up, so it can be shared out too.
    width_places = scale.shared_out(widths, scale.nearest(highs.value) - low_places.value)
    return scale.shown(low_places), scale.shown(_combined(low_places, width_places, sign=1))


@dataclass(frozen=True, slots=True)
class _Scale:
    # A canonical figure v is v x multiplier / divisor last places, places_per_unit of which make one unit.
    multiplier: int
    divisor: int
    places_per_unit: int

    @classmethod
    def of(cls, code: str) -> _Scale:
        unit = UNITS[code]
        places_per_unit = 10**unit.decimals
        return cls(unit.factor.denominator * places_per_unit, unit.factor.numerator, places_per_unit)

    def nearest(self, value: int) -> int:
        rounded = (2 * abs(value) * self.multiplier + self.divisor) // (2 * self.divisor)
        return rounded if value >= 0 else -rounded

    def shares(self, values: Sequence[int], places: int) -> list[int]:
        """Last places of each of some figures, which make up so many."""
        if places == 0 and not any(values):
            return [0] * len(values)
        # ``places`` is the whole's exact figure rounded down or up, so the missing places never outnumber the
        # parts that have a remainder.
        floors, remainders = [], []
        for value in values:
            floor, remainder = divmod(value * self.multiplier, self.divisor)
            floors.append(floor)
            remainders.append(remainder)
        missing = places - sum(floors)
        # sorted() is stable: equal remainders stay in the order given.
        for index in sorted(range(len(floors)), key=lambda i: -remainders[i])[:missing]:
            floors[index] += 1
        return floors

    def shared_out(self, whole: Whole, places: int) -> Whole:
        floors = self.shares([part.value for part in whole.parts], places)
        parts = zip(whole.parts, floors, strict=True)
        return Whole(places, tuple(self.shared_out(part, floor) for part, floor in parts))

    def shown(self, places: Whole) -> ShownWhole:
        return ShownWhole(
            places.value / self.places_per_unit, tuple(self.shown(part) for part in places.parts)
        )


def _summed(whole: Whole) -> Whole:
    if not whole.parts:
        return whole
    parts = tuple(_summed(part) for part in whole.parts)
    return Whole(sum(part.value for part in parts), parts)


def _combined(one: Whole, other: Whole, *, sign: int) -> Whole:
    parts = zip(one.parts, other.parts, strict=True)
    return Whole(one.value + sign * other.value, tuple(_combined(a, b, sign=sign) for a, b in parts))
