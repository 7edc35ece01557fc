"""Use at many levels at once: quantiles of gamma laws for whole fleets, fast.

A level is the share of meters like this one that run less. A vehicle is looked at on a few evenly spaced levels;
their places are shifted a little from vehicle to vehicle, so that over a fleet every level is met.

Invariant: a figure is that of the inverse incomplete gamma function to within three parts in ten thousand of mean use
(for shapes below a tenth, of meters that mostly stand still, two in a hundred).

Sources: Wilson and Hilferty (1931), Proceedings of the National Academy of Sciences 17(12), 684-688: the cube root
of a gamma variable is nearly normal, so it is what is looked up between the places of the table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaincinv, ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

COUNTS = (8, 16, 32, 64, 128, 256)
"""How many levels a vehicle can be looked at on."""

# Shapes of the table, evenly spaced in their logarithm; above the last the cube root is normal to ten places.
_LEAST, _MOST, _PLACES = math.log(1e-4), math.log(1e5), 640
_LEVELS = 128
_GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """So many evenly spaced levels a vehicle, in sets that lie between each other.

    Attributes:
        shares: The levels, within 0 and 1, shape (sets, count).
    """

    shares: Real
    _roots: Real
    _normals: Real

    @property
    def count(self) -> int:
        """Levels a vehicle."""
        return int(self.shares.shape[1])

    def sets_of(self, vehicles: Index) -> Index:
        """The set of each vehicle, by its key; neighbours have sets far from each other."""
        # Parts of the golden section: evenly spread along every regular choice of keys too.
        found: Index = (vehicles * _GOLDEN % 1.0 * self.shares.shape[0]).astype(np.int64)
        return found

    def use(self, shape: Real, scale: Real, sets: Index) -> Real:
        """Use at the levels of each vehicle, shape (n, levels, k) [canonical units].

        Args:
            shape: Shape of the law of each of n vehicles over k horizons; 0: no use.
            scale: Scale of the same [canonical units].
            sets: The set of each vehicle.
        """
        logs = np.log(np.maximum(shape, 1e-300))
        at = np.clip((logs - _LEAST) * ((_PLACES - 1) / (_MOST - _LEAST)), 0.0, _PLACES - 1.0)
        place = np.minimum(at.astype(np.int64), _PLACES - 2)
        part = (at - place)[:, None, :]
        # Where the line of a level begins in the table, and from there the place of the shape.
        line = (sets[:, None] * self.count + np.arange(self.count)) * _PLACES
        flat = line[:, :, None] + place[:, None, :]
        low = self._roots.take(flat)
        root = low + (self._roots.take(flat + 1) - low) * part
        is_wide = logs > _MOST
        if is_wide.any():
            spread = 1.0 / np.maximum(shape, 1.0)[:, None, :]
            normal = 1.0 - spread / 9.0 + self._normals[sets][:, :, None] * np.sqrt(spread) / 3.0
            root = np.where(is_wide[:, None, :], normal, root)
        mean: Real = (shape * scale)[:, None, :]
        return root**3 * mean


@lru_cache(maxsize=len(COUNTS))
def levels(count: int) -> Levels:
    """So many levels a vehicle.

    Args:
        count: One of ``COUNTS``.
    """
    sets = max(1, _LEVELS // count)
    # Set s has the middles of strips, moved by its part of a strip: together they are the middles of finer strips.
    shift = (np.arange(sets) + 0.5) / sets
    shares = (np.arange(count)[None, :] + shift[:, None]) / count
    shapes = np.exp(np.linspace(_LEAST, _MOST, _PLACES))
    roots = np.cbrt(gammaincinv(shapes[None, None, :], shares[:, :, None]) / shapes)
    return Levels(shares, np.ascontiguousarray(roots), ndtri(shares))


def count_for(rows: int, *, most: int) -> int:
    """How many levels so many rows are looked at on.

    Args:
        rows: Rows of work.
        most: Rows times levels that are wished for at most; the fewest levels are taken in any case.
    """
    fitting = [count for count in COUNTS if count * rows <= most]
    return fitting[-1] if fitting else COUNTS[0]
