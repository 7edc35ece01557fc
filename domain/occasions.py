"""When services fall due again and again over a time ahead, in columns.

A vehicle is looked at on a few levels of its use. On a level its meters run along a given course, so that all else
is arithmetic: each rule falls due on whichever limb comes first, is taken to be done on that day, and counts again
from there (from last done), or runs to its next column of set points. A service that contains another does it too and
starts its clock anew. What is due before the first day is done on the first day.

Everything is in days from the first day, and in life-to-date figures of the measures (a meter, or the odometer with
idle hours counted as distance). Between two boundaries of the course a meter runs evenly.

Invariants: a service is done at most once a day; no occasion lies before the first day, at or after the end, or past
the vehicle's own end; a service done within another's visit is not counted a second time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.calendar_columns import months_after

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flag = NDArray[np.bool_]

NO_LIMB = np.inf
"""Stands for the due figure on a limb that a rule does not run in."""

# Two services that fall due on one figure fall due together, whatever rounding does to the day.
_TOGETHER_DAYS = 1e-6
_DAYS_A_MONTH = 30.436875  # of the Gregorian calendar: 146,097 days in 4,800 months


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """Rules of n services of vehicles; the first limb is the calendar, the others are measures.

    Attributes:
        vehicle: Place of the vehicle in its block, shape (n,).
        due: When each first falls due, shape (limbs, n): a day counted from the first day, or a life-to-date figure;
            ``NO_LIMB`` where the rule has no such limb.
        interval: What follows after each occasion, shape (limbs, n): months, or a figure.
        early: How far ahead of a set point the work settles it, shape (limbs, n): months, or a figure.
        is_grid: Whether the rule runs at set points, shape (n,).
        is_once: Whether it is done once only, shape (n,).
        rank: 0 for services that no other contains; any other comes after all that contain it, shape (n,).
        containers: Places of the rules that contain it, filled up with -1, shape (n, c).
    """

    vehicle: Index
    due: Real
    interval: Real
    early: Real
    is_grid: Flag
    is_once: Flag
    rank: Index
    containers: Index

    def __len__(self) -> int:
        """How many rules."""
        return len(self.vehicle)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """How the meters of a block of v vehicles run, on k levels each.

    Attributes:
        first_on: Ordinal of the first day.
        days: Boundaries counted from the first day, the first 0, the last the end, shape (p + 1,).
        figures: Life-to-date at the boundaries, never falling, shape (measures, v, k, p + 1).
        end_days: The first day that each vehicle is not in the fleet any more, shape (v,); infinite: not known.
    """

    first_on: int
    days: Real
    figures: Real
    end_days: Real


@dataclass(frozen=True, slots=True, eq=False)
class Occasions:
    """Occasions, one entry each.

    Attributes:
        rule: Place of the rule.
        level: The level.
        period: The period that it falls in, between two boundaries.
    """

    rule: Index
    level: Index
    period: Index


def occasions(rules: Rules, course: Course) -> Occasions:
    """Every occasion on which a service is done for its own sake, on every level."""
    walk = _Walk(rules, course)
    ranks = int(rules.rank.max()) + 1 if len(rules) else 0
    for rank in range(ranks):
        walk.run(np.flatnonzero(rules.rank == rank))
    return walk.found()


class _Walk:
    """The occasions of one block, rank by rank."""

    def __init__(self, rules: Rules, course: Course) -> None:
        self.rules, self.course = rules, course
        self.measures, vehicles, self.levels, bounds = course.figures.shape
        self.periods = bounds - 1
        # Padded to a power of two, so that a search halves without looking for the end.
        self.width = 1 << bounds.bit_length()
        padded = np.full((self.measures, vehicles * self.levels, self.width), np.inf)
        padded[:, :, :bounds] = course.figures.reshape(self.measures, -1, bounds)
        self.flat = padded.reshape(self.measures, -1)
        self.days = np.concatenate([course.days, np.full(self.width - bounds, np.inf)])
        self.horizon = float(course.days[-1])
        self.containing = np.unique(rules.containers[rules.containers >= 0])
        self.times: dict[int, Real] = {}
        self.parts: list[tuple[Index, Index, Index]] = []
        self.after = _month_table(rules, course)

    def found(self) -> Occasions:
        """All that was found."""
        if not self.parts:
            none = np.zeros(0, np.int64)
            return Occasions(none, none, none)
        rule, level, period = (np.concatenate(column) for column in zip(*self.parts, strict=True))
        return Occasions(rule, level, period)

    def run(self, rows: Index) -> None:
        """The occasions of the rules of one rank."""
        rules, levels = self.rules, self.levels
        merged = self._merged(rows)
        base = (rules.vehicle[rows][:, None] * levels + np.arange(levels)) * self.width
        state = _State(
            rule=np.repeat(rows, levels),
            base=base.ravel(),
            due=np.repeat(rules.due[:, rows], levels, axis=1),
            visit=np.arange(len(rows) * levels),
            pointer=np.zeros(len(rows) * levels, np.int64),
            settled=np.zeros(len(rows) * levels),
            not_before=np.zeros(len(rows) * levels),
        )
        end = np.minimum(self.course.end_days[rules.vehicle], self.horizon)
        own: list[tuple[Index, Real]] = []
        if merged is None:
            state = self._reachable(state, end)
        while len(state.rule):
            at = self._next(state)
            if merged is not None:
                contained_at = merged[state.visit, state.pointer]
                is_within = contained_at <= at + _TOGETHER_DAYS
                at = np.where(is_within, contained_at, at)
                state.pointer += is_within
            else:
                is_within = None
            here = np.flatnonzero(at < end[state.rule])
            if not len(here):
                break
            if len(here) < len(at):
                state, at = state.taken(here), at[here]
                is_within = None if is_within is None else is_within[here]
            period = np.searchsorted(self.course.days, at, side="right") - 1
            is_own = np.ones(len(at), np.bool_) if is_within is None else ~is_within
            self.parts.append(
                (state.rule[is_own], (state.base[is_own] // self.width) % levels, period[is_own])
            )
            own.append((state.visit[is_own], at[is_own]))
            state = self._done(state, at, period, is_own)
        self._keep_times(rows, own)

    def _reachable(self, state: _State, end: Real) -> _State:
        """Those that can fall due at all: most don't within the time."""
        due = state.due
        is_reached = due[0] < end[state.rule]
        for measure in range(self.measures):
            last = self.flat[measure][state.base + self.periods]
            is_reached |= due[measure + 1] <= last
        return state.taken(np.flatnonzero(is_reached))

    def _next(self, state: _State) -> Real:
        """The day on which each falls due next."""
        at = state.due[0]
        for measure in range(self.measures):
            figure = state.due[measure + 1]
            asked = np.flatnonzero(figure < NO_LIMB)
            if len(asked) == len(figure):
                at = np.minimum(at, self._crossing(measure, state.base, figure))
            elif len(asked):
                at = at.copy()
                crossing = self._crossing(measure, state.base[asked], figure[asked])
                at[asked] = np.minimum(at[asked], crossing)
        found: Real = np.maximum(at, state.not_before)
        return found

    def _crossing(self, measure: int, base: Index, figure: Real) -> Real:
        """The day on which a measure reaches a figure; 0 or less where it has, infinite past the end."""
        flat = self.flat[measure]
        place = base.copy()
        step = self.width >> 1
        while step:
            further = place + step
            place = np.where(flat[further] <= figure, further, place)
            step >>= 1
        low, high = flat[place], flat[place + 1]
        at = place - base
        before, after = self.days[at], self.days[at + 1]
        with np.errstate(invalid="ignore"):
            day = before + (figure - low) / (high - low) * (after - before)
        day = np.where(at >= self.periods, np.inf, day)
        found: Real = np.where(low > figure, 0.0, day)
        return found

    def _at(self, measure: int, base: Index, at: Real, period: Index) -> Real:
        """What a measure shows on a day."""
        flat = self.flat[measure]
        low, high = flat[base + period], flat[base + period + 1]
        before, after = self.days[period], self.days[period + 1]
        found: Real = low + (at - before) / (after - before) * (high - low)
        return found

    def _done(self, state: _State, at: Real, period: Index, is_own: Flag) -> _State:
        """The state after an occasion each."""
        rules = self.rules
        is_left = ~rules.is_once[state.rule]
        if not is_left.all():
            kept = np.flatnonzero(is_left)
            state, at, period, is_own = state.taken(kept), at[kept], period[kept], is_own[kept]
        rule = state.rule
        due = np.full_like(state.due, NO_LIMB)
        is_grid = rules.is_grid[rule]
        has_grid = bool(is_grid.any())
        columns = np.where(is_own, 1.0, 0.0)
        for measure in range(self.measures):
            old = state.due[measure + 1]
            has_limb = old < NO_LIMB
            if not has_limb.any():
                continue
            figure = self._at(measure, state.base, at, period)
            interval = rules.interval[measure + 1][rule]
            due[measure + 1] = np.where(has_limb & (interval > 0), figure + interval, NO_LIMB)
            if has_grid:
                ahead = figure + rules.early[measure + 1][rule] - np.where(has_limb, old, 0.0)
                passed = np.floor(ahead / np.where(interval > 0, interval, 1.0) + 1e-9) + 1.0
                columns = np.where(has_limb & is_grid, np.maximum(columns, passed), columns)
        has_calendar = state.due[0] < NO_LIMB
        if has_calendar.any():
            day = np.floor(at + _TOGETHER_DAYS).astype(np.int64)
            months = rules.interval[0][rule]
            due[0] = np.where(has_calendar & (months > 0), self.after(rule, day), NO_LIMB)
            if has_grid:
                due_day = np.where(has_calendar, state.due[0], 0.0)
                ahead = day + rules.early[0][rule] * _DAYS_A_MONTH - due_day
                passed = np.floor(ahead / np.where(months > 0, months * _DAYS_A_MONTH, 1.0) + 1e-9) + 1.0
                columns = np.where(has_calendar & is_grid, np.maximum(columns, passed), columns)
        if has_grid:
            columns = np.where(is_grid, np.maximum(columns, 0.0), 0.0)
            state.settled = state.settled + columns
            self._to_next_column(state, due, columns, is_grid)
        state.due = due
        state.not_before = at + 1.0
        return state

    def _to_next_column(self, state: _State, due: Real, columns: Real, is_grid: Flag) -> None:
        rules, rule = self.rules, state.rule
        for measure in range(self.measures):
            moved = state.due[measure + 1] + columns * rules.interval[measure + 1][rule]
            due[measure + 1] = np.where(is_grid & (moved < NO_LIMB), moved, due[measure + 1])
        has_calendar = np.flatnonzero(is_grid & (state.due[0] < NO_LIMB))
        if len(has_calendar):
            at = rule[has_calendar]
            # Counted from the first column, so that the end of a short month moves no later one.
            first = rules.due[0][at].astype(np.int64) + self.course.first_on
            moved = months_after(first, state.settled[has_calendar] * rules.interval[0][at])
            due[0, has_calendar] = moved - self.course.first_on

    def _merged(self, rows: Index) -> Real | None:
        """The days on which services that contain these are done, in order, ended by infinity; None: none do."""
        containers = self.rules.containers[rows]
        if not (containers >= 0).any():
            return None
        widest = max(
            (self.times[int(c)].shape[1] for c in np.unique(containers) if int(c) in self.times), default=0
        )
        columns = containers.shape[1]
        found = np.full((len(rows), self.levels, columns * widest + 1), np.inf)
        for place, column in zip(*np.nonzero(containers >= 0), strict=True):
            times = self.times.get(int(containers[place, column]))
            if times is not None:
                start = column * widest
                found[place, :, start : start + times.shape[1]] = times
        found.sort(axis=2)
        return found.reshape(len(rows) * self.levels, -1)

    def _keep_times(self, rows: Index, own: list[tuple[Index, Real]]) -> None:
        """Keep the days of rules that contain others."""
        places = np.flatnonzero(np.isin(rows, self.containing))
        if not len(places):
            return
        times = np.full((len(rows) * self.levels, len(own)), np.inf)
        for turn, (visit, at) in enumerate(own):
            times[visit, turn] = at
        times = times.reshape(len(rows), self.levels, -1)
        for place in places:
            self.times[int(rows[place])] = times[place]


