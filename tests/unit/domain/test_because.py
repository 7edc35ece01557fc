"""The reason in words; each sum in it can be checked by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from domain.anchors import AnchorKind
from domain.because import because, figure_text
from domain.due import DuePoint, Judgement, LimbJudgement, LimbPoint, PointStatus, Standing, State, judge
from domain.duty import DutyEntry
from domain.history import ComponentExchange, Deferral, VehicleHistory
from domain.meters import Timeline
from domain.sheet import Counting, DutyCondition, DutyPolicy, IntervalRule, Limb, Meter, SevereCondition
from domain.units import Dimension
from tests.unit.domain.due_cases import every, km, line, only, us, vehicle, work

METRIC = {
    Dimension.DISTANCE: "km",
    Dimension.DURATION: "h",
    Dimension.VOLUME: "L",
    Dimension.DISTANCE_PER_DURATION: "km/h",
}
US = {**METRIC, Dimension.DISTANCE: "mi"}
TOWING_ALL_ALONG = (DutyEntry(DutyCondition.TOWING, 1.0, date(2023, 1, 1)),)


def towing(factor: float = 0.5, threshold: float = 0.25, limb: Limb = Limb.ODOMETER) -> SevereCondition:
    return SevereCondition(DutyCondition.TOWING, factor, threshold, (limb,))


def said(
    rule: IntervalRule,
    history: VehicleHistory,
    day: str = "2024-06-01",
    km_: float | None = 45_000,
    units: dict[Dimension, str] = METRIC,
    **more: Any,
) -> str:
    as_of = date.fromisoformat(day).toordinal()
    standings = {} if km_ is None else {Meter.ODOMETER: Standing(km(km_), as_of, None)}
    return because(judge(only(rule, history, **more), standings, as_of, 14), rule, units)


def test_last_done_and_every() -> None:
    """40,000 + 10,000 = 50,000; 45,000 leaves 5,000. In miles: 24,854.8 + 6,213.7 = 31,068.6, by rounding."""
    history = vehicle(work("2024-01-10", 40_000))
    rule = IntervalRule(every(10_000))
    assert said(rule, history) == (
        "Last done 2024-01-10. Odometer: 40 000.0 + 10 000.0 = 50 000.0 km; reading 45 000.0 km, 5 000.0 km left."
    )
    assert said(rule, history, units=US) == (
        "Last done 2024-01-10. Odometer: 24 854.8 + 6 213.7 = 31 068.6 mi; reading 27 961.7 mi, 3 106.9 mi left."
    )


def test_the_governing_limb_comes_first() -> None:
    """The month is due before a reading can be projected; one day is one day."""
    history = vehicle(work("2024-04-30", 40_000))
    rule = IntervalRule(every(10_000, months=1))
    assert said(rule, history, "2024-05-31", 50_300) == (
        "Last done 2024-04-30. Calendar: 2024-04-30 + 1 month = 2024-05-30, 1 day past. "
        "Odometer: 40 000.0 + 10 000.0 = 50 000.0 km; reading 50 300.0 km, 300.0 km past."
    )
    assert "2024-05-30, 30 days left." in said(rule, history, "2024-04-30")


def test_what_an_interval_counts_from() -> None:
    """New, by papers, another component, an estimated figure."""
    rule = IntervalRule(every(10_000), first=every(5_000))
    assert said(rule, vehicle(), km_=1_000) == (
        "New on 2024-01-01. Odometer: 0.0 + 5 000.0 = 5 000.0 km; reading 1 000.0 km, 4 000.0 km left."
    )
    paper = replace(work("2023-11-01", 40_000), is_from_papers=True)
    assert said(rule, vehicle(paper)).startswith(
        "Last done 2023-11-01 by its papers. Odometer: 40 000.0 + 10 000.0"
    )
    swapped = ComponentExchange(
        1, us("2024-02-01"), date(2024, 2, 1), "gearbox", {Meter.ODOMETER: km(42_000)}
    )
    assert said(rule, vehicle(exchanges=(swapped,)), compartment="gearbox").startswith(
        "Component exchanged 2024-02-01. Odometer: 42 000.0 + 5 000.0 = 47 000.0 km"
    )
    between = vehicle(work("2024-02-15", None), odometer=line(("2024-02-05", 40_000), ("2024-02-25", 50_000)))
    assert "Odometer: 45 000.0 (estimated) + 10 000.0 = 55 000.0 km" in said(rule, between)


def test_no_baseline_and_done_for_good() -> None:
    """Both say what to do about it, or that nothing is."""
    rule = IntervalRule(every(1_000))
    assert said(rule, vehicle(is_known=False)) == (
        "Nothing is known of earlier work: enter from papers when it was last done, or do it."
    )
    done = vehicle(work("2024-02-02", 1_010))
    assert said(rule, done, is_one_time=True) == "One-time service, done 2024-02-02."


def test_without_a_reading_and_with_an_old_one() -> None:
    """A limb that has a due point but no reading, one that has neither, and a reading 31 days old."""
    rule = IntervalRule(every(10_000, hours=500))
    history = vehicle(work("2024-01-10", 40_000))
    assert said(rule, history, km_=None) == (
        "Last done 2024-01-10. Odometer: 40 000.0 + 10 000.0 = 50 000.0 km; no reading yet. "
        "Engine hours: cannot be counted without a reading."
    )
    plain = IntervalRule(every(10_000))
    day = date(2024, 6, 1).toordinal()
    standings = {Meter.ODOMETER: Standing(km(45_000), day - 31, None)}
    assert because(judge(only(plain, history), standings, day, 14), plain, METRIC).endswith(
        "reading 45 000.0 km, 5 000.0 km left, and that reading is old."
    )


def test_set_points() -> None:
    """Each 30,000 km and 12 months: one settled, the next at 60,000 km and on 1 January 2026."""
    rule = IntervalRule(every(30_000, months=12), counting=Counting.SET_POINTS)
    assert said(rule, vehicle(work("2024-05-10", 34_000))) == (
        "Last done 2024-05-10. "
        "Calendar: set points every 12 months, settled up to 2025-01-01, next 2026-01-01, 579 days left. "
        "Odometer: set points every 30 000.0, settled up to 30 000.0, next 60 000.0 km; "
        "reading 45 000.0 km, 15 000.0 km left."
    )


def test_what_was_carried_over() -> None:
    """0.6 restored of what was all used: 60,000 + 0.6 x 20,000 = 72,000; at set points from last done as well."""
    restored = {"oil": 0.6}
    history = vehicle(work("2024-01-10", 40_000), work("2024-05-10", 60_000, key=2, restored=restored))
    assert said(IntervalRule(every(20_000)), history, km_=61_000) == (
        "Last done 2024-05-10. Odometer: 60 000.0 + 20 000.0, of which 0.4 was carried over, = 72 000.0 km; "
        "reading 61 000.0 km, 11 000.0 km left."
    )
    half = vehicle(work("2024-01-10", 30_000, restored=restored))
    assert "Odometer: 30 000.0 + 30 000.0, of which 0.4 was carried over, = 48 000.0 km" in said(
        IntervalRule(every(30_000), counting=Counting.SET_POINTS), half
    )


def test_severe_duty_under_the_strictest_policy() -> None:
    """Passed at once: 40,000 + 0.5 x 20,000. Passed after the short interval has run: due where it passes."""
    rule = IntervalRule(every(20_000), conditions=(towing(),))
    done = work("2024-01-10", 40_000)
    course = line(("2024-01-10", 40_000), ("2024-05-01", 56_000), ("2024-06-01", 56_100))
    assert (
        "Odometer: towing passes 0.25 of use at 40 000.0 km, so 0.5 x 20 000.0 counts from 40 000.0: 50 000.0 km;"
        in (said(rule, vehicle(done, odometer=course, duty=TOWING_ALL_ALONG)))
    )
    late = vehicle(done, odometer=course, duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 1, 11)),))
    # 11 January 0:00 is 12 h of 112 d after noon of 10 January: 40,071.428 km; share 0.25 at 40,095.237.
    sooner = IntervalRule(every(180), conditions=(towing(),))
    assert "so 0.5 x 180.0 from 40 000.0 is behind at once: 40 095.2 km" in said(sooner, late)


def test_severe_set_points() -> None:
    """Each 0.6 x 48,000 = 28,800: 57,600 after 48,500. In months each 6: 1 July 2024."""
    course = line(("2024-01-10", 48_500), ("2024-06-01", 50_000))
    history = vehicle(work("2024-01-10", 48_500), odometer=course, duty=TOWING_ALL_ALONG)
    rule = IntervalRule(every(48_000), counting=Counting.SET_POINTS, conditions=(towing(0.6),))
    assert "at 48 500.0 km, so 0.6 x 48 000.0 is the step of the set points, next: 57 600.0 km" in said(
        rule, history
    )
    months = IntervalRule(
        every(months=12), counting=Counting.SET_POINTS, conditions=(towing(0.5, 0.25, Limb.CALENDAR),)
    )
    assert said(months, vehicle(duty=TOWING_ALL_ALONG)) == (
        "New on 2024-01-01. Calendar: towing passes 0.25 of days on 2024-01-01, "
        "so 0.5 x 12 months is the step of the set points, next: 2024-07-01, 30 days left."
    )


def test_severe_months_from_last_done() -> None:
    """24 months, halved."""
    rule = IntervalRule(every(months=24), conditions=(towing(0.5, 0.25, Limb.CALENDAR),))
    assert said(rule, vehicle(work("2024-01-31", None), duty=TOWING_ALL_ALONG)) == (
        "Last done 2024-01-31. Calendar: towing passes 0.25 of days on 2024-01-31, "
        "so 0.5 x 24 months counts from 2024-01-31: 2025-01-31, 244 days left."
    )


def test_wear_adds_up_to_the_interval() -> None:
    """6,000 x 1 + 4,500 x 2 = 15,000. Before that a span that begins beyond the due point is left out."""
    history = vehicle(
        work("2024-01-10", 40_000),
        odometer=line(
            ("2024-01-10", 40_000), ("2024-04-30", 46_000), ("2024-05-01", 46_000), ("2024-06-01", 47_000)
        ),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 5, 1)),),
    )
    rule = IntervalRule(every(15_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    assert said(rule, history, km_=47_000) == (
        "Last done 2024-01-10. Odometer: from 40 000.0 km: 6 000.0 x 1 + 4 500.0 x 2 = 15 000.0 at 50 500.0 km; "
        "reading 47 000.0 km, 3 500.0 km left."
    )
    short = IntervalRule(every(5_000), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0),))
    assert "from 40 000.0 km: 5 000.0 x 1 = 5 000.0 at 45 000.0 km" in said(short, history)


def test_wear_on_the_calendar_counts_days() -> None:
    """24 months from 31 January 2024 are 731 days; at 1.5 a day they are gone on the 488th."""
    rule = IntervalRule(
        every(months=24), policy=DutyPolicy.WEIGHTED, conditions=(towing(0.5, 0.0, Limb.CALENDAR),)
    )
    duty = (DutyEntry(DutyCondition.TOWING, 0.5, date(2023, 1, 1)),)
    assert said(rule, vehicle(work("2024-01-31", None), duty=duty)) == (
        "Last done 2024-01-31. Calendar: 2024-01-31 + 24 months leaves 731 days, used up by 488 days x 1.5: "
        "2025-06-02, 366 days left."
    )


def test_idle_hours_as_distance() -> None:
    """40,000 km and 100 h x 40; by now 45,000 km and 150 h x 40: 44,000 + 10,000 - 51,000 = 3,000 left."""
    rule = IntervalRule(every(10_000), idle_m_per_h=40_000)
    history = vehicle(work("2024-01-10", 40_000), odometer=line(("2024-01-10", 40_000)))
    assert said(rule, history).endswith(
        "5 000.0 km left. Idle hours are not counted: the vehicle reports none."
    )
    idle = Timeline((us("2024-01-10"), us("2024-06-01")), (100 * 3600, 150 * 3600))
    counted = replace(history, timelines={**history.timelines, Meter.IDLE_HOURS: idle})
    day = date(2024, 6, 1).toordinal()
    standings = {
        Meter.ODOMETER: Standing(km(45_000), day, None),
        Meter.IDLE_HOURS: Standing(150 * 3600, day, None),
    }
    judged = judge(only(rule, counted), standings, day, 14)
    assert because(judged, rule, METRIC, has_idle_hours=True) == (
        "Last done 2024-01-10. Odometer: 44 000.0 + 10 000.0 = 54 000.0 km with 40 km/h for idle hours; "
        "with idle hours now 51 000.0 km, 3 000.0 km left."
    )
    plain = IntervalRule(every(10_000))
    judged = judge(only(plain, counted), standings, day, 14)
    assert because(judged, plain, METRIC, has_idle_hours=True).endswith(
        "5 000.0 km left. Idle hours are not counted as distance: the sheet gives no figure for them."
    )
    months = IntervalRule(every(months=12))
    judged = judge(only(months, counted), standings, day, 14)
    assert because(judged, months, METRIC, has_idle_hours=True).endswith("2025-01-10, 223 days left.")


def test_a_deferral_says_who_why_and_until_when() -> None:
    """Two limits stand side by side."""
    limits = {Limb.ODOMETER: km(52_000), Limb.CALENDAR: date(2024, 9, 1).toordinal()}
    put_off = Deferral(1, "oil", date(2024, 6, 1), limits, "workshop lead", "part late")
    history = vehicle(work("2024-01-10", 40_000), deferrals=(put_off,))
    assert said(IntervalRule(every(10_000)), history, km_=51_000).endswith(
        "Deferred to 52 000.0 km or 2024-09-01 by workshop lead: part late"
    )


def test_figures_in_the_units_of_their_limbs() -> None:
    """Hours to a tenth; litres; a day."""
    assert figure_text(Limb.ENGINE_HOURS, 12_345 * 360, METRIC) == "1 234.5 h"
    assert figure_text(Limb.FUEL_BURNED, 1_234_000, METRIC) == "1 234.0 L"
    assert figure_text(Limb.CALENDAR, date(2024, 2, 29).toordinal(), METRIC) == "2024-02-29"


def test_a_limb_without_a_remainder_reads_as_none_left() -> None:
    """A calendar limb that nobody has held against a day yet."""
    point = LimbPoint(Limb.CALENDAR, 738_900, 738_900, 738_900, 738_800, is_base_estimated=False, interval=3)
    limb = LimbJudgement(point, None, None, None, None, None, is_stale=False)
    due = DuePoint("oil", 0, PointStatus.COUNTING, AnchorKind.NEW, date(2024, 1, 1), (point,))
    judged = Judgement(due, State.NO_READING, None, None, None, (limb,))
    assert because(judged, IntervalRule(every(months=3)), METRIC).endswith(", 0 days left.")
