"""Properties of meters, duty and due points, whatever the rule and whatever has happened."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from domain.anchors import AnchorKind
from domain.calendar import add_months
from domain.due import DuePoint, PointStatus, anchor_of, due_points, used_share
from domain.duty import DutyEntry, check_duty, day_start_us, stretches, wear_factor, weighted_figure, worn
from domain.history import ComponentExchange, Origin, VehicleHistory, WorkDone
from domain.meters import (
    DAY_US,
    PACE,
    MeterSegment,
    Reading,
    Timeline,
    can_follow,
    day_lasts,
    plausible_chain,
    replaced,
)
from domain.sheet import (
    Amount,
    Counting,
    DutyCondition,
    DutyPolicy,
    IntervalRule,
    Limb,
    Meter,
    Service,
    SevereCondition,
    SpecSheet,
    Task,
)
from domain.usage import fold, folded, rate_per_day

if TYPE_CHECKING:
    from random import Random

# Rare coincidences want more tries; most drawn histories are settled or not at once.
MANY = settings(max_examples=250, suppress_health_check=[HealthCheck.filter_too_much])
NEW_ON = date(2024, 1, 31)
START_US = day_start_us(NEW_ON.toordinal())
DAYS = 500
CONDITIONS = (DutyCondition.TOWING, DutyCondition.DUST, DutyCondition.EXTREME_HEAT)
LIMBS = (Limb.ODOMETER, Limb.CALENDAR)
FACTORS = st.sampled_from([0.1, 0.25, 0.5, 0.6, 2 / 3, 0.75, 0.9, 1.0]) | st.floats(0.05, 1.0)
SHARES = st.sampled_from([0.1, 0.25, 0.5, 1.0]) | st.floats(0.01, 1.0)


@st.composite
def duties(draw: st.DrawFn) -> tuple[DutyEntry, ...]:
    """Entries that agree with each other, some of them open, some before the vehicle's first day."""
    entries = []
    for condition in CONDITIONS:
        bounds = sorted(draw(st.lists(st.integers(-100, DAYS), min_size=1, max_size=6, unique=True)))
        for first, last in zip(bounds[::2], bounds[1::2], strict=False):
            through_on = NEW_ON + timedelta(days=last - 1)
            entries.append(DutyEntry(condition, draw(SHARES), NEW_ON + timedelta(days=first), through_on))
        if len(bounds) % 2:
            entries.append(DutyEntry(condition, draw(SHARES), NEW_ON + timedelta(days=bounds[-1])))
    check_duty(entries)
    return tuple(entries)


@st.composite
def courses(draw: st.DrawFn) -> list[Reading]:
    """Plausible odometer readings, several a day here and none for months there."""
    hours = sorted(draw(st.lists(st.integers(0, DAYS * 24), min_size=1, max_size=12, unique=True)))
    readings, life = [], 0
    for hour in hours:
        life += draw(st.integers(0, 60_000_000))
        readings.append(Reading(START_US + hour * 3_600_000_000, life))
    return readings


@st.composite
def rules(draw: st.DrawFn, counting: Counting | None = None) -> IntervalRule:
    """One or both limbs, with everything that a sheet may say about them."""
    limbs = draw(st.sampled_from([(Limb.ODOMETER,), (Limb.CALENDAR,), LIMBS]))
    amounts = {
        Limb.ODOMETER: st.integers(1_000_000, 60_000_000),
        Limb.CALENDAR: st.integers(1, 24),
    }
    every = {limb: draw(amounts[limb]) for limb in limbs}
    first = {limb: draw(amounts[limb]) for limb in limbs if draw(st.booleans())}
    early = {limb: draw(st.integers(0, every[limb] - 1)) for limb in limbs if draw(st.booleans())}
    named = draw(st.lists(st.sampled_from(CONDITIONS), unique=True, min_size=1))
    conditions = tuple(
        SevereCondition(
            condition,
            draw(FACTORS),
            draw(st.sampled_from([0.0, 0.25, 0.5]) | st.floats(0.0, 0.99)),
            tuple(draw(st.lists(st.sampled_from(limbs), unique=True, min_size=1))),
        )
        for condition in named
    )
    return IntervalRule(
        tuple(Amount(*pair) for pair in every.items()),
        first=tuple(Amount(*pair) for pair in first.items()),
        early_window=tuple(Amount(*pair) for pair in early.items()),
        counting=draw(st.sampled_from(Counting)) if counting is None else counting,
        policy=draw(st.sampled_from(DutyPolicy)),
        conditions=conditions,
    )


