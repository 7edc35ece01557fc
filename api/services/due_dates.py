"""The early, likely and late day of due services, and the chance that they have fallen due by a day.

All are read from the law by which each meter runs on. Of a service with several limbs the first counts; the meters of
one vehicle run more or less together, so the quantile of the first is the first of their quantiles, and its chance the
greatest of theirs. So the chance at the likely day is one half, as with one limb.

Invariant: a chance never falls from one day to the next, and early, likely and late come in this order.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from api.services.standing import COLUMNS, DAY_COLUMNS, LEVEL_COLUMNS, RATE_COLUMNS
from api.services.use_laws import MeterColumns, use_laws
from api.services.use_patterns import patterns_known
from api.store import queries_use
from domain.due import PointStatus, standing_of
from domain.sheet import METER_OF, Limb, Meter
from domain.usage import LAST_DAY_ORDINAL
from domain.use_law import law_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from api.services.due import DueLine
    from api.services.vehicle_use import MeterUse
    from api.store.session import ReadSession
    from domain.use_law import UseLaw

    Real = NDArray[np.float64]

_SHARES = np.array([0.05, 0.5, 0.95])
# This much of a day is rounding, not time [d].
_SLACK = 1e-3


@dataclass(frozen=True, slots=True)
class DueDates:
    """When a service falls due, as far as can be told.

    Attributes:
        early: Ordinal of the day by which it has fallen due with a chance of 5 %; None: not within sight.
        likely: Of 50 %.
        late: Of 95 %.
        chance: The chance that it has fallen due by the day asked about; None: none was asked about, or nothing tells.
    """

    early: int | None = None
    likely: int | None = None
    late: int | None = None
    chance: float | None = None


NOT_TOLD = DueDates()


class MeterLaw(NamedTuple):
    """The law of a vehicle's meter: a row of laws, and the mean and spread at their nodes where meters are joined."""

    laws: UseLaw
    row: int


def page_dates(
    session: ReadSession, fleet_key: int, lines: Sequence[DueLine], *, by: date | None = None
) -> list[DueDates]:
    """The dates of lines of the due list, in their order.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        lines: The lines.
        by: The day whose chance is asked for.
    """
    return _dates(lines, _page_laws(session, fleet_key, lines), by)


def vehicle_dates(
    lines: Sequence[DueLine],
    uses: Mapping[Meter, MeterUse],
    *,
    by: date | None = None,
    retired_on: date | None = None,
) -> list[DueDates]:
    """The dates of one vehicle's lines, in their order.

    Args:
        lines: The lines.
        uses: How its meters run.
        by: The day whose chance is asked for.
        retired_on: Its last day: after it no meter runs, and nothing falls due.
    """
    laws = {
        (line.vehicle_key, meter): MeterLaw(use.law, 0)
        for line in lines
        for meter, use in uses.items()
        if use.law is not None
    }
    last = LAST_DAY_ORDINAL if retired_on is None else retired_on.toordinal()
    return _dates(lines, laws, by, last)


def _columns(rows: Sequence[Any], meter: Meter) -> MeterColumns:
    def real(name: str) -> Real:
        return np.array([getattr(row, name) for row in rows], dtype=np.float64)

    return MeterColumns(
        np.array([row.spec_sheet_id for row in rows]),
        real(COLUMNS[meter]),
        real(DAY_COLUMNS[meter]),
        real(RATE_COLUMNS[meter]),
        [getattr(row, LEVEL_COLUMNS[meter]) for row in rows],
    )


def vehicle_chances(
    lines: Sequence[DueLine], uses: Mapping[Meter, MeterUse], days: Sequence[int]
) -> list[Real]:
    """The chances that one vehicle's services have fallen due by some days, each line's in the order of the days.

    Args:
        lines: The lines.
        uses: How its meters run.
        days: Ordinals of the days, rising.
    """
    laws = {
        (line.vehicle_key, meter): MeterLaw(use.law, 0)
        for line in lines
        for meter, use in uses.items()
        if use.law is not None
    }
    return _chances(lines, laws, days)


def _chances(
    lines: Sequence[DueLine], laws: Mapping[tuple[int, Meter], MeterLaw], days: Sequence[int]
) -> list[Real]:
    on = np.asarray(days, dtype=np.float64)
    found = []
    for line in lines:
        chances = np.zeros(len(on))
        idle_m_per_h = {p.limb: p.idle_m_per_h for p in line.judgement.point.limbs}
        for limb, figure in _figures(line).items():
            if limb is Limb.CALENDAR:
                chances = np.maximum(chances, on >= figure)
                continue
            standing = standing_of(limb, line.standings, idle_m_per_h=idle_m_per_h.get(limb))
            law = _law(line, limb, idle_m_per_h.get(limb), laws)
            if standing is not None and figure <= standing.life:
                chances = np.ones(len(on))
            elif standing is not None and law is not None:
                own = law.laws.take([law.row])
                past = own.chance_past(figure - standing.life, np.maximum(on - standing.day, 0.0))[0]
                chances = np.maximum(chances, past)
        found.append(chances)
    return found


def page_plan(
    session: ReadSession, fleet_key: int, lines: Sequence[DueLine], days: Sequence[int]
) -> tuple[list[DueDates], list[Real]]:
    """The dates of lines of many vehicles, and the chances that they have fallen due by some days, in their order.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        lines: The lines.
        days: Ordinals of the days, rising.
    """
    laws = _page_laws(session, fleet_key, lines)
    return _dates(lines, laws, None), _chances(lines, laws, days)


