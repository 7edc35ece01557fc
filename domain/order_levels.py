"""How much of an item a depot has to have: the levels that orders keep up, from the law of its demand.

Stock is looked at every review period. An order placed now arrives after the lead time, and the next one a review period
later; so what is there and on order now has to last over both. The reorder point is the least amount that does so with
the chance asked for; an order fills up to the order-up-to level, which also covers the time that one order is to last.
The law is the demand's own, lumpy where the fleet is small; no normal curve is put in its place. A lead time that
varies mixes the laws over its days: a gamma law with its mean and spread, by Gauss's quadrature.

Invariants: a level's chance of lasting is never below the one asked for; levels never fall with that chance.

Sources: periodic review, order-up-to level and cycle service: W. J. Stevenson, Operations Management, chapter 13 (as
excerpted in public pages); the critical ratio and the loss function: G. Cachon and C. Terwiesch, Matching Supply with
Demand; the economic order quantity: S. Nahmias, Production and Operations Analysis, example 4.1 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from domain.errors import Breach, StockError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]

LEAST_SERVICE, MOST_SERVICE = 0.5, 0.9999
_NODES = 4
_NARROW_SHAPE = 100.0
# A spread below this part of the mean is none.
_LEAST_SPREAD_SHARE = 1e-3
# Rounding of a sum of chances, not chance.
_SLACK = 1e-9


class Law(Protocol):
    """The law of a demand that comes in whole steps."""

    @property
    def step(self) -> float:
        """The step [piece or mL]."""

    @property
    def probabilities(self) -> Real:
        """Chance that the demand is 0, 1, 2 ... steps; they sum to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class StepLaw:
    """A law of demand on whole steps.

    Attributes:
        step: The step [piece or mL].
        probabilities: Chance that the demand is 0, 1, 2 ... steps; they sum to 1.
    """

    step: float
    probabilities: Real


@dataclass(frozen=True, slots=True)
class LeadNode:
    """A lead time that stands for others, with its weight.

    Attributes:
        days: The lead time [d].
        weight: Its weight [1].
    """

    days: float
    weight: float


@dataclass(frozen=True, slots=True)
class Levels:
    """What a depot has to have of an item [piece or mL].

    Attributes:
        expected: Expected demand over lead time and review period.
        reorder_point: Least position at which no order is needed now.
        order_up_to: What an order fills up to.
        safety: The reorder point less the expected demand.
        expected_short: Expected shortage at the end of the time, from the reorder point.
    """

    expected: float
    reorder_point: int
    order_up_to: int
    safety: float
    expected_short: float


NOTHING = StepLaw(1.0, np.ones(1))


def lead_nodes(mean_days: float, sd_days: float) -> tuple[LeadNode, ...]:
    """Lead times that stand for a gamma law of them, with its mean and spread [d].

    A law so narrow that it is close to normal is taken as normal, whose quadrature stays within what figures hold.

    Args:
        mean_days: Mean lead time, at least 0 [d].
        sd_days: Standard deviation, at least 0 [d].
    """
    if sd_days <= _LEAST_SPREAD_SHARE * mean_days:
        return (LeadNode(mean_days, 1.0),)
    from scipy.special import roots_genlaguerre, roots_hermitenorm

    shape, scale = (mean_days / sd_days) ** 2, sd_days**2 / mean_days
    if shape > _NARROW_SHAPE:
        roots, weights = roots_hermitenorm(_NODES)
        at = mean_days + sd_days * roots
    else:
        roots, weights = roots_genlaguerre(_NODES, shape - 1.0)
        at = roots * scale
    return tuple(LeadNode(float(x), float(w)) for x, w in zip(at, weights / weights.sum(), strict=True))


def weighted_days(nodes: Sequence[LeadNode], added_days: float) -> dict[int, float]:
    """The whole days over which demand has to be known, with their weights; means stay as they are.

    Args:
        nodes: Lead times.
        added_days: What each is longer by [d].
    """
    found: dict[int, float] = {}
    for node in nodes:
        days = max(node.days + added_days, 1.0)
        whole = math.floor(days)
        part = days - whole
        for day, share in ((whole, 1.0 - part), (whole + 1, part)):
            if share > 0:
                found[day] = found.get(day, 0.0) + node.weight * share
    return dict(sorted(found.items()))


def mixed(laws: Sequence[Law], weights: Sequence[float]) -> StepLaw:
    """One of the laws, by chance; each demand is rounded up to a step that all have in common.

    Args:
        laws: At least one law.
        weights: Their weights, which sum to 1.
    """
    step = max(law.step for law in laws)
    spread = [_on_step(law, step) for law in laws]
    sums = np.zeros(max(len(one) for one in spread))
    for one, weight in zip(spread, weights, strict=True):
        sums[: len(one)] += weight * one
    return StepLaw(step, sums)