def life_at(readings: list[Reading], at_us: int) -> int:
    """A figure that the readings do not contradict."""
    return max((r.life for r in readings if r.at_us <= at_us), default=0)


def course_of(readings: list[Reading]) -> Timeline:
    """The timeline with its own rate."""
    course = day_lasts(readings)
    state = folded(zip(course.at_us, course.life, strict=True))
    return replace(course, per_day=rate_per_day(state))


@st.composite
def histories(draw: st.DrawFn, *, is_restored: bool = True, is_noted: bool = False) -> VehicleHistory:
    """A vehicle with readings, duty, work and, now and then, another component."""
    readings = draw(courses())
    work = []
    for key, hour in enumerate(draw(st.lists(st.integers(0, DAYS * 24), max_size=4, unique=True))):
        at_us = START_US + hour * 3_600_000_000
        figures = {Meter.ODOMETER: life_at(readings, at_us)} if is_noted or draw(st.booleans()) else {}
        restored = {"oil": draw(st.floats(0.0, 1.0))} if is_restored and draw(st.booleans()) else {}
        work.append(
            WorkDone(key, at_us, NEW_ON + timedelta(hours=hour), figures, frozenset({"oil"}), restored)
        )
    exchanges = []
    for key, hour in enumerate(draw(st.lists(st.integers(0, DAYS * 24), max_size=1))):
        at_us = START_US + hour * 3_600_000_000
        figures = {Meter.ODOMETER: life_at(readings, at_us)} if is_noted or draw(st.booleans()) else {}
        exchanges.append(ComponentExchange(key, at_us, NEW_ON + timedelta(hours=hour), "gearbox", figures))
    return VehicleHistory(
        Origin(NEW_ON, is_known_from_new=draw(st.booleans())),
        {Meter.ODOMETER: course_of(readings)} if draw(st.integers(0, 9)) else {},
        work=tuple(work),
        exchanges=tuple(exchanges),
        duty=draw(duties()),
    )


def point_of(rule: IntervalRule, history: VehicleHistory) -> DuePoint:
    service = Service("oil", "Oil", (Task("oil", "Oil"),), (rule,), compartment="gearbox")
    (point,) = due_points(SpecSheet("type", "Type", (Meter.ODOMETER,), (), (service,)), history)
    return point


def dues(point: DuePoint) -> dict[Limb, int]:
    return {limb.limb: limb.due for limb in point.limbs}


@given(rules(), histories(), st.data())
def test_splitting_a_duty_entry_or_reordering_them_changes_no_figure(
    rule: IntervalRule, history: VehicleHistory, data: st.DataObject
) -> None:
    """At any of its days, as often as one likes."""
    entries: list[DutyEntry] = []
    for entry in history.duty:
        length = DAYS if entry.through_on is None else (entry.through_on - entry.from_on).days
        cuts = sorted(data.draw(st.lists(st.integers(1, length), unique=True, max_size=3))) if length else []
        starts = [entry.from_on, *(entry.from_on + timedelta(days=cut) for cut in cuts)]
        ends = [*(start - timedelta(days=1) for start in starts[1:]), entry.through_on]
        entries += [replace(entry, from_on=a, through_on=b) for a, b in zip(starts, ends, strict=True)]
    split = data.draw(st.permutations(entries))
    check_duty(split)
    assert stretches(split) == stretches(history.duty)
    assert point_of(rule, replace(history, duty=tuple(split))) == point_of(rule, history)


