"""Due points and states, each case worked by hand in its docstring."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from domain.anchors import AnchorKind
from domain.due import (
    DuePoint,
    PointStatus,
    Standing,
    State,
    anchor_of,
    completed_services,
    due_points,
    judge,
    limb_due_day,
    used_share,
)
from domain.duty import DutyEntry
from domain.history import ComponentExchange, Deferral
from domain.meters import MeterSegment, Timeline, fitted_segment, replaced
from domain.sheet import (
    Amount,
    Applicability,
    Counting,
    DutyCondition,
    DutyPolicy,
    IntervalRule,
    Limb,
    Meter,
    Service,
    SevereCondition,
    Task,
)
from domain.units import Dimension, to_canonical_whole
from tests.unit.domain.due_cases import (
    due_on,
    every,
    km,
    line,
    only,
    service_of,
    sheet_of,
    us,
    vehicle,
    work,
)

STALE = 14


def on(day: str) -> int:
    return date.fromisoformat(day).toordinal()


def towing(factor: float = 0.5, threshold: float = 0.25, *limbs: Limb) -> SevereCondition:
    return SevereCondition(DutyCondition.TOWING, factor, threshold, limbs or (Limb.ODOMETER,))


def state(
    point: DuePoint, day: str, km_: float | None = None, read_on: str | None = None, rate: float | None = None
) -> State:
    standings = (
        {}
        if km_ is None
        else {Meter.ODOMETER: Standing(km(km_), on(read_on or day), None if rate is None else rate * 1000)}
    )
    return judge(point, standings, on(day), STALE).state


def test_new_vehicle_first_interval_then_every() -> None:
    """First at 5,000 km, then every 10,000: new is due at 5,000; done at 5,200 it is due at 15,200."""
    rule = IntervalRule(every(10_000), first=every(5_000))
    assert due_on(only(rule, vehicle()), Limb.ODOMETER) == 5_000
    assert due_on(only(rule, vehicle(work("2024-03-01", 5_200))), Limb.ODOMETER) == 15_200


def test_whichever_comes_first_and_month_end() -> None:
    """Done 31 January at 20,000 km; 1 month is 29 February 2024, and both limbs stand side by side."""
    point = only(IntervalRule(every(10_000, months=1)), vehicle(work("2024-01-31", 20_000)))
    assert due_on(point, Limb.CALENDAR) == "2024-02-29"
    assert due_on(point, Limb.ODOMETER) == 30_000


def test_set_points_late_service_keeps_the_grid() -> None:
    """Points each 30,000 km. Done late at 34,000 settles 30,000: next 60,000; from last done it were 64,000."""
    late = vehicle(work("2024-06-01", 34_000))
    assert (
        due_on(only(IntervalRule(every(30_000), counting=Counting.SET_POINTS), late), Limb.ODOMETER) == 60_000
    )
    assert due_on(only(IntervalRule(every(30_000)), late), Limb.ODOMETER) == 64_000


def test_set_points_early_window() -> None:
    """Early window 2,000 km: done at 28,500 settles 30,000; done at 27,000 settles nothing."""
    rule = IntervalRule(every(30_000), counting=Counting.SET_POINTS, early_window=every(2_000))
    assert due_on(only(rule, vehicle(work("2024-06-01", 28_500))), Limb.ODOMETER) == 60_000
    assert due_on(only(rule, vehicle(work("2024-06-01", 27_000))), Limb.ODOMETER) == 30_000
    # 95,000 settles 90,000 and every earlier point at once.
    assert due_on(only(rule, vehicle(work("2024-06-01", 95_000))), Limb.ODOMETER) == 120_000


def test_set_points_settle_a_column_of_the_table() -> None:
    """30,000 km or 12 months: done after 12 months at 10,000 km settles column 1: next 60,000 km or month 24."""
    rule = IntervalRule(every(30_000, months=12), counting=Counting.SET_POINTS)
    point = only(rule, vehicle(work("2025-01-03", 10_000)))
    assert due_on(point, Limb.ODOMETER) == 60_000
    assert due_on(point, Limb.CALENDAR) == "2026-01-01"


def test_set_points_first_interval_starts_the_grid() -> None:
    """First 1,000 km, then each 10,000: points 1,000, 11,000, 21,000; done at 12,000 leads to 21,000."""
    rule = IntervalRule(every(10_000), first=every(1_000), counting=Counting.SET_POINTS)
    assert due_on(only(rule, vehicle()), Limb.ODOMETER) == 1_000
    assert due_on(only(rule, vehicle(work("2024-06-01", 12_000))), Limb.ODOMETER) == 21_000


def test_strictest_duty_turns_severe_half_way() -> None:
    """Last done at 40,000; from 46,000 on every km tows.

    Share of towing since last done passes 0.25 when (x - 46,000) / (x - 40,000) = 0.25: x = 48,000.
    Half of 20,000 km runs from the last-done point: due at 50,000 (later than 48,000), not 60,000.
    """
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(
            ("2024-01-10", 40_000), ("2024-04-30", 46_000), ("2024-05-01", 46_000), ("2024-06-01", 47_000)
        ),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 1)),),
    )
    point = only(IntervalRule(every(20_000), conditions=(towing(),)), history)
    assert due_on(point, Limb.ODOMETER) == 50_000
    (limb,) = point.limbs
    assert limb.shortening is not None
    assert limb.shortening.passed_at == km(48_000)


def test_strictest_due_at_the_latch_when_already_beyond_the_short_interval() -> None:
    """Towing from 54,000 on: the share passes 0.25 at 40,000 + 14,000 / 0.75 = 58,666.667, past 50,000: due there."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(("2024-01-10", 40_000), ("2024-05-01", 54_000), ("2024-06-01", 54_100)),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 2)),),
    )
    point = only(IntervalRule(every(20_000), conditions=(towing(),)), history)
    # 1 May noon to 2 May midnight is 12 h of 31 d between 54,000 and 54,100 km: 54,001.612 km, cut to the metre.
    towing_from = 54_000_000 + 100_000 * 12 // (31 * 24)
    assert point.limbs[0].due == -(-(4 * towing_from - 40_000_000) // 3)


def test_strictest_stays_until_done() -> None:
    """Towing for the first 5,000 km after the service passes the threshold at once; normal duty after undoes nothing."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(("2024-01-10", 40_000), ("2024-02-01", 45_000), ("2024-06-01", 60_000)),
        duty=(DutyEntry(DutyCondition.TOWING, 0.5, date(2024, 1, 1), date(2024, 1, 31)),),
    )
    assert due_on(only(IntervalRule(every(20_000), conditions=(towing(),)), history), Limb.ODOMETER) == 50_000


def test_strictest_share_at_threshold_does_not_pass() -> None:
    """A share of exactly 0.25 all along never passes 0.25."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(("2024-01-10", 40_000), ("2024-06-01", 60_000)),
        duty=(DutyEntry(DutyCondition.TOWING, 0.25, date(2023, 1, 1)),),
    )
    assert due_on(only(IntervalRule(every(20_000), conditions=(towing(),)), history), Limb.ODOMETER) == 60_000


