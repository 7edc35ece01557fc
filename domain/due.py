"""When each service of a vehicle falls due, and how it stands on a day.

Two steps. ``due_points`` draws from a vehicle's history what does not change with the clock: for each service
the figure on each limb at which it falls due. ``judge`` holds those against the last readings and a day.
Everything is absolute (days, life-to-date figures), so neither passing time nor an ordinary reading rewrites a
due point.

Invariants: a due point never lies beyond the one of normal duty; a tolerance moves no due point; a service
whose anchor or meter is unknown has a state of its own, never a guess; a newer reading moves no due point that
is settled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

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
)
from domain.calendar import add_months
from domain.duty import Stretch, day_start_us, passing_figure, stretches, wear_factor, weighted_figure, worn
from domain.history import ComponentExchange, Deferral
from domain.meters import Fix
from domain.sheet import (
    LIMBS,
    METER_OF,
    Counting,
    DutyCondition,
    DutyPolicy,
    IntervalRule,
    Limb,
    Meter,
    Service,
    SevereCondition,
    SpecSheet,
)
from domain.usage import projected_day

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from domain.history import VehicleHistory, WorkDone

# Interval times factor is a decimal product: this much of a metre, second or day is rounding, not use.
_SLACK = 1e-6

# A service that restores nothing still leaves a due point beyond its base.
_MOST_CARRIED = 0.999


class PointStatus(StrEnum):
    """Whether a service's clock is running."""

    COUNTING = "counting"
    BASELINE_NEEDED = "baseline_needed"
    DONE = "done"


class State(StrEnum):
    """How a service stands."""

    NOT_DUE = "not_due"
    IN_WINDOW = "in_window"
    DUE = "due"
    OVERDUE = "overdue"
    DEFERRED = "deferred"
    BASELINE_NEEDED = "baseline_needed"
    NO_READING = "no_reading"
    READING_STALE = "reading_stale"
    DONE = "done"


_RANK = {State.NOT_DUE: 0, State.IN_WINDOW: 1, State.DUE: 2, State.OVERDUE: 3}


@dataclass(frozen=True, slots=True)
class Shortening:
    """What severe duty did to an interval under the strictest policy.

    Attributes:
        condition: The condition.
        factor: Its multiplier.
        threshold_share: The share of use that it had to pass.
        passed_at: Figure on the limb at which it passes.
    """

    condition: DutyCondition
    factor: float
    threshold_share: float
    passed_at: int


@dataclass(frozen=True, slots=True)
class WearSpan:
    """Use at one wear factor, under the weighted policy; the last span runs on."""

    start: int
    wear: float


@dataclass(frozen=True, slots=True)
class LimbPoint:
    """The due point on one limb: a day ordinal on the calendar, life-to-date on a meter.

    Attributes:
        limb: The limb.
        due: Figure at which the service falls due.
        opens: Figure from which it may be done early.
        late_after: Figure beyond which it is overdue.
        base: Figure from which the interval counts.
        is_base_estimated: Whether that figure was estimated and not noted.
        interval: The interval in normal duty [month, or canonical units].
        carried_share: Share of the interval already used up at the base.
        shortening: What severe duty did, under the strictest policy.
        wear: Spans of wear since the base, under the weighted policy, where any differs from 1.
        idle_m_per_h: Distance that idle hours count as on this limb [m/h].
    """

    limb: Limb
    due: int
    opens: int
    late_after: int
    base: int
    is_base_estimated: bool
    interval: int
    carried_share: float = 0.0
    shortening: Shortening | None = None
    wear: tuple[WearSpan, ...] = ()
    idle_m_per_h: int | None = None


@dataclass(frozen=True, slots=True)
class DuePoint:
    """When one service falls due.

    Attributes:
        service: Its code.
        rule_index: Place of the rule that holds, in the service's rules.
        status: Whether its clock is running.
        anchor_kind: What the intervals count from.
        anchor_on: The day of that.
        limbs: The due point on each limb that can be counted.
        missing: Limbs that cannot be counted for want of a reading.
        deferral: The deferral in force.
        is_settled: False while a figure rests on an extrapolation that later readings will correct.
    """

    service: str
    rule_index: int
    status: PointStatus
    anchor_kind: AnchorKind
    anchor_on: date
    limbs: tuple[LimbPoint, ...] = ()
    missing: tuple[Limb, ...] = ()
    deferral: Deferral | None = None
    is_settled: bool = True


