"""The trend of a measure over a vehicle's history, and where it will cross its limit.

A change of fluid sets a measure back, so slopes are taken between samples of the same fill only, and pooled over
the fills: the median of all such slopes, with the interval that their ranks give. A single
outlier among several samples leaves it in place.

Invariants: with one fill it is the slope of Theil and Sen; the interval never excludes the slope; the line runs
through the current fill, not through the history.

Sources: Sen 1968 (interval by ranks), Hirsch, Slack and Smith 1982 (pooling over blocks), both from memory; tests
hold one fill against SciPy.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist, median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CONFIDENCE = 0.95

FURTHEST = 1e12
"""A crossing further off than this, in the unit of the axis, is none."""


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """A measure on one sample.

    Attributes:
        fill: Which fill of fluid it belongs to, counted up from 0.
        used: Use of that fill by then, in the unit of the axis.
        value: The measure.
    """

    fill: int
    used: float
    value: float


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope with its interval, in units of the measure for one unit of the axis.

    Attributes:
        slope: The median slope.
        low: Lower end of the interval.
        high: Upper end.
        pairs: From how many pairs of samples.
        is_interval_full: Whether there are pairs enough for an interval of 95 %; else it is their whole range.
    """

    slope: float
    low: float
    high: float
    pairs: int
    is_interval_full: bool


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where the line of the current fill meets a limit, in use of that fill [unit of the axis].

    Attributes:
        likely: At the slope.
        early: At the steeper end of the interval.
        late: At the flatter end; None where that end never gets there.
    """

    likely: float
    early: float
    late: float | None


def pooled_slope(points: Sequence[TrendPoint], *, confidence: float = CONFIDENCE) -> Slope | None:
    """The slope common to the fills; None without two samples of one fill at different use.

    Args:
        points: The samples.
        confidence: Of the interval.
    """
    slopes: list[float] = []
    variance = 0.0
    for fill in _by_fill(points).values():
        steps = [
            (later.value - earlier.value) / (later.used - earlier.used)
            for earlier, later in combinations(fill, 2)
            if later.used != earlier.used
        ]
        slopes += steps
        variance += _variance(fill)
    if not slopes:
        return None
    slopes.sort()
    count = len(slopes)
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * math.sqrt(variance)
    low, high = round((count - reach) / 2) - 1, round((count + reach) / 2)
    is_full = low >= 0 and high < count
    return Slope(median(slopes), slopes[max(low, 0)], slopes[min(high, count - 1)], count, is_full)


def crossing(points: Sequence[TrendPoint], slope: Slope, limit: float) -> Crossing | None:
    """Where the current fill, the one counted last, will meet a limit; None where its slope leads away from it.

    Args:
        points: The samples.
        slope: Their slope.
        limit: The limit.
    """
    current = max(points, key=lambda point: point.fill).fill
    fill = [point for point in points if point.fill == current]
    used = max(point.used for point in fill)
    level = median(point.value - slope.slope * (point.used - used) for point in fill)
    gap = limit - level
    if gap == 0 or slope.slope == 0 or (gap > 0) is not (slope.slope > 0):
        return None
    steep, flat = (slope.high, slope.low) if gap > 0 else (slope.low, slope.high)
    if not _is_within(gap, slope.slope):
        return None
    return Crossing(
        likely=used + gap / slope.slope,
        early=used + gap / steep,
        late=used + gap / flat if (flat > 0) is (gap > 0) and _is_within(gap, flat) else None,
    )


def _is_within(gap: float, slope: float) -> bool:
    # Compared without dividing, which overflows for a slope that is all but level.
    return abs(gap) <= abs(slope) * FURTHEST


def _by_fill(points: Iterable[TrendPoint]) -> dict[int, list[TrendPoint]]:
    fills: dict[int, list[TrendPoint]] = defaultdict(list)
    for point in sorted(points, key=lambda each: (each.fill, each.used)):
        fills[point.fill].append(point)
    return fills


def _variance(fill: Sequence[TrendPoint]) -> float:
    """Variance of Kendall's sum over one fill, corrected for ties in use and in value."""

    def term(count: int) -> float:
        return count * (count - 1) * (2 * count + 5)

    ties = [*_counts(point.used for point in fill), *_counts(point.value for point in fill)]
    return (term(len(fill)) - sum(map(term, ties))) / 18


def _counts(values: Iterable[float]) -> list[int]:
    counted: dict[float, int] = defaultdict(int)
    for value in values:
        counted[value] += 1
    return list(counted.values())