def test_weighted_duty_turns_severe_half_way() -> None:
    """15,000 km. 40,000 to 46,000 at 1, then towing at half interval (rate 2): 6,000 + 2 d = 15,000, d = 4,500."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(
            ("2024-01-10", 40_000), ("2024-04-30", 46_000), ("2024-05-01", 46_000), ("2024-06-01", 47_000)
        ),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 1)),),
    )
    rule = IntervalRule(every(15_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    assert due_on(only(rule, history), Limb.ODOMETER) == 50_500


def test_weighted_overdue_in_equivalent_kilometres() -> None:
    """Limit 15,000: 6,000 km at 2 and 4,000 km at 1 have used 16,000; due 1,000 km of normal running ago."""
    history = vehicle(
        work("2024-01-01", 40_000),
        odometer=line(
            ("2024-01-01", 40_000), ("2024-01-31", 46_000), ("2024-02-01", 46_000), ("2024-03-01", 50_000)
        ),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1), date(2024, 1, 31)),),
    )
    rule = IntervalRule(every(15_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    assert due_on(only(rule, history), Limb.ODOMETER) == 49_000
    anchor = anchor_of(service_of(rule), rule, history)
    assert used_share(rule, anchor, history, Limb.ODOMETER, km(50_000)) == pytest.approx(
        16_000 / 15_000, rel=1e-12
    )


def test_weighted_overlap_fills_from_the_most_severe() -> None:
    """Towing 0.7 at 0.5 and dust 0.6 at 0.75: 0.7 / 0.5 + 0.3 / 0.75 = 1.8, so 18,000 km last 10,000."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(("2024-01-10", 40_000), ("2024-06-01", 41_000)),
        duty=(
            DutyEntry(DutyCondition.TOWING, 0.7, date(2023, 1, 1)),
            DutyEntry(DutyCondition.DUST, 0.6, date(2023, 1, 1)),
        ),
    )
    rule = IntervalRule(
        every(18_000),
        policy=DutyPolicy.WEIGHTED,
        conditions=(towing(0.5, 0.0), SevereCondition(DutyCondition.DUST, 0.75, 0.0, (Limb.ODOMETER,))),
    )
    assert due_on(only(rule, history), Limb.ODOMETER) == 50_000


def test_severe_duty_on_the_calendar_counts_days() -> None:
    """24 months, halved: 12 calendar months from last done once towing days pass a quarter of all days."""
    history = vehicle(
        work("2024-01-31", 40_000), duty=(DutyEntry(DutyCondition.TOWING, 0.5, date(2023, 1, 1)),)
    )
    rule = IntervalRule(every(months=24), conditions=(towing(0.5, 0.25, Limb.CALENDAR),))
    assert due_on(only(rule, history), Limb.CALENDAR) == "2025-01-31"
    weighted = IntervalRule(
        every(months=24), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0, Limb.CALENDAR),)
    )
    # 731 days at 0.5 x 2 + 0.5 = 1.5 a day are used up in 487.33, so on the 488th day.
    assert (
        due_on(only(weighted, history), Limb.CALENDAR) == date.fromordinal(on("2024-01-31") + 488).isoformat()
    )


def test_severe_set_points_are_multiples_of_the_short_interval() -> None:
    """Points each 48,000; severe each 24,000: after 48,000 was settled the next is 72,000. At 0.6: 57,600."""
    history = vehicle(
        work("2024-01-10", 48_500),
        odometer=line(("2024-01-10", 48_500), ("2024-06-01", 50_000)),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),),
    )
    for factor, expected in ((0.5, 72_000), (0.6, 57_600)):
        rule = IntervalRule(every(48_000), counting=Counting.SET_POINTS, conditions=(towing(factor),))
        assert due_on(only(rule, history), Limb.ODOMETER) == expected