def due_points(sheet: SpecSheet, history: VehicleHistory) -> tuple[DuePoint, ...]:
    """The due point of each service of the sheet whose rules admit the vehicle, in sheet order."""
    course = stretches(history.duty)
    points = []
    for service in sheet.services:
        found = service.rule_for(model_year=history.model_year, engine=history.engine, serial=history.serial)
        if found is not None:
            points.append(_due_point(service, *found, history, course))
    return tuple(points)


class Standing(NamedTuple):
    """How a meter stands: its last plausible reading and its recent rate.

    Attributes:
        life: Life-to-date figure of the last reading [canonical units].
        day: Ordinal of its day in the depot's time zone.
        per_day: Recent use [canonical units a day]; None with fewer than two days of readings.
    """

    life: int
    day: int
    per_day: float | None


@dataclass(frozen=True, slots=True)
class LimbJudgement:
    """How a service stands on one limb.

    Attributes:
        point: The due point on it.
        state: Its state by the last reading; None without one.
        projected_state: Its state by the projected figure; None where nothing can be projected.
        figure: The figure held against the due point: the day on the calendar, else the last reading.
        remaining: What is left to run to the due point, negative when past; None without a reading.
        due_day: Ordinal of the day on which the due point is, or was, reached; None where not projectable.
        is_stale: Whether the last reading is older than the set number of days.
    """

    point: LimbPoint
    state: State | None
    projected_state: State | None
    figure: int | None
    remaining: int | None
    due_day: int | None
    is_stale: bool


@dataclass(frozen=True, slots=True)
class Judgement:
    """How a service stands on a day.

    Attributes:
        point: Its due point.
        state: By the last readings.
        projected_state: By projection to the day; None where nothing can be projected.
        governed_by: The limb that falls due first; None where no limb can be dated.
        due_day: Ordinal of the day on which the first limb is reached; None where not projectable.
        limbs: Each limb that can be counted.
    """

    point: DuePoint
    state: State
    projected_state: State | None
    governed_by: Limb | None
    due_day: int | None
    limbs: tuple[LimbJudgement, ...]


def judge(point: DuePoint, standings: Mapping[Meter, Standing], as_of: int, stale_days: int) -> Judgement:
    """How a service stands on a day.

    Args:
        point: Its due point.
        standings: How the vehicle's meters stand.
        as_of: Ordinal of the day.
        stale_days: A last reading older than this is stale [d].
    """
    if point.status is not PointStatus.COUNTING:
        ended = State.DONE if point.status is PointStatus.DONE else State.BASELINE_NEEDED
        return Judgement(point, ended, None, None, None, ())
    limbs = tuple([_judge_limb(limb, standings, as_of, stale_days) for limb in point.limbs])
    if point.deferral is not None:
        held = partial(_judge_limb, standings=standings, as_of=as_of, stale_days=stale_days)
        return _judge_deferral(point, point.deferral, limbs, held)
    first = _first_due(limbs)
    state = _worst([limb.state for limb in limbs])
    projected = _worst([limb.projected_state for limb in limbs])
    if state is None or _RANK[state] < _RANK[State.DUE]:
        if point.missing or any(limb.state is None for limb in limbs):
            state = State.NO_READING
        elif any(limb.is_stale for limb in limbs):
            state = State.READING_STALE
    return Judgement(
        point,
        state if state is not None else State.NO_READING,
        projected,
        None if first is None else first.point.limb,
        None if first is None else first.due_day,
        limbs,
    )