def _page_laws(
    session: ReadSession, fleet_key: int, lines: Sequence[DueLine]
) -> dict[tuple[int, Meter], MeterLaw]:
    """The law of each meter that lines of many vehicles wait for."""
    keys = sorted({line.vehicle_key for line in lines})
    if not keys:
        return {}
    patterns = patterns_known(session, fleet_key)
    rows = queries_use.levels(session, fleet_key, keys)
    place = {row.vehicle_id: at for at, row in enumerate(rows)}
    meters = {METER_OF[limb] for line in lines for limb in _figures(line) if limb is not Limb.CALENDAR}
    if any(p.idle_m_per_h is not None for line in lines for p in line.judgement.point.limbs):
        meters.add(Meter.IDLE_HOURS)
    laws: dict[tuple[int, Meter], MeterLaw] = {}
    for meter in meters:
        found = use_laws(patterns, meter, _columns(rows, meter))
        laws |= {(key, meter): MeterLaw(found.law, at) for key, at in place.items() if found.is_known[at]}
    return laws


def _figures(line: DueLine) -> Mapping[Limb, int]:
    """The figure on each limb at which a line falls due, or its deferral ends."""
    point = line.judgement.point
    if point.status is not PointStatus.COUNTING:
        return {}
    if point.deferral is not None:
        return point.deferral.limits
    return {limb.limb: limb.due for limb in point.limbs}


class _Run(NamedTuple):
    """What a line waits for on one meter: how far it has to run from its last reading, by which law."""

    line: int
    law: MeterLaw
    remaining: int
    day: int


def _dates(
    lines: Sequence[DueLine],
    laws: Mapping[tuple[int, Meter], MeterLaw],
    by: date | None,
    last: int = LAST_DAY_ORDINAL,
) -> list[DueDates]:
    days = np.full((len(lines), len(_SHARES)), np.inf)
    chance = np.full(len(lines), np.nan)
    until = None if by is None else min(by.toordinal(), last)
    runs: list[_Run] = []
    for place, line in enumerate(lines):
        idle_m_per_h = {p.limb: p.idle_m_per_h for p in line.judgement.point.limbs}
        past = {limb.point.limb: limb.due_day for limb in line.judgement.limbs}
        for limb, figure in _figures(line).items():
            if limb is Limb.CALENDAR:
                _fix(days, chance, place, figure, until)
                continue
            standing = standing_of(limb, line.standings, idle_m_per_h=idle_m_per_h.get(limb))
            law = _law(line, limb, idle_m_per_h.get(limb), laws)
            if standing is None:
                continue
            remaining = figure - standing.life
            if remaining <= 0:
                gone = past.get(limb)
                _fix(days, chance, place, standing.day if gone is None else gone, until, is_past=True)
            elif law is not None:
                runs.append(_Run(place, law, remaining, standing.day))
    _run(runs, days, chance, until)
    found = []
    for on, c in zip(days, chance, strict=True):
        early, likely, late = (_day(day, last) for day in on)
        found.append(DueDates(early, likely, late, None if math.isnan(c) else float(c)))
    return found


def _fix(  # noqa: PLR0913 - one limb of one line
    days: Real, chance: Real, place: int, day: int, until: int | None, *, is_past: bool = False
) -> None:
    """Take in a limb whose day is certain."""
    days[place] = np.minimum(days[place], day)
    if until is not None:
        chance[place] = np.fmax(chance[place], float(is_past or day <= until))


def _run(runs: Sequence[_Run], days: Real, chance: Real, until: int | None) -> None:
    """Take in the limbs whose day depends on how a meter runs."""
    by_law: defaultdict[int, list[_Run]] = defaultdict(list)
    for run in runs:
        by_law[id(run.law.laws)].append(run)
    for some in by_law.values():
        laws = some[0].law.laws.take([run.law.row for run in some])
        remaining = np.array([[run.remaining] for run in some], dtype=np.float64)
        start = np.array([[run.day] for run in some], dtype=np.float64)
        on = start + np.ceil(laws.day_of_passing(remaining, _SHARES) - _SLACK)
        at = np.array([run.line for run in some])
        np.minimum.at(days, at, on)
        if until is not None:
            found = laws.chance_past(remaining, np.maximum(until - start, 0.0))[:, 0]
            np.fmax.at(chance, at, found)


def _law(
    line: DueLine, limb: Limb, idle_m_per_h: int | None, laws: Mapping[tuple[int, Meter], MeterLaw]
) -> MeterLaw | None:
    """The law of a limb, with idle hours counted as distance where the rule does so."""
    law = laws.get((line.vehicle_key, METER_OF[limb]))
    idle = laws.get((line.vehicle_key, Meter.IDLE_HOURS)) if idle_m_per_h is not None else None
    if law is None or idle is None or idle_m_per_h is None:
        return law
    own, other = law.laws.take([law.row]), idle.laws.take([idle.row])
    nodes, factor = np.array(own.nodes_days), idle_m_per_h / 3600
    mean = own.mean(nodes) + factor * other.mean(nodes)
    # They run together: spreads add up.
    deviation = own.deviation(nodes) + factor * other.deviation(nodes)
    return MeterLaw(law_of(mean, deviation**2), 0)


def _day(day: float, last: int) -> int | None:
    return int(day) if day <= last else None