def test_services_inside_services() -> None:
    """The large service includes the small one, transitively; a task left undone keeps its own service open."""
    small = Service("small", "small", (Task("oil", "Oil"),), (IntervalRule(every(10_000)),))
    middle = Service(
        "middle", "middle", (Task("air", "Air filter"),), (IntervalRule(every(20_000)),), ("small",)
    )
    large = Service("large", "large", (), (IntervalRule(every(40_000)),), ("middle",))
    sheet = sheet_of(small, middle, large)
    assert completed_services(sheet, ["large"], []) == {"small", "middle", "large"}
    assert completed_services(sheet, ["large"], ["air"]) == {"small"}
    assert completed_services(sheet, ["large"], ["oil"]) == {"middle"}
    done = vehicle(work("2024-06-01", 41_000, *completed_services(sheet, ["large"], [])))
    assert [p.limbs[0].due for p in due_points(sheet, done)] == [km(51_000), km(61_000), km(81_000)]
    # The air filter was left undone: the middle and the large service stay due where they were.
    partly = vehicle(work("2024-06-01", 41_000, *completed_services(sheet, ["large"], ["air"])))
    assert [p.limbs[0].due for p in due_points(sheet, partly)] == [km(51_000), km(20_000), km(40_000)]


def test_bought_used_without_papers() -> None:
    """Nothing is known: baseline needed, a one-time service too; paperwork gives a baseline, marked so."""
    rule = IntervalRule(every(10_000))
    used = vehicle(is_known=False, odometer=line(("2024-06-01", 88_000)))
    assert only(rule, used).status is PointStatus.BASELINE_NEEDED
    assert state(only(rule, used), "2024-06-02", 88_000) is State.BASELINE_NEEDED
    assert only(rule, used, is_one_time=True).status is PointStatus.BASELINE_NEEDED
    paper = work("2023-11-01", 81_000)
    entered = vehicle(
        type(paper)(1, paper.at_us, paper.on, paper.figures, paper.completed, is_from_papers=True),
        is_known=False,
        odometer=line(("2024-06-01", 88_000)),
    )
    assert only(rule, entered).anchor_kind is AnchorKind.PAPERS
    assert due_on(only(rule, entered), Limb.ODOMETER) == 91_000


def test_one_time_service() -> None:
    """Due once at 1,000 km, and done for good after that."""
    rule = IntervalRule(every(1_000))
    assert state(only(rule, vehicle(), is_one_time=True), "2024-02-01", 1_200) is State.OVERDUE
    done = only(rule, vehicle(work("2024-02-02", 1_210)), is_one_time=True)
    assert state(done, "2024-03-01", 90_000) is State.DONE


def test_component_exchanged_restarts_its_own_clocks() -> None:
    """Another gearbox at 73,000 km: its service counts from there, with the first interval again; others run on."""
    rule = IntervalRule(every(60_000), first=every(10_000))
    gearbox = service_of(rule, "gearbox-oil", compartment="gearbox")
    other = service_of(IntervalRule(every(60_000)), "coolant", compartment="coolant")
    history = vehicle(
        work("2024-02-01", 10_000, "gearbox-oil", "coolant"),
        exchanges=(
            ComponentExchange(2, us("2024-09-01"), date(2024, 9, 1), "gearbox", {Meter.ODOMETER: km(73_000)}),
        ),
    )
    first, second = due_points(sheet_of(gearbox, other), history)
    assert (first.limbs[0].due, second.limbs[0].due) == (km(83_000), km(70_000))
    assert first.anchor_kind is AnchorKind.COMPONENT


def test_partial_restoration_carries_over() -> None:
    """20,000 km, all used at 60,000; 0.6 of the exchange restored: 0.4 carries over, due 12,000 km later."""
    history = vehicle(work("2024-01-10", 40_000), work("2024-08-10", 60_000, key=2, restored={"oil": 0.6}))
    assert due_on(only(IntervalRule(every(20_000)), history), Limb.ODOMETER) == 72_000


def test_states_along_the_odometer() -> None:
    """Due at 50,000, early window 1,000, tolerance 500."""
    rule = IntervalRule(every(10_000), early_window=every(1_000), tolerance=every(500))
    point = only(rule, vehicle(work("2024-01-10", 40_000)))
    expected = {
        48_999.999: State.NOT_DUE,
        49_000: State.IN_WINDOW,
        49_999.999: State.IN_WINDOW,
        50_000: State.DUE,
        50_500: State.DUE,
        50_500.001: State.OVERDUE,
    }
    assert {figure: state(point, "2024-06-01", figure) for figure in expected} == expected


def test_states_along_the_calendar() -> None:
    """Due 31 August 2024; a month early from 31 July; a month's tolerance through 30 September."""
    rule = IntervalRule(every(months=6), early_window=every(months=1), tolerance=every(months=1))
    point = only(rule, vehicle(work("2024-02-29", None), work("2024-02-29", None, key=2)))
    assert due_on(point, Limb.CALENDAR) == "2024-08-29"
    expected = {
        "2024-07-28": State.NOT_DUE,
        "2024-07-29": State.IN_WINDOW,
        "2024-08-29": State.DUE,
        "2024-09-29": State.DUE,
        "2024-09-30": State.OVERDUE,
    }
    assert {day: state(point, day) for day in expected} == expected