def standing_of(
    limb: Limb, standings: Mapping[Meter, Standing], *, idle_m_per_h: int | None = None
) -> Standing | None:
    """How the meter of a limb stands, with idle hours counted as distance where the rule does so."""
    standing = standings.get(METER_OF[limb])
    idle = standings.get(Meter.IDLE_HOURS) if idle_m_per_h is not None else None
    if standing is None or idle is None or idle_m_per_h is None:
        return standing
    per_day = (
        None
        if standing.per_day is None or idle.per_day is None
        else standing.per_day + idle.per_day * idle_m_per_h / 3600
    )
    return Standing(standing.life + idle_distance_m(idle.life, idle_m_per_h), standing.day, per_day)


def limb_due_day(point: LimbPoint, standings: Mapping[Meter, Standing]) -> int | None:
    """Ordinal of the day on which a limb's due point is reached; None where it cannot be projected."""
    if point.limb is Limb.CALENDAR:
        return point.due
    standing = standing_of(point.limb, standings, idle_m_per_h=point.idle_m_per_h)
    if standing is None:
        return None
    return projected_day(point.due - standing.life, standing.day, standing.per_day)


def used_share(rule: IntervalRule, anchor: Anchor, history: VehicleHistory, limb: Limb, figure: int) -> float:
    """The share of the interval on a limb that is used up at a figure; 0 where nothing can be counted.

    It counts from last done, at set points too: a grid says when, not how much. Under the weighted policy it is
    the Miner sum; under the strictest one, use over the interval then in force.
    """
    since_done = replace(rule, counting=Counting.FROM_LAST_DONE)
    case = _Case(since_done, anchor, history, stretches(history.duty))
    done = anchor.done[limb]
    if done is None:
        return 0.0
    carried = anchor.carried_share(limb)
    if rule.policy is DutyPolicy.WEIGHTED:
        spans, _ = _wear_spans(case, limb, done.life)
        allowance = reached(since_done, anchor, limb, done.life) - done.life
        return carried + (1 - carried) * worn(spans, figure) / allowance
    due, _, _ = _strictest(case, limb, done.life, until=figure)
    return carried + (1 - carried) * max(0.0, figure - done.life) / max(due - done.life, 1.0)


def anchor_of(service: Service, rule: IntervalRule, history: VehicleHistory) -> Anchor:
    """The anchor after all that has been done to the service, in order of time."""
    anchor = first_anchor(history, rule)
    events: list[WorkDone | ComponentExchange] = [*history.work, *history.exchanges]
    # At one instant the work comes first: what a visit did to a component ends with the component.
    for event in sorted(events, key=lambda e: (e.at_us, isinstance(e, ComponentExchange), e.key)):
        anchor = _after(event, service, rule, history, anchor)
    return anchor


def completed_services(sheet: SpecSheet, named: Iterable[str], left_undone: Iterable[str]) -> frozenset[str]:
    """The services that a visit really did: named or included, with none of their own tasks left undone.

    Args:
        sheet: The spec sheet in force.
        named: Codes of the services that the entry names.
        left_undone: Codes of tasks that were not done.
    """
    undone = frozenset(left_undone)
    reached_services = {s.code: s for code in named for s in sheet.with_included(code)}
    own = {code: not undone.intersection(t.code for t in s.tasks) for code, s in reached_services.items()}
    # A service without tasks of its own is done when all that it includes are.
    return frozenset(
        code
        for code, service in reached_services.items()
        if own[code] and (service.tasks or all(own[s.code] for s in sheet.with_included(code)))
    )


def _first_due(limbs: Sequence[LimbJudgement]) -> LimbJudgement | None:
    """The limb that falls due first, of limbs on one day the first in the order of ``LIMBS``."""
    dated = [limb for limb in limbs if limb.due_day is not None]
    if len(dated) < 2:  # noqa: PLR2004 - nothing to choose from, as is most often so
        return dated[0] if dated else None
    return min(dated, key=lambda limb: (limb.due_day, LIMBS.index(limb.point.limb)))


def _worst(states: Iterable[State | None]) -> State | None:
    known = [state for state in states if state is not None]
    return max(known, key=_RANK.__getitem__) if known else None


