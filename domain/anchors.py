"""Where each service's interval is counted from: origin, last done, a set point settled, a component's first day.

Invariants: work whose tasks were not all done resets nothing; a later entry never moves an anchor back; what a
partial restoration leaves used up is carried into the next interval, a limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.calendar import add_months, add_part_months
from domain.duty import day_start_us
from domain.meters import Fix
from domain.sheet import Counting, IntervalRule, Limb, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from domain.history import ComponentExchange, VehicleHistory, WorkDone


class AnchorKind(StrEnum):
    """What an interval is counted from."""

    NEW = "new"
    WORK_DONE = "work_done"
    PAPERS = "papers"
    COMPONENT = "component"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Anchor:
    """The point from which a service's interval is counted.

    Attributes:
        kind: What it is.
        on: Its day.
        at_us: Its instant [us UTC].
        done: Figure on each limb when the service was last done (or the clock began), None where unknown: a day
            ordinal on the calendar, life-to-date on a meter.
        zero: Figures of the origin that set points are multiples from, a limb.
        settled: How many set points are settled.
        carried: Share of the interval that was still used up, a limb; 0 where not named.
    """

    kind: AnchorKind
    on: date
    at_us: int
    done: Mapping[Limb, Fix | None]
    zero: Mapping[Limb, int]
    settled: int = 0
    carried: Mapping[Limb, float] | None = None

    def carried_share(self, limb: Limb) -> float:
        """The share of the interval on a limb that was still used up after the last work."""
        return 0.0 if self.carried is None else self.carried.get(limb, 0.0)


def rule_limbs(rule: IntervalRule) -> tuple[Limb, ...]:
    """The limbs that a rule runs in, in its order."""
    return tuple(amount.limb for amount in rule.every)


def figure_at(
    history: VehicleHistory, limb: Limb, at_us: int, on: date, *, idle_m_per_h: int | None = None
) -> Fix | None:
    """The figure on a limb at an instant; None where nothing tells.

    Args:
        history: The vehicle's past.
        limb: The limb.
        at_us: The instant [us UTC].
        on: The day that it falls on, for the calendar.
        idle_m_per_h: Distance that an idle hour counts as on the odometer [m/h]; None: not counted.
    """
    if limb is Limb.CALENDAR:
        return Fix(on.toordinal(), is_estimated=False)
    fix = _meter_figure(history, Meter(limb.value), at_us)
    if fix is None or limb is not Limb.ODOMETER or idle_m_per_h is None:
        return fix
    idle = _meter_figure(history, Meter.IDLE_HOURS, at_us)
    return fix if idle is None else with_idle(fix, idle, idle_m_per_h)


def with_idle(odometer: Fix, idle: Fix, idle_m_per_h: int) -> Fix:
    """Distance with idle hours counted as distance [m]."""
    return Fix(
        odometer.life + idle_distance_m(idle.life, idle_m_per_h), odometer.is_estimated or idle.is_estimated
    )


def idle_distance_m(idle_s: float, idle_m_per_h: int) -> int:
    """The distance that idle time counts as [m]."""
    return int(idle_s * idle_m_per_h // 3600)


def first_anchor(history: VehicleHistory, rule: IntervalRule) -> Anchor:
    """The anchor of a vehicle on which nothing has been done yet."""
    origin = history.origin
    zero = {
        limb: origin.in_service_on.toordinal() if limb is Limb.CALENDAR else 0 for limb in rule_limbs(rule)
    }
    kind = AnchorKind.NEW if origin.is_known_from_new else AnchorKind.UNKNOWN
    done: dict[Limb, Fix | None] = {limb: Fix(figure, is_estimated=False) for limb, figure in zero.items()}
    return Anchor(kind, origin.in_service_on, day_start_us(origin.in_service_on.toordinal()), done, zero)


def set_point(rule: IntervalRule, anchor: Anchor, limb: Limb, index: int) -> int:
    """The figure of a set point on a limb; index 0 is the origin."""
    every, first = amount_of(rule, limb)
    amount = 0 if index == 0 else first + (index - 1) * every
    if limb is Limb.CALENDAR:
        return add_months(date.fromordinal(anchor.zero[limb]), amount).toordinal()
    return anchor.zero[limb] + amount


def amount_of(rule: IntervalRule, limb: Limb) -> tuple[int, int]:
    """The interval and the first interval on a limb [month, or canonical units]."""
    every = next(a.amount for a in rule.every if a.limb is limb)
    return every, next((a.amount for a in rule.first if a.limb is limb), every)


def base_of(rule: IntervalRule, anchor: Anchor, limb: Limb) -> Fix | None:
    """The figure from which the next interval on a limb counts: last done, or the set point settled."""
    if rule.counting is Counting.SET_POINTS:
        return Fix(set_point(rule, anchor, limb, anchor.settled), is_estimated=False)
    return anchor.done[limb]


def reached(rule: IntervalRule, anchor: Anchor, limb: Limb, base: int, factor: float) -> float:
    """The figure on a limb at which an interval shortened by a factor ends, in normal running.

    Args:
        rule: The rule.
        anchor: Where it counts from.
        limb: The limb.
        base: ``base_of`` the limb.
        factor: Multiplier of the interval, in (0, 1].
    """
    left = 1.0 - anchor.carried_share(limb)
    every, first = amount_of(rule, limb)
    if rule.counting is Counting.FROM_LAST_DONE:
        amount = first if anchor.kind in {AnchorKind.NEW, AnchorKind.COMPONENT} else every
        if limb is Limb.CALENDAR:
            return add_part_months(date.fromordinal(base), amount * factor * left).toordinal()
        return base + amount * factor * left
    following = _following_set_point(anchor, limb, every=every, first=first, factor=factor)
    if left == 1.0:
        return following
    return base + (following - base) * left


def moved(
    history: VehicleHistory,
    rule: IntervalRule,
    anchor: Anchor,
    event: WorkDone | ComponentExchange,
    *,
    kind: AnchorKind,
) -> Anchor:
    """The anchor after an event.

    Args:
        history: The vehicle's past, for figures that the entry leaves out.
        rule: The service's rule.
        anchor: The anchor before.
        event: Work that did the service, or the exchange of its component.
        kind: What the event makes the anchor.
    """
    at_us, on = event.at_us, event.on
    done: dict[Limb, Fix | None] = {}
    for limb in rule_limbs(rule):
        noted = None if limb is Limb.CALENDAR else event.figures.get(Meter(limb.value))
        if noted is None:
            fix = figure_at(history, limb, at_us, on, idle_m_per_h=rule.idle_m_per_h)
            done[limb] = fix if fix is None or limb is Limb.CALENDAR else Fix(fix.life, is_estimated=True)
            continue
        fix = Fix(noted, is_estimated=False)
        if limb is Limb.ODOMETER and rule.idle_m_per_h is not None:
            idle = _meter_figure(history, Meter.IDLE_HOURS, at_us)
            fix = fix if idle is None else with_idle(fix, idle, rule.idle_m_per_h)
        done[limb] = fix
    if kind is AnchorKind.COMPONENT:
        zero = {limb: fix.life for limb, fix in done.items() if fix is not None}
        return Anchor(kind, on, at_us, done, {**anchor.zero, **zero})
    settled = anchor.settled
    if rule.counting is Counting.SET_POINTS:
        settled = max(settled, *(_settled(rule, anchor, limb, fix) for limb, fix in done.items()))
    return replace(anchor, kind=kind, on=on, at_us=at_us, done=done, settled=settled, carried=None)


def _settled(rule: IntervalRule, anchor: Anchor, limb: Limb, fix: Fix | None) -> int:
    if fix is None:
        return 0
    early = next((a.amount for a in rule.early_window if a.limb is limb), 0)
    every, first = amount_of(rule, limb)
    if limb is not Limb.CALENDAR:
        beyond = fix.life + early - anchor.zero[limb] - first
        return 0 if beyond < 0 else 1 + beyond // every
    index = 0
    while add_months(
        date.fromordinal(set_point(rule, anchor, limb, index + 1)), -early
    ) <= date.fromordinal(fix.life):
        index += 1
    return index


def _following_set_point(anchor: Anchor, limb: Limb, *, every: int, first: int, factor: float) -> float:
    # Multiples of the shortened interval from the same grid: from zero, or from the first point where it differs.
    zero = anchor.zero[limb]
    if anchor.settled == 0:
        amount = first * factor
    else:
        grid = 0 if first == every else first
        steps = anchor.settled if first == every else anchor.settled - 1
        amount = grid + (math.floor(steps / factor + 1e-9) + 1) * factor * every
    if limb is Limb.CALENDAR:
        return add_part_months(date.fromordinal(zero), amount).toordinal()
    return zero + amount


def _meter_figure(history: VehicleHistory, meter: Meter, at_us: int) -> Fix | None:
    line = history.timelines.get(meter)
    if line is None or not line.at_us:
        return None
    fix = line.at(at_us)
    if fix is not None or at_us >= line.at_us[0] or not history.origin.is_known_from_new:
        return fix
    # Before the first reading of a vehicle known from new: between its first day and that reading.
    start_us = day_start_us(history.origin.in_service_on.toordinal())
    if not start_us <= at_us < line.at_us[0]:
        return Fix(0, is_estimated=True)
    share = (at_us - start_us) / (line.at_us[0] - start_us)
    return Fix(int(line.life[0] * share), is_estimated=True)
