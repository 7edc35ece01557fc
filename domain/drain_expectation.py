"""What a drain of one compartment is expected to take out, learned from earlier drains on the same type.

A spec sheet gives a range, or practice does; earlier jobs say where in it the type lies. Both are weighed: the
sheet counts as a few drains, so that it leads at first and gives way as jobs come in. Short drains, overfilled
and watered compartments stand among the earlier drains too, so centre and spread are found by estimators that
a small share of them does not move.

Invariants: an expectation has a spread above zero; a drain outside it is a finding and never refused.

Sources: M-estimate of location with Huber's weights, started from median and median absolute deviation
(P. J. Huber, Robust Statistics); weighing by pseudo-observations is Bayes' rule for a normal mean, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

PRIOR_DRAINS = 4.0
"""So many drains the sheet counts as; a convention of ours."""

SOUND_DEVIATIONS = 2.1
"""A drain within so many standard deviations is sound: of normal drains 3.6 % lie outside, of drains off by
four standard deviations 97 %."""

LEAST_SPREAD_SHARE = 0.01
"""No measuring jug reads better than so much of its volume; common practice, no source."""

USUAL_SPREAD_SHARE = 0.05
"""The spread of a drain of which only one volume is known; common practice, no source."""

MOST_REMEMBERED = 200
"""The newest drains of a type and compartment that an expectation is learned from."""

_RANGE_IN_DEVIATIONS = 2 * 1.645  # a sheet's range is taken as the middle nine tenths of normal drains
_MAD_TO_DEVIATION = 1.482602218505602  # 1 / the third quartile of the standard normal law
_CLIP = 1.5
_ROUNDS = 30


class DrainVerdict(StrEnum):
    """How a drain compares with what was expected."""

    AS_EXPECTED = "as_expected"
    LESS = "less_than_expected"
    MORE = "more_than_expected"


@dataclass(frozen=True, slots=True)
class DrainExpectation:
    """What a drain is expected to take out.

    Attributes:
        mean_ml: Expected volume [mL].
        spread_ml: Standard deviation of a single drain about it [mL].
        drains: Earlier drains that it was learned from.
    """

    mean_ml: float
    spread_ml: float
    drains: int = 0

    def deviations(self, drained_ml: float) -> float:
        """How many standard deviations a drain lies above the expected volume; below it, negative."""
        return (drained_ml - self.mean_ml) / self.spread_ml

    def verdict(self, drained_ml: float) -> DrainVerdict:
        """How a drain compares with the expectation."""
        off = self.deviations(drained_ml)
        if abs(off) <= SOUND_DEVIATIONS:
            return DrainVerdict.AS_EXPECTED
        return DrainVerdict.LESS if off < 0 else DrainVerdict.MORE


def prior_of_range(low_ml: float, high_ml: float) -> DrainExpectation:
    """The expectation of a type on which nothing was drained yet.

    Args:
        low_ml: Least that the sheet, or practice, expects [mL].
        high_ml: Most that it expects [mL]; the same where it gives one volume.
    """
    mean_ml = (low_ml + high_ml) / 2
    usual_ml = (
        USUAL_SPREAD_SHARE * mean_ml if low_ml == high_ml else (high_ml - low_ml) / _RANGE_IN_DEVIATIONS
    )
    return DrainExpectation(mean_ml, max(usual_ml, LEAST_SPREAD_SHARE * mean_ml, 1.0))


def learned(prior: DrainExpectation, earlier_ml: Sequence[int]) -> DrainExpectation:
    """The expectation after earlier drains.

    Args:
        prior: What the sheet expects.
        earlier_ml: Drains of the same compartment on vehicles of the type [mL].
    """
    drains = len(earlier_ml)
    if not drains:
        return prior
    centre_ml, spread_ml = _robust(np.asarray(earlier_ml, dtype=float), prior.spread_ml)
    weight = drains + PRIOR_DRAINS
    mean_ml = (PRIOR_DRAINS * prior.mean_ml + drains * centre_ml) / weight
    variance = (PRIOR_DRAINS * prior.spread_ml**2 + drains * spread_ml**2) / weight
    # The mean is itself known only as well as so many drains tell it.
    spread_ml = math.sqrt(variance * (1 + 1 / weight))
    return DrainExpectation(mean_ml, max(spread_ml, LEAST_SPREAD_SHARE * mean_ml, 1.0), drains)


def _robust(drained_ml: NDArray[np.float64], usual_ml: float) -> tuple[float, float]:
    """Centre and standard deviation of drains, some of which may be wrong by any amount."""
    centre = float(np.median(drained_ml))
    if len(drained_ml) < 3:  # noqa: PLR2004 - of two drains neither tells which one is wrong
        return centre, usual_ml
    spread = max(_MAD_TO_DEVIATION * float(np.median(np.abs(drained_ml - centre))), 1e-3 * abs(centre), 0.5)
    for _ in range(_ROUNDS):
        reach = _CLIP * spread
        clipped = np.clip(drained_ml, centre - reach, centre + reach)
        moved = float(clipped.mean())
        narrowed = max(math.sqrt(float(np.mean((clipped - moved) ** 2)) / _clipped_variance()), 0.5)
        is_still = abs(moved - centre) + abs(narrowed - spread) < 1e-3 * narrowed
        centre, spread = moved, narrowed
        if is_still:
            break
    return centre, spread


@cache
def _clipped_variance() -> float:
    """Variance of a standard normal variable clipped at ``_CLIP``."""
    density = math.exp(-_CLIP * _CLIP / 2) / math.sqrt(2 * math.pi)
    inside = math.erf(_CLIP / math.sqrt(2))
    return inside - 2 * _CLIP * density + _CLIP * _CLIP * (1 - inside)
