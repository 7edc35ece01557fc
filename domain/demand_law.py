"""Laws of demand: of one vehicle's, mixed over the levels of its use, and of many vehicles' together.

Vehicles run independently of each other. Few of them together are convolved exactly on a lattice, by the discrete
Fourier transform; of many the first three cumulants add up, and a gamma law moved to its place has them (Pearson's
third type), rounded to whole steps of what can be asked for.

Invariants: no quantile lies below zero or falls with its share; expected values add up, quantiles don't.

Sources: cumulants of independent variables add up, and a transform of a sum is the product of transforms: common
knowledge. Pearson's third type: Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions, volume 1,
chapter 17 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammainc, gammaincinv, ndtr, ndtri

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

LATTICE = 256
"""Points of the lattice that few vehicles are convolved on."""

# Rounding of a sum of chances, not chance.
_SLACK = 1e-9
_MOST_POINTS = 4_096
# A law less skew than this is normal.
_LEAST_SKEW = 1e-4
# Spread below this part of the mean is rounding.
_LEAST_SPREAD = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class DemandLaw:
    """The law of a demand that comes in whole steps.

    Attributes:
        step: The step [mL, pieces or s].
        probabilities: Chance that the demand is 0, 1, 2 ... steps; they sum to 1.
    """

    step: float
    probabilities: Real

    @property
    def mean(self) -> float:
        """Expected demand [mL, pieces or s]."""
        return float(self.step * (self.probabilities @ np.arange(len(self.probabilities))))

    @property
    def variance(self) -> float:
        """Variance of demand [squared]."""
        steps = np.arange(len(self.probabilities))
        first = self.probabilities @ steps
        return float(self.step**2 * (self.probabilities @ (steps - first) ** 2))

    def quantile(self, share: float) -> float:
        """Least demand that is not exceeded with a given chance [mL, pieces or s]."""
        reached = np.cumsum(self.probabilities) >= share - _SLACK
        return float(self.step * int(np.argmax(reached))) if reached.any() else self.largest

    def chance_above(self, figure: float) -> float:
        """Chance that the demand exceeds a figure [mL, pieces or s]."""
        steps = np.arange(len(self.probabilities)) * self.step
        return float(self.probabilities[steps > figure + _SLACK * self.step].sum())

    def moved(self, by: float) -> DemandLaw:
        """The law of demand that asks for so much more, for certain [mL, pieces or s]."""
        steps = by / self.step
        below = int(np.floor(steps + _SLACK))
        part = steps - below if steps - below > 1e-6 else 0.0  # noqa: PLR2004 - a whole step, but for rounding
        chances = np.zeros(len(self.probabilities) + below + 1)
        chances[below:-1] = self.probabilities * (1.0 - part)
        chances[below + 1 :] += self.probabilities * part
        return DemandLaw(self.step, chances if part else chances[:-1])

    @property
    def largest(self) -> float:
        """Most that can be asked for [mL, pieces or s]."""
        return self.step * (len(self.probabilities) - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Cumulants:
    """The first three cumulants of sums, one entry a sum.

    Attributes:
        mean: Expected values.
        variance: Variances.
        third: Third central moments.
    """

    mean: Real
    variance: Real
    third: Real

    def take(self, places: Index) -> Cumulants:
        """Those of some sums."""
        return Cumulants(self.mean[places], self.variance[places], self.third[places])


def quantiles(sums: Cumulants, step: Real, shares: Sequence[float]) -> Real:
    """Quantiles of sums of many, in whole steps; shape (sums, shares).

    Args:
        sums: Their cumulants.
        step: What each comes in whole multiples of; 0: any figure.
        shares: Shares wished for, each above 0 and below 1.
    """
    wanted = np.asarray(shares, dtype=np.float64)[None, :]
    mean = sums.mean[:, None]
    deviation = np.sqrt(np.maximum(sums.variance, 0.0))[:, None]
    deviation = np.where(deviation <= _LEAST_SPREAD * np.abs(mean), 0.0, deviation)
    skew = _skew(sums, deviation[:, 0])[:, None]
    is_skew = np.abs(skew) > _LEAST_SKEW
    held = np.where(is_skew, skew, 1.0)
    shape = 4.0 / held**2
    # A law that leans to the left is the mirror image of one that leans to the right.
    mirrored = np.where(held > 0, wanted, 1.0 - wanted)
    standard = (gammaincinv(shape, mirrored) - shape) / np.sqrt(shape) * np.sign(held)
    found = mean + deviation * np.where(is_skew, standard, ndtri(wanted))
    wide = step[:, None]
    has_step = wide > 0
    whole = np.where(has_step, wide, 1.0)
    # A continuous law stands for whole steps from half a step below to half a step above each.
    stepped = np.where(has_step, np.ceil(found / whole - 0.5 - _SLACK) * whole, found)
    result: Real = np.maximum(np.where(deviation > 0, stepped, mean), 0.0)
    return result


def lattice_law(sums: Cumulants, place: int, step: float) -> DemandLaw:
    """The law of one sum of many, in whole steps.

    Args:
        sums: Cumulants of sums.
        place: Which of them.
        step: What it comes in whole multiples of.
    """
    mean, variance = float(sums.mean[place]), float(max(sums.variance[place], 0.0))
    deviation = variance**0.5
    if deviation <= _LEAST_SPREAD * abs(mean) or mean <= 0:
        return _certain(mean, step * max(1.0, np.ceil(mean / (step * _MOST_POINTS))))
    # A large depot's law comes in as many steps at once as keep its lattice small.
    step *= max(1.0, np.ceil((mean + 12.0 * deviation) / (step * _MOST_POINTS)))
    most = int(np.ceil((mean + 12.0 * deviation) / step)) + 2
    edges = (np.arange(most) + 0.5) * step
    skew = float(_skew(sums, np.sqrt(np.maximum(sums.variance, 0.0)))[place])
    normed = (edges - mean) / deviation
    if abs(skew) <= _LEAST_SKEW:
        reached = ndtr(normed)
    else:
        shape = 4.0 / skew**2
        figure = np.maximum(shape + np.sign(skew) * normed * shape**0.5, 0.0)
        below = gammainc(shape, figure)
        reached = below if skew > 0 else 1.0 - below
    chances = np.diff(np.concatenate([[0.0], reached[:-1], [1.0]]))
    return DemandLaw(step, np.maximum(chances, 0.0))


def transformed(figures: Real, steps: Real, *, points: int = LATTICE) -> NDArray[np.complex128]:
    """The transforms of laws on a lattice, each of a figure that is equally likely to be any of its levels.

    The transform of a sum of independent figures is the product of theirs.

    Args:
        figures: What each row asks for on each of its levels, shape (rows, levels).
        steps: The lattice step of each row; the most that its sum can ask for lies within ``points`` steps.
        points: Points of the lattice.
    """
    rows, levels = figures.shape
    scaled = figures / steps[:, None]
    below = np.floor(scaled + _SLACK)
    above_part = np.clip(scaled - below, 0.0, 1.0)
    above_part[above_part < 1e-6] = 0.0  # noqa: PLR2004 - a whole step, but for rounding
    at = below.astype(np.int64) + (np.arange(rows) * points)[:, None]
    chances = np.bincount(at.ravel(), weights=(1.0 - above_part).ravel() / levels, minlength=rows * points)
    if above_part.any():
        # Between two points the chance is shared, so that the mean stays.
        chances = chances + np.bincount(
            np.minimum(at + 1, rows * points - 1).ravel(),
            weights=above_part.ravel() / levels,
            minlength=rows * points,
        )
    return np.fft.rfft(chances.reshape(rows, points), axis=1)


def untransformed(products: NDArray[np.complex128], *, points: int = LATTICE) -> Real:
    """The laws of transforms, shape (laws, points)."""
    laws: Real = np.fft.irfft(products, n=points, axis=1)
    np.maximum(laws, 0.0, out=laws)
    laws /= laws.sum(axis=1, keepdims=True)
    return laws


def law_quantiles(laws: Real, steps: Real, shares: Sequence[float]) -> Real:
    """Quantiles of laws on their lattices; shape (laws, shares).

    Args:
        laws: Chances of 0, 1, 2 ... steps, shape (laws, points).
        steps: The step of each.
        shares: Shares wished for.
    """
    reached = np.cumsum(laws, axis=1)
    found = np.empty((len(laws), len(shares)))
    for column, share in enumerate(shares):
        found[:, column] = np.argmax(reached >= share - _SLACK, axis=1) * steps
    return found


def lattice_steps(most: Real, grain: Real, *, points: int = LATTICE) -> Real:
    """The lattice step of sums: the grain that they come in where that fits, else as many grains as must be.

    Args:
        most: Most that each can ask for.
        grain: What each comes in whole multiples of, above 0.
        points: Points of the lattice.
    """
    found: Real = grain * np.maximum(1.0, np.ceil(most / (grain * (points - 2)) - _SLACK))
    return found


def _skew(sums: Cumulants, deviation: Real) -> Real:
    is_spread = deviation > 0
    held = np.where(is_spread, deviation, 1.0)
    skew = np.where(is_spread, sums.third / held**3, 0.0)
    # Beyond it the gamma law's shape would leave the range of figures.
    found: Real = np.clip(skew, -60.0, 60.0)
    return found


def _certain(figure: float, step: float) -> DemandLaw:
    steps = max(figure, 0.0) / step
    below = int(np.floor(steps + _SLACK))
    part = max(0.0, steps - below)
    chances = np.zeros(below + 2)
    chances[below], chances[below + 1] = 1.0 - part, part
    return DemandLaw(step, chances)
