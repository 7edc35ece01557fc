"""Where each service's interval is counted from: origin, last done, a set point settled, a component's start.

Set points stand in columns, as a handbook's table has them: a service settles a column on all its limbs, once one
of them has come to it. Severe duty has a table of its own, its points at multiples of the shorter interval.

Invariants: work whose tasks were not all done resets nothing; a later entry never moves an anchor back; what a
partial restoration leaves used up is carried into the next interval, a limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.calendar import add_months, add_part_months, part_months_between
from domain.duty import day_start_us
from domain.meters import Fix
from domain.sheet import Counting, IntervalRule, Limb, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from domain.history import ComponentExchange, VehicleHistory, WorkDone
    from domain.sheet import SevereCondition

# A set point is a decimal product: this much of a column is rounding, not use.
_COLUMN_SLACK = 1e-9

# A column that distance has settled may stand beyond the calendar: then no date of it is ever reached.
_LAST_YEAR = 9_000


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
        done: Figure on each limb when the service was last done (or the clock began), None where unknown: a
            day ordinal on the calendar, life-to-date on a meter.
        zero: Figures of the origin that set points are multiples from, a limb; unknown where not named.
        settled: How many set points are settled.
        carried: Share of the interval that was still used up, a limb; 0 where not named.
        is_final: False while a figure in it rests on readings that the next one can correct.
    """

    kind: AnchorKind
    on: date
    at_us: int
    done: Mapping[Limb, Fix | None]
    zero: Mapping[Limb, int]
    settled: int = 0
    carried: Mapping[Limb, float] | None = None
    is_final: bool = True

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
    idle = _idle_figure(history, at_us)
    return fix if idle is None else with_idle(fix, idle, idle_m_per_h)


def is_final_at(history: VehicleHistory, limb: Limb, at_us: int, *, idle_m_per_h: int | None = None) -> bool:
    """Whether a newer reading leaves the figure on a limb at an instant as it is.

    The last point of a timeline still moves with later readings of its day, so a figure is final before it.

    Args:
        history: The vehicle's past.
        limb: The limb.
        at_us: The instant [us UTC].
        idle_m_per_h: Distance that an idle hour counts as on the odometer [m/h]; None: not counted.
    """
    if limb is Limb.CALENDAR:
        return True
    meters = [Meter(limb.value)]
    if limb is Limb.ODOMETER and idle_m_per_h is not None:
        meters.append(Meter.IDLE_HOURS)
    lines = [line.at_us for meter in meters if (line := history.timelines.get(meter)) is not None]
    return all(not line or (len(line) > 1 and at_us <= line[-2]) for line in lines)


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
    amount = _column_amount(rule, limb, index)
    if limb is Limb.CALENDAR:
        zero = date.fromordinal(anchor.zero[limb])
        return add_months(zero, min(amount, (_LAST_YEAR - zero.year) * 12)).toordinal()
    return anchor.zero[limb] + amount


def amount_of(rule: IntervalRule, limb: Limb) -> tuple[int, int]:
    """The interval and the first interval on a limb [month, or canonical units]."""
    every = next(a.amount for a in rule.every if a.limb is limb)
    return every, next((a.amount for a in rule.first if a.limb is limb), every)


def base_of(rule: IntervalRule, anchor: Anchor, limb: Limb) -> Fix | None:
    """The figure from which the next interval on a limb counts: last done, or the set point settled."""
    if rule.counting is Counting.SET_POINTS:
        if limb not in anchor.zero:
            return None
        return Fix(set_point(rule, anchor, limb, anchor.settled), is_estimated=False)
    return anchor.done[limb]


def reached(rule: IntervalRule, anchor: Anchor, limb: Limb, base: int) -> float:
    """The figure on a limb at which an interval ends in normal duty.

    Args:
        rule: The rule.
        anchor: Where it counts from.
        limb: The limb.
        base: ``base_of`` the limb.
    """
    if rule.counting is Counting.SET_POINTS:
        return set_point(rule, anchor, limb, anchor.settled + 1)
    return _from_last_done(rule, anchor, limb, base, 1.0)


def reached_early(
    rule: IntervalRule, anchor: Anchor, limb: Limb, base: int, severe: SevereCondition
) -> float:
    """The figure on a limb at which an interval that severe duty shortens ends.

    Args:
        rule: The rule.
        anchor: Where it counts from.
        limb: The limb; the condition shortens it.
        base: ``base_of`` the limb.
        severe: What the condition does to the rule.
    """
    if rule.counting is Counting.FROM_LAST_DONE:
        return _from_last_done(rule, anchor, limb, base, severe.factor)
    columns = [_severe_column(rule, anchor, one, severe.factor) for one in severe.limbs]
    column = max(float(anchor.settled), *columns)
    every, first = amount_of(rule, limb)
    amount = _amount_at(_next_column(column, severe.factor, is_even=first == every), every, first)
    if limb is Limb.CALENDAR:
        zero = date.fromordinal(anchor.zero[limb])
        return add_part_months(zero, min(amount, (_LAST_YEAR - zero.year) * 12)).toordinal()
    return anchor.zero[limb] + amount


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
    is_final = True
    for limb in rule_limbs(rule):
        done[limb] = _figure_done(history, rule, event, limb)
        is_noted = limb is not Limb.CALENDAR and Meter(limb.value) in event.figures
        if not is_noted or (rule.idle_m_per_h is not None and Meter.IDLE_HOURS not in event.figures):
            is_final = is_final and is_final_at(history, limb, at_us, idle_m_per_h=rule.idle_m_per_h)
    known = {limb: fix.life for limb, fix in done.items() if fix is not None}
    if kind is AnchorKind.COMPONENT:
        return Anchor(kind, on, at_us, done, known, is_final=is_final)
    if rule.counting is Counting.FROM_LAST_DONE:
        return Anchor(kind, on, at_us, done, anchor.zero, is_final=is_final)
    settled = max(anchor.settled, *(_settled(rule, anchor, limb, fix) for limb, fix in done.items()))
    # Where the grid was unknown it is laid so that the column settled stands at this work.
    laid = {limb: figure - _column_amount(rule, limb, settled) for limb, figure in known.items()}
    return Anchor(
        kind, on, at_us, done, {**laid, **anchor.zero}, settled, is_final=is_final and anchor.is_final
    )


