"""Due evaluation in columns equals the scalar path, element by element."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from domain import fleet
from domain.anchors import AnchorKind
from domain.due import DuePoint, LimbPoint, PointStatus, Standing, due_points, judge
from domain.duty import DutyEntry, passing_figure, stretches, weighted_figure
from domain.fleet import (
    NEVER,
    STATES,
    UNKNOWN,
    DueColumns,
    SpanColumns,
    StandingColumns,
    judged,
    passing_figures,
    rounded_up,
    strictest_figures,
    weighted_figures,
)
from domain.history import Origin, VehicleHistory, WorkDone
from domain.meters import DAY_US, Timeline
from domain.sheet import (
    Amount,
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
from domain.usage import LAST_DAY_ORDINAL

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pytest

LIMBS = (Limb.CALENDAR, Limb.ODOMETER, Limb.ENGINE_HOURS)
TODAY = date(2024, 6, 1).toordinal()
DAYS = st.integers(TODAY - 60, TODAY + 5)
# Round figures meet each other and the due points exactly.
FIGURES = st.integers(0, 12).map(lambda place: place * 1_000_000) | st.integers(0, 10**9)
RATES = st.none() | st.sampled_from([0.0, 1e-12, 1_000_000.0, 0.1 + 0.2]) | st.floats(0.0, 4e6)
STANDINGS = st.none() | st.builds(Standing, FIGURES, DAYS, RATES)
WINDOWS = st.sampled_from([0, 1, 1_000_000]) | st.integers(0, 10**7)
DUES = {
    Limb.CALENDAR: st.integers(TODAY - 40, TODAY + 400) | st.just(LAST_DAY_ORDINAL + 1),
    Limb.ODOMETER: FIGURES,
    Limb.ENGINE_HOURS: FIGURES,
}


@dataclass(frozen=True, slots=True)
class Line:
    """A rule of a vehicle: its due points, a limb."""

    vehicle: int
    points: tuple[LimbPoint, ...]


@st.composite
def limb_points(draw: st.DrawFn, limb: Limb) -> LimbPoint:
    due = draw(DUES[limb])
    scale = 1_000_000 if limb is Limb.CALENDAR else 1
    early, late = draw(WINDOWS) // scale, draw(WINDOWS) // scale
    return LimbPoint(limb, due, due - early, due + late, 0, is_base_estimated=False, interval=1)


@st.composite
def fleets(draw: st.DrawFn) -> tuple[list[dict[Meter, Standing]], list[Line]]:
    """Up to four vehicles and twelve rules, each on one limb or more."""
    vehicles = []
    for _ in range(draw(st.integers(1, 4))):
        drawn = {Meter(limb.value): draw(STANDINGS) for limb in LIMBS[1:]}
        vehicles.append({meter: standing for meter, standing in drawn.items() if standing is not None})
    lines = []
    for _ in range(draw(st.integers(1, 12))):
        limbs = draw(st.lists(st.sampled_from(LIMBS), min_size=1, unique=True))
        points = tuple(draw(limb_points(limb)) for limb in LIMBS if limb in limbs)
        lines.append(Line(draw(st.integers(0, len(vehicles) - 1)), points))
    return vehicles, lines


def due_columns(lines: Sequence[Line]) -> DueColumns:
    """The rules as columns; ``NEVER`` where a rule has no such limb."""
    found = [{point.limb: point for point in line.points} for line in lines]
    due, opens, late = (
        np.array(
            [[getattr(row[limb], name) if limb in row else NEVER for row in found] for limb in LIMBS],
            dtype=np.int64,
        )
        for name in ("due", "opens", "late_after")
    )
    return DueColumns(LIMBS, np.array([line.vehicle for line in lines], dtype=np.int64), due, opens, late)


def standing_columns(vehicles: Sequence[dict[Meter, Standing]]) -> StandingColumns:
    """The standings as columns, the calendar's row left empty."""
    shape = (len(LIMBS), len(vehicles))
    columns = StandingColumns(
        np.zeros(shape, np.int64),
        np.zeros(shape, np.int64),
        np.full(shape, np.nan),
        np.zeros(shape, np.bool_),
    )
    for place, limb in enumerate(LIMBS[1:], start=1):
        for column, vehicle in enumerate(vehicles):
            standing = vehicle.get(Meter(limb.value))
            if standing is not None:
                columns.life[place, column] = standing.life
                columns.day[place, column] = standing.day
                columns.per_day[place, column] = np.nan if standing.per_day is None else standing.per_day
                columns.has_reading[place, column] = True
    return columns


