"""One vehicle's services gathered into visits: the grouping that costs the least.

A visit costs money by itself. A service that is done before it is due loses the unused part of its interval, at what
the service costs; one that is done after it fell due risks its lateness, by the day. Each service has a best day of its
own; together they are worth one visit where that saves more than it loses. The plan is the cheapest of all groupings
and days, by dynamic programming over sets of services.

Invariants: each service is in one visit; a visit lies on an open day that has the bay time it takes, within the window
of each of its services as far as such a day exists; no grouping of the same services costs less. More services than
``MOST_TOGETHER`` are taken in the order of their best days, so many at a time.

The loss of an early service is our convention: the share of the time from the day that its interval counts from to its
likely due day that is left, times what the service costs. Sources: weighing early work against joint visits as in
R. Dekker, R. E. Wildeman and F. A. van der Duyn Schouten, A review of multi-component maintenance models with economic
dependence (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.errors import Breach, WorkError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]

MOST_TOGETHER = 10
"""So many services are weighed against each other in all their groupings."""


@dataclass(frozen=True, slots=True, eq=False)
class PlannedService:
    """A service to be placed; days are counted from the first day of the plan.

    Attributes:
        code: Its code.
        likely_day: When it is likely to fall due [d]; below zero where it has.
        interval_days: Time from the day that its interval counts from to the likely due day, above 0 [d].
        cost: What it costs to do, in minor units; what an unused interval is worth.
        labour_s: The bay time that it takes [s].
        chances: Chance that it has fallen due by each day of the plan, shape (days,).
        earliest_day: First day of its window [d]; None: none is stated.
        latest_day: Last day of its window [d]; None: none is stated.
    """

    code: str
    likely_day: float
    interval_days: float
    cost: float
    labour_s: int
    chances: Real
    earliest_day: int | None = None
    latest_day: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class VisitCosts:
    """What visits cost, and when they can be.

    Attributes:
        visit: What a visit costs by itself, in minor units.
        late_per_day: What a day of lateness of a service risks, in minor units.
        free_s: Bay time that is free on each day of the plan; 0 on closed days, shape (days,) [s].
    """

    visit: float
    late_per_day: float
    free_s: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class PlacedService:
    """A service on the day of its visit.

    Attributes:
        code: Its code.
        unused_share: Share of its interval that is given away [1].
        early_cost: What that costs, in minor units.
        late_days: Expected days late [d].
        late_cost: What that risks, in minor units.
    """

    code: str
    unused_share: float
    early_cost: float
    late_days: float
    late_cost: float


@dataclass(frozen=True, slots=True)
class PlannedVisit:
    """One visit.

    Attributes:
        day: Its day, counted from the first of the plan [d].
        services: What is done, in the order given.
        labour_s: The bay time that it takes [s].
        cost: Visit, early and late together, in minor units.
        is_longer_than_free: Whether it takes more bay time than its day has, which a single service may.
        is_outside_window: Whether no open day lies in the window of all its services.
    """

    day: int
    services: tuple[PlacedService, ...]
    labour_s: int
    cost: float
    is_longer_than_free: bool
    is_outside_window: bool


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """The visits of a vehicle.

    Attributes:
        visits: In the order of their days.
        cost: What they cost together, in minor units.
        cost_apart: What each service in a visit of its own, on its best day, would cost.
    """

    visits: tuple[PlannedVisit, ...]
    cost: float
    cost_apart: float


def plan_visits(services: Sequence[PlannedService], costs: VisitCosts) -> VisitPlan:
    """The cheapest visits for some services of one vehicle.

    Args:
        services: The services; there may be none.
        costs: What visits cost, and when they can be; at least one day is open.

    Raises:
        WorkError: No day of the plan is open (``no_open_day``).
    """
    if not (costs.free_s > 0).any():
        detail = "no day of the plan has free bay time"
        raise WorkError(Breach("/through", "no_open_day", detail))
    if not services:
        return VisitPlan((), 0.0, 0.0)
    by_day = np.array([_costs_by_day(one, costs) for one in services])
    allowed = np.array([_allowed(one, costs) for one in services])
    order = sorted(range(len(services)), key=lambda i: (_best(by_day[i], allowed[i])[0], services[i].code))
    visits: list[PlannedVisit] = []
    apart = 0.0
    for start in range(0, len(order), MOST_TOGETHER):
        some = order[start : start + MOST_TOGETHER]
        apart += sum(costs.visit + _best(by_day[i], allowed[i])[1] for i in some)
        groups = _grouped(services, some, by_day, allowed, costs)
        visits += (_visit(services, group, day, by_day, costs) for group, day in groups)
    visits.sort(key=lambda visit: (visit.day, visit.services[0].code))
    return VisitPlan(tuple(visits), sum(visit.cost for visit in visits), apart)


def _costs_by_day(service: PlannedService, costs: VisitCosts) -> Real:
    """What doing a service on each day costs beside the visit: early loss and risk of lateness."""
    days = np.arange(len(service.chances))
    unused = np.clip((service.likely_day - days) / service.interval_days, 0.0, 1.0)
    found: Real = unused * service.cost + costs.late_per_day * _late_days(service)
    return found


def _late_days(service: PlannedService) -> Real:
    """Expected days late on each day: the sum of the chances to have been due on the days before."""
    return np.concatenate([[0.0], np.cumsum(service.chances)[:-1]])


def _allowed(service: PlannedService, costs: VisitCosts) -> NDArray[np.bool_]:
    """The days on which a service may be done: open, in its window, else the open day next to its end."""
    days = np.arange(len(costs.free_s))
    is_open = costs.free_s > 0
    inside = is_open.copy()
    if service.earliest_day is not None:
        inside &= days >= service.earliest_day
    if service.latest_day is not None:
        inside &= days <= service.latest_day
    if inside.any():
        return inside
    end = service.latest_day if service.latest_day is not None else service.earliest_day or 0
    open_days = np.flatnonzero(is_open)
    found = np.zeros_like(is_open)
    found[open_days[np.argmin(np.abs(open_days - end))]] = True
    return found


def _best(by_day: Real, allowed: NDArray[np.bool_]) -> tuple[int, float]:
    at = int(np.argmin(np.where(allowed, by_day, np.inf)))
    return at, float(by_day[at])


def _grouped(
    services: Sequence[PlannedService],
    some: Sequence[int],
    by_day: Real,
    allowed: NDArray[np.bool_],
    costs: VisitCosts,
) -> list[tuple[list[int], int]]:
    """The cheapest grouping of some services, with the day of each group."""
    count = len(some)
    sets = 1 << count
    # Sums over every set of services, each from a set that lacks its last member.
    sums = np.zeros((sets, by_day.shape[1]))
    may = np.ones((sets, by_day.shape[1]), dtype=np.bool_)
    labour = np.zeros(sets, dtype=np.int64)
    for bit, i in enumerate(some):
        low = 1 << bit
        sums[low : 2 * low] = sums[:low] + by_day[i]
        may[low : 2 * low] = may[:low] & allowed[i]
        labour[low : 2 * low] = labour[:low] + services[i].labour_s
    single = (np.arange(sets) & (np.arange(sets) - 1)) == 0
    may &= (labour[:, None] <= costs.free_s[None, :]) | single[:, None]
    held = np.where(may, sums, np.inf)
    day = np.argmin(held, axis=1)
    group_cost = (costs.visit + held[np.arange(sets), day]).tolist()
    best, choice = [0.0] + [math.inf] * (sets - 1), [0] * sets
    for members in range(1, sets):
        first = members & -members
        rest = members ^ first
        sub = rest
        while True:
            group = sub | first
            total = group_cost[group] + best[members ^ group]
            if total < best[members]:
                best[members], choice[members] = total, group
            if not sub:
                break
            sub = (sub - 1) & rest
    found, members = [], sets - 1
    while members:
        group = choice[members]
        found.append(([i for bit, i in enumerate(some) if group >> bit & 1], int(day[group])))
        members ^= group
    return found


def _visit(
    services: Sequence[PlannedService],
    group: Sequence[int],
    day: int,
    by_day: Real,
    costs: VisitCosts,
) -> PlannedVisit:
    placed, outside = [], False
    for i in sorted(group):
        service = services[i]
        unused = float(np.clip((service.likely_day - day) / service.interval_days, 0.0, 1.0))
        late = float(_late_days(service)[day])
        outside |= bool(
            (service.earliest_day is not None and day < service.earliest_day)
            or (service.latest_day is not None and day > service.latest_day)
        )
        placed.append(
            PlacedService(service.code, unused, unused * service.cost, late, costs.late_per_day * late)
        )
    labour = sum(services[i].labour_s for i in group)
    cost = costs.visit + float(sum(by_day[i, day] for i in group))
    return PlannedVisit(day, tuple(placed), labour, cost, labour > int(costs.free_s[day]), outside)
