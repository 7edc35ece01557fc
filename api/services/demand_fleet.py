"""A fleet in columns, as demand is forecast from it: what can be counted, how its meters run, what can not.

Invariants: no list of vehicles or due points is held, only arrays; a service that lacks a baseline, a reading or any
law of use is counted among those left out, never dropped; a vehicle asks for nothing after its last day.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np

from api.services.demand_added import FIRST_ADDED_KEY, AddedVehicles, with_added
from api.services.demand_use import Use, use_of
from api.services.standing import point_decoder
from api.store import queries_demand
from api.store.session import WriteSession
from api.store.sheets import load_sheet
from domain.due import PointStatus
from domain.occasions import NO_LIMB, Course, Rules
from domain.repeats import CONDITIONS, duty_factor, joined, rule_rows, sheet_rules
from domain.sheet import LIMBS, DutyCondition, SpecSheet
from domain.use_levels import levels

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, MutableMapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from api.store.queries_demand import PointColumns, Scope, VehicleColumns
    from api.store.session import ReadSession
    from domain.repeats import RuleTable, SheetRules
    from domain.sheet import Limb

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flag = NDArray[np.bool_]

BASELINE_NEEDED, NO_READING, USE_UNKNOWN = "baseline_needed", "no_reading", "use_unknown"

_ODOMETER, _IDLE = 0, 4  # places among the meters' columns
# Vehicles times levels that a block holds: its arrays stay in the processor's cache.
_BLOCK = 8_192
_DAYS_A_MONTH = 30.436875
# Beyond every figure and every day, and still a figure.
_AFTERWARDS, _AFTER_DAYS = 1e15, 1e7
# Stands for a vehicle that the database does not have.
_UNASKED = -2


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Services that a forecast can not count, for one reason.

    Attributes:
        services: How many services of vehicles.
        vehicles: On how many vehicles.
    """

    services: int
    vehicles: int


@dataclass(slots=True)
class Assumed:
    """What is assumed otherwise than it stands, in columns.

    Attributes:
        depot: Keys of depots, by vehicle key.
        last_on: Last day in the fleet, by vehicle key.
        sheets: Sheets in the place of stored versions, by the version's key.
        shares: Duty of vehicles of a filter: (vehicle keys or None for all, depot key, version keys, condition, share).
        factors: Multiplier of intervals, by (version key, service code).
        weighted: Whether shares are weighted, by version key.
        added: Vehicles that the fleet does not have.
    """

    depot: dict[int, int] = field(default_factory=dict)
    last_on: dict[int, date] = field(default_factory=dict)
    sheets: dict[int, SpecSheet] = field(default_factory=dict)
    shares: list[AssumedShare] = field(default_factory=list)
    factors: dict[tuple[int, str], float] = field(default_factory=dict)
    weighted: dict[int, bool] = field(default_factory=dict)
    added: list[AddedVehicles] = field(default_factory=list)

    @property
    def is_changing_intervals(self) -> bool:
        """Whether any interval may be another than it stands."""
        return bool(self.shares or self.factors or self.weighted)