def together(laws: Sequence[Law]) -> StepLaw:
    """The law of the sum of independent demands; each is rounded up to a step that all have in common."""
    if not laws:
        return NOTHING
    step = max(law.step for law in laws)
    found = np.ones(1)
    for law in laws:
        found = np.convolve(found, _on_step(law, step))
    return StepLaw(step, found)


def law_mean(law: Law) -> float:
    """Expected demand [piece or mL]."""
    return float(law.step * (law.probabilities @ np.arange(len(law.probabilities))))


def law_variance(law: Law) -> float:
    """Variance of demand [squared]."""
    steps = np.arange(len(law.probabilities))
    first = law.probabilities @ steps
    return float(law.step**2 * (law.probabilities @ (steps - first) ** 2))


def level_for(law: Law, service_level: float) -> int:
    """The least amount that the demand does not exceed with a given chance, in whole pieces or mL.

    Args:
        law: The law of demand.
        service_level: The chance, above 0 and below 1.

    Raises:
        StockError: The chance is 0 or 1 or beyond (``service_level_out_of_range``): no stock is certain to last.
    """
    if not 0.0 < service_level < 1.0:
        detail = "a service level lies above 0 and below 1: no stock is certain to last"
        raise StockError(Breach("/service_level", "service_level_out_of_range", detail))
    reached = np.cumsum(law.probabilities) >= service_level - _SLACK
    step = int(np.argmax(reached)) if reached.any() else len(law.probabilities) - 1
    return math.ceil(step * law.step - _SLACK)


def expected_short(law: Law, level: float) -> float:
    """Expected demand beyond a level, the loss function [piece or mL]."""
    demands = law.step * np.arange(len(law.probabilities))
    return float(law.probabilities @ np.maximum(demands - level, 0.0))


def chance_of_lasting(law: Law, level: float) -> float:
    """Chance that a level covers the demand [1]."""
    demands = law.step * np.arange(len(law.probabilities))
    return float(law.probabilities[demands <= level + _SLACK].sum())


def levels(protected: Law, covered: Law, service_level: float) -> Levels:
    """The levels of an item.

    Args:
        protected: The law of demand over lead time and review period.
        covered: The same and over the time that one order is to last beyond.
        service_level: Chance that a review period ends without a shortage.

    Raises:
        StockError: The chance is 0 or 1 or beyond (``service_level_out_of_range``).
    """
    reorder_point = level_for(protected, service_level)
    expected = law_mean(protected)
    return Levels(
        expected,
        reorder_point,
        max(reorder_point, level_for(covered, service_level)),
        reorder_point - expected,
        expected_short(protected, reorder_point),
    )


def critical_ratio(short_cost: float, over_cost: float) -> float:
    """The chance of lasting at which one more piece costs as much as it saves [1].

    Args:
        short_cost: What lacking one piece costs.
        over_cost: What one piece too many costs.
    """
    return short_cost / (short_cost + over_cost)


def economic_quantity(demand_per_year: float, order_cost: float, holding_cost: float) -> float:
    """The quantity at which ordering and holding cost the least together [piece or mL].

    Args:
        demand_per_year: Demand in a year [piece or mL].
        order_cost: What an order costs, whatever it holds.
        holding_cost: What holding one piece or mL for a year costs, above 0.
    """
    return math.sqrt(2.0 * demand_per_year * order_cost / holding_cost)


def needed_days(nodes: Sequence[LeadNode], added: Sequence[float]) -> list[int]:
    """All whole days that levels need demand over, each once, in their order."""
    return sorted({day for more in added for day in weighted_days(nodes, more)})


def over_lead_time(law_of: Callable[[int], Law], nodes: Sequence[LeadNode], added_days: float) -> StepLaw:
    """The law of demand over a lead time that varies, and some days more.

    Args:
        law_of: The law of demand over so many whole days.
        nodes: Lead times.
        added_days: The days more [d].
    """
    weights = weighted_days(nodes, added_days)
    return mixed([law_of(day) for day in weights], list(weights.values()))


def _on_step(law: Law, step: float) -> Real:
    if law.step == step:
        return law.probabilities
    at = np.ceil(np.arange(len(law.probabilities)) * law.step / step - _SLACK).astype(np.int64)
    return np.bincount(at, weights=law.probabilities).astype(np.float64)