@dataclass(slots=True, eq=False)
class _State:
    """Rules on their levels that can still fall due.

    Attributes:
        rule: Place of the rule.
        base: Where the course of its vehicle on its level begins.
        due: When it falls due next, a limb.
        visit: Its place among all rules and levels of the rank.
        pointer: How many visits of containing services have passed.
        settled: How many set points have been settled ahead.
        not_before: The first day on which it may be done.
    """

    rule: Index
    base: Index
    due: Real
    visit: Index
    pointer: Index
    settled: Real
    not_before: Real

    def taken(self, places: Index) -> _State:
        """Some of them."""
        return _State(
            self.rule[places],
            self.base[places],
            self.due[:, places],
            self.visit[places],
            self.pointer[places],
            self.settled[places],
            self.not_before[places],
        )


def _month_table(rules: Rules, course: Course) -> Callable[[Index, Index], Real]:
    """Looks up the day on which a rule's calendar interval ends that begins on a day."""
    months, place = np.unique(rules.interval[0], return_inverse=True)
    width = int(course.days[-1]) + 2
    days = np.arange(width) + course.first_on
    table = (
        np.stack([months_after(days, np.full(width, m)) for m in months]) if len(months) else np.zeros((1, 1))
    )
    table -= course.first_on

    def after(rule: Index, day: Index) -> Real:
        found: Real = table[place[rule], day].astype(np.float64)
        return found

    return after
