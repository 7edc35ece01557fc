"""What follows after a service is done, in columns: held against the scalar functions of the domain."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.special import gammaincinv

from domain.calendar import add_part_months
from domain.calendar_columns import months_after
from domain.demand_law import Cumulants, DemandLaw, lattice_law, quantiles
from domain.duty import wear_factor
from domain.repeats import CONDITIONS, duty_factor, joined, rule_rows, sheet_rules
from domain.rounding import Whole, shown_grid, shown_nested
from domain.sheet import (
    LIMBS,
    Amount,
    Applicability,
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
from domain.use_levels import COUNTS, count_for, levels

TOWING, DUST = DutyCondition.TOWING, DutyCondition.DUST
BOTH = (Limb.ODOMETER, Limb.CALENDAR)
EVERY = (Amount(Limb.ODOMETER, 20_000_000), Amount(Limb.CALENDAR, 12))


def rule(policy: DutyPolicy, **more: object) -> IntervalRule:
    """20,000 km or 12 months; towing halves both past a fifth, dust leaves 0.7 of the distance past two fifths."""
    conditions = (SevereCondition(TOWING, 0.5, 0.2, BOTH), SevereCondition(DUST, 0.7, 0.4, (Limb.ODOMETER,)))
    return IntervalRule(every=EVERY, policy=policy, conditions=conditions, **more)  # type: ignore[arg-type]


def sheet(*services: Service) -> SpecSheet:
    """A sheet of these services."""
    return SpecSheet("van", "Van", (Meter.ODOMETER,), (), services)


def service(code: str, *rules: IntervalRule, includes: tuple[str, ...] = ()) -> Service:
    """A service of one task."""
    return Service(code, code, (Task(f"{code}-task", code),), rules, includes)


def test_duty_makes_of_intervals_what_the_scalar_rules_do() -> None:
    table, _ = joined(
        [
            sheet_rules(
                sheet(service("a", rule(DutyPolicy.STRICTEST)), service("b", rule(DutyPolicy.WEIGHTED)))
            ).table
        ]
    )
    dice = np.random.default_rng(2)
    shares = np.zeros((200, len(CONDITIONS)))
    shares[:, CONDITIONS.index(TOWING)] = dice.uniform(0, 1, 200)
    shares[:, CONDITIONS.index(DUST)] = dice.uniform(0, 1, 200)
    odometer, calendar = LIMBS.index(Limb.ODOMETER), LIMBS.index(Limb.CALENDAR)
    strict = duty_factor(table, np.zeros(200, np.int64), shares)
    weighted = duty_factor(table, np.ones(200, np.int64), shares)
    for row, share in enumerate(shares):
        towing, dust = float(share[CONDITIONS.index(TOWING)]), float(share[CONDITIONS.index(DUST)])
        assert strict[row, odometer] == (0.5 if towing > 0.2 else 0.7 if dust > 0.4 else 1.0)
        assert strict[row, calendar] == (0.5 if towing > 0.2 else 1.0)
        held = ((TOWING, towing), (DUST, dust))
        assert 1 / weighted[row, odometer] == pytest.approx(wear_factor(held, {TOWING: 0.5, DUST: 0.7}))
        assert 1 / weighted[row, calendar] == pytest.approx(wear_factor(held, {TOWING: 0.5}))
    as_weighted = duty_factor(table, np.zeros(200, np.int64), shares, is_weighted=np.ones(200, np.bool_))
    assert as_weighted == pytest.approx(weighted)


def test_a_sheet_in_rows_knows_what_contains_what_and_whom_a_rule_admits() -> None:
    plain = rule(DutyPolicy.STRICTEST)
    diesel = rule(DutyPolicy.STRICTEST, applies_to=Applicability(engines=("D",)))
    whole = sheet(
        service("wash", plain),
        service("oil", diesel, plain, includes=("wash",)),
        service("large", plain, includes=("oil",)),
    )
    rules = sheet_rules(whole)
    assert rules.table.rank.tolist() == [2, 1, 1, 0]
    assert rules.table.containers.tolist() == [[1, 2], [2, -1], [2, -1], [-1, -1]]
    assert rules.limited == (1,)
    assert rule_rows(rules, whole, (2030, "D", None)) == {1: 1}
    assert rule_rows(rules, whole, (2030, "P", None)) == {1: 2}


def test_months_in_columns_are_those_of_the_calendar() -> None:
    dice = np.random.default_rng(6)
    days = dice.integers(date(2000, 1, 1).toordinal(), date(2100, 1, 1).toordinal(), 2_000)
    months = np.where(dice.random(2_000) < 0.5, dice.integers(0, 120, 2_000), dice.uniform(0, 60, 2_000))
    expected = [
        add_part_months(date.fromordinal(day), month).toordinal()
        for day, month in zip(days.tolist(), months.tolist(), strict=True)
    ]
    assert months_after(days, months).tolist() == expected


@pytest.mark.parametrize("count", [8, 64])
def test_levels_are_quantiles_of_the_gamma_law(count: int) -> None:
    dice = np.random.default_rng(8)
    looked = levels(count)
    keys = np.arange(60)
    shape, scale = np.exp(dice.uniform(np.log(0.5), np.log(1e7), (60, 5))), dice.uniform(1, 1e5, (60, 5))
    sets = looked.sets_of(keys)
    exact = gammaincinv(shape[:, None, :], looked.shares[sets][:, :, None]) * scale[:, None, :]
    told = looked.use(shape, scale, sets)
    assert np.abs(told / (shape * scale)[:, None, :] - exact / (shape * scale)[:, None, :]).max() < 3e-4
    # Over the keys every set is met about as often.
    assert (
        np.bincount(looked.sets_of(np.arange(1_600)), minlength=len(looked.shares)).min()
        >= 1_600 // len(looked.shares) * 0.9
    )


def test_few_rows_have_many_levels() -> None:
    assert [count_for(rows, most=16_384) for rows in (1, 64, 200, 5_000)] == [COUNTS[-1], 256, 64, 8]


@pytest.mark.parametrize("code", ["L", "qt_us", "h"])
def test_a_grid_is_shown_as_its_nested_parts_are(code: str) -> None:
    dice = np.random.default_rng(9)
    for _ in range(20):
        rows = dice.integers(0, 20_000, (4, 6)).tolist()
        nested = shown_nested(Whole(parts=tuple(Whole(parts=tuple(map(Whole, row))) for row in rows)), code)
        grid = shown_grid(rows, code)
        assert grid.total == nested.value
        assert grid.totals == [part.value for part in nested.parts]
        assert grid.rows == [[cell.value for cell in part.parts] for part in nested.parts]


def test_laws_have_the_moments_and_quantiles_that_they_say() -> None:
    law = DemandLaw(500.0, np.array([0.5, 0.25, 0.25]))
    assert (law.mean, law.variance) == (375.0, 171_875.0)
    assert [law.quantile(share) for share in (0.5, 0.6, 0.75, 0.9)] == [0, 500, 500, 1_000]
    assert (law.chance_above(0), law.chance_above(499), law.chance_above(500)) == (0.5, 0.5, 0.25)
    moved = law.moved(750.0)
    assert (moved.mean, moved.probabilities.sum()) == (1_125.0, 1.0)
    # Many independent ones: a Poisson count of mean 100 has the cumulants 100, 100, 100.
    sums = Cumulants(np.array([100.0]), np.array([100.0]), np.array([100.0]))
    many = lattice_law(sums, 0, 1.0)
    assert many.mean == pytest.approx(100, rel=1e-3)
    assert many.variance == pytest.approx(100, rel=1e-2)
    # Quantiles of the Poisson law of mean 100, computed with SciPy 1.17.1: 84, 100, 113, 117.
    assert [many.quantile(share) for share in (0.05, 0.5, 0.9, 0.95)] == [84, 100, 113, 117]
    assert quantiles(sums, np.ones(1), (0.05, 0.5, 0.9, 0.95)).tolist() == [[84, 100, 113, 117]]
    none = Cumulants(np.zeros(1), np.zeros(1), np.zeros(1))
    assert quantiles(none, np.ones(1), (0.5, 0.95)).tolist() == [[0, 0]]


def test_the_law_of_a_large_depot_stays_small() -> None:
    sums = Cumulants(np.array([5e8, 5e8]), np.array([9e12, 0.0]), np.array([1e18, 0.0]))
    law, certain = lattice_law(sums, 0, 100.0), lattice_law(sums, 1, 100.0)
    assert max(len(law.probabilities), len(certain.probabilities)) < 5_000
    assert law.mean == pytest.approx(5e8, rel=1e-4)
    assert law.variance == pytest.approx(9e12, rel=0.01)
    assert certain.mean == pytest.approx(5e8)
