"""Why a service stands as it does, in words and figures that a mechanic can check by hand.

Figures are shown in the units asked for, rounded to the places of the unit.
"""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING

from domain.anchors import AnchorKind
from domain.calendar import add_part_months
from domain.due import PointStatus
from domain.meters import METER_DIMENSION
from domain.sheet import METER_OF, Counting, IntervalRule, Limb
from domain.units import UNITS, Dimension, from_canonical

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from domain.due import Judgement, LimbJudgement, LimbPoint, Shortening

_ANCHOR_WORDS = {
    AnchorKind.NEW: "New on {day}",
    AnchorKind.WORK_DONE: "Last done {day}",
    AnchorKind.PAPERS: "Last done {day} by its papers",
    AnchorKind.COMPONENT: "Component exchanged {day}",
}
_DIMENSIONS = {limb: METER_DIMENSION[meter] for limb, meter in METER_OF.items()}
_LIMB_WORDS = {
    Limb.CALENDAR: "Calendar",
    Limb.ODOMETER: "Odometer",
    Limb.ENGINE_HOURS: "Engine hours",
    Limb.SECOND_ENGINE_HOURS: "Second engine hours",
    Limb.POWER_TAKE_OFF_HOURS: "Power take-off hours",
    Limb.IDLE_HOURS: "Idle hours",
    Limb.FUEL_BURNED: "Fuel burned",
}


def because(
    judgement: Judgement, rule: IntervalRule, units: Mapping[Dimension, str], *, has_idle_hours: bool = False
) -> str:
    """The reason in one paragraph: where the intervals start, then each limb's sum, the governing one's first.

    Args:
        judgement: How the service stands.
        rule: The rule that holds.
        units: Unit code to show each dimension in.
        has_idle_hours: Whether the vehicle reports idle hours.
    """
    point = judgement.point
    if point.status is PointStatus.BASELINE_NEEDED:
        return "Nothing is known of earlier work: enter from papers when it was last done, or do it."
    if point.status is PointStatus.DONE:
        return f"One-time service, done {point.anchor_on.isoformat()}."
    said = [_ANCHOR_WORDS[point.anchor_kind].format(day=point.anchor_on.isoformat()) + "."]
    ordered = sorted(judgement.limbs, key=lambda limb: limb.point.limb is not judgement.governed_by)
    said.extend(_limb_sentence(limb, rule, units) for limb in ordered)
    said.extend(f"{_LIMB_WORDS[limb]}: cannot be counted without a reading." for limb in point.missing)
    if any(limb.point.limb is Limb.ODOMETER for limb in judgement.limbs):
        if rule.idle_m_per_h is not None and not has_idle_hours:
            said.append("Idle hours are not counted: the vehicle reports none.")
        if rule.idle_m_per_h is None and has_idle_hours:
            said.append("Idle hours are not counted as distance: the sheet gives no figure for them.")
    if point.deferral is not None:
        limits = " or ".join(_limit(limb, figure, units) for limb, figure in point.deferral.limits.items())
        said.append(f"Deferred to {limits} by {point.deferral.authority}: {point.deferral.reason}")
    return " ".join(said)


def figure_text(limb: Limb, figure: float, units: Mapping[Dimension, str]) -> str:
    """A figure on a limb with its unit: a day on the calendar."""
    if limb is Limb.CALENDAR:
        return _day(int(figure))
    code = units[_DIMENSIONS[limb]]
    return f"{_digits(figure, code)} {code}"


def _limit(limb: Limb, figure: int, units: Mapping[Dimension, str]) -> str:
    return figure_text(limb, figure, units)


def _bare(limb: Limb, figure: float, units: Mapping[Dimension, str]) -> str:
    return _digits(figure, units[_DIMENSIONS[limb]])


# Bases, due points and intervals stay while readings go on, so most figures of an answer were in the one before.
@lru_cache(maxsize=32_768, typed=True)
def _digits(figure: float, code: str) -> str:
    return f"{from_canonical(figure, code):,.{min(UNITS[code].decimals, 1)}f}".replace(",", " ")