def test_no_reading_one_reading_stale_reading() -> None:
    """Without a reading the odometer limb cannot be judged; with one there is a state but no date; old is stale."""
    point = only(IntervalRule(every(10_000, months=24)), vehicle(work("2024-01-10", 40_000)))
    assert state(point, "2024-06-01") is State.NO_READING
    one = judge(
        point, {Meter.ODOMETER: Standing(km(45_000), on("2024-06-01"), None)}, on("2024-06-01"), STALE
    )
    assert (one.state, one.projected_state) == (State.NOT_DUE, State.NOT_DUE)
    assert one.limbs[0].due_day is None
    assert one.governed_by is Limb.CALENDAR
    assert state(point, "2024-06-15", 45_000, "2024-06-01", 10) is State.NOT_DUE
    assert state(point, "2024-06-16", 45_000, "2024-06-01", 10) is State.READING_STALE
    # A limb that is past by what is known is overdue, however silent the gateway.
    assert state(point, "2026-01-11", 45_000, "2024-06-01", 10) is State.OVERDUE


def test_projection_by_recent_use() -> None:
    """5,000 km left at 100 km a day from 1 June: 50 days, 21 July; due by projection from then on."""
    point = only(IntervalRule(every(10_000)), vehicle(work("2024-01-10", 40_000)))
    standings = {Meter.ODOMETER: Standing(km(45_000), on("2024-06-01"), 100_000.0)}
    judged = judge(point, standings, on("2024-06-01"), STALE)
    assert judged.due_day == on("2024-07-21")
    assert judge(point, standings, on("2024-07-20"), 99).projected_state is State.NOT_DUE
    later = judge(point, standings, on("2024-07-21"), 99)
    assert (later.state, later.projected_state) == (State.NOT_DUE, State.DUE)


def test_deferral() -> None:
    """Due at 50,000; deferred to 52,000 by the workshop lead: deferred through 52,000, overdue past it."""
    put_off = Deferral(1, "oil", date(2024, 6, 1), {Limb.ODOMETER: km(52_000)}, "workshop lead", "part late")
    history = vehicle(work("2024-01-10", 40_000), deferrals=(put_off,))
    point = only(IntervalRule(every(10_000)), history)
    assert state(point, "2024-06-02", 51_000) is State.DEFERRED
    assert state(point, "2024-06-02", 52_000) is State.DEFERRED
    assert state(point, "2024-06-02", 52_000.001) is State.OVERDUE
    assert state(point, "2024-06-02") is State.NO_READING
    assert state(point, "2024-07-02", 51_000, "2024-06-02") is State.READING_STALE
    done = vehicle(work("2024-01-10", 40_000), work("2024-06-05", 51_500, key=2), deferrals=(put_off,))
    assert only(IntervalRule(every(10_000)), done).deferral is None


def test_rule_limits_choose_the_first_that_admits() -> None:
    """Model years up to 2022 every 10,000 km, later ones every 15,000; an unknown year falls under neither."""
    old = IntervalRule(every(10_000), applies_to=Applicability(model_year_to=2022))
    new = IntervalRule(every(15_000), applies_to=Applicability(model_year_from=2023))
    sheet = sheet_of(Service("oil", "oil", (Task("t", "t"),), (old, new)))
    assert due_points(sheet, vehicle(model_year=2022))[0].limbs[0].due == km(10_000)
    assert due_points(sheet, vehicle(model_year=2023))[0].limbs[0].due == km(15_000)
    assert due_points(sheet, vehicle()) == ()


def test_idle_hours_count_where_the_sheet_gives_the_figure() -> None:
    """Each idle hour counts as 40 km: 100 h idle by last done and 150 h by now leave 10,000 - 5,000 - 2,000 km."""
    idle = Timeline((us("2024-01-10"), us("2024-06-01")), (100 * 3600, 150 * 3600))
    rule = IntervalRule(every(10_000), idle_m_per_h=40_000)
    history = vehicle(
        work("2024-01-10", 40_000), odometer=line(("2024-01-10", 40_000), ("2024-06-01", 45_000))
    )
    counted = type(history)(history.origin, {**history.timelines, Meter.IDLE_HOURS: idle}, work=history.work)
    point = only(rule, counted)
    standings = {
        Meter.ODOMETER: Standing(km(45_000), on("2024-06-01"), 100_000.0),
        Meter.IDLE_HOURS: Standing(150 * 3600, on("2024-06-01"), 3600.0),
    }
    judged = judge(point, standings, on("2024-06-01"), STALE)
    assert judged.limbs[0].remaining == km(3_000)
    # 100 km driven and 1 h idle (40 km) a day: 3,000 / 140 = 21.4, so the 22nd day.
    assert judged.due_day == on("2024-06-01") + 22
    plain = only(rule, history)
    assert plain.limbs[0].idle_m_per_h is None
    assert plain.limbs[0].due == km(50_000)


def test_work_without_a_figure_is_estimated_between_readings() -> None:
    """Half-way in time between 40,000 and 50,000 km: 45,000, marked estimated."""
    history = vehicle(work("2024-02-15", None), odometer=line(("2024-02-05", 40_000), ("2024-02-25", 50_000)))
    point = only(IntervalRule(every(10_000)), history)
    assert due_on(point, Limb.ODOMETER) == 55_000
    assert point.limbs[0].is_base_estimated


