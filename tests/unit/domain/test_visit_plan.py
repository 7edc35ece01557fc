"""Visits of a vehicle: by hand, and the cheapest of all groupings by trying them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import WorkError
from domain.visit_plan import MOST_TOGETHER, PlannedService, VisitCosts, plan_visits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

DAYS = 30


def service(code: str, likely: int, *, cost: float = 100.0, **changes: object) -> PlannedService:
    """A service that is due on one day for certain, with an interval of 100 days and an hour of work."""
    chances = (np.arange(DAYS) >= likely).astype(np.float64)
    fields = {"interval_days": 100.0, "cost": cost, "labour_s": 3_600, "chances": chances} | changes
    return PlannedService(code=code, likely_day=likely, **fields)  # type: ignore[arg-type]


def costs(
    *, visit: float = 50.0, late: float = 20.0, free_s: int = 8 * 3_600, closed: Sequence[int] = ()
) -> VisitCosts:
    """Every day open but for some."""
    free = np.full(DAYS, free_s, dtype=np.int64)
    free[list(closed)] = 0
    return VisitCosts(visit, late, free)


def test_services_close_together_share_a_visit() -> None:
    # On day 10 the second gives 5 of its 100 days away: 5.00 of 100.00, less than the visit that is saved.
    plan = plan_visits([service("a", 10), service("b", 15)], costs())
    (visit,) = plan.visits
    assert (visit.day, visit.cost, visit.labour_s) == (10, 55.0, 7_200)
    assert [(one.code, one.unused_share, one.early_cost, one.late_days) for one in visit.services] == [
        ("a", 0.0, 0.0, 0.0),
        ("b", 0.05, 5.0, 0.0),
    ]
    assert (plan.cost, plan.cost_apart) == (55.0, 100.0)


def test_services_far_apart_stay_apart() -> None:
    plan = plan_visits([service("a", 2), service("b", 28, cost=300.0)], costs())
    assert [(visit.day, visit.cost) for visit in plan.visits] == [(2, 50.0), (28, 50.0)]
    assert plan.cost == plan.cost_apart == 100.0


def test_what_is_overdue_is_done_on_the_first_open_day() -> None:
    overdue = service("a", -5, chances=np.ones(DAYS))
    plan = plan_visits([overdue], costs(closed=[0, 1]))
    (visit,) = plan.visits
    assert (visit.day, visit.services[0].late_days, visit.cost) == (2, 2.0, 90.0)


def test_bay_hours_and_windows_hold() -> None:
    both = [service("a", 10), service("b", 10)]
    assert len(plan_visits(both, costs(free_s=7_200)).visits) == 1
    assert [visit.day for visit in plan_visits(both, costs(free_s=5_000)).visits] == [10, 10]
    (long,) = plan_visits([service("a", 10, labour_s=90_000)], costs()).visits
    assert long.is_longer_than_free
    late_window = [service("a", 10), service("b", 15, earliest_day=14, latest_day=16)]
    assert [visit.day for visit in plan_visits(late_window, costs()).visits] == [10, 15]
    # Its window has no open day: the open day next to its end is taken, and that is told.
    (outside,) = plan_visits(
        [service("b", 15, earliest_day=14, latest_day=16)], costs(closed=[14, 15, 16])
    ).visits
    assert (outside.day, outside.is_outside_window) == (17, True)
    (before,) = plan_visits([service("c", 60, earliest_day=50)], costs()).visits
    assert (before.day, before.is_outside_window) == (29, True)


def test_nothing_to_do_and_no_day_to_do_it() -> None:
    assert plan_visits([], costs()).visits == ()
    with pytest.raises(WorkError) as refused:
        plan_visits([service("a", 1)], costs(free_s=0))
    assert refused.value.breaches[0].rule == "no_open_day"


def test_more_services_than_are_weighed_together_come_in_the_order_of_their_days() -> None:
    many = [service(f"s{n:02}", 2 * n) for n in range(MOST_TOGETHER + 3)]
    plan = plan_visits(many, costs())
    assert sorted(one.code for visit in plan.visits for one in visit.services) == [one.code for one in many]
    assert plan.cost < plan.cost_apart


def partitions(members: list[int]) -> Iterator[list[list[int]]]:
    """Every grouping of some members."""
    if not members:
        yield []
        return
    first, *rest = members
    for grouping in partitions(rest):
        yield [[first], *grouping]
        for at, group in enumerate(grouping):
            yield [*grouping[:at], [first, *group], *grouping[at + 1 :]]


def least_by_trying(services: Sequence[PlannedService], terms: VisitCosts) -> float:
    """The least cost over every grouping and every day."""

    def cost(one: PlannedService, day: int) -> float:
        unused = min(max((one.likely_day - day) / one.interval_days, 0.0), 1.0)
        return unused * one.cost + terms.late_per_day * float(one.chances[:day].sum())

    def allowed(one: PlannedService, day: int) -> bool:
        is_inside = (one.earliest_day or 0) <= day <= (DAYS if one.latest_day is None else one.latest_day)
        return bool(terms.free_s[day] > 0) and is_inside

    def group_cost(group: list[int]) -> float:
        some = [services[i] for i in group]
        fitting = [
            sum(cost(one, day) for one in some)
            for day in range(DAYS)
            if all(allowed(one, day) for one in some)
            and (len(some) == 1 or sum(one.labour_s for one in some) <= terms.free_s[day])
        ]
        return terms.visit + min(fitting, default=float("inf"))

    return min(sum(map(group_cost, grouping)) for grouping in partitions(list(range(len(services)))))


@st.composite
def planned(draw: st.DrawFn) -> PlannedService:
    """A service with any rising chances and a window that has an open day."""
    likely = draw(st.integers(-5, 40))
    spread = draw(st.integers(0, 15))
    days = np.arange(DAYS)
    chances = np.clip((days - likely + spread) / (2.0 * spread + 1.0), 0.0, 1.0)
    return PlannedService(
        f"s{draw(st.integers(0, 99))}",
        float(likely),
        float(draw(st.integers(30, 400))),
        float(draw(st.integers(0, 500))),
        draw(st.integers(0, 6)) * 3_600,
        chances,
        draw(st.sampled_from([None, 0, 8])),
        draw(st.sampled_from([None, 12, 25])),
    )


@settings(max_examples=60)
@given(st.lists(planned(), min_size=1, max_size=4), st.integers(0, 120), st.integers(0, 40))
def test_no_grouping_costs_less(services: list[PlannedService], visit: int, late: int) -> None:
    terms = costs(visit=visit, late=late, closed=[0, 5, 6, 12, 13])
    plan = plan_visits(services, terms)
    assert plan.cost == pytest.approx(least_by_trying(services, terms), abs=1e-6)
    assert plan.cost <= plan.cost_apart + 1e-6
    assert sum(len(one.services) for one in plan.visits) == len(services)