@lru_cache(maxsize=8_192)
def _day(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()


def _limb_sentence(limb: LimbJudgement, rule: IntervalRule, units: Mapping[Dimension, str]) -> str:
    point = limb.point
    said = f"{_LIMB_WORDS[point.limb]}: {_sum(point, rule, units)}"
    if point.limb is Limb.CALENDAR:
        return f"{said}, {_left(limb.remaining or 0, 'day')}."
    if limb.figure is None:
        return f"{said}; no reading yet."
    remaining = limb.remaining or 0
    shown = _bare(point.limb, abs(remaining), units)
    unit = units[_DIMENSIONS[point.limb]]
    side = "left" if remaining >= 0 else "past"
    reading = "reading" if point.idle_m_per_h is None else "with idle hours now"
    said = f"{said}; {reading} {figure_text(point.limb, limb.figure, units)}, {shown} {unit} {side}"
    if limb.is_stale:
        said += ", and that reading is old"
    return f"{said}."


def _left(remaining: int, noun: str) -> str:
    count = abs(remaining)
    return f"{count} {noun}{'' if count == 1 else 's'} {'left' if remaining >= 0 else 'past'}"


def _sum(point: LimbPoint, rule: IntervalRule, units: Mapping[Dimension, str]) -> str:
    if point.limb is Limb.CALENDAR:
        return _calendar_sum(point, rule)
    base = _bare(point.limb, point.base, units)
    due = figure_text(point.limb, point.due, units)
    interval = _bare(point.limb, point.interval, units)
    about = " (estimated)" if point.is_base_estimated else ""
    idle = (
        f" with {from_canonical(point.idle_m_per_h, units[Dimension.DISTANCE_PER_DURATION]):g} "
        f"{units[Dimension.DISTANCE_PER_DURATION]} for idle hours"
        if point.idle_m_per_h is not None
        else ""
    )
    carried = f", of which {point.carried_share:.3g} was carried over," if point.carried_share else ""
    if point.wear:
        return f"{_wear_sum(point, units)} = {interval}{carried} at {due}{idle}"
    if point.shortening is not None:
        passed = f"of use at {figure_text(point.limb, point.shortening.passed_at, units)}"
        runs = _runs(point, rule, point.shortening, f"{base}{about}{carried}")
        return f"{_shortened(point.shortening, passed, interval, runs)}: {due}{idle}"
    if _is_on_grid(point, rule):
        return f"set points every {interval}, settled up to {base}, next {due}{idle}"
    return f"{base}{about} + {interval}{carried} = {due}{idle}"


def _calendar_sum(point: LimbPoint, rule: IntervalRule) -> str:
    base, due = _day(point.base), _day(point.due)
    months = f"{point.interval} month{'' if point.interval == 1 else 's'}"
    carried = f", of which {point.carried_share:.3g} was carried over," if point.carried_share else ""
    if point.wear:
        left = point.interval * (1.0 - point.carried_share)
        days = add_part_months(date.fromordinal(point.base), left).toordinal() - point.base
        parts = _wear_parts(point, lambda start, end: f"{end - start} days")
        return f"{base} + {months}{carried} leaves {days} days, used up by {parts}: {due}"
    if point.shortening is not None:
        passed = f"of days on {_day(point.shortening.passed_at)}"
        runs = _runs(point, rule, point.shortening, f"{base}{carried}")
        return f"{_shortened(point.shortening, passed, months, runs)}: {due}"
    if _is_on_grid(point, rule):
        return f"set points every {months}, settled up to {base}, next {due}"
    return f"{base} + {months}{carried} = {due}"


def _is_on_grid(point: LimbPoint, rule: IntervalRule) -> bool:
    return rule.counting is Counting.SET_POINTS and not point.carried_share


def _shortened(shortening: Shortening, passed: str, interval: str, runs: str) -> str:
    name = shortening.condition.value.replace("_", " ")
    return (
        f"{name} passes {shortening.threshold_share:g} {passed}, so {shortening.factor:g} x {interval} {runs}"
    )


def _runs(point: LimbPoint, rule: IntervalRule, shortening: Shortening, base: str) -> str:
    if shortening.passed_at >= point.due:
        return f"from {base} is behind at once"
    return "is the step of the set points, next" if _is_on_grid(point, rule) else f"counts from {base}"


def _wear_sum(point: LimbPoint, units: Mapping[Dimension, str]) -> str:
    base = figure_text(point.limb, point.base, units)
    parts = _wear_parts(point, lambda start, end: _bare(point.limb, end - start, units))
    return f"from {base}: {parts}"


def _wear_parts(point: LimbPoint, shown: Callable[[int, int], str]) -> str:
    parts = []
    for place, span in enumerate(point.wear):
        end = point.wear[place + 1].start if place + 1 < len(point.wear) else point.due
        end = min(end, point.due)
        if end > span.start:
            parts.append(f"{shown(span.start, end)} x {span.wear:.6g}")
    return " + ".join(parts)