def test_severe_set_point_that_was_served_is_settled() -> None:
    """Points each 48,000, under towing each 24,000. Served at 24,000, the next is 48,000 and not 24,000 again.

    Served late at 34,000 the grid stays: 48,000. Served at 72,000 after 48,500: 96,000.
    """
    rule = IntervalRule(every(48_000), counting=Counting.SET_POINTS, conditions=(towing(),))
    for figures, expected in (
        ((24_000,), 48_000),
        ((34_000,), 48_000),
        ((23_999,), 24_000),
        ((48_500,), 72_000),
        ((48_500, 72_000), 96_000),
    ):
        done = [work(f"2024-0{place}-10", km_, key=place) for place, km_ in enumerate(figures, 1)]
        history = vehicle(
            *done,
            odometer=line(("2024-01-01", 0), ("2024-11-01", 80_000)),
            duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),),
        )
        assert due_on(only(rule, history), Limb.ODOMETER) == expected


def test_severe_set_points_settle_a_column_of_the_severe_table() -> None:
    """30,000 km or 12 months, both halved by towing. Served at 15,000 km in month 2: column 1 of the severe table.

    The next column is 30,000 km or 12 months. Where towing halves distance alone, the months are those of column 1.
    """
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),)
    history = vehicle(work("2024-03-01", 15_000), odometer=line(("2024-02-01", 8_000)), duty=duty)
    for limbs in ((Limb.ODOMETER, Limb.CALENDAR), (Limb.ODOMETER,)):
        rule = IntervalRule(
            every(30_000, months=12), counting=Counting.SET_POINTS, conditions=(towing(0.5, 0.25, *limbs),)
        )
        point = only(rule, history)
        assert due_on(point, Limb.ODOMETER) == 30_000
        assert due_on(point, Limb.CALENDAR) == "2025-01-01"
    # Served in month 7 at 3,000 km the calendar has settled column 1 for both.
    slow = vehicle(work("2024-08-01", 3_000), odometer=line(("2024-02-01", 1_000)), duty=duty)
    rule = IntervalRule(
        every(30_000, months=12),
        counting=Counting.SET_POINTS,
        conditions=(towing(0.5, 0.25, Limb.ODOMETER, Limb.CALENDAR),),
    )
    assert due_on(only(rule, slow), Limb.ODOMETER) == 30_000
    assert due_on(only(rule, slow), Limb.CALENDAR) == "2025-01-01"


def test_severe_set_points_with_a_first_that_differs() -> None:
    """First 1,000, then each 10,000; at 0.6: 600, 1,000, 7,000, 13,000 and so on."""
    rule = IntervalRule(
        every(10_000), first=every(1_000), counting=Counting.SET_POINTS, conditions=(towing(0.6),)
    )
    for figure, expected in ((None, 600), (600, 1_000), (700, 1_000), (1_200, 7_000), (7_100, 11_000)):
        history = vehicle(
            *(() if figure is None else (work("2024-02-10", figure),)),
            odometer=line(("2024-01-01", 0), ("2024-11-01", 8_000)),
            duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),),
        )
        # 7,000 is served at 7,100; the next multiple, 13,000, lies beyond 11,000 of normal duty.
        assert due_on(only(rule, history), Limb.ODOMETER) == expected


def test_weighted_set_points_end_with_the_grid_or_the_sum_since_last_done() -> None:
    """Points each 48,000, towing wears twice. New: due at 24,000. Served there, sum and grid end at 48,000.

    Served at 34,000: sum until 58,000, grid 48,000. Served at 48,500: sum until 72,500, grid 96,000.
    """
    rule = IntervalRule(
        every(48_000),
        counting=Counting.SET_POINTS,
        policy=DutyPolicy.WEIGHTED,
        conditions=(towing(0.5, 0.0),),
    )
    for figure, expected in ((None, 24_000), (24_000, 48_000), (34_000, 48_000), (48_500, 72_500)):
        history = vehicle(
            *(() if figure is None else (work("2024-02-10", figure),)),
            odometer=line(("2024-01-01", 0), ("2024-11-01", 80_000)),
            duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),),
        )
        assert due_on(only(rule, history), Limb.ODOMETER) == expected


def test_partial_restoration_at_set_points() -> None:
    """Points each 30,000; 0.6 of an exchange restored.

    At 30,000, all used: 0.4 carries over, 18,000 km on: 48,000. At 15,000, half used: 0.2 carries over, which lasts
    until 39,000, so the point at 30,000 stays. At 36,000 after a full service at 34,000: 2,000 of 30,000 used, of
    which 0.4 carries over: 29,200 km on lies beyond 60,000.
    """
    rule = IntervalRule(every(30_000), counting=Counting.SET_POINTS)
    share = {"oil": 0.6}
    assert due_on(only(rule, vehicle(work("2024-06-01", 30_000, restored=share))), Limb.ODOMETER) == 48_000
    assert due_on(only(rule, vehicle(work("2024-06-01", 15_000, restored=share))), Limb.ODOMETER) == 30_000
    twice = vehicle(work("2024-06-01", 34_000), work("2024-07-01", 36_000, key=2, restored=share))
    assert due_on(only(rule, twice), Limb.ODOMETER) == 60_000


