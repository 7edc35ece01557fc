"""The law of a meter's use over any horizon, in columns: one row a meter, everything read from the same law.

Use over a horizon is a matched gamma variable, so it is never negative, and the chance to have passed a figure
is a regularised incomplete gamma function (first passage of a rising process). Shape and scale are kept at a
few horizons (``nodes_days``) and run linearly between them; both never fall along the horizon, hence

Invariants: the chance to have passed a figure never falls with time and never rises with the figure; every
quantile of use never falls with time; the day by which a figure is passed with chance one half is the day on
which the median of use reaches it. Quantiles, chances, dates and paths therefore agree with each other.

Days count from the last reading, and figures from what it showed. A row without any law (no reading, nothing
known) has a scale of zero: it stands still.

Sources: van Noortwijk, "A survey of the application of gamma processes in maintenance", Reliability Engineering
& System Safety 94 (2009) 2-21: the chance of first passage. Gamma variables rise stochastically with shape and
with scale: common knowledge of that family, no source needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaincc, gammainccinv, gammaincinv

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

NODES_DAYS: tuple[float, ...] = (1.0, 7.0, 30.0, 61.0, 91.0, 183.0, 274.0, 365.0, 548.0, 731.0, 1096.0)
"""Horizons at which a law is kept [d]: closer where spread changes fast, up to three years."""

LEAST_SHAPE = 1e-3
"""Shapes below it are all the same thing: as good as never, then much at once."""

LONGEST_DAYS = 73_000.0
"""Beyond so many days from the last reading a figure is not passed at all [d]: about two hundred years."""

# Less than a millionth of a canonical unit is no use [canonical units].
_LEAST_USE = 1e-6
# Halvings of a stretch between two nodes: to within a hundredth of a second of a year.
_HALVINGS = 32


@dataclass(frozen=True, slots=True, eq=False)
class UseLaw:
    """The laws of n meters.

    Everywhere ``days`` and the other figures may be a number, a row of k (the same for every meter) or an array of
    n by k, and answers are n by k. A figure a meter is given as a column: ``remaining[:, None]``.

    Attributes:
        shape: Shape at each node, never falling along it, shape (n, nodes).
        scale: Scale at each node, never falling along it, shape (n, nodes) [canonical units].
        nodes_days: The nodes, rising [d].
    """

    shape: Real
    scale: Real
    nodes_days: tuple[float, ...] = NODES_DAYS

    def __len__(self) -> int:
        """How many meters."""
        return len(self.shape)

    def take(self, rows: ArrayLike) -> UseLaw:
        """The laws of some meters, in the order asked for, any of them more than once."""
        at = np.asarray(rows, dtype=np.int64)
        return UseLaw(self.shape[at], self.scale[at], self.nodes_days)

    def gamma(self, days: ArrayLike) -> tuple[Real, Real]:
        """Shape and scale [canonical units] of use over horizons [d], after every correction."""
        asked = np.clip(np.atleast_2d(np.asarray(days, dtype=np.float64)), 0.0, LONGEST_DAYS)
        nodes = np.asarray(self.nodes_days)
        # Before the first node shape grows from nothing at one scale; past the last, scale goes on growing.
        place = np.clip(np.searchsorted(nodes, asked, side="right"), 1, len(nodes) - 1)
        start, end = nodes[place - 1], nodes[place]
        part = np.clip((asked - start) / (end - start), 0.0, 1.0)
        shape = _between(self.shape, place, part)
        scale = _between(self.scale, place, part)
        shape = shape * np.minimum(asked / nodes[0], 1.0)
        scale = scale * np.maximum(asked / nodes[-1], 1.0)
        return np.maximum(shape, LEAST_SHAPE * np.minimum(asked, 1.0)), scale

    def mean(self, days: ArrayLike) -> Real:
        """Expected use over horizons [canonical units]."""
        shape, scale = self.gamma(days)
        return shape * scale

    def deviation(self, days: ArrayLike) -> Real:
        """Standard deviation of use over horizons [canonical units]."""
        shape, scale = self.gamma(days)
        return np.sqrt(shape) * scale

    def quantile(self, share: ArrayLike, days: ArrayLike) -> Real:
        """Use that is not exceeded over horizons with a given chance [canonical units].

        Args:
            share: The chance, within 0 and 1.
            days: The horizons [d].
        """
        shape, scale = self.gamma(days)
        wanted = np.asarray(share, dtype=np.float64)
        return np.where(shape > 0, gammaincinv(np.where(shape > 0, shape, 1.0), wanted) * scale, 0.0)

    def path(self, shares: ArrayLike, days: ArrayLike) -> NDArray[np.float64]:
        """Use over each horizon if the meter runs at a level throughout: n by levels by horizons [canonical units].

        Levels are shares of meters like this one that run less. Every path rises, and levels never cross.

        Args:
            shares: The levels, within 0 and 1, shape (levels,).
            days: The horizons [d], shape (k,) or (n, k).
        """
        shape, scale = self.gamma(days)
        levels = np.asarray(shares, dtype=np.float64)[None, :, None]
        wide = np.broadcast_to(
            np.where(shape > 0, shape, 1.0)[:, None, :], (len(shape), levels.size, shape.shape[1])
        )
        return np.where(shape[:, None, :] > 0, gammaincinv(wide, levels) * scale[:, None, :], 0.0)

    def chance_past(self, remaining: ArrayLike, days: ArrayLike) -> Real:
        """The chance to have run what remains within horizons; 1 where nothing remains.

        Args:
            remaining: What is left to run from the last reading [canonical units].
            days: The horizons [d].
        """
        return _chance(np.atleast_2d(np.asarray(remaining, dtype=np.float64)), *self.gamma(days))

    def day_of_passing(self, remaining: ArrayLike, share: ArrayLike = 0.5) -> Real:
        """The horizon by which what remains has been run with a given chance [d]; inf beyond ``LONGEST_DAYS``.

        Args:
            remaining: What is left to run from the last reading [canonical units]; 0 or less: passed at 0.
            share: The chance, above 0 and below 1: 0.05 gives the early day, 0.5 the likely, 0.95 the late one.
        """
        left, wanted = np.broadcast_arrays(
            np.atleast_2d(np.asarray(remaining, dtype=np.float64)), np.asarray(share, dtype=np.float64)
        )
        left, wanted = (np.broadcast_to(a, (len(self), left.shape[1])) for a in (left, wanted))
        nodes = np.asarray(self.nodes_days)
        at_nodes = _chance(left[:, :, None], self.shape[:, None, :], self.scale[:, None, :])
        passed = np.where(at_nodes >= wanted[:, :, None], np.arange(len(nodes)), len(nodes)).min(axis=2)
        within = self._within(left, wanted, np.minimum(passed, len(nodes) - 1))
        # Past the last node scale alone grows, in proportion to time.
        shape, scale = self.shape[:, -1:], self.scale[:, -1:]
        reach = gammainccinv(shape, wanted) * scale / nodes[-1]
        beyond = np.where(reach > 0, left / np.where(reach > 0, reach, 1.0), np.inf)
        days = np.where(passed < len(nodes), within, np.where(beyond <= LONGEST_DAYS, beyond, np.inf))
        return np.where(left <= 0, 0.0, days)

    def _within(self, left: Real, wanted: Real, passed: NDArray[np.int64]) -> Real:
        """The horizon between the node that has passed and the one before it."""
        nodes = np.asarray(self.nodes_days)
        before = np.maximum(passed - 1, 0)
        is_first = passed == 0
        # Before the first node shape grows from nothing at one scale.
        start = np.where(is_first, 0.0, nodes[before])
        shape, scale = (np.take_along_axis(values, passed, axis=1) for values in (self.shape, self.scale))
        shape_before = np.where(is_first, 0.0, np.take_along_axis(self.shape, before, axis=1))
        scale_before = np.where(is_first, scale, np.take_along_axis(self.scale, before, axis=1))
        low, high = np.zeros(left.shape), np.ones(left.shape)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            chance = _chance(
                left,
                shape_before + (shape - shape_before) * middle,
                scale_before + (scale - scale_before) * middle,
            )
            has_passed = chance >= wanted
            high = np.where(has_passed, middle, high)
            low = np.where(has_passed, low, middle)
        return start + (nodes[passed] - start) * high


def law_of(mean: Real, variance: Real, nodes_days: tuple[float, ...] = NODES_DAYS) -> UseLaw:
    """The laws whose use over the nodes has, as nearly as the invariants allow, given means and variances.

    Means are kept as they are, but for one that falls along the horizon. Where spread would grow slower than use or
    faster than its square, it is widened: the law of an earlier horizon is then less sure than it was, never more.

    Args:
        mean: Expected use at each node, shape (n, nodes) [canonical units].
        variance: Variance at each node, shape (n, nodes) [canonical units squared].
        nodes_days: The nodes [d].
    """
    expected = np.maximum.accumulate(np.maximum(mean, 0.0), axis=1)
    is_known = expected > _LEAST_USE
    least = np.where(is_known, expected, 1.0)
    scale = np.where(is_known, np.maximum(variance, 0.0) / least, 0.0)
    scale = np.maximum.accumulate(scale, axis=1)
    # A law without spread is a gamma law too narrow to matter: one part in a million of use.
    scale = np.maximum(scale, expected * 1e-12)
    shape = np.where(is_known, expected / np.where(scale > 0, scale, 1.0), np.inf)
    shape = np.minimum.accumulate(shape[:, ::-1], axis=1)[:, ::-1]
    shape = np.where(np.isfinite(shape), shape, LEAST_SHAPE)
    shape = np.maximum(shape, LEAST_SHAPE)
    return UseLaw(shape, np.where(is_known, expected / shape, 0.0), nodes_days)


def _between(values: Real, place: NDArray[np.int64], part: Real) -> Real:
    """Values of each row between its nodes, linearly."""
    if len(place) == 1:
        before, after = values[:, place[0] - 1], values[:, place[0]]
    else:
        before = np.take_along_axis(values, place - 1, axis=1)
        after = np.take_along_axis(values, place, axis=1)
    return before + (after - before) * part


def _chance(remaining: Real, shape: Real, scale: Real) -> Real:
    is_moving = (scale > 0) & (shape > 0) & (remaining > 0)
    figure = np.where(is_moving, remaining, 0.0) / np.where(is_moving, scale, 1.0)
    chance = np.where(is_moving, gammaincc(np.where(is_moving, shape, 1.0), figure), 0.0)
    return np.where(remaining <= 0, 1.0, chance)
