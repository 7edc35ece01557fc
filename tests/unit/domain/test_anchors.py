"""Where intervals are counted from, each case worked by hand in its docstring."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from domain.anchors import (
    Anchor,
    AnchorKind,
    amount_of,
    base_of,
    figure_at,
    first_anchor,
    idle_distance_m,
    is_final_at,
    moved,
    reached,
    reached_early,
    rule_limbs,
    set_point,
)
from domain.history import ComponentExchange, Origin, VehicleHistory, WorkDone
from domain.meters import Fix, Timeline
from domain.sheet import Counting, DutyCondition, IntervalRule, Limb, Meter, SevereCondition
from tests.unit.domain.due_cases import every, km, line, only, us, vehicle, work

ODOMETER, CALENDAR, HOURS = Limb.ODOMETER, Limb.CALENDAR, Limb.ENGINE_HOURS
NEW_YEAR = date(2024, 1, 1).toordinal()


def grid(
    *, first_km: float | None = None, early_km: float | None = None, months: int | None = None
) -> IntervalRule:
    """Set points each 30,000 km."""
    return IntervalRule(
        every(30_000, months=months),
        first=every(first_km),
        early_window=every(early_km),
        counting=Counting.SET_POINTS,
    )


def after(rule: IntervalRule, history: VehicleHistory, *events: WorkDone) -> Anchor:
    anchor = first_anchor(history, rule)
    for event in events:
        anchor = moved(history, rule, anchor, event, kind=AnchorKind.WORK_DONE)
    return anchor


def test_the_first_anchor_is_the_first_day_at_zero() -> None:
    """Known from new it is a beginning, bought used it is unknown."""
    rule = IntervalRule(every(10_000, months=12))
    anchor = first_anchor(vehicle(new_on="2024-01-01"), rule)
    assert (anchor.kind, anchor.on, anchor.at_us) == (AnchorKind.NEW, date(2024, 1, 1), us("2024-01-01", 0))
    assert anchor.zero == {ODOMETER: 0, CALENDAR: NEW_YEAR}
    assert anchor.done == {limb: Fix(figure, is_estimated=False) for limb, figure in anchor.zero.items()}
    assert first_anchor(vehicle(is_known=False), rule).kind is AnchorKind.UNKNOWN
    assert rule_limbs(rule) == (ODOMETER, CALENDAR)


def test_the_first_interval_is_that_of_its_limb() -> None:
    """A limb left out of the first interval has the one of every."""
    rule = IntervalRule(every(10_000, months=12), first=every(5_000))
    assert amount_of(rule, ODOMETER) == (km(10_000), km(5_000))
    assert amount_of(rule, CALENDAR) == (12, 12)


def test_set_points_from_zero() -> None:
    """1,000, 31,000, 61,000 km; months from 31 January clamp and never chain."""
    rule = grid(first_km=1_000, months=1)
    anchor = first_anchor(vehicle(new_on="2024-01-31"), rule)
    assert [set_point(rule, anchor, ODOMETER, i) for i in range(4)] == [0, km(1_000), km(31_000), km(61_000)]
    days = [date.fromordinal(set_point(rule, anchor, CALENDAR, i)) for i in range(4)]
    assert days == [date(2024, 1, 31), date(2024, 2, 29), date(2024, 3, 31), date(2024, 4, 30)]


def test_a_column_beyond_the_calendar_has_the_last_of_dates() -> None:
    """At each kilometre or 1,200 months: at 100,000 km column 100,001 would stand in the year 10 million."""
    rule = IntervalRule(
        every(1, months=1_200),
        counting=Counting.SET_POINTS,
        conditions=(SevereCondition(DutyCondition.DUST, 0.5, 0.0, (CALENDAR, ODOMETER)),),
    )
    history = vehicle(work("2024-06-01", 100_000))
    anchor = after(rule, history, *history.work)
    assert anchor.settled == 100_000
    base = base_of(rule, anchor, CALENDAR)
    assert base is not None
    assert date.fromordinal(int(reached(rule, anchor, CALENDAR, base.life))).year == 9_000
    (severe,) = rule.conditions
    assert date.fromordinal(int(reached_early(rule, anchor, CALENDAR, base.life, severe))).year == 9_000


@pytest.mark.parametrize(
    ("figure", "settled"),
    [
        (0, 0),
        (27_999.999, 0),
        (28_000, 1),
        (30_000, 1),
        (57_999.999, 1),
        (58_000, 2),
        (95_000, 3),
    ],
)
def test_a_service_settles_the_highest_point_within_its_early_window(figure: float, settled: int) -> None:
    """Points each 30,000 km, window 2,000."""
    history = vehicle(work("2024-06-01", figure))
    assert after(grid(early_km=2_000), history, *history.work).settled == settled


@pytest.mark.parametrize(
    ("day", "settled"),
    [
        ("2024-01-01", 0),
        ("2024-06-30", 0),
        ("2024-07-01", 0),
        ("2024-11-30", 0),
        ("2024-12-01", 1),
        ("2025-12-31", 2),
    ],
)
def test_months_settle_likewise(day: str, settled: int) -> None:
    """Points on each 1 January, a month early."""
    rule = IntervalRule(every(months=12), early_window=every(months=1), counting=Counting.SET_POINTS)
    history = vehicle(work(day, None))
    assert after(rule, history, *history.work).settled == settled


def test_a_later_service_never_unsettles_a_point() -> None:
    """Served at 61,000, then at a figure noted lower: two points stay settled."""
    history = vehicle(work("2024-06-01", 61_000), work("2024-07-01", 20_000, key=2))
    assert after(grid(), history, *history.work).settled == 2


def test_a_figure_that_was_not_noted_is_estimated_from_the_timeline() -> None:
    """Half-way in time from 40,000 to 50,000; hours have no timeline, so they stay unknown."""
    rule = IntervalRule(every(10_000, hours=500))
    history = vehicle(work("2024-02-15", None), odometer=line(("2024-02-05", 40_000), ("2024-02-25", 50_000)))
    anchor = after(rule, history, *history.work)
    assert anchor.done == {ODOMETER: Fix(km(45_000), is_estimated=True), HOURS: None}
    assert base_of(rule, anchor, HOURS) is None
    # At set points what is unknown settles nothing.
    settling = IntervalRule(every(hours=500), counting=Counting.SET_POINTS)
    assert after(settling, history, *history.work).settled == 0


def test_an_exchanged_component_begins_its_own_grid() -> None:
    """At 73,000 km: points at 103,000 and so on; where its figure is unknown there is no grid."""
    rule = IntervalRule(every(30_000, hours=500), counting=Counting.SET_POINTS)
    history = vehicle(work("2024-06-01", 61_000))
    swapped = ComponentExchange(
        9, us("2024-09-01"), date(2024, 9, 1), "gearbox", {Meter.ODOMETER: km(73_000)}
    )
    anchor = moved(history, rule, after(rule, history, *history.work), swapped, kind=AnchorKind.COMPONENT)
    assert (anchor.settled, anchor.zero) == (0, {ODOMETER: km(73_000)})
    assert reached(rule, anchor, ODOMETER, km(73_000)) == km(103_000)
    assert base_of(rule, anchor, HOURS) is None


def test_a_grid_that_was_unknown_is_laid_by_the_first_figure() -> None:
    """No hours when the component came; 800 h noted at the service that settles column 1: the next is 1,300 h."""
    rule = IntervalRule(every(30_000, hours=500), counting=Counting.SET_POINTS)
    unknown = Anchor(
        AnchorKind.COMPONENT, date(2024, 1, 1), 0, {ODOMETER: None, HOURS: None}, {ODOMETER: km(73_000)}
    )
    served = WorkDone(
        1,
        us("2024-06-01"),
        date(2024, 6, 1),
        {Meter.ODOMETER: km(103_500), Meter.ENGINE_HOURS: 800 * 3600},
        frozenset({"oil"}),
    )
    anchor = moved(vehicle(), rule, unknown, served, kind=AnchorKind.WORK_DONE)
    assert anchor.settled == 1
    assert reached(rule, anchor, HOURS, 0) == 1_300 * 3600
    assert base_of(rule, anchor, HOURS) == Fix(800 * 3600, is_estimated=False)


@pytest.mark.parametrize(
    ("figure", "expected"),
    [(0, 7_500), (7_000, 7_500), (7_400, 15_000), (7_500, 15_000), (22_499, 30_000), (30_000, 37_500)],
)
def test_severe_points_have_an_early_window_of_their_share(figure: float, expected: float) -> None:
    """30,000 km at 0.25 are points each 7,500 km; a window of 1,200 km shrinks to 300: 7,400 settles, 7,000 not."""
    severe = SevereCondition(DutyCondition.DUST, 0.25, 0.0, (ODOMETER,))
    rule = replace(grid(early_km=1_200), conditions=(severe,))
    history = vehicle(work("2024-06-01", figure))
    anchor = after(rule, history, *history.work)
    assert reached_early(rule, anchor, ODOMETER, 0, severe) == km(expected)


def test_severe_months_stand_on_parts_of_months() -> None:
    """Yearly from 1 January 2024, halved: 1 July, 1 January. Served on 30 June nothing is settled, on 1 July one is."""
    severe = SevereCondition(DutyCondition.DUST, 0.5, 0.0, (CALENDAR,))
    rule = IntervalRule(every(months=12), counting=Counting.SET_POINTS, conditions=(severe,))
    for day, expected in (
        ("2024-06-30", "2024-07-01"),
        ("2024-07-01", "2025-01-01"),
        ("2024-09-01", "2025-01-01"),
    ):
        history = vehicle(work(day, None))
        found = reached_early(rule, after(rule, history, *history.work), CALENDAR, NEW_YEAR, severe)
        assert date.fromordinal(int(found)).isoformat() == expected


def test_severe_points_where_a_limb_is_unknown() -> None:
    """The hours are not known, so they settle no column of the severe table: the odometer alone does."""
    severe = SevereCondition(DutyCondition.DUST, 0.5, 0.0, (ODOMETER, HOURS))
    rule = IntervalRule(every(30_000, hours=500), counting=Counting.SET_POINTS, conditions=(severe,))
    history = vehicle(work("2024-06-01", 16_000))
    assert reached_early(rule, after(rule, history, *history.work), ODOMETER, 0, severe) == km(30_000)


def test_a_carried_share_shortens_what_runs_from_last_done() -> None:
    """0.4 of 20,000 km carried: 12,000 km; of 12 months: 7.2, that is 7 months and a fifth of the eighth."""
    rule = IntervalRule(every(20_000, months=12))
    anchor = replace(
        first_anchor(vehicle(), rule), kind=AnchorKind.WORK_DONE, carried={ODOMETER: 0.4, CALENDAR: 0.4}
    )
    assert reached(rule, anchor, ODOMETER, km(60_000)) == pytest.approx(km(72_000), abs=1e-6)
    # 1 August 2024 and 0.2 x 31 days, rounded up to 7.
    assert date.fromordinal(int(reached(rule, anchor, CALENDAR, NEW_YEAR))) == date(2024, 8, 8)
    assert anchor.carried_share(HOURS) == 0.0
    assert first_anchor(vehicle(), rule).carried_share(ODOMETER) == 0.0


def test_a_vehicle_known_from_new_ran_from_zero_to_its_first_reading() -> None:
    """10,000 km on 11 January 2024: 5,000 half-way since 1 January; 0 before that day; bought used: unknown."""
    history = VehicleHistory(
        Origin(date(2024, 1, 1), is_known_from_new=True),
        {Meter.ODOMETER: Timeline((us("2024-01-11", 0),), (km(10_000),))},
    )
    used = replace(history, origin=Origin(date(2024, 1, 1), is_known_from_new=False))
    day = date(2024, 1, 6)
    assert figure_at(history, ODOMETER, us("2024-01-06", 0), day) == Fix(km(5_000), is_estimated=True)
    assert figure_at(history, ODOMETER, us("2023-12-31"), day) == Fix(0, is_estimated=True)
    assert figure_at(used, ODOMETER, us("2024-01-06", 0), day) is None
    assert figure_at(history, ODOMETER, us("2024-02-01"), day) is None
    assert figure_at(history, HOURS, us("2024-02-01"), day) is None
    assert figure_at(history, CALENDAR, us("2024-02-01"), day) == Fix(day.toordinal(), is_estimated=False)
    # A first reading on the very instant on which its life began tells no course before it.
    at_once = replace(history, timelines={Meter.ODOMETER: Timeline((us("2024-01-01", 0),), (7,))})
    assert figure_at(at_once, ODOMETER, us("2024-01-01", 0), day) == Fix(7, is_estimated=False)


def test_idle_hours_count_as_distance_where_the_rule_says_so() -> None:
    """1.5 h at 40 km/h are 60 km; none without the rule, and none where the vehicle reports none."""
    assert idle_distance_m(5_400, 40_000) == km(60)
    history = vehicle(odometer=line(("2024-02-05", 40_000)))
    idling = replace(
        history, timelines={**history.timelines, Meter.IDLE_HOURS: Timeline((us("2024-02-05"),), (5_400,))}
    )
    day, at_us = date(2024, 2, 5), us("2024-02-05")
    assert figure_at(idling, ODOMETER, at_us, day) == Fix(km(40_000), is_estimated=False)
    assert figure_at(idling, ODOMETER, at_us, day, idle_m_per_h=40_000) == Fix(km(40_060), is_estimated=False)
    assert figure_at(history, ODOMETER, at_us, day, idle_m_per_h=40_000) == Fix(
        km(40_000), is_estimated=False
    )
    empty = replace(idling, timelines={**history.timelines, Meter.IDLE_HOURS: Timeline()})
    assert figure_at(empty, ODOMETER, at_us, day, idle_m_per_h=40_000) == Fix(km(40_000), is_estimated=False)


def test_a_figure_is_final_before_the_last_point_of_its_course() -> None:
    """The last point moves with later readings of its day, and beyond it is guesswork."""
    history = vehicle(odometer=line(("2024-02-05", 1), ("2024-02-06", 2), ("2024-02-07", 3)))
    assert is_final_at(history, ODOMETER, us("2024-02-06"))
    assert not is_final_at(history, ODOMETER, us("2024-02-06", 13))
    assert not is_final_at(vehicle(odometer=line(("2024-02-05", 1))), ODOMETER, us("2024-01-01"))
    assert is_final_at(vehicle(), ODOMETER, us("2024-01-01"))
    assert is_final_at(history, CALENDAR, us("2034-01-01"))
    idle = {**history.timelines, Meter.IDLE_HOURS: Timeline((us("2024-02-05"),), (1,))}
    assert not is_final_at(replace(history, timelines=idle), ODOMETER, us("2024-02-06"), idle_m_per_h=1)
    assert is_final_at(replace(history, timelines=idle), ODOMETER, us("2024-02-06"))


def test_idle_hours_noted_with_the_work_count_before_the_timeline() -> None:
    """Noted 100 h idle at 40 km each with 40,000 km: the interval counts from 44,000 km, whatever was read around it."""
    idle = Timeline((us("2024-01-05"), us("2024-01-15")), (0, 500 * 3_600))
    figures = {Meter.ODOMETER: km(40_000), Meter.IDLE_HOURS: 100 * 3_600}
    visit = replace(work("2024-01-10", 40_000), figures=figures)
    history = replace(vehicle(visit), timelines={Meter.IDLE_HOURS: idle})
    point = only(IntervalRule(every(10_000), idle_m_per_h=40_000), history)
    assert point.limbs[0].base == km(44_000)
    assert not point.limbs[0].is_base_estimated
    assert point.is_settled
