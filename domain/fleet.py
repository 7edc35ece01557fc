"""Due evaluation in columns: arrays of due points and standings in, states and dates out.

Nothing here has a formula of its own: each function does, element by element and in the same order of operations,
what its scalar twin does (``domain.due.judge``, ``domain.duty.weighted_figure``, ``domain.duty.passing_figure``), and
tests hold them equal.

Rows are rules of vehicles; ``vehicle`` says which column of the standings a row looks at. Work goes in blocks that
stay in the processor's cache, and what is the same for all rules of a vehicle is worked out once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.due import State
from domain.usage import LAST_DAY_ORDINAL

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from domain.sheet import Limb

    Whole = NDArray[np.int64]
    Real = NDArray[np.float64]
    Flag = NDArray[np.bool_]
    Code = NDArray[np.int8]

NEVER = 2**61
"""Stands for a due point on a limb that a rule does not run in, and for a day that cannot be projected."""

STATES: tuple[State, ...] = (
    State.NOT_DUE,
    State.IN_WINDOW,
    State.DUE,
    State.OVERDUE,
    State.NO_READING,
    State.READING_STALE,
)
"""States by code; the first four in order of urgency."""

UNKNOWN = -1
"""Code where there is no projected state or no governing limb."""

_BLOCK = 16_384
_SLACK = 1e-6
_DAY_SLACK = 1e-9
_DUE, _NO_READING, _STALE = 2, 4, 5


@dataclass(frozen=True, slots=True)
class DueColumns:
    """Due points of n rules over l limbs; the first limb is the calendar.

    Attributes:
        limbs: Which limb each row of the arrays is, shape (l,), in the order of ``domain.sheet.LIMBS``.
        vehicle: Place of the rule's vehicle in the standings, shape (n,).
        due: Due figures, shape (l, n): a day ordinal, or life-to-date [canonical units]; ``NEVER``: no such limb.
        opens: Figures from which it may be done early, shape (l, n).
        late_after: Figures beyond which it is overdue, shape (l, n).
    """

    limbs: tuple[Limb, ...]
    vehicle: Whole
    due: Whole
    opens: Whole
    late_after: Whole


@dataclass(frozen=True, slots=True)
class StandingColumns:
    """How the meters of v vehicles stand, a row a limb as in ``DueColumns`` (the calendar's row is not looked at).

    Attributes:
        life: Life-to-date of the last reading [canonical units], shape (l, v).
        day: Ordinal of its day, shape (l, v).
        per_day: Recent use [canonical units a day], NaN where unknown, shape (l, v).
        has_reading: Whether there is a reading, shape (l, v).
    """

    life: Whole
    day: Whole
    per_day: Real
    has_reading: Flag


@dataclass(frozen=True, slots=True)
class JudgedColumns:
    """How n rules stand.

    Attributes:
        state: Place in ``STATES`` by the last readings, shape (n,).
        projected_state: The same by projection, ``UNKNOWN`` where nothing can be projected, shape (n,).
        governed_by: Place among the columns' limbs of the limb that falls due first, or ``UNKNOWN``, shape (n,).
        due_day: Ordinal of the day on which it does, ``NEVER`` where not projectable, shape (n,).
    """

    state: Code
    projected_state: Code
    governed_by: Code
    due_day: Whole


@dataclass(frozen=True, slots=True)
class SpanColumns:
    """Use of n rules since their bases, in at most s spans of constant duty.

    Attributes:
        start: Figure at which each span begins, shape (s, n); a row with fewer spans repeats its last start.
        measure: Wear factor, or share of use under a condition, of each span, shape (s, n).
    """

    start: Real
    measure: Real


def judged(points: DueColumns, standings: StandingColumns, *, as_of: int, stale_days: int) -> JudgedColumns:
    """How the rules stand on a day; equals ``domain.due.judge`` on each rule that is counting and not deferred.

    It holds for rules none of whose limbs is missing, and with idle hours already counted in the standings.

    Args:
        points: The due points.
        standings: The standings of their vehicles.
        as_of: Ordinal of the day.
        stale_days: A last reading older than this is stale [d].
    """
    rows = points.vehicle.shape[0]
    out = JudgedColumns(
        np.empty(rows, np.int8), np.empty(rows, np.int8), np.empty(rows, np.int8), np.empty(rows, np.int64)
    )
    meters = [
        _Meter.of(standings, place, as_of=as_of, stale_days=stale_days)
        for place in range(1, len(points.limbs))
    ]
    for start in range(0, rows, _BLOCK):
        _judge_block(points, meters, out, slice(start, min(start + _BLOCK, rows)), as_of)
    return out


def weighted_figures(spans: SpanColumns, allowance: Real) -> Real:
    """The figures at which wear adds up to an allowance; equals ``domain.duty.weighted_figure`` on each row.

    Args:
        spans: Spans of constant wear.
        allowance: Use allowed in normal duty, in the limb's unit, shape (n,).

    Returns:
        Figures, shape (n,).
    """
    used = np.zeros_like(allowance)
    last = spans.start.shape[0] - 1
    figure = np.full_like(allowance, np.nan)
    is_open = np.ones(allowance.shape, np.bool_)
    for place in range(last):
        start, wear = spans.start[place], spans.measure[place]
        worn = wear * (spans.start[place + 1] - start)
        is_reached = is_open & (used + worn >= allowance)
        figure = np.where(is_reached, start + (allowance - used) / wear, figure)
        is_open &= ~is_reached
        used = used + worn
    return np.where(is_open, spans.start[last] + (allowance - used) / spans.measure[last], figure)


def passing_figures(spans: SpanColumns, threshold_share: Real) -> Real:
    """The figures at which a share first passes a threshold; equals ``domain.duty.passing_figure`` on each row.

    Args:
        spans: Spans of constant share.
        threshold_share: Shares to be passed, in [0, 1), shape (n,).

    Returns:
        Figures, infinite where it never passes, shape (n,).
    """
    origin = spans.start[0]
    under = np.zeros_like(threshold_share)
    last = spans.start.shape[0] - 1
    figure = np.full_like(threshold_share, np.inf)
    is_open = np.ones(threshold_share.shape, np.bool_)
    for place in range(last + 1):
        start, share = spans.start[place], spans.measure[place]
        exceeds = share > threshold_share
        gap = np.where(exceeds, share - threshold_share, 1.0)
        with np.errstate(over="ignore"):  # a share hardly above its threshold passes it beyond all figures
            ahead = np.maximum(0.0, (threshold_share * (start - origin) - under) / gap)
        is_passed = is_open & exceeds
        if place < last:
            end = spans.start[place + 1]
            is_passed &= start + ahead < end
            under = under + share * (end - start)
        figure = np.where(is_passed, start + ahead, figure)
        is_open &= ~is_passed
    return figure


def strictest_figures(
    base: Real, interval: Real, factor: Real, threshold_share: Real, spans: tuple[SpanColumns, ...]
) -> Real:
    """The figures at which rules under the strictest policy fall due on a meter, counted from last done.

    Args:
        base: Figures at last done, shape (n,).
        interval: Intervals in normal duty, shape (n,).
        factor: Multiplier under each of c conditions, shape (c, n); 1 where a rule has no such condition.
        threshold_share: Share that each must pass, shape (c, n).
        spans: Shares of use under each condition since last done, c of them.

    Returns:
        Figures before rounding up, shape (n,).
    """
    figure = base + interval
    for place, shares in enumerate(spans):
        passed = passing_figures(shares, threshold_share[place])
        figure = np.minimum(figure, np.maximum(base + interval * factor[place], passed))
    return figure


def rounded_up(figures: Real) -> Whole:
    """Due figures in whole units, as ``domain.due`` rounds them."""
    whole: Whole = np.ceil(figures - _SLACK).astype(np.int64)
    return whole


# A figure below every due point: what a vehicle without a reading shows.
_NOWHERE = -(2**61)
# A rate so small that nothing ahead is reached before the last day, though no quotient by it overflows.
_STILL = 1e-280


@dataclass(frozen=True, slots=True)
class _Meter:
    """What the rules of a vehicle share on one meter, shape (v,) each; the flags are None where no vehicle has them."""

    life: Whole
    projected: Whole
    day: Real
    per_day: Real
    earliest: Real | None
    lacks_reading: Flag | None
    lacks_rate: Flag | None
    is_stale: Flag | None

    @classmethod
    def of(cls, standings: StandingColumns, place: int, *, as_of: int, stale_days: int) -> _Meter:
        has_reading, day = standings.has_reading[place], standings.day[place]
        lacks_rate = ~has_reading | np.isnan(standings.per_day[place])
        per_day = np.where(lacks_rate, 0.0, standings.per_day[place])
        life = np.where(has_reading, standings.life[place], _NOWHERE)
        ahead = np.maximum(0, as_of - day)
        projected = np.where(lacks_rate, _NOWHERE, life + np.floor(per_day * ahead + _SLACK).astype(np.int64))
        is_still = per_day <= 0
        is_stale = has_reading & (as_of - day > stale_days)
        return cls(
            life,
            projected,
            day.astype(np.float64),
            np.maximum(per_day, _STILL),
            np.where(is_still, 0.0, -np.inf) if is_still.any() else None,
            ~has_reading if not has_reading.all() else None,
            lacks_rate if lacks_rate.any() else None,
            is_stale if is_stale.any() else None,
        )


def _judge_block(
    points: DueColumns, meters: list[_Meter], out: JudgedColumns, rows: slice, as_of: int
) -> None:
    vehicle = points.vehicle[rows]
    due = points.due[0, rows]
    has_calendar = due != NEVER
    opened, reached, late = as_of >= points.opens[0, rows], as_of >= due, as_of > points.late_after[0, rows]
    projected = [opened.copy(), reached.copy(), late.copy()]
    can_project = has_calendar.copy()
    best = np.where(has_calendar, due, np.inf)
    governed = np.where(has_calendar, np.int8(0), np.int8(UNKNOWN))
    lacks_reading = is_stale = None
    for place, meter in enumerate(meters, start=1):
        due, opens, after = points.due[place, rows], points.opens[place, rows], points.late_after[place, rows]
        life = meter.life[vehicle]
        opened |= life >= opens
        reached |= life >= due
        late |= life > after
        ahead = meter.projected[vehicle]
        projected[0] |= ahead >= opens
        projected[1] |= ahead >= due
        projected[2] |= ahead > after
        days = (due - life) / meter.per_day[vehicle]
        if meter.earliest is not None:
            np.maximum(days, meter.earliest[vehicle], out=days)
        days -= _DAY_SLACK
        np.ceil(days, out=days)
        days += meter.day[vehicle]
        np.maximum(days, 1.0, out=days)
        days[days > LAST_DAY_ORDINAL] = np.inf
        is_first = days < best
        best = np.where(is_first, days, best)
        governed[is_first] = place
        has_limb = due != NEVER
        can_project |= has_limb if meter.lacks_rate is None else has_limb & ~meter.lacks_rate[vehicle]
        if meter.lacks_reading is not None:
            found = has_limb & meter.lacks_reading[vehicle]
            lacks_reading = found if lacks_reading is None else lacks_reading | found
        if meter.is_stale is not None:
            found = has_limb & meter.is_stale[vehicle]
            is_stale = found if is_stale is None else is_stale | found
    state = opened.astype(np.int8) + reached + late
    if is_stale is not None:
        state = np.where(is_stale & (state < _DUE), np.int8(_STALE), state)
    if lacks_reading is not None:
        state = np.where(lacks_reading & ((state < _DUE) | (state == _STALE)), np.int8(_NO_READING), state)
    out.state[rows] = state
    shown = projected[0].astype(np.int8) + projected[1] + projected[2]
    out.projected_state[rows] = np.where(can_project, shown, np.int8(UNKNOWN))
    out.governed_by[rows] = governed
    out.due_day[rows] = np.where(np.isinf(best), NEVER, best)