def _column_amount(rule: IntervalRule, limb: Limb, index: int) -> int:
    every, first = amount_of(rule, limb)
    return 0 if index == 0 else first + (index - 1) * every


def _figure_done(
    history: VehicleHistory, rule: IntervalRule, event: WorkDone | ComponentExchange, limb: Limb
) -> Fix | None:
    noted = None if limb is Limb.CALENDAR else event.figures.get(Meter(limb.value))
    if noted is None:
        fix = figure_at(history, limb, event.at_us, event.on, idle_m_per_h=rule.idle_m_per_h)
        return fix if fix is None or limb is Limb.CALENDAR else Fix(fix.life, is_estimated=True)
    idle_noted = event.figures.get(Meter.IDLE_HOURS)
    idle = _idle_figure(history, event.at_us) if idle_noted is None else Fix(idle_noted, is_estimated=False)
    if limb is not Limb.ODOMETER or rule.idle_m_per_h is None or idle is None:
        return Fix(noted, is_estimated=False)
    return with_idle(Fix(noted, is_estimated=False), idle, rule.idle_m_per_h)


def _settled(rule: IntervalRule, anchor: Anchor, limb: Limb, fix: Fix | None) -> int:
    if fix is None or limb not in anchor.zero:
        return 0
    early = next((a.amount for a in rule.early_window if a.limb is limb), 0)
    every, first = amount_of(rule, limb)
    if limb is not Limb.CALENDAR:
        beyond = fix.life + early - anchor.zero[limb] - first
        return 0 if beyond < 0 else 1 + beyond // every
    index = 0
    while add_months(date.fromordinal(set_point(rule, anchor, limb, index + 1)), -early) <= date.fromordinal(
        fix.life
    ):
        index += 1
    return index


def _from_last_done(rule: IntervalRule, anchor: Anchor, limb: Limb, base: int, factor: float) -> float:
    every, first = amount_of(rule, limb)
    interval = first if anchor.kind in {AnchorKind.NEW, AnchorKind.COMPONENT} else every
    amount = interval * factor * (1.0 - anchor.carried_share(limb))
    if limb is Limb.CALENDAR:
        return add_part_months(date.fromordinal(base), amount).toordinal()
    return base + amount


# Columns of the severe table are counted in normal intervals: 1 is the first set point, 1.5 half an interval on.


def _severe_column(rule: IntervalRule, anchor: Anchor, limb: Limb, factor: float) -> float:
    """The last severe column that the last work has settled on a limb, its early window shortened likewise."""
    fix = anchor.done[limb]
    if fix is None or limb not in anchor.zero:
        return 0.0
    early = factor * next((a.amount for a in rule.early_window if a.limb is limb), 0)
    amount = fix.life - anchor.zero[limb] + early
    if limb is Limb.CALENDAR:
        ahead = add_part_months(date.fromordinal(fix.life), early)
        amount = part_months_between(date.fromordinal(anchor.zero[limb]), ahead)
    every, first = amount_of(rule, limb)
    if amount < first and first != every:
        return math.floor(amount / (first * factor) + _COLUMN_SLACK) * factor
    grid = 0 if first == every else first
    steps = math.floor((amount - grid) / (every * factor) + _COLUMN_SLACK) * factor
    return steps if first == every else 1 + steps


def _next_column(column: float, factor: float, *, is_even: bool) -> float:
    if is_even:
        return (math.floor(column / factor + _COLUMN_SLACK) + 1) * factor
    # A first interval that differs is a table of its own, which ends where the rest begins.
    if column < 1:
        return min(1.0, (math.floor(column / factor + _COLUMN_SLACK) + 1) * factor)
    return 1 + (math.floor((column - 1) / factor + _COLUMN_SLACK) + 1) * factor


def _amount_at(column: float, every: int, first: int) -> float:
    return column * first if column <= 1 else first + (column - 1) * every


def _idle_figure(history: VehicleHistory, at_us: int) -> Fix | None:
    """Idle hours at an instant; outside what the readings tell, those of the nearest reading."""
    line = history.timelines.get(Meter.IDLE_HOURS)
    if line is None or not line.at_us:
        return None
    fix = _meter_figure(history, Meter.IDLE_HOURS, at_us)
    if fix is not None:
        return fix
    return Fix(line.life[0] if at_us < line.at_us[0] else line.life[-1], is_estimated=True)


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