@MANY
@given(rules(), histories())
def test_severe_duty_never_lengthens_an_interval(rule: IntervalRule, history: VehicleHistory) -> None:
    """No due point lies beyond that of the same rule without its conditions."""
    severe, normal = point_of(rule, history), point_of(replace(rule, conditions=()), history)
    assert (severe.status, severe.missing) == (normal.status, normal.missing)
    for limb, due in dues(severe).items():
        assert due <= dues(normal)[limb]


@given(rules(Counting.FROM_LAST_DONE), histories(is_restored=False), st.floats(0.1, 1.0))
def test_a_smaller_factor_never_makes_a_service_due_later(
    rule: IntervalRule, history: VehicleHistory, share: float
) -> None:
    """Each factor taken smaller by the same share."""
    harder = replace(rule, conditions=tuple(replace(c, factor=c.factor * share) for c in rule.conditions))
    for limb, due in dues(point_of(harder, history)).items():
        assert due <= dues(point_of(rule, history))[limb]


@MANY
@given(rules(), histories(is_restored=False, is_noted=True))
def test_a_service_just_done_is_not_due(rule: IntervalRule, history: VehicleHistory) -> None:
    """Whatever duty and grid say, the next due point lies beyond the work that settled the last."""
    point = point_of(rule, history)
    assume(point.anchor_kind in {AnchorKind.WORK_DONE, AnchorKind.COMPONENT})
    service = Service("oil", "Oil", (), (rule,), compartment="gearbox")
    anchor = anchor_of(service, rule, history)
    for limb, due in dues(point).items():
        done = anchor.done[limb]
        assert done is not None
        assert due > done.life


@given(rules(), histories(), st.randoms(use_true_random=False))
def test_the_order_in_which_facts_are_given_does_not_matter(
    rule: IntervalRule, history: VehicleHistory, chance: Random
) -> None:
    """Work, exchanges and deferrals are put in order by when they happened."""
    work = list(history.work)
    chance.shuffle(work)
    assert point_of(rule, replace(history, work=tuple(work))) == point_of(rule, history)


@given(rules(), histories(is_restored=False, is_noted=True))
def test_months_are_counted_from_the_anchor_and_clamp(rule: IntervalRule, history: VehicleHistory) -> None:
    """In normal duty from last done: the anchor's day, moved by whole months at once."""
    plain = replace(rule, conditions=(), counting=Counting.FROM_LAST_DONE)
    point = point_of(plain, history)
    for limb in point.limbs:
        if limb.limb is Limb.CALENDAR:
            assert date.fromordinal(limb.due) == add_months(point.anchor_on, limb.interval)


@given(rules(Counting.SET_POINTS), histories(is_restored=False, is_noted=True))
def test_set_points_stay_on_the_grid(rule: IntervalRule, history: VehicleHistory) -> None:
    """In normal duty, however late and often it was done: zero, the first interval and multiples of the others."""
    plain = replace(rule, conditions=())
    service = Service("oil", "Oil", (), (plain,), compartment="gearbox")
    anchor = anchor_of(service, plain, history)
    for limb, due in dues(point_of(plain, history)).items():
        every = next(a.amount for a in rule.every if a.limb is limb)
        first = next((a.amount for a in rule.first if a.limb is limb), every)
        zero = anchor.zero[limb]
        if limb is Limb.ODOMETER:
            assert due >= zero + first
            assert (due - zero - first) % every == 0
        else:
            grid = (add_months(date.fromordinal(zero), first + every * k).toordinal() for k in range(DAYS))
            assert due in grid