def test_partial_restoration_sees_readings_on_both_sides() -> None:
    """Weighted, 20,000 km, towing wears twice from 20 February on; readings only on 1 January and 1 May.

    New on 1 January 2024; 121 days for 12,100 km, 100 km a day. Work at noon of 1 April, 91.5 days on, at 9,150 km:
    towing since day 50 (5,000 km): 5,000 + 2 x 4,150 = 13,300 used; 0.6 restored leaves 0.4 x 0.665 = 0.266.
    Left: 0.734 x 20,000 = 14,680 at 2 a km: 7,340 km on.
    """
    start, end = us("2024-01-01", 0), us("2024-05-01", 0)
    history = vehicle(
        work("2024-04-01", 9_150, restored={"oil": 0.6}),
        odometer=Timeline((start, end), (0, km(12_100))),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 2, 20)),),
    )
    rule = IntervalRule(every(20_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    assert due_on(only(rule, history), Limb.ODOMETER) == 9_150 + 7_340


def test_component_exchanged_without_a_figure_is_no_guess() -> None:
    """Set points each 60,000 km or 24 months; the gearbox came at an unknown odometer: its points are unknown there."""
    rule = IntervalRule(every(60_000, months=24), counting=Counting.SET_POINTS)
    swapped = ComponentExchange(2, us("2024-09-01"), date(2024, 9, 1), "gearbox", {})
    point = only(rule, vehicle(exchanges=(swapped,)), compartment="gearbox")
    assert point.missing == (Limb.ODOMETER,)
    assert due_on(point, Limb.CALENDAR) == "2026-09-01"
    assert state(point, "2025-06-01", 90_000) is State.NO_READING
    # The first service that notes the odometer lays the grid there: 150,000 + 60,000.
    served = only(rule, vehicle(work("2026-09-01", 150_000), exchanges=(swapped,)), compartment="gearbox")
    assert due_on(served, Limb.ODOMETER) == 210_000
    assert due_on(served, Limb.CALENDAR) == "2028-09-01"


def test_component_exchanged_in_the_visit_that_served_it() -> None:
    """Same instant, whatever the keys: the exchange counts after the work, so the first interval runs again."""
    rule = IntervalRule(every(60_000), first=every(10_000))
    done = work("2024-09-01", 73_000, key=5)
    for key in (1, 9):
        swapped = ComponentExchange(
            key, done.at_us, date(2024, 9, 1), "gearbox", {Meter.ODOMETER: km(73_000)}
        )
        point = only(rule, vehicle(done, exchanges=(swapped,)), compartment="gearbox")
        assert point.anchor_kind is AnchorKind.COMPONENT
        assert due_on(point, Limb.ODOMETER) == 83_000


def test_idle_hours_known_only_after_the_service() -> None:
    """Bought used, served at 88,000 km; the idle meter is first read later, at 5,000 h, then 5,010 h by now.

    What it idled before that first reading cannot be told; 10 h x 40 km count: 10,000 - 1,000 - 400 left.
    """
    idle = Timeline((us("2024-07-01"), us("2024-08-01")), (5_000 * 3600, 5_010 * 3600))
    rule = IntervalRule(every(10_000), idle_m_per_h=40_000)
    history = vehicle(
        work("2024-06-01", 88_000),
        is_known=False,
        odometer=line(("2024-06-01", 88_000), ("2024-08-01", 89_000)),
    )
    counted = replace(history, timelines={**history.timelines, Meter.IDLE_HOURS: idle})
    standings = {
        Meter.ODOMETER: Standing(km(89_000), on("2024-08-01"), None),
        Meter.IDLE_HOURS: Standing(5_010 * 3600, on("2024-08-01"), None),
    }
    judged = judge(only(rule, counted), standings, on("2024-08-01"), STALE)
    assert judged.limbs[0].remaining == km(8_600)
    # Served after the last idle reading, with no rate to carry it on: what it shows last counts.
    late = replace(counted, work=(work("2024-09-01", 90_000),))
    (limb,) = only(rule, late).limbs
    assert limb.base == km(90_000) + 5_010 * 40_000


def test_deferral_of_the_day_on_which_it_was_done_after_all() -> None:
    """Put off in the morning, done in the afternoon: no longer deferred. On a first day there is no such work."""
    put_off = Deferral(1, "oil", date(2024, 6, 5), {Limb.ODOMETER: km(52_000)}, "workshop lead", "part late")
    done = vehicle(work("2024-06-05", 50_500), deferrals=(put_off,))
    assert only(IntervalRule(every(10_000)), done).deferral is None
    fresh = vehicle(new_on="2024-06-05", deferrals=(put_off,))
    assert only(IntervalRule(every(10_000)), fresh).deferral is put_off


def test_statutory_service_is_never_deferred() -> None:
    """Not even where an earlier sheet allowed it."""
    put_off = Deferral(1, "oil", date(2024, 6, 1), {Limb.ODOMETER: km(52_000)}, "workshop lead", "part late")
    history = vehicle(work("2024-01-10", 40_000), deferrals=(put_off,))
    assert only(IntervalRule(every(10_000)), history, is_statutory=True).deferral is None


def test_weighted_set_points_served_early_run_to_the_grid() -> None:
    """Points each 30,000, served at 28,500 within 2,000: in normal duty the next is 60,000, 31,500 km on.

    Where towing wears twice, those 31,500 are used up in 15,750.
    """
    rule = IntervalRule(
        every(30_000),
        counting=Counting.SET_POINTS,
        early_window=every(2_000),
        policy=DutyPolicy.WEIGHTED,
        conditions=(towing(0.5, 0.0),),
    )
    done = work("2024-06-01", 28_500)
    course = line(("2024-01-01", 0), ("2024-11-01", 80_000))
    assert due_on(only(rule, vehicle(done, odometer=course)), Limb.ODOMETER) == 60_000
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),)
    assert due_on(only(rule, vehicle(done, odometer=course, duty=duty)), Limb.ODOMETER) == 44_250