def _after(
    event: WorkDone | ComponentExchange,
    service: Service,
    rule: IntervalRule,
    history: VehicleHistory,
    anchor: Anchor,
) -> Anchor:
    if isinstance(event, ComponentExchange):
        if event.compartment != service.compartment:
            return anchor
        return moved(history, rule, anchor, event, kind=AnchorKind.COMPONENT)
    if service.code not in event.completed:
        return anchor
    kind = AnchorKind.PAPERS if event.is_from_papers else AnchorKind.WORK_DONE
    after = moved(history, rule, anchor, event, kind=kind)
    restored = event.restored.get(service.code, 1.0)
    if restored >= 1.0:
        return after
    carried = {}
    for limb, fix in after.done.items():
        if fix is not None:
            # Of a vehicle bought used without papers the whole interval is taken to have been used up.
            is_unknown = anchor.kind is AnchorKind.UNKNOWN
            used = 1.0 if is_unknown else used_share(rule, anchor, history, limb, fix.life)
            carried[limb] = min(_MOST_CARRIED, (1.0 - restored) * min(used, 1.0))
    is_final = after.is_final and anchor.is_final and _is_duty_final(rule, history, event.at_us)
    return replace(after, carried=carried, is_final=is_final)


def _is_duty_final(rule: IntervalRule, history: VehicleHistory, until_us: int) -> bool:
    """Whether newer readings leave the use under each condition up to an instant as it is."""
    if not rule.conditions:
        return True
    bounds = [day_start_us(s.starts_on) for s in stretches(history.duty) if s.starts_on is not None]
    return all(
        is_final_at(history, limb, bound_us, idle_m_per_h=rule.idle_m_per_h)
        for bound_us in bounds
        if bound_us <= until_us
        for limb in rule_limbs(rule)
    )


def _due_point(
    service: Service, index: int, rule: IntervalRule, history: VehicleHistory, course: tuple[Stretch, ...]
) -> DuePoint:
    anchor = anchor_of(service, rule, history)
    if anchor.kind is AnchorKind.UNKNOWN:
        return DuePoint(service.code, index, PointStatus.BASELINE_NEEDED, anchor.kind, anchor.on)
    if service.is_one_time and anchor.kind in {AnchorKind.WORK_DONE, AnchorKind.PAPERS}:
        return DuePoint(service.code, index, PointStatus.DONE, anchor.kind, anchor.on)
    case = _Case(rule, anchor, history, course)
    limbs, missing, is_settled = [], [], anchor.is_final
    for limb in rule_limbs(rule):
        found = _limb_point(case, limb)
        if found is None:
            missing.append(limb)
            continue
        point, is_point_settled = found
        limbs.append(point)
        is_settled = is_settled and is_point_settled
    return DuePoint(
        service.code,
        index,
        PointStatus.COUNTING,
        anchor.kind,
        anchor.on,
        tuple(limbs),
        tuple(missing),
        _deferral_in_force(service, history, anchor),
        is_settled,
    )


def _deferral_in_force(service: Service, history: VehicleHistory, anchor: Anchor) -> Deferral | None:
    if service.is_statutory:
        return None
    granted = [
        d
        for d in history.deferrals
        # Put off and done after all on one day: done.
        if d.service == service.code
        and (d.on > anchor.on or (d.on == anchor.on and anchor.kind is AnchorKind.NEW))
    ]
    return max(granted, key=lambda d: (d.on, d.key), default=None)


@dataclass(frozen=True, slots=True)
class _Case:
    """One service of one vehicle, worked out limb by limb."""

    rule: IntervalRule
    anchor: Anchor
    history: VehicleHistory
    course: tuple[Stretch, ...]


