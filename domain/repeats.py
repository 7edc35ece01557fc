"""What follows after a service is done, in columns: the intervals of every rule of some spec sheets.

Severe duty shortens an interval as it stands: under the strictest policy by the factor of each condition whose share
passes its threshold, under the weighted policy by the wear of all shares together (``domain.duty.wear_factor``,
element by element). A rule that duty shortens counts from the last occasion, also where it has set points.

Invariant: duty never lengthens an interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.sheet import LIMBS, Counting, DutyCondition, DutyPolicy

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from domain.sheet import IntervalRule, Service, SpecSheet

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flag = NDArray[np.bool_]

CONDITIONS: tuple[DutyCondition, ...] = tuple(DutyCondition)

# Rules at once: an array of limbs and conditions each.
_PART = 16_384


@dataclass(frozen=True, slots=True, eq=False)
class RuleTable:
    """Rules of services, one row a rule of a service.

    Attributes:
        every: Interval on each limb, NaN where the rule has none, shape (rules, limbs) [month, canonical units].
        early: How far ahead a set point is settled, the same, 0 where not at all.
        is_grid: Whether the rule has set points, shape (rules,).
        is_once: Whether the service is done once, shape (rules,).
        is_weighted: Whether duty is weighted, shape (rules,).
        factor: Multiplier of each limb under each condition, 1 where it has none, shape (rules, limbs, conditions).
        threshold: Share that a condition must pass; 2 where it has no effect, shape (rules, conditions).
        rank: 0 for services that none contains, shape (rules,).
        service: Place of the service in its sheet, shape (rules,).
        containers: Places, in the sheet, of services that contain it, filled up with -1, shape (rules, c).
    """

    every: Real
    early: Real
    is_grid: Flag
    is_once: Flag
    is_weighted: Flag
    factor: Real
    threshold: Real
    rank: Index
    service: Index
    containers: Index


@dataclass(frozen=True, slots=True, eq=False)
class SheetRules:
    """The rules of one sheet.

    Attributes:
        table: They.
        first: Row of the first rule of each service, -1 where it has none, shape (services,).
        limited: Places of services whose rules do not all admit every vehicle.
        codes: Codes of the services.
    """

    table: RuleTable
    first: Index
    limited: tuple[int, ...]
    codes: tuple[str, ...]


def sheet_rules(sheet: SpecSheet) -> SheetRules:
    """The rules of a checked sheet."""
    places = {service.code: place for place, service in enumerate(sheet.services)}
    containing = _containing(sheet, places)
    ranks = _ranks(containing)
    rows: list[tuple[int, Service, IntervalRule]] = []
    first, limited = [], []
    for place, service in enumerate(sheet.services):
        first.append(len(rows) if service.rules else -1)
        rows.extend((place, service, rule) for rule in service.rules)
        if service.rules and not service.rules[0].applies_to.admits(
            model_year=None, engine=None, serial=None
        ):
            limited.append(place)
    return SheetRules(
        _table(rows, containing, ranks), np.array(first, np.int64), tuple(limited), tuple(places)
    )


def joined(tables: Sequence[RuleTable]) -> tuple[RuleTable, list[int]]:
    """The tables one after the other, and where each begins."""
    widest = max((table.containers.shape[1] for table in tables), default=1)
    containers = [
        np.pad(table.containers, ((0, 0), (0, widest - table.containers.shape[1])), constant_values=-1)
        for table in tables
    ]
    starts = np.concatenate([[0], np.cumsum([len(table.rank) for table in tables])]).astype(int)
    names = ("every", "early", "is_grid", "is_once", "is_weighted", "factor", "threshold", "rank", "service")
    columns = {name: np.concatenate([getattr(table, name) for table in tables]) for name in names}
    return RuleTable(**columns, containers=np.concatenate(containers)), starts[:-1].tolist()


def duty_factor(table: RuleTable, rule: Index, shares: Real, *, is_weighted: Flag | None = None) -> Real:
    """What duty makes of the interval of rules on each limb: at most 1, shape (n, limbs).

    Args:
        table: The rules.
        rule: Row of each, shape (n,).
        shares: Share of use under each condition, shape (n, conditions).
        is_weighted: Whether shares are weighted, shape (n,); None: as the rules say.
    """
    found = np.ones((len(rule), table.every.shape[1]))
    weighs = table.is_weighted[rule] if is_weighted is None else is_weighted
    for start in range(0, len(rule), _PART):
        part = slice(start, start + _PART)
        found[part] = _duty_factor(table, rule[part], shares[part], weighs[part])
    return found


def rule_rows(
    rules: SheetRules, sheet: SpecSheet, vehicle: tuple[int | None, str | None, str | None]
) -> dict[int, int]:
    """For each limited service the row of the rule that admits a vehicle; -1 where none does.

    Args:
        rules: The rules of its sheet.
        sheet: The sheet.
        vehicle: Its model year, engine and serial number.
    """
    year, engine, serial = vehicle
    found = {}
    for place in rules.limited:
        admitted = sheet.services[place].rule_for(model_year=year, engine=engine, serial=serial)
        found[place] = -1 if admitted is None else int(rules.first[place]) + admitted[0]
    return found


def _containing(sheet: SpecSheet, places: Mapping[str, int]) -> list[list[int]]:
    """The services that contain each, also by way of others."""
    found: list[list[int]] = [[] for _ in sheet.services]
    for service in sheet.services:
        for inner in sheet.with_included(service.code):
            if inner.code != service.code:
                found[places[inner.code]].append(places[service.code])
    return found


def _ranks(containing: Sequence[Sequence[int]]) -> list[int]:
    ranks: dict[int, int] = {}

    def rank(place: int) -> int:
        if place not in ranks:
            ranks[place] = 1 + max((rank(outer) for outer in containing[place]), default=-1)
        return ranks[place]

    return [rank(place) for place in range(len(containing))]


def _table(
    rows: Sequence[tuple[int, Service, IntervalRule]],
    containing: Sequence[Sequence[int]],
    ranks: Sequence[int],
) -> RuleTable:
    count, limbs, conditions = len(rows), len(LIMBS), len(CONDITIONS)
    every, early = np.full((count, limbs), np.nan), np.zeros((count, limbs))
    factor, threshold = np.ones((count, limbs, conditions)), np.full((count, conditions), 2.0)
    widest = max((len(one) for one in containing), default=0)
    containers = np.full((count, max(widest, 1)), -1, np.int64)
    for row, (place, _, rule) in enumerate(rows):
        for amount in rule.every:
            every[row, LIMBS.index(amount.limb)] = amount.amount
        for amount in rule.early_window:
            early[row, LIMBS.index(amount.limb)] = amount.amount
        for severe in rule.conditions:
            which = CONDITIONS.index(severe.condition)
            threshold[row, which] = severe.threshold_share
            for limb in severe.limbs:
                factor[row, LIMBS.index(limb), which] = severe.factor
        containers[row, : len(containing[place])] = containing[place]
    return RuleTable(
        every,
        early,
        np.array([rule.counting is Counting.SET_POINTS for *_, rule in rows], np.bool_),
        np.array([service.is_one_time for _, service, _ in rows], np.bool_),
        np.array([rule.policy is DutyPolicy.WEIGHTED for *_, rule in rows], np.bool_),
        factor,
        threshold,
        np.array([ranks[place] for place, *_ in rows], np.int64),
        np.array([place for place, *_ in rows], np.int64),
        containers,
    )


def _duty_factor(table: RuleTable, rule: Index, shares: Real, weighs: Flag) -> Real:
    factor, threshold = table.factor[rule], table.threshold[rule]
    is_passed = shares > threshold
    strictest: Real = np.where(is_passed[:, None, :], factor, 1.0).min(axis=2)
    if not weighs.any():
        return strictest
    # Overlapping shares fill from the most severe condition down to 1.
    has_effect = (threshold <= 1.0)[:, None, :] & (factor < 1.0)
    counted = np.where(has_effect, np.broadcast_to(shares[:, None, :], factor.shape), 0.0)
    order = np.argsort(factor, axis=2, kind="stable")
    filled = np.minimum(np.cumsum(np.take_along_axis(counted, order, axis=2), axis=2), 1.0)
    parts = np.diff(filled, axis=2, prepend=0.0)
    wear = (parts / np.take_along_axis(factor, order, axis=2)).sum(axis=2) + 1.0 - filled[:, :, -1]
    found: Real = np.where(weighs[:, None], 1.0 / wear, strictest)
    return found
