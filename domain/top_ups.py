"""Demand between services: top-ups of a level and fills after repairs, as a rate of use.

Top-ups of a vehicle come as a Poisson process along its use, at a rate of its own. Rates of one type's vehicles are
spread as a gamma law, whose mean and shape are matched to what was entered; a vehicle's own entries draw its rate from
there (gamma and Poisson are conjugate). A vehicle without entries has the type's rate, drawn down by the use that it
ran without any. Volumes are those that were entered on the type.

A rising rate is told by an exact test: given how many top-ups there were in all, the number among the last days is
binomial, if the rate did not change.

Invariants: no rate is negative; nothing is forecast where nothing was entered.

Sources: empirical Bayes for Poisson rates: Robbins (1956), and Gelman et al., Bayesian Data Analysis, section 2.6; the
conditional test of two Poisson rates: Przyborowski and Wilenski (1940), Biometrika 31, 313-323. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betainc

from domain.demand_law import Cumulants

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flag = NDArray[np.bool_]

# Bounds of the prior's shape: at the least the type counts as half a top-up, at the most as fifty.
_LEAST_SHAPE, _MOST_SHAPE = 0.5, 50.0

RISING_CHANCE = 0.01
"""A run of top-ups that chance alone brings about less often than this is told as rising."""

LEAST_RECENT = 3
"""Fewer recent top-ups than these are never told as rising."""


@dataclass(frozen=True, slots=True, eq=False)
class Rates:
    """Gamma laws of the rates of n vehicles, in top-ups a unit of use.

    Attributes:
        shape: Shapes, shape (n,).
        use: Rates of the law (the inverse of its scale), shape (n,) [canonical units].
    """

    shape: Real
    use: Real

    def take(self, places: Index) -> Rates:
        """Those of some vehicles."""
        return Rates(self.shape[places], self.use[places])


@dataclass(frozen=True, slots=True)
class Volumes:
    """Moments of the volumes of top-ups.

    Attributes:
        mean: Mean [mL].
        square: Mean of the squares [mL2].
        cube: Mean of the cubes [mL3].
    """

    mean: float
    square: float
    cube: float


def rates_of(counts: Real, use: Real) -> Rates | None:
    """The rates of a type's vehicles; None where there is nothing to learn from.

    Args:
        counts: Top-ups of each vehicle, shape (n,).
        use: What each has run in the time that they were counted over, shape (n,) [canonical units].
    """
    total, run = float(counts.sum()), float(use.sum())
    if total <= 0 or run <= 0:
        return None
    mean = total / run
    # Counts vary by chance alone by their mean; what they vary beyond it is the spread of rates.
    beyond = float(((counts - mean * use) ** 2).sum()) - total
    spread = mean**2 * float((use**2).sum())
    shape = _MOST_SHAPE if beyond <= 0 else min(max(spread / beyond, _LEAST_SHAPE), _MOST_SHAPE)
    return Rates(shape + counts, shape / mean + use)


def volumes_of(volumes: Real) -> Volumes:
    """The moments of volumes that were filled in [mL]."""
    return Volumes(float(volumes.mean()), float((volumes**2).mean()), float((volumes**3).mean()))


def top_up_demand(rates: Rates, volumes: Volumes, use: Real) -> Cumulants:
    """Cumulants of what each vehicle asks for, shape (n, k) [mL].

    Args:
        rates: The vehicles' rates.
        volumes: The volumes.
        use: What each runs on each of its levels over k times, shape (n, levels, k) [canonical units].
    """
    shape, scale = rates.shape[:, None, None], 1.0 / rates.use[:, None, None]
    expected = shape * scale * use  # top-ups on each level
    mean = expected * volumes.mean
    variance = expected * volumes.square + expected**2 / shape * volumes.mean**2
    third = (
        expected * volumes.cube
        + 3.0 * expected**2 / shape * volumes.mean * volumes.square
        + 2.0 * expected**3 / shape**2 * volumes.mean**3
    )
    whole = mean.mean(axis=1)
    apart = mean - whole[:, None, :]
    return Cumulants(
        whole,
        variance.mean(axis=1) + (apart**2).mean(axis=1),
        third.mean(axis=1) + 3.0 * (apart * variance).mean(axis=1) + (apart**3).mean(axis=1),
    )


def rising_chances(recent: Real, before: Real, recent_share: Real) -> Real:
    """The chance that so many or more of the top-ups fall into the recent time, if the rate did not change.

    Args:
        recent: Top-ups in the recent time, shape (n,).
        before: Top-ups in the time before, shape (n,).
        recent_share: The recent time's share of both, within 0 and 1, shape (n,).
    """
    total = recent + before
    # The binomial tail as an incomplete beta function.
    tail = betainc(np.maximum(recent, 1.0), total - recent + 1.0, np.clip(recent_share, 0.0, 1.0))
    found: Real = np.where(recent > 0, tail, 1.0)
    return found


def is_rising(recent: Real, chances: Real) -> Flag:
    """Whether top-ups have become more often than chance explains."""
    found: Flag = (recent >= LEAST_RECENT) & (chances < RISING_CHANCE)
    return found