def check(
    vehicles: Sequence[dict[Meter, Standing]], lines: Sequence[Line], as_of: int, stale_days: int
) -> None:
    """Hold each row against its scalar judgement."""
    columns = judged(due_columns(lines), standing_columns(vehicles), as_of=as_of, stale_days=stale_days)
    for row, line in enumerate(lines):
        point = DuePoint("oil", 0, PointStatus.COUNTING, AnchorKind.NEW, date(2024, 1, 1), line.points)
        scalar = judge(point, vehicles[line.vehicle], as_of, stale_days)
        projected, governed = columns.projected_state[row], columns.governed_by[row]
        assert STATES[columns.state[row]] is scalar.state
        assert (None if projected == UNKNOWN else STATES[projected]) is scalar.projected_state
        assert (None if governed == UNKNOWN else LIMBS[governed]) is scalar.governed_by
        assert columns.due_day[row] == (NEVER if scalar.due_day is None else scalar.due_day)


@settings(max_examples=400)
@given(fleets(), st.integers(TODAY - 30, TODAY + 30), st.sampled_from([0, 14, 99]))
def test_judged_equals_judge(
    drawn: tuple[list[dict[Meter, Standing]], list[Line]], as_of: int, stale_days: int
) -> None:
    """No reading, no rate, no use, stale, ahead of the day asked about, absent limbs, exact ties."""
    vehicles, lines = drawn
    check(vehicles, lines, as_of, stale_days)