def test_the_day_on_which_a_limb_is_due() -> None:
    """5,000 km at 100 a day from 1 June: 21 July. The calendar has its day; without a reading there is none."""
    odometer, calendar = only(
        IntervalRule(every(10_000, months=12)), vehicle(work("2024-01-10", 40_000))
    ).limbs
    standings = {Meter.ODOMETER: Standing(km(45_000), on("2024-06-01"), 100_000.0)}
    assert limb_due_day(odometer, standings) == on("2024-07-21")
    assert limb_due_day(calendar, standings) == on("2025-01-10")
    assert limb_due_day(odometer, {}) is None


def test_used_share_by_policy_and_without_a_figure() -> None:
    """15,000 of 20,000 km are 0.75; with towing all along 1.5 of the halved interval; no figure, nothing counted."""
    course = line(("2024-01-01", 40_000), ("2024-06-01", 60_000))
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),)
    done = work("2024-01-01", 40_000)
    for conditions, expected in (((), 0.75), ((towing(),), 1.5)):
        rule = IntervalRule(every(20_000, hours=500), conditions=conditions)
        history = vehicle(done, odometer=course, duty=duty)
        anchor = anchor_of(service_of(rule), rule, history)
        assert used_share(rule, anchor, history, Limb.ODOMETER, km(55_000)) == pytest.approx(
            expected, rel=1e-12
        )
        assert used_share(rule, anchor, history, Limb.ENGINE_HOURS, 10**9) == 0.0


def test_partial_restoration_on_the_limbs_that_can_be_counted() -> None:
    """Odometer all used, 0.5 restored; the hours have no figure, so nothing is carried there."""
    rule = IntervalRule(every(20_000, hours=500))
    history = vehicle(work("2024-01-10", 20_000, restored={"oil": 0.5}))
    point = only(rule, history)
    assert due_on(point, Limb.ODOMETER) == 30_000
    assert point.missing == (Limb.ENGINE_HOURS,)


def test_partial_restoration_adds_up_over_visits() -> None:
    """20,000 km. At 20,000 half is restored: 0.5 left, due at 30,000. There half again: all used, 0.5: due at 40,000.

    At 25,000 instead: 0.5 + 0.5 x 5,000 / 10,000 = 0.75 used, of which 0.375 stays: 12,500 km on.
    """
    share = {"oil": 0.5}
    rule = IntervalRule(every(20_000))
    first = work("2024-01-10", 20_000, restored=share)
    again = vehicle(first, work("2024-05-10", 30_000, key=2, restored=share))
    assert due_on(only(rule, again), Limb.ODOMETER) == 40_000
    sooner = vehicle(first, work("2024-05-10", 25_000, key=2, restored=share))
    assert due_on(only(rule, sooner), Limb.ODOMETER) == 37_500
    # Nothing restored at all still leaves a due point beyond the visit.
    nothing = vehicle(work("2024-01-10", 20_000, restored={"oil": 0.0}))
    assert due_on(only(rule, nothing), Limb.ODOMETER) == 20_020


def test_weighted_set_points_without_a_figure_of_the_last_work() -> None:
    """No odometer was noted and none is known: the grid still stands at 30,000, though no sum can be made."""
    rule = IntervalRule(
        every(30_000),
        counting=Counting.SET_POINTS,
        policy=DutyPolicy.WEIGHTED,
        conditions=(towing(0.5, 0.0),),
    )
    assert due_on(only(rule, vehicle(work("2024-06-01", None))), Limb.ODOMETER) == 30_000


def test_duty_that_a_rule_does_not_name_changes_nothing() -> None:
    """Weighted, dust alone is named and the vehicle tows from June on."""
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 6, 1)),)
    dust = SevereCondition(DutyCondition.DUST, 0.5, 0.0, (Limb.CALENDAR,))
    rule = IntervalRule(every(20_000, months=24), policy=DutyPolicy.WEIGHTED, conditions=(dust,))
    point = only(rule, vehicle(work("2024-01-31", 40_000), odometer=line(("2024-02-01", 40_010)), duty=duty))
    assert (due_on(point, Limb.ODOMETER), due_on(point, Limb.CALENDAR)) == (60_000, "2026-01-31")
    assert all(limb.wear == () for limb in point.limbs)


def test_bought_used_with_papers_and_duty_before_the_first_reading() -> None:
    """By its papers done at 81,000; it tows since 1 May, first read on 1 June: it is taken to have towed all along.

    Duty that begins after the only reading has no figure yet, and changes nothing until it has.
    """
    paper = replace(work("2023-11-01", 81_000), is_from_papers=True)
    rule = IntervalRule(every(20_000), conditions=(towing(),))
    for start, expected in ((date(2024, 5, 1), 91_000), (date(2024, 7, 1), 101_000)):
        history = vehicle(
            paper,
            is_known=False,
            odometer=line(("2024-06-01", 88_000)),
            duty=(DutyEntry(DutyCondition.TOWING, 1.0, start),),
        )
        point = only(rule, history)
        assert due_on(point, Limb.ODOMETER) == expected
        assert not point.is_settled
    # Without any reading there is no figure either.
    silent = vehicle(paper, is_known=False, duty=history.duty)
    assert due_on(only(rule, silent), Limb.ODOMETER) == 101_000