@dataclass(frozen=True, slots=True)
class AssumedShare:
    """A share of use under a condition, on the vehicles that all limits admit.

    Attributes:
        condition: The condition.
        share: The share, from 0 to 1.
        vehicle: Key of the only vehicle.
        depot: Key of the only depot.
        versions: Keys of the only sheet versions.
    """

    condition: DutyCondition
    share: float
    vehicle: int | None = None
    depot: int | None = None
    versions: frozenset[int] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FleetColumns:
    """Vehicles and those of their services that can be counted.

    Attributes:
        vehicles: The vehicles.
        depots: Keys of depots that occur.
        depot: Place of each vehicle's depot, shape (v,).
        services: (version key, service code) of each kind of service.
        vehicle: Place of the vehicle of each rule, rising, shape (n,).
        service: Place of its service in ``services``, shape (n,).
        rule: Its row in ``table``, shape (n,).
        due: When it falls due, shape (1 + measures, n), ``NO_LIMB`` where it has no such limb.
        factor: What duty makes of the interval on each limb, shape (n, limbs); None: nothing anywhere.
        is_put_off: Whether it is put off, shape (n,).
        measures: Meter and idle distance [m/h] of each measure.
        table: The rules.
        last_on: Ordinal of each vehicle's last day, infinite while none is known, shape (v,).
        left_out: What can not be counted, by reason.
        use: How the meters run.
    """

    vehicles: VehicleColumns
    depots: tuple[int, ...]
    depot: Index
    services: tuple[tuple[int, str], ...]
    vehicle: Index
    service: Index
    rule: Index
    due: Real
    factor: Real | None
    is_put_off: Flag
    measures: tuple[tuple[int, int], ...]
    table: RuleTable
    last_on: Real
    left_out: Mapping[str, LeftOut]
    use: Use

    @property
    def has_added(self) -> bool:
        """Whether vehicles are among them that are only thought of."""
        return bool(self.vehicles.key.max(initial=0) >= FIRST_ADDED_KEY)

    @property
    def count(self) -> int:
        """How many vehicles are looked at."""
        return int(np.count_nonzero(self.last_on > -np.inf))

    def at_depot(self, key: int) -> FleetColumns:
        """The fleet where vehicles of other depots ask for nothing."""
        is_there = np.array([depot == key for depot in self.depots], np.bool_)[self.depot]
        return replace(self, last_on=np.where(is_there, self.last_on, -np.inf))

    def blocks(self, count: int) -> Iterator[slice]:
        """The vehicles in blocks for so many levels each."""
        size = max(1, _BLOCK // count)
        for start in range(0, len(self.vehicles.key), size):
            yield slice(start, min(start + size, len(self.vehicles.key)))

    def block(self, at: slice, first_on: int, days: Real, count: int) -> tuple[Rules, Course, Index]:
        """Rules and course of a block, and the service of each rule.

        Args:
            at: The vehicles.
            first_on: Ordinal of the first day.
            days: Boundaries of the periods, counted from it.
            count: Levels of each vehicle.
        """
        rows = slice(*np.searchsorted(self.vehicle, [at.start, at.stop]).tolist())
        end = self.last_on[at] + 1.0 - first_on
        course = Course(first_on, days, self._figures(at, first_on, days, count), end)
        return self._rules(rows, at.start, first_on), course, self.service[rows]

    def only(self, is_asked: Flag) -> FleetColumns:
        """The fleet with some kinds of services only.

        Args:
            is_asked: Which of ``services``, shape (services,).
        """
        if is_asked.all():
            return self
        rows = np.flatnonzero(is_asked[self.service])
        return replace(
            self,
            vehicle=self.vehicle[rows],
            service=self.service[rows],
            rule=self.rule[rows],
            due=self.due[:, rows],
            factor=None if self.factor is None else self.factor[rows],
            is_put_off=self.is_put_off[rows],
        )

    def _rules(self, rows: slice, start: int, first_on: int) -> Rules:
        table, rule = self.table, self.rule[rows]
        every = table.every[rule]
        is_grid = table.is_grid[rule]
        if self.factor is not None:
            factor = self.factor[rows]
            every = every * factor
            # In severe duty the shorter interval runs on from the last occasion.
            is_grid &= (factor == 1.0).all(axis=1)
        is_grid &= ~self.is_put_off[rows]
        columns = [0, *(meter + 1 for meter, _ in self.measures)]
        vehicle = self.vehicle[rows] - start
        due = self.due[:, rows].copy()
        due[0] -= first_on
        return Rules(
            vehicle,
            due,
            np.nan_to_num(np.ascontiguousarray(every[:, columns].T)),
            np.ascontiguousarray(table.early[rule][:, columns].T),
            is_grid,
            table.is_once[rule],
            table.rank[rule],
            self._containers(rows, vehicle),
        )

    def _containers(self, rows: slice, vehicle: Index) -> Index:
        """Places in the block of the rules whose services contain each."""
        table, rule = self.table, self.rule[rows]
        outer = table.containers[rule]
        if not (outer >= 0).any():
            return np.full((len(rule), 1), -1, np.int64)
        place_in_sheet = table.service[rule]
        width = int(table.service.max()) + 1
        at = np.full((int(vehicle.max()) + 1) * width, -1, np.int64)
        at[vehicle * width + place_in_sheet] = np.arange(len(rule))
        found: Index = np.where(outer >= 0, at[vehicle[:, None] * width + np.maximum(outer, 0)], -1)
        return found

    def _figures(self, at: slice, first_on: int, days: Real, count: int) -> Real:
        looked = levels(count)
        vehicles = np.arange(at.start, at.stop)
        sets = (
            looked.sets_of(self.vehicles.key[vehicles])
            if len(self.vehicles.key) > 1
            else np.full(1, len(looked.shares) // 2)
        )
        known: dict[int, Real] = {}
        figures = np.empty((len(self.measures), len(vehicles), count, len(days)))
        for place, (meter, idle_m_per_h) in enumerate(self.measures):
            figures[place] = self._meter(known, meter, vehicles, first_on, days, looked, sets)
            if idle_m_per_h:
                idle = self._meter(known, _IDLE, vehicles, first_on, days, looked, sets)
                figures[place] += idle * (idle_m_per_h / 3600.0)
        return figures

    def _meter(  # noqa: PLR0913, PLR0917 - a meter, its vehicles, days and levels
        self,
        known: dict[int, Real],
        meter: int,
        vehicles: Index,
        first_on: int,
        days: Real,
        looked: Any,
        sets: Index,
    ) -> Real:
        if meter not in known:
            life = np.nan_to_num(self.vehicles.life[meter, vehicles])
            read_on = np.where(
                np.isnan(self.vehicles.day[meter, vehicles]), first_on, self.vehicles.day[meter, vehicles]
            )
            ahead = np.maximum(first_on - read_on[:, None] + days[None, :], 0.0)
            known[meter] = np.broadcast_to(life[:, None, None], (len(vehicles), looked.count, len(days)))
            law = self.use.laws[meter]
            if law is not None:
                shape, scale = law.take(vehicles).gamma(ahead)
                known[meter] = known[meter] + looked.use(shape, scale, sets)
        return known[meter]


def load_fleet(session: ReadSession, scope: Scope, assumed: Assumed) -> FleetColumns:
    """A fleet in columns.

    Args:
        session: Any unit of work.
        scope: Which vehicles.
        assumed: What is assumed otherwise than it stands.
    """
    vehicles = queries_demand.vehicle_columns(session, scope)
    points = queries_demand.point_columns(session, scope)
    for added in assumed.added:
        if scope.depot in {None, added.depot} and scope.spec_sheet in {None, added.spec_sheet}:
            sheet = assumed.sheets.get(added.version) or load_sheet(session, scope.fleet, added.version)
            vehicles, points = with_added(vehicles, points, added, sheet)
    return _Loading(session, scope, assumed, vehicles, points).columns()


_NO_RULES = sheet_rules(SpecSheet("", "", (), (), ())).table
_rules: MutableMapping[object, dict[tuple[int, int], SheetRules]] = WeakKeyDictionary()


class _Loading:
    """Puts the columns of one fleet together."""

    def __init__(
        self,
        session: ReadSession,
        scope: Scope,
        assumed: Assumed,
        vehicles: VehicleColumns,
        points: PointColumns,
    ) -> None:
        self.session, self.scope, self.assumed = session, scope, assumed
        self.vehicles, self.points = vehicles, points
        self.versions, self.version = np.unique(vehicles.version, return_inverse=True)
        self.sheets = [
            assumed.sheets.get(int(key)) or load_sheet(session, scope.fleet, int(key))
            for key in self.versions
        ]
        self.rules = [
            self._sheet_rules(int(key), sheet) for key, sheet in zip(self.versions, self.sheets, strict=True)
        ]
        self.left_out: Counter[str] = Counter()
        self.left_out_of: dict[str, set[int]] = {}

    def columns(self) -> FleetColumns:
        """The columns."""
        vehicles, points = self.vehicles, self.points
        place = np.minimum(np.searchsorted(vehicles.key, points.vehicle), max(len(vehicles.key) - 1, 0))
        is_here = (
            vehicles.key[place] == points.vehicle if len(vehicles.key) else np.zeros(len(place), np.bool_)
        )
        due = points.due
        # Work done once and for all has neither a due figure nor anything missing.
        kept = np.flatnonzero(is_here & ~points.is_unjudged & ~np.isnan(due).all(axis=0))
        self._count_unjudged(vehicles.key)
        is_asked = [not np.isnan(figures).all() for figures in due[1:, kept]]
        is_asked[_IDLE] = is_asked[_IDLE] or not np.isnan(points.idle_m_per_h[kept]).all()
        # Top-ups go by distance, or by the hours of the engine, whatever the services run on.
        is_asked[:2] = [True, True]
        use = use_of(self.session, self.scope.fleet, vehicles, is_asked)
        vehicle = place[kept]
        if not len(kept):
            return self._empty(use)
        table, starts = joined([one.table for one in self.rules])
        rule, service, services = self._rules_of(vehicle, points.service[kept], starts)
        is_known = (rule >= 0) & ~self._lacks_use(vehicle, due[:, kept], points.idle_m_per_h[kept], use)
        kept, vehicle = kept[is_known], vehicle[is_known]
        rule, service = rule[is_known], service[is_known]
        due, measures, is_put_off = self._dues(kept)
        factor = self._factors(table, vehicle, rule, service, services, due, measures)
        depot_keys = self._depots()
        depots, depot = np.unique(depot_keys, return_inverse=True)
        return FleetColumns(
            vehicles,
            tuple(depots.tolist()),
            depot,
            services,
            vehicle,
            service,
            rule,
            due,
            factor,
            is_put_off,
            measures,
            table,
            self._last_on(),
            self._left_out(),
            use,
        )

    def _empty(self, use: Use) -> FleetColumns:
        none = np.zeros(0, np.int64)
        depots, depot = np.unique(self._depots(), return_inverse=True)
        table = joined([one.table for one in self.rules] or [_NO_RULES])[0]
        return FleetColumns(
            self.vehicles,
            tuple(depots.tolist()),
            depot,
            (),
            none,
            none,
            none,
            np.zeros((1, 0)),
            None,
            np.zeros(0, np.bool_),
            (),
            table,
            self._last_on(),
            self._left_out(),
            use,
        )

    def _sheet_rules(self, key: int, sheet: SpecSheet) -> SheetRules:
        if key in self.assumed.sheets or isinstance(self.session, WriteSession):
            return sheet_rules(sheet)
        known = _rules.setdefault(self.session.get_bind(), {})
        if (self.scope.fleet, key) not in known:
            known[self.scope.fleet, key] = sheet_rules(sheet)
        return known[self.scope.fleet, key]

    def _count_unjudged(self, keys: Index) -> None:
        if not self.points.is_unjudged.any():
            return
        here = set(keys.tolist())
        for row in queries_demand.unjudged_details(self.session, self.scope.fleet):
            if row.vehicle_id in here:
                status = point_decoder.decode(row.detail).status
                reason = BASELINE_NEEDED if status is PointStatus.BASELINE_NEEDED else NO_READING
                self._leave_out(reason, [row.vehicle_id])

    def _leave_out(self, reason: str, vehicle_keys: Sequence[int]) -> None:
        self.left_out[reason] += len(vehicle_keys)
        self.left_out_of.setdefault(reason, set()).update(vehicle_keys)

    def _left_out(self) -> dict[str, LeftOut]:
        return {
            reason: LeftOut(count, len(self.left_out_of[reason]))
            for reason, count in sorted(self.left_out.items())
        }

    def _rules_of(
        self, vehicle: Index, service: Index, starts: Sequence[int]
    ) -> tuple[Index, Index, tuple[tuple[int, str], ...]]:
        """Row of the rule and kind of service of each point, and the kinds."""
        codes = self.points.services
        row_of = np.full((len(self.versions), len(codes)), -1, np.int64)
        kind_of = np.zeros((len(self.versions), len(codes)), np.int64)
        kinds: list[tuple[int, str]] = []
        for place, rules in enumerate(self.rules):
            at = {code: one for one, code in enumerate(rules.codes)}
            for column, code in enumerate(codes):
                found = at.get(code)
                if found is not None and rules.first[found] >= 0:
                    row_of[place, column] = starts[place] + rules.first[found]
                    kind_of[place, column] = len(kinds)
                    kinds.append((int(self.versions[place]), code))
        version = self.version[vehicle]
        rule = row_of[version, service]
        self._admit(vehicle, service, rule, starts)
        return rule, kind_of[version, service], tuple(kinds)

    def _admit(self, vehicle: Index, service: Index, rule: Index, starts: Sequence[int]) -> None:
        """Take the rule that admits the vehicle where a sheet's rules have limits."""
        limited = [place for place, rules in enumerate(self.rules) if rules.limited]
        if not limited:
            return
        version_of = dict(zip(self.vehicles.key.tolist(), self.version.tolist(), strict=True))
        place_of = {key: place for place, key in enumerate(self.vehicles.key.tolist())}
        known: dict[tuple[Any, ...], dict[int, int]] = {}
        chosen: dict[tuple[int, str], Index] = {}
        keys = [int(self.versions[place]) for place in limited]
        for row in queries_demand.admission(self.session, self.scope.fleet, keys):
            place = version_of.get(row.vehicle_id)
            if place is None:
                continue
            about = (place, row.model_year, row.engine, row.serial)
            if about not in known:
                known[about] = rule_rows(self.rules[place], self.sheets[place], about[1:])
            for at, admitted in known[about].items():
                code = self.rules[place].codes[at]
                rows = chosen.setdefault((place, code), np.full(len(self.vehicles.key), _UNASKED, np.int64))
                rows[place_of[row.vehicle_id]] = -1 if admitted < 0 else starts[place] + admitted
        version = self.version[vehicle]
        column_of = {code: column for column, code in enumerate(self.points.services)}
        for (place, code), rows in chosen.items():
            if code in column_of:
                here = np.flatnonzero((version == place) & (service == column_of[code]))
                admitted_by = rows[vehicle[here]]
                rule[here] = np.where(admitted_by == _UNASKED, rule[here], admitted_by)

    def _lacks_use(self, vehicle: Index, due: Real, idle_m_per_h: Real, use: Use) -> Flag:
        lacks = np.zeros(len(vehicle), np.bool_)
        for meter in range(len(queries_demand.METERS)):
            has_limb = ~np.isnan(due[meter + 1])
            if meter == _IDLE:
                has_limb |= ~np.isnan(idle_m_per_h) & ~np.isnan(due[_ODOMETER + 1])
            is_known = use.is_known[meter]
            if is_known is not None:
                lacks |= has_limb & ~is_known[vehicle]
        if lacks.any():
            keys = self.vehicles.key[vehicle[lacks]].tolist()
            self._leave_out(USE_UNKNOWN, keys)
        return lacks

    def _dues(self, kept: Index) -> tuple[Real, tuple[tuple[int, int], ...], Flag]:
        """Due figures of the calendar and of each measure in use, the measures, and what is put off."""
        points = self.points
        stored = points.due[:, kept]
        idle = np.nan_to_num(points.idle_m_per_h[kept]).astype(np.int64)
        rows = [np.where(np.isnan(stored[0]), NO_LIMB, stored[0])]
        measures = []
        for meter in range(len(queries_demand.METERS)):
            figures = stored[meter + 1]
            has_limb = ~np.isnan(figures)
            distances = (
                np.unique(idle[has_limb]).tolist() if meter == _ODOMETER else [0] * int(has_limb.any())
            )
            for distance in distances:
                is_meant = has_limb & (idle == distance) if meter == _ODOMETER else has_limb
                rows.append(np.where(is_meant, figures, NO_LIMB))
                measures.append((meter, distance))
        due = np.stack(rows)
        return due, tuple(measures), self._put_off(kept, due, tuple(measures))

    def _put_off(self, kept: Index, due: Real, measures: tuple[tuple[int, int], ...]) -> Flag:
        """Which services are put off; each is done at the first of its new limits."""
        is_put_off = np.zeros(len(kept), np.bool_)
        rows = queries_demand.deferred_details(self.session, self.scope.fleet)
        codes = {code: place for place, code in enumerate(self.points.services)}
        keys, services = self.points.vehicle[kept], self.points.service[kept]
        for row in rows:
            deferral = point_decoder.decode(row.detail).deferral
            if deferral is None or row.service not in codes:
                continue
            span = slice(*np.searchsorted(keys, [row.vehicle_id, row.vehicle_id + 1]).tolist())
            for place in np.flatnonzero(services[span] == codes[row.service]) + span.start:
                self._put_off_one(due[:, place], deferral.limits, measures)
                is_put_off[place] = True
        return is_put_off

    def _put_off_one(
        self, due: Real, limits: Mapping[Limb, int], measures: tuple[tuple[int, int], ...]
    ) -> None:
        for at, column in enumerate([0, *(meter + 1 for meter, _ in measures)]):
            if LIMBS[column] in limits:
                due[at] = limits[LIMBS[column]]
            elif due[at] < NO_LIMB:
                # It runs again after the occasion, and does not bring that about.
                due[at] = _AFTERWARDS if at else _AFTER_DAYS

    def _factors(  # noqa: PLR0913, PLR0917 - all that an interval depends on
        self,
        table: RuleTable,
        vehicle: Index,
        rule: Index,
        service: Index,
        services: tuple[tuple[int, str], ...],
        due: Real,
        measures: tuple[tuple[int, int], ...],
    ) -> Real | None:
        shares = self._shares()
        if shares is None and not self.assumed.is_changing_intervals:
            return None
        found = np.ones((len(rule), len(LIMBS)))
        if shares is not None:
            is_under_duty: Flag = np.any(shares > 0, axis=1)
            under_duty = np.flatnonzero(is_under_duty[vehicle])
            if len(under_duty):
                found[under_duty] = duty_factor(table, rule[under_duty], shares[vehicle[under_duty]])
        if not self.assumed.is_changing_intervals:
            return found
        before = found
        assumed = shares.copy() if shares is not None else np.zeros((len(self.vehicles.key), len(CONDITIONS)))
        for one in self.assumed.shares:
            assumed[self._meant(one), CONDITIONS.index(one.condition)] = one.share
        is_weighted = table.is_weighted[rule]
        if self.assumed.weighted:
            wished = np.array([self.assumed.weighted.get(int(key), -1) for key in self.versions])
            of_row = wished[self.version[vehicle]]
            is_weighted = np.where(of_row >= 0, of_row == 1, is_weighted)
        after = duty_factor(table, rule, assumed[vehicle], is_weighted=is_weighted)
        multiplier = np.array([self.assumed.factors.get(kind, 1.0) for kind in services])
        after *= multiplier[service][:, None]
        self._move_dues(table, rule, due, measures, before - after)
        return after

    def _move_dues(
        self, table: RuleTable, rule: Index, due: Real, measures: tuple[tuple[int, int], ...], less: Real
    ) -> None:
        """The interval that runs now ends as if what is assumed had held since it began."""
        for at, column in enumerate([0, *(meter + 1 for meter, _ in measures)]):
            span = np.nan_to_num(table.every[rule, column]) * less[:, column]
            due[at] -= span * (_DAYS_A_MONTH if column == 0 else 1.0)

    def _meant(self, one: AssumedShare) -> Flag:
        meant = np.ones(len(self.vehicles.key), np.bool_)
        if one.vehicle is not None:
            meant &= self.vehicles.key == one.vehicle
        if one.depot is not None:
            meant &= self._depots() == one.depot
        if one.versions is not None:
            meant &= np.isin(self.vehicles.version, list(one.versions))
        return meant

    def _shares(self) -> Real | None:
        rows = queries_demand.duty_on(self.session, self.scope.fleet, self.scope.as_of)
        if not rows:
            return None
        keys = np.array([row.vehicle_id for row in rows], dtype=np.int64)
        place = np.minimum(np.searchsorted(self.vehicles.key, keys), max(len(self.vehicles.key) - 1, 0))
        condition = np.array([CONDITIONS.index(DutyCondition(row.condition)) for row in rows])
        share = np.array([row.share for row in rows], dtype=np.float64)
        is_here = self.vehicles.key[place] == keys
        found = np.zeros((len(self.vehicles.key), len(CONDITIONS)))
        found[place[is_here], condition[is_here]] = share[is_here]
        return found

    def _depots(self) -> Index:
        depot = self.vehicles.depot
        if not self.assumed.depot:
            return depot
        moved = depot.copy()
        for key, to in self.assumed.depot.items():
            moved[self.vehicles.key == key] = to
        return moved

    def _last_on(self) -> Real:
        last_on = np.where(np.isnan(self.vehicles.retired_on), np.inf, self.vehicles.retired_on)
        for key, day in self.assumed.last_on.items():
            here = self.vehicles.key == key
            last_on[here] = np.minimum(last_on[here], day.toordinal())
        return last_on