def test_blocks_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fleet of 1,000 rules in blocks of 64, drawn by a fixed seed."""
    monkeypatch.setattr(fleet, "_BLOCK", 64)
    chance = np.random.default_rng(7)
    vehicles = [
        {
            meter: Standing(
                int(chance.integers(0, 10**8)),
                TODAY - int(chance.integers(0, 30)),
                None if chance.random() < 0.1 else float(chance.integers(0, 500_000)),
            )
            for meter in (Meter.ODOMETER, Meter.ENGINE_HOURS)
            if chance.random() < 0.9
        }
        for _ in range(100)
    ]
    lines = []
    for place in range(1_000):
        points: list[LimbPoint] = []
        for limb in LIMBS:
            if chance.random() < 0.6 or (limb is Limb.ENGINE_HOURS and not points):
                due = TODAY + place % 90 if limb is Limb.CALENDAR else int(chance.integers(0, 10**8))
                points.append(
                    LimbPoint(limb, due, due - 30, due + 30, 0, is_base_estimated=False, interval=1)
                )
        lines.append(Line(place % 100, tuple(points)))
    check(vehicles, lines, TODAY, 14)


def test_a_fleet_without_rules() -> None:
    """No rows in, no rows out."""
    empty = np.empty((3, 0), np.int64)
    columns = DueColumns(LIMBS, np.empty(0, np.int64), empty, empty, empty)
    assert judged(columns, standing_columns([{}]), as_of=TODAY, stale_days=14).state.shape == (0,)


@st.composite
def spans(draw: st.DrawFn, measure: st.SearchStrategy[float]) -> list[tuple[float, float]]:
    """Up to six spans, some of them without use."""
    starts = sorted(draw(st.lists(st.integers(0, 10**8), min_size=1, max_size=6)))
    return [(float(start), draw(measure)) for start in starts]


def span_columns(rows: Sequence[list[tuple[float, float]]]) -> SpanColumns:
    """Rows of spans as columns; a shorter row repeats its last."""
    height = max(len(row) for row in rows)
    padded = [row + [row[-1]] * (height - len(row)) for row in rows]
    start, measure = np.array(padded).transpose(2, 1, 0)
    return SpanColumns(start, measure)


WEARS = st.sampled_from([1.0, 2.0]) | st.floats(1.0, 20.0)
SHARES = st.sampled_from([0.0, 0.25, 0.5, 1.0]) | st.floats(0.0, 1.0)
THRESHOLDS = st.sampled_from([0.0, 0.25, 0.5]) | st.floats(0.0, 0.99)


@given(st.lists(st.tuples(spans(WEARS), st.integers(1, 10**8).map(float)), min_size=1, max_size=8))
def test_weighted_figures_equal_weighted_figure(rows: list[tuple[list[tuple[float, float]], float]]) -> None:
    """To the last bit."""
    figures = weighted_figures(span_columns([row for row, _ in rows]), np.array([a for _, a in rows]))
    assert figures.tolist() == [weighted_figure(row, allowance) for row, allowance in rows]


@given(st.lists(st.tuples(spans(SHARES), THRESHOLDS), min_size=1, max_size=8))
def test_passing_figures_equal_passing_figure(rows: list[tuple[list[tuple[float, float]], float]]) -> None:
    """To the last bit; where a share never passes, infinity stands for none."""
    figures = passing_figures(span_columns([row for row, _ in rows]), np.array([t for _, t in rows]))
    found = [passing_figure(row, threshold) for row, threshold in rows]
    assert figures.tolist() == [np.inf if figure is None else figure for figure in found]


CONDITIONS = (DutyCondition.TOWING, DutyCondition.DUST)
FACTORS = st.sampled_from([0.25, 0.5, 2 / 3, 1.0]) | st.floats(0.05, 1.0)


@dataclass(frozen=True, slots=True)
class Case:
    """A vehicle read every twenty days, last done at a reading, and its rule under both policies."""

    history: VehicleHistory
    base: int
    interval: int
    conditions: tuple[SevereCondition, ...]

    def due(self, policy: DutyPolicy) -> int:
        """By the scalar path."""
        amount = Amount(Limb.ODOMETER, self.interval)
        rule = IntervalRule((amount,), policy=policy, conditions=self.conditions)
        service = Service("oil", "Oil", (Task("oil", "Oil"),), (rule,))
        (point,) = due_points(SpecSheet("t", "T", (Meter.ODOMETER,), (), (service,)), self.history)
        return point.limbs[0].due

    def starts(self) -> list[tuple[float, dict[DutyCondition, float]]]:
        """Where each stretch of duty begins on the odometer, from last done on."""
        found: list[tuple[float, dict[DutyCondition, float]]] = [(float(self.base), {})]
        for stretch in stretches(self.history.duty)[1:]:
            assert stretch.starts_on is not None
            at_us = (stretch.starts_on - date(1970, 1, 1).toordinal()) * DAY_US
            fix = self.history.timelines[Meter.ODOMETER].at(at_us)
            assert fix is not None
            if fix.life <= self.base:
                found = []
            found.append((float(max(fix.life, self.base)), dict(stretch.shares)))
        return found


@st.composite
def cases(draw: st.DrawFn) -> Case:
    first = date(2024, 1, 1).toordinal()
    life, lives = 0, []
    for _ in range(20):
        life += draw(st.integers(0, 5_000_000))
        lives.append(life)
    at_us = tuple((first - date(1970, 1, 1).toordinal() + 20 * place) * DAY_US for place in range(20))
    course = Timeline(at_us, tuple(lives))
    done = draw(st.integers(0, 19))
    duty = []
    for condition in CONDITIONS:
        bounds = sorted(draw(st.lists(st.integers(0, 380), max_size=5, unique=True)))
        for start, end in zip(bounds[::2], bounds[1::2], strict=False):
            days = (date.fromordinal(first + start), date.fromordinal(first + end - 1))
            duty.append(DutyEntry(condition, draw(SHARES.filter(bool)), *days))
    conditions = tuple(
        SevereCondition(condition, draw(FACTORS), draw(THRESHOLDS), (Limb.ODOMETER,))
        for condition in CONDITIONS
    )
    work = WorkDone(
        1,
        at_us[done],
        date.fromordinal(first + 20 * done),
        {Meter.ODOMETER: lives[done]},
        frozenset({"oil"}),
    )
    history = VehicleHistory(
        Origin(date.fromordinal(first), is_known_from_new=True),
        {Meter.ODOMETER: course},
        work=(work,),
        duty=tuple(duty),
    )
    return Case(history, lives[done], draw(st.integers(1_000_000, 60_000_000)), conditions)


@given(st.lists(cases(), min_size=1, max_size=4))
def test_due_points_from_duty_and_rules_equal_the_scalar_ones(drawn: list[Case]) -> None:
    """Both policies, in whole metres."""
    base = np.array([float(case.base) for case in drawn])
    interval = np.array([float(case.interval) for case in drawn])
    wear = []
    for case in drawn:
        multipliers = {c.condition: c.factor for c in case.conditions}
        row = []
        for start, shares in case.starts():
            left, sum_ = 1.0, 0.0
            for factor, share in sorted((multipliers[c], share) for c, share in shares.items()):
                filled = min(share, left)
                sum_ += filled / factor
                left -= filled
            row.append((start, sum_ + left))
        wear.append(row)
    weighted = rounded_up(weighted_figures(span_columns(wear), interval))
    assert weighted.tolist() == [case.due(DutyPolicy.WEIGHTED) for case in drawn]
    columns = tuple(
        span_columns([[(start, shares.get(name, 0.0)) for start, shares in case.starts()] for case in drawn])
        for name in CONDITIONS
    )
    factors, thresholds = (
        np.array(
            [[getattr(case.conditions[place], name) for case in drawn] for place in range(len(CONDITIONS))]
        )
        for name in ("factor", "threshold_share")
    )
    strictest = rounded_up(strictest_figures(base, interval, factors, thresholds, columns))
    assert strictest.tolist() == [case.due(DutyPolicy.STRICTEST) for case in drawn]