def _limb_point(case: _Case, limb: Limb) -> tuple[LimbPoint, bool] | None:
    """The due point on a limb, and whether later readings leave it as it is.

    A set point knows neither the use since last done nor what a partial restoration left used up, so these have
    a due point of their own beside it, and the earlier one holds.
    """
    found = _counted(case, limb)
    rule = case.rule
    if found is None or rule.counting is Counting.FROM_LAST_DONE:
        return found
    if rule.policy is DutyPolicy.STRICTEST and not case.anchor.carried_share(limb):
        return found
    running = replace(case, rule=replace(rule, counting=Counting.FROM_LAST_DONE))
    since_done = _counted(running, limb, grid_due=found[0].due)
    if since_done is None:
        return found
    point, is_settled = since_done if since_done[0].due < found[0].due else found
    return point, is_settled and found[1] and since_done[1]


def _counted(case: _Case, limb: Limb, *, grid_due: int | None = None) -> tuple[LimbPoint, bool] | None:
    rule, anchor = case.rule, case.anchor
    base = base_of(rule, anchor, limb)
    if base is None:
        return None
    shortening: Shortening | None = None
    wear: tuple[WearSpan, ...] = ()
    is_settled = True
    is_grid = rule.counting is Counting.SET_POINTS
    every, first = amount_of(rule, limb)
    interval = first if anchor.kind in {AnchorKind.NEW, AnchorKind.COMPONENT} else every
    if rule.policy is DutyPolicy.STRICTEST:
        figure, shortening, is_settled = _strictest(case, limb, base.life)
    else:
        figure = reached(rule, anchor, limb, base.life)
        if not is_grid:
            spans, is_settled = _wear_spans(case, limb, base.life)
            allowance = figure - base.life
            if grid_due is not None:
                # In normal duty a service done early still runs to the set point.
                to_grid = grid_due - base.life
                allowance = max(allowance, to_grid * (1.0 - anchor.carried_share(limb)))
                interval = interval if limb is Limb.CALENDAR else max(interval, to_grid)
            figure = weighted_figure(spans, allowance)
            if any(factor != 1.0 for _, factor in spans):
                wear = tuple(WearSpan(int(start), factor) for start, factor in spans)
    due = math.ceil(figure - _SLACK)
    early = next((a.amount for a in rule.early_window if a.limb is limb), 0)
    tolerance = next((a.amount for a in rule.tolerance if a.limb is limb), 0)
    idle = case.history.timelines.get(Meter.IDLE_HOURS)
    is_idle_counted = limb is Limb.ODOMETER and idle is not None and bool(idle.at_us)
    point = LimbPoint(
        limb,
        due,
        _shifted(limb, due, -early),
        _shifted(limb, due, tolerance),
        base.life,
        base.is_estimated,
        interval,
        0.0 if is_grid else anchor.carried_share(limb),
        shortening,
        wear,
        rule.idle_m_per_h if is_idle_counted else None,
    )
    return point, is_settled


def _shifted(limb: Limb, figure: int, amount: int) -> int:
    if amount == 0:
        return figure
    if limb is Limb.CALENDAR:
        return add_months(date.fromordinal(figure), amount).toordinal()
    return figure + amount


def _strictest(
    case: _Case, limb: Limb, base: int, *, until: float | None = None
) -> tuple[float, Shortening | None, bool]:
    rule, anchor = case.rule, case.anchor
    figure = reached(rule, anchor, limb, base)
    done = anchor.done[limb]
    applying = [c for c in rule.conditions if limb in c.limbs]
    if not applying or done is None:
        return figure, None, True
    shortening = None
    starts, is_settled = _starts(case, limb, done.life)
    for condition in applying:
        spans = [(start, _share_of(stretch, condition)) for start, stretch in starts]
        passed = passing_figure(spans, condition.threshold_share, until=until)
        if passed is not None:
            shortened = max(reached_early(rule, anchor, limb, base, condition), passed)
            if shortened < figure:
                figure = shortened
                shortening = Shortening(
                    condition.condition,
                    condition.factor,
                    condition.threshold_share,
                    math.ceil(passed - _SLACK),
                )
    return figure, shortening, is_settled


def _share_of(stretch: Stretch, condition: SevereCondition) -> float:
    return next((share for name, share in stretch.shares if name is condition.condition), 0.0)