def test_a_point_is_settled_once_no_newer_reading_can_move_it() -> None:
    """Towing from 1 May, 0:00: its odometer is fixed by a reading of a day after the first one past that instant."""
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 1)),)
    rule = IntervalRule(every(20_000), conditions=(towing(),))
    before, first, later = ("2024-04-30", 46_000), ("2024-05-01", 46_100), ("2024-05-02", 46_200)
    expected = ((before,), False), ((before, first), False), ((before, first, later), True)
    for points, is_settled in expected:
        history = vehicle(work("2024-01-10", 40_000), odometer=line(*points), duty=duty)
        assert only(rule, history).is_settled is is_settled
    # So is a figure that was not noted with the work; a noted one is settled at once.
    for points, is_settled in expected:
        history = vehicle(work("2024-05-01", None), odometer=line(*points))
        assert only(IntervalRule(every(20_000)), history).is_settled is is_settled
    noted = vehicle(work("2024-05-01", 46_090), odometer=line(before))
    assert only(IntervalRule(every(20_000)), noted).is_settled


def test_a_share_carried_over_is_settled_with_its_duty() -> None:
    """The work is noted, but how much it had towed until then is known a reading later only."""
    duty = (DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 1), date(2024, 5, 31)),)
    rule = IntervalRule(every(20_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    done = work("2024-05-10", 47_000, restored={"oil": 0.5})
    course = (("2024-04-30", 46_000), ("2024-05-20", 48_000), ("2024-06-20", 50_000), ("2024-06-21", 50_050))
    for count, is_settled in ((1, False), (2, False), (3, False), (4, True)):
        history = vehicle(done, odometer=line(*course[:count]), duty=duty)
        assert only(rule, history).is_settled is is_settled
    plain = IntervalRule(every(20_000))
    assert only(plain, vehicle(done, odometer=line(*course[:1]), duty=duty)).is_settled


def test_a_second_engine_whose_meter_is_replaced() -> None:
    """Serviced at 3,500 h of its first dial; replaced at 3,650 h by one that starts at 0: due at 4,000 h life-to-date.

    That stands at 350 h on the dial now fitted.
    """
    limb, meter = Limb.SECOND_ENGINE_HOURS, Meter.SECOND_ENGINE_HOURS
    first = MeterSegment(meter, us("2023-01-01"), None, 0, "h")
    old, new = replaced(first, at_us=us("2024-03-01"), old_figure=3_650 * 3600, new_figure=0, unit="h")
    done = replace(work("2024-02-01", None), figures={meter: 3_500 * 3600})
    history = replace(vehicle(done), segments=(old, new))
    (point,) = only(IntervalRule((Amount(limb, 500 * 3600),)), history).limbs
    assert point.due == 4_000 * 3600
    fitted = fitted_segment(history.segments, meter)
    assert fitted is not None
    assert point.due - fitted.offset == 350 * 3600


def test_a_cluster_changed_from_miles_to_kilometres() -> None:
    """Done at 60,000.0 mi on the old dial, every 10,000 km; the cluster was changed at 62,137.1 mi for one at 0 km.

    60,000 mi are 96,560.640 km, due at 106,560.640 km; 62,137.1 mi are 99,999.969 km: 6,560.671 km on the new dial.
    """
    miles = MeterSegment(Meter.ODOMETER, us("2020-01-01"), None, 0, "mi")
    done_m = to_canonical_whole(60_000.0, "mi", Dimension.DISTANCE)
    old_m = to_canonical_whole(62_137.1, "mi", Dimension.DISTANCE)
    _, dial = replaced(miles, at_us=us("2024-05-01"), old_figure=old_m, new_figure=0, unit="km")
    history = vehicle(replace(work("2024-02-01", None), figures={Meter.ODOMETER: done_m}))
    point = only(IntervalRule(every(10_000)), history)
    assert due_on(point, Limb.ODOMETER) == 106_560.640
    assert point.limbs[0].due - dial.offset == 6_560_671


def test_whichever_limb_comes_first_governs() -> None:
    """Of the same day the calendar comes first; a limb that cannot be dated never governs."""
    point = only(IntervalRule(every(10_000, months=12)), vehicle(work("2024-01-10", 40_000)))
    day = on("2025-01-10")
    for left, governs in ((9, Limb.ODOMETER), (10, Limb.CALENDAR), (11, Limb.CALENDAR)):
        standings = {Meter.ODOMETER: Standing(km(50_000 - left), day - 10, 1000.0)}
        assert judge(point, standings, day, STALE).governed_by is governs
    assert judge(point, {}, day, STALE).governed_by is Limb.CALENDAR
    hours = only(IntervalRule(every(10_000)), vehicle(work("2024-01-10", 40_000)))
    assert judge(hours, {}, day, STALE).governed_by is None


def test_a_part_restored_on_a_vehicle_of_unknown_past_leaves_the_rest_used_up() -> None:
    """Nothing is known before; 0.6 was restored at 50,000 km, so 0.4 of 20,000 km counts as used: due at 62,000."""
    history = vehicle(work("2024-08-10", 50_000, restored={"oil": 0.6}), is_known=False)
    assert due_on(only(IntervalRule(every(20_000)), history), Limb.ODOMETER) == 62_000


def test_a_deferral_to_a_day_holds_through_that_day() -> None:
    """Deferred to 30 June: still deferred on it, overdue on 1 July."""
    put_off = Deferral(
        1, "oil", date(2024, 6, 1), {Limb.CALENDAR: on("2024-06-30")}, "workshop lead", "part late"
    )
    point = only(IntervalRule(every(months=1)), vehicle(work("2024-01-10", None), deferrals=(put_off,)))
    assert [state(point, day) for day in ("2024-06-30", "2024-07-01")] == [State.DEFERRED, State.OVERDUE]
