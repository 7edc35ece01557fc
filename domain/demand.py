"""Demand over the periods of a time ahead: what occasions of services take, summed over vehicles and depots.

What a vehicle takes of an item in a period is a figure on each level of its use: its services share its use. Mixed
over the levels that is the vehicle's law; vehicles run independently, so the laws of depots follow
(``domain.demand_law``): exact where few vehicles take an item, by cumulants where many do.

Invariant: expected values are exact sums over levels, whatever law the quantiles are read from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.demand_law import (
    Cumulants,
    DemandLaw,
    lattice_law,
    lattice_steps,
    law_quantiles,
    quantiles,
    transformed,
    untransformed,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from domain.occasions import Occasions

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flag = NDArray[np.bool_]

FEW = 96
"""Rules of a depot that take an item: up to so many the law is convolved exactly."""

# Rows of lattices transformed at once: some tens of megabytes.
_ROWS_AT_ONCE = 8_192


@dataclass(frozen=True, slots=True, eq=False)
class Amounts:
    """What an occasion of each service takes of items.

    Attributes:
        item: Items, filled up with -1, shape (services, j).
        amount: How much of each, whole, shape (services, j) [mL, pieces or s].
        grain: What an item comes in whole multiples of, shape (items,).
    """

    item: Index
    amount: Real
    grain: Real


def amounts_of(taken: Sequence[Sequence[tuple[int, int]]], items: int) -> Amounts:
    """What each service takes, in columns.

    Args:
        taken: For each service (item, amount above 0) of what it takes.
        items: How many items there are.
    """
    widest = max((len(one) for one in taken), default=0)
    item = np.full((len(taken), max(widest, 1)), -1, np.int64)
    amount = np.zeros((len(taken), max(widest, 1)))
    grain = np.zeros(items, np.int64)
    for place, one in enumerate(taken):
        for column, (which, much) in enumerate(one):
            item[place, column] = which
            amount[place, column] = much
            grain[which] = np.gcd(grain[which], much)
    return Amounts(item, amount, np.maximum(grain, 1).astype(np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """Demand for items, a depot and a period.

    The last depot stands for all of them, the last period for the whole time.

    Attributes:
        mean: Expected demand, shape (depots + 1, items, periods + 1).
        quantiles: Quantiles, shape (depots + 1, items, periods + 1, shares).
        visits: Expected occasions of each service, shape (depots + 1, services, periods + 1).
    """

    mean: Real
    quantiles: Real
    visits: Real


class Tally:
    """Adds up what blocks of vehicles take."""

    def __init__(self, amounts: Amounts, *, depots: int, periods: int, levels: int, is_few: Flag) -> None:
        """Begin with nothing.

        Args:
            amounts: What services take.
            depots: How many depots.
            periods: How many periods.
            levels: Levels of each vehicle.
            is_few: Whether an item is taken by few rules of a depot, shape (depots + 1, items).
        """
        self.amounts, self.is_few = amounts, is_few
        self.depots, self.periods, self.levels = depots, periods, levels
        self.items, self.services = len(amounts.grain), len(amounts.item)
        cells = depots * self.items * (periods + 1)
        self._moments = np.zeros((3, cells))
        self._visits = np.zeros(depots * self.services * periods)
        self._certain = np.zeros(cells)
        self._rows: list[tuple[Index, Real]] = []

    def add(self, depot: Index, vehicle: Index, service: Index, found: Occasions) -> None:
        """Add the occasions of a block.

        Args:
            depot: Depot of each vehicle of the block.
            vehicle: Vehicle of each rule of the block.
            service: Service of each rule of the block.
            found: The occasions.
        """
        if not len(found.rule):
            return
        at_vehicle, at_service = vehicle[found.rule], service[found.rule]
        where = (depot[at_vehicle] * self.services + at_service) * self.periods + found.period
        self._visits += np.bincount(where, minlength=len(self._visits)) / self.levels
        self._add_amounts(depot, at_vehicle, at_service, found)

    def demand(self, shares: Sequence[float]) -> Demand:
        """The demand, with quantiles at these shares."""
        shape = (self.depots, self.items, self.periods + 1)
        moments = self._all_moments()
        sums = Cumulants(*(part.ravel() for part in moments))
        steps = np.broadcast_to(self.amounts.grain[None, :, None], moments.shape[1:]).ravel()
        certain = self._all_certain()
        found = np.repeat(certain[:, None], len(shares), axis=1)
        is_many = np.repeat(~self.is_few, self.periods + 1).astype(np.bool_)
        many = np.flatnonzero(is_many & (sums.mean > 0))
        found[many] = quantiles(sums.take(many), steps[many], shares)
        for cells, laws, steps_of in self._exact():
            found[cells] = law_quantiles(laws, steps_of, shares) + certain[cells, None]
        visits = self._visits.reshape(self.depots, self.services, self.periods)
        visits = np.concatenate([visits, visits.sum(axis=2, keepdims=True)], axis=2)
        visits = np.concatenate([visits, visits.sum(axis=0, keepdims=True)], axis=0)
        wide = (shape[0] + 1, *shape[1:])
        return Demand(moments[0], found.reshape(*wide, len(shares)), visits)

    def laws(self, depot: int) -> dict[int, list[DemandLaw]]:
        """The laws of a depot: for each item that it may take, one law a period, the last over the whole time."""
        moments = self._all_moments()
        wide = moments.shape[1:]
        sums = Cumulants(*(part.ravel() for part in moments))
        certain = self._all_certain()
        exact: dict[int, DemandLaw] = {}
        for cells, laws, steps in self._exact():
            for cell, chances, step in zip(cells.tolist(), laws, steps.tolist(), strict=True):
                exact[cell] = DemandLaw(step, _trimmed(chances)).moved(float(certain[cell]))
        found: dict[int, list[DemandLaw]] = {}
        for item in range(self.items):
            if moments[0, depot, item, -1] <= 0:
                continue
            places = [int(np.ravel_multi_index((depot, item, p), wide)) for p in range(wide[2])]
            grain = float(self.amounts.grain[item])
            found[item] = [exact.get(cell) or lattice_law(sums, cell, grain) for cell in places]
        return found

    def _all_moments(self) -> Real:
        moments = self._moments.reshape(3, self.depots, self.items, self.periods + 1)
        return np.concatenate([moments, moments.sum(axis=1, keepdims=True)], axis=1)

    def _all_certain(self) -> Real:
        certain = self._certain.reshape(self.depots, self.items * (self.periods + 1))
        found: Real = np.concatenate([certain, certain.sum(axis=0, keepdims=True)]).ravel()
        return found

    def _add_amounts(self, depot: Index, at_vehicle: Index, at_service: Index, found: Occasions) -> None:
        amounts = self.amounts
        # Items of this block alone, so that few cells stay empty.
        local = np.full(self.items + 1, -1, np.int64)
        used = np.unique(amounts.item[np.unique(at_service)])
        used = used[used >= 0]
        if not len(used):
            return
        local[used] = np.arange(len(used))
        keys, levels, weights = [], [], []
        for column in range(amounts.item.shape[1]):
            item = amounts.item[at_service, column]
            has_item = np.flatnonzero(item >= 0)
            if not len(has_item):
                continue
            cell = at_vehicle[has_item] * len(used) + local[item[has_item]]
            keys.append(cell * self.periods + found.period[has_item])
            levels.append(found.level[has_item])
            weights.append(amounts.amount[at_service[has_item], column])
        key, level, weight = (np.concatenate(one) for one in (keys, levels, weights))
        is_taken = np.zeros(len(depot) * len(used) * self.periods, np.bool_)
        is_taken[key] = True
        place = np.cumsum(is_taken) - 1
        taken = np.flatnonzero(is_taken)
        figures: Real = (
            np.bincount(place[key] * self.levels + level, weights=weight, minlength=len(taken) * self.levels)
            .astype(np.float64, copy=False)
            .reshape(len(taken), self.levels)
        )
        pair: Index = taken // self.periods
        period: Index = taken % self.periods
        starts = _starts(pair)
        self._add_figures(depot, used, pair, period, figures)
        whole = np.add.reduceat(figures, starts, axis=0)
        self._add_figures(depot, used, pair[starts], np.full(len(starts), self.periods, np.int64), whole)

    def _add_figures(self, depot: Index, used: Index, pair: Index, period: Index, figures: Real) -> None:
        vehicle, item = np.divmod(pair, len(used))
        at_depot, at_item = depot[vehicle], used[item]
        cell = (at_depot * self.items + at_item) * (self.periods + 1) + period
        mean = figures.mean(axis=1)
        apart = figures - mean[:, None]
        square = apart * apart
        for row, moment in enumerate((mean, square.mean(axis=1), (square * apart).mean(axis=1))):
            self._moments[row] += np.bincount(cell, weights=moment, minlength=self._moments.shape[1])
        # What is the same on every level only moves the law of the rest.
        is_certain = square.max(axis=1, initial=0.0) == 0.0
        self._certain += np.bincount(cell[is_certain], weights=mean[is_certain], minlength=len(self._certain))
        is_kept = self.is_few[at_depot, at_item] & ~is_certain
        if is_kept.any():
            self._rows.append((cell[is_kept], figures[is_kept]))

    def _exact(self) -> Iterator[tuple[Index, Real, Real]]:
        """(cells, laws, lattice steps) of the sums of few, without what is certain in them."""
        if not self._rows:
            return
        cell = np.concatenate([one for one, _ in self._rows])
        figures = np.concatenate([one for _, one in self._rows])
        width = self.items * (self.periods + 1)
        # The depots of an item and period stand together.
        order = np.lexsort((cell // width, cell % width))
        cell, figures = cell[order], figures[order]
        at = cell % width
        starts = _starts(at)
        begin = 0
        while begin < len(starts):
            # Whole items and periods at once, as many as fit.
            end = int(np.searchsorted(starts, starts[begin] + _ROWS_AT_ONCE, side="right"))
            end = max(end - 1, begin + 1) if end < len(starts) else end
            rows = slice(int(starts[begin]), int(starts[end]) if end < len(starts) else len(cell))
            yield from self._exact_part(cell[rows], at[rows], figures[rows])
            begin = end

    def _exact_part(self, cell: Index, at: Index, figures: Real) -> Iterator[tuple[Index, Real, Real]]:
        of_all, place = np.unique(at, return_inverse=True)
        item = of_all // (self.periods + 1)
        most = np.bincount(place, weights=figures.max(axis=1)).astype(np.float64)
        is_few = self.is_few[self.depots, item]
        of_depots = _starts(cell)
        most_of_one = np.zeros(len(of_all))
        np.maximum.at(most_of_one, place[of_depots], np.add.reduceat(figures.max(axis=1), of_depots))
        # One lattice for the depots of an item and for all of them, where all are few.
        steps = lattice_steps(np.where(is_few, most, most_of_one), self.amounts.grain[item])
        transforms = transformed(figures, steps[place])
        products = np.multiply.reduceat(transforms, of_depots, axis=0)
        yield cell[of_depots], untransformed(products), steps[place[of_depots]]
        again = np.flatnonzero(is_few[place[of_depots]])
        if len(again):
            group = place[of_depots][again]
            whole = np.multiply.reduceat(products[again], _starts(group), axis=0)
            places = np.unique(group)
            cells = self.depots * self.items * (self.periods + 1) + of_all[places]
            yield cells, untransformed(whole), steps[places]


def _starts(values: Index) -> Index:
    """Where runs of equal values begin."""
    found: Index = np.flatnonzero(np.concatenate([[True], values[1:] != values[:-1]]))
    return found


def _trimmed(chances: Real) -> Real:
    """The chances without the empty end of the lattice."""
    held = np.flatnonzero(chances > 1e-12)  # noqa: PLR2004 - below it is rounding of the transform
    found = chances[: held[-1] + 1] if len(held) else chances[:1]
    result: Real = found / found.sum()
    return result