def _wear_spans(case: _Case, limb: Limb, base: int) -> tuple[list[tuple[float, float]], bool]:
    factors = {c.condition: c.factor for c in case.rule.conditions if limb in c.limbs}
    if not factors:
        return [(base, 1.0)], True
    starts, is_settled = _starts(case, limb, base)
    spans: list[tuple[float, float]] = []
    for start, stretch in starts:
        wear = wear_factor(stretch.shares, factors)
        if not spans or spans[-1][1] != wear:
            spans.append((start, wear))
    return spans, is_settled


def _starts(case: _Case, limb: Limb, base: int) -> tuple[list[tuple[float, Stretch]], bool]:
    """Where on a limb each stretch begins, from a base on; and whether later readings leave that as it is."""
    history, idle_m_per_h = case.history, case.rule.idle_m_per_h
    starts: list[tuple[float, Stretch]] = [(base, case.course[0])]
    is_settled = True
    for day, stretch in ((s.starts_on, s) for s in case.course if s.starts_on is not None):
        at_us = day_start_us(day)
        is_settled = is_settled and is_final_at(history, limb, at_us, idle_m_per_h=idle_m_per_h)
        fix = figure_at(history, limb, at_us, date.fromordinal(day), idle_m_per_h=idle_m_per_h)
        if fix is None:
            if not _is_before_readings(history, limb, day):
                continue
            fix = Fix(base, is_estimated=False)
        if fix.life <= base:
            starts = [(base, stretch)]
        else:
            starts.append((fix.life, stretch))
    return starts, is_settled


def _is_before_readings(history: VehicleHistory, limb: Limb, day: int) -> bool:
    line = history.timelines.get(METER_OF[limb])
    return line is not None and bool(line.at_us) and day_start_us(day) < line.at_us[0]


def _judge_limb(
    point: LimbPoint, standings: Mapping[Meter, Standing], as_of: int, stale_days: int
) -> LimbJudgement:
    if point.limb is Limb.CALENDAR:
        state = _state_at(point, as_of)
        return LimbJudgement(point, state, state, as_of, point.due - as_of, point.due, is_stale=False)
    standing = standing_of(point.limb, standings, idle_m_per_h=point.idle_m_per_h)
    if standing is None:
        return LimbJudgement(point, None, None, None, None, None, is_stale=False)
    remaining = point.due - standing.life
    projected = None
    if standing.per_day is not None:
        ahead = max(0, as_of - standing.day)
        projected = _state_at(point, standing.life + math.floor(standing.per_day * ahead + _SLACK))
    return LimbJudgement(
        point,
        _state_at(point, standing.life),
        projected,
        standing.life,
        remaining,
        projected_day(remaining, standing.day, standing.per_day),
        is_stale=as_of - standing.day > stale_days,
    )


def _state_at(point: LimbPoint, figure: int) -> State:
    if figure > point.late_after:
        return State.OVERDUE
    if figure >= point.due:
        return State.DUE
    return State.IN_WINDOW if figure >= point.opens else State.NOT_DUE


def _judge_deferral(
    point: DuePoint,
    deferral: Deferral,
    limbs: tuple[LimbJudgement, ...],
    held: Callable[[LimbPoint], LimbJudgement],
) -> Judgement:
    """Deferred up to and including the first new limit; overdue past it. What the limbs say is kept beside."""
    limits = tuple(
        held(LimbPoint(limb, figure, figure, figure, figure, is_base_estimated=False, interval=0))
        for limb, figure in deferral.limits.items()
    )
    late = any(limit.state is State.OVERDUE for limit in limits)
    projected_late = any(limit.projected_state is State.OVERDUE for limit in limits)
    first = _first_due(limits)
    state = State.OVERDUE if late else State.DEFERRED
    if not late and any(limit.state is None for limit in limits):
        state = State.NO_READING
    elif not late and any(limit.is_stale for limit in limits):
        state = State.READING_STALE
    return Judgement(
        point,
        state,
        State.OVERDUE if projected_late else State.DEFERRED,
        None if first is None else first.point.limb,
        None if first is None else first.due_day,
        limbs,
    )