@MANY
@given(rules(), histories(), st.integers(1, 24) | st.integers(1, 400), st.integers(0, 10_000_000), st.data())
def test_a_newer_reading_moves_no_point_that_is_settled(
    rule: IntervalRule, history: VehicleHistory, hours: int, step: int, data: st.DataObject
) -> None:
    """Also where it is one more of the last day; that is what lets an ordinary reading leave due points alone."""
    assume(history.timelines)
    if data.draw(st.booleans()):
        # Duty that changes on the day of the last reading, or work a little before it.
        last_us = history.timelines[Meter.ODOMETER].at_us[-1]
        day = date.fromordinal(last_us // DAY_US - START_US // DAY_US + NEW_ON.toordinal())
        history = replace(
            history,
            duty=(DutyEntry(rule.conditions[0].condition, data.draw(SHARES), day),),
            work=history.work[: data.draw(st.integers(0, 1))],
            exchanges=(),
        )
    point = point_of(rule, history)
    assume(point.is_settled)
    course = history.timelines[Meter.ODOMETER]
    readings = [Reading(*pair) for pair in zip(course.at_us, course.life, strict=True)]
    readings.append(Reading(course.at_us[-1] + hours * 3_600_000_000, course.life[-1] + step))
    later = point_of(rule, replace(history, timelines={Meter.ODOMETER: course_of(readings)}))
    assert later == point


@given(rules(), histories())
def test_due_is_where_the_interval_is_used_up(rule: IntervalRule, history: VehicleHistory) -> None:
    """From last done under the weighted policy the Miner sum passes 1 at the due point, and not before."""
    weighted = replace(rule, policy=DutyPolicy.WEIGHTED, counting=Counting.FROM_LAST_DONE)
    point = point_of(weighted, history)
    assume(point.status is PointStatus.COUNTING)
    anchor = anchor_of(Service("oil", "Oil", (), (weighted,), compartment="gearbox"), weighted, history)
    for limb, due in dues(point).items():
        assert used_share(weighted, anchor, history, limb, due) >= 1 - 1e-9
        assert used_share(weighted, anchor, history, limb, due - 1) < 1 + 1e-9


@given(
    st.dictionaries(st.sampled_from(CONDITIONS), SHARES),
    st.dictionaries(st.sampled_from(CONDITIONS), FACTORS),
)
def test_wear_lies_between_normal_and_the_most_severe(
    shares: dict[DutyCondition, float], factors: dict[DutyCondition, float]
) -> None:
    """Never below 1, never above the worst multiplier alone: multipliers never multiply."""
    wear = wear_factor(tuple(shares.items()), factors)
    worst = min([factors[c] for c in shares if c in factors], default=1.0)
    assert 1 - 1e-12 <= wear <= (1 / worst) * (1 + 1e-12)
    assert wear == wear_factor(tuple(reversed(shares.items())), factors)


@given(
    st.lists(st.tuples(st.integers(0, 10**8), st.floats(1.0, 20.0)), min_size=1, max_size=6),
    st.floats(1.0, 1e8),
    st.integers(1, 10**8),
)
def test_the_miner_sum_does_not_change_when_a_span_is_split(
    spans: list[tuple[int, float]], allowance: float, cut: int
) -> None:
    """Nor does the figure at which it is used up."""
    ordered: list[tuple[float, float]] = [(float(start), wear) for start, wear in sorted(spans)]
    wear_there = [wear for start, wear in ordered if start <= cut]
    assume(wear_there)
    split = sorted([*ordered, (float(cut), wear_there[-1])], key=lambda span: span[0])
    assert weighted_figure(split, allowance) == pytest.approx(weighted_figure(ordered, allowance), rel=1e-9)
    assert worn(split, 2e8) == pytest.approx(worn(ordered, 2e8), rel=1e-9)


# Few instants and figures, so that many sets contradict themselves.
TIGHT = st.builds(
    Reading,
    st.integers(0, 12).map(lambda hour: hour * 3_600_000_000),
    st.integers(0, 8).map(lambda k: k * 120_000),
)
READINGS = st.lists(TIGHT, unique=True, max_size=9)


def accepted(readings: list[Reading]) -> list[Reading]:
    flags = plausible_chain(Meter.ODOMETER, readings)
    return sorted(r for r, is_plausible in zip(readings, flags, strict=True) if is_plausible)


@given(READINGS, st.randoms(use_true_random=False))
def test_which_readings_are_plausible_does_not_depend_on_their_order(
    readings: list[Reading], chance: Random
) -> None:
    """It is a function of the set."""
    shuffled = list(readings)
    chance.shuffle(shuffled)
    assert accepted(shuffled) == accepted(readings)


@given(READINGS)
def test_the_plausible_readings_are_a_longest_chain(readings: list[Reading]) -> None:
    """As long as the longest that trying all subsets finds, and of these it ends latest, then lowest."""
    chains = [
        chain
        for size in range(len(readings) + 1)
        for chain in combinations(sorted(readings), size)
        if all(can_follow(Meter.ODOMETER, a, b) for a, b in pairwise(chain))
    ]
    best = max(chains, key=lambda chain: (len(chain), [(r.at_us, -r.life) for r in reversed(chain)]))
    assert accepted(readings) == list(best)


@given(READINGS.filter(bool), st.integers(1, 10**6), st.integers(0, 10**7))
def test_a_newest_reading_that_can_follow_just_extends_the_chain(
    readings: list[Reading], seconds: int, step: int
) -> None:
    """Whatever was refused before it."""
    before = accepted(readings)
    newest_us = max(reading.at_us for reading in readings)
    newest = Reading(newest_us + seconds * 1_000_000, before[-1].life + step)
    assume(can_follow(Meter.ODOMETER, before[-1], newest))
    assert accepted([*readings, newest]) == [*before, newest]


@given(courses(), st.randoms(use_true_random=False))
def test_thinning_to_one_reading_a_day_changes_no_course_and_no_rate(
    readings: list[Reading], chance: Random
) -> None:
    """Nor does their order; the rate kept reading by reading is that of the last of each day, too."""
    course = day_lasts(readings)
    thinned = [Reading(*pair) for pair in zip(course.at_us, course.life, strict=True)]
    shuffled = list(readings)
    chance.shuffle(shuffled)
    assert day_lasts(thinned) == day_lasts(shuffled) == course
    state = None
    for reading in readings:
        state = fold(state, reading.at_us, reading.life)
    assert state == folded((r.at_us, r.life) for r in thinned)


@given(courses(), st.lists(st.integers(-24, DAYS * 24), max_size=10))
def test_life_to_date_never_falls_along_a_course(readings: list[Reading], hours: list[int]) -> None:
    """Between points, past the last, and it goes through each of them."""
    course = course_of(readings)
    fixes = [course.at(START_US + hour * 3_600_000_000) for hour in sorted(hours)]
    lives = [fix.life for fix in fixes if fix is not None]
    assert lives == sorted(lives)
    for at_us, life in zip(course.at_us, course.life, strict=True):
        fix = course.at(at_us)
        assert fix is not None
        assert (fix.life, fix.is_estimated) == (life, False)


@given(
    st.sampled_from(Meter),
    st.lists(
        st.tuples(
            st.integers(1, 1_000), st.integers(0, 10**9), st.integers(0, 10**9), st.sampled_from(["km", "mi"])
        ),
        max_size=5,
    ),
)
def test_life_to_date_is_continuous_over_replacements(
    meter: Meter, changes: list[tuple[int, int, int, str]]
) -> None:
    """What the old dial showed last and the new one first are the same life-to-date, at the same instant."""
    fitted = MeterSegment(meter, 0, None, 0, "km")
    day = run = dial = 0
    for days, use, new_figure, unit in changes:
        day, run, dial = day + days, run + use, dial + use
        old, fitted = replaced(fitted, at_us=day * DAY_US, old_figure=dial, new_figure=new_figure, unit=unit)
        assert dial + old.offset == new_figure + fitted.offset == run
        assert old.removed_at_us == fitted.fitted_at_us
        assert [segment.covers(day * DAY_US) for segment in (old, fitted)] == [False, True]
        dial = new_figure


@given(st.sampled_from(Meter), st.integers(0, 10**12), st.integers(1, 10**7), st.integers(0, 10**9))
def test_what_runs_at_its_pace_is_plausible(meter: Meter, life: int, seconds: int, excess: int) -> None:
    """And a unit beyond pace and slack is not."""
    most = int(PACE[meter].per_second * seconds) + PACE[meter].slack
    earlier = Reading(0, life)
    assert can_follow(meter, earlier, Reading(seconds * 1_000_000, life + most))
    assert not can_follow(meter, earlier, Reading(seconds * 1_000_000, life + most + 1 + excess))
