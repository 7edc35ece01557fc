"""Demand between services, learned from the top-ups that were entered: lines of their own, and rising rates.

A type's top-ups of a compartment are counted over the last year, or since the first of them that was entered; that
first one begins the time and is not counted. What a vehicle ran in that time is taken at its recent rate.

Invariant: the rates of a type are the same whichever depot is asked about.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.services.demand_added import FIRST_ADDED_KEY
from api.services.demand_terms import SHARES, ItemDemand, RisingTopUps, Source
from api.services.top_ups import TopUpReason
from api.store import queries_demand
from api.store.queries_demand import Scope, VehicleColumns
from domain.demand_law import LATTICE, Cumulants, DemandLaw, lattice_law, quantiles
from domain.top_ups import LEAST_RECENT, is_rising, rates_of, rising_chances, top_up_demand, volumes_of
from domain.use_levels import levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from numpy.typing import NDArray

    from api.services.demand_fleet import FleetColumns
    from api.services.demand_terms import Span
    from api.store.session import ReadSession
    from domain.top_ups import Rates, Volumes

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

WINDOW_DAYS = 365
RECENT_DAYS = 90
_LEVELS = 16
_BLOCK = 2_048
_METERS = (0, 1)  # the odometer, else the hours of the engine
_NOTHING = DemandLaw(1.0, np.ones(1))


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Top-ups of one compartment on one type.

    Attributes:
        requirement: Code of the fluid requirement.
        compartment: Code of the compartment.
        spec_sheet: Key of the type.
        members: Places of the type's vehicles among all, shape (n,).
        meter: The meter that the rate goes by.
        since: Ordinal of the day from which they are counted.
        rates: Rates of the members, and of one without a past.
        volumes: Volumes.
    """

    requirement: str
    compartment: str
    spec_sheet: int
    members: Index
    meter: int
    since: int
    rates: Rates
    volumes: Volumes


def top_ups_ahead(
    session: ReadSession, scope: Scope, fleet: FleetColumns, span: Span
) -> tuple[tuple[ItemDemand, ...], tuple[RisingTopUps, ...]]:
    """What top-ups are going to take, by fluid requirement, and the vehicles on which they have become more often.

    Args:
        session: Any unit of work.
        scope: Which vehicles are asked about.
        fleet: They.
        span: The time.
    """
    as_of = span.first_on.toordinal()
    found = _entered(session, scope, fleet, as_of)
    tally = _Tally(fleet, span)
    rising: list[RisingTopUps] = []
    here = set(fleet.vehicles.key.tolist())
    for (kind, compartment, requirement), entered in sorted(found.by_kind.items()):
        group = _learned(found, kind, entered, as_of)
        if group is not None:
            tally.add(found.everyone, group)
        asked = [row for row in entered if row.vehicle_id in here]
        rising += _rising(
            asked, compartment, requirement, found.place_of, found.began, as_of, _since(entered, as_of)
        )
    return tally.items(), _named(session, scope.fleet, rising)


def top_up_laws(
    session: ReadSession, scope: Scope, fleet: FleetColumns, spans: Sequence[Span]
) -> dict[str, list[DemandLaw]]:
    """The laws of what top-ups take at one depot over some spans from the same day on, by fluid requirement.

    Args:
        session: Any unit of work.
        scope: Which vehicles are asked about: those of one depot.
        fleet: They.
        spans: The spans, each of one period.
    """
    as_of = scope.as_of.toordinal()
    found = _entered(session, scope, fleet, as_of)
    groups = [
        _learned(found, kind, entered, as_of) for (kind, _, _), entered in sorted(found.by_kind.items())
    ]
    laws: dict[str, list[DemandLaw]] = {}
    for place, span in enumerate(spans):
        tally = _Tally(fleet, span)
        for group in groups:
            if group is not None:
                tally.add(found.everyone, group)
        for requirement, law in tally.laws().items():
            laws.setdefault(requirement, [_NOTHING] * len(spans))[place] = law
    return laws


@dataclass(frozen=True, slots=True, eq=False)
class _Entered:
    """Top-ups that count, and the vehicles of the fleet.

    Attributes:
        everyone: All vehicles.
        place_of: The place of each among them, by key.
        began: Ordinal of the first day of each.
        by_kind: Top-ups by type, compartment and fluid requirement.
    """

    everyone: VehicleColumns
    place_of: Mapping[int, int]
    began: Index
    by_kind: Mapping[tuple[int, str, str], list[Any]]


def _entered(session: ReadSession, scope: Scope, fleet: FleetColumns, as_of: int) -> _Entered:
    rows = queries_demand.top_ups(session, scope.fleet, since=as_of - WINDOW_DAYS, before=as_of + 1)
    if not rows:
        return _Entered(fleet.vehicles, {}, np.zeros(0, np.int64), {})
    is_whole = scope.depot is None and scope.spec_sheet is None
    everyone = (
        fleet.vehicles
        if is_whole and not fleet.has_added
        else queries_demand.vehicle_columns(session, Scope(scope.fleet, scope.as_of))
    )
    by_kind: dict[tuple[int, str, str], list[Any]] = defaultdict(list)
    place_of = {key: place for place, key in enumerate(everyone.key.tolist())}
    for row in rows:
        if row.vehicle_id in place_of:
            kind = int(everyone.spec_sheet[place_of[row.vehicle_id]])
            by_kind[kind, row.compartment, row.fluid_requirement].append(row)
    return _Entered(everyone, place_of, _began_on(session, scope.fleet, everyone), by_kind)


def _learned(known: _Entered, kind: int, entered: Sequence[Any], as_of: int) -> _Group | None:
    everyone, place_of, began = known.everyone, known.place_of, known.began
    members = np.flatnonzero(everyone.spec_sheet == kind)
    since = _since(entered, as_of)
    observed = np.maximum(as_of - np.maximum(since, began[members]), 0).astype(np.float64)
    meter = next((m for m in _METERS if (everyone.per_day[m, members] > 0).any()), None)
    if meter is None:
        return None
    use = np.nan_to_num(everyone.per_day[meter, members]) * observed
    counted = np.array([place_of[row.vehicle_id] for row in _counted(entered, since)], dtype=np.int64)
    counts = np.bincount(np.searchsorted(members, counted), minlength=len(members)).astype(np.float64)
    has_use = use > 0
    # One more without a past stands for vehicles that are only thought of.
    rates = rates_of(np.append(counts[has_use], 0.0), np.append(use[has_use], 0.0))
    if rates is None:
        return None
    volumes = volumes_of(np.array([row.volume_ml for row in entered], dtype=np.float64))
    first = entered[0]
    return _Group(
        first.fluid_requirement, first.compartment, kind, members[has_use], meter, since, rates, volumes
    )


def _since(entered: Sequence[Any], as_of: int) -> int:
    return max(as_of - WINDOW_DAYS, min(queries_demand.ordinal(row.topped_up_on) for row in entered))


def _counted(entered: Sequence[Any], since: int) -> list[Any]:
    """All but one of the first day, which begins the time."""
    ordered = sorted(entered, key=lambda row: (queries_demand.ordinal(row.topped_up_on), row.id))
    is_begun_by_first = queries_demand.ordinal(ordered[0].topped_up_on) == since
    return ordered[1:] if is_begun_by_first else ordered


class _Tally:
    """Adds up what the vehicles asked about are going to take."""

    def __init__(self, fleet: FleetColumns, span: Span) -> None:
        self.fleet, self.span = fleet, span
        self.shape = (len(fleet.depots), len(span.bounds))
        self.sums: dict[str, Real] = {}

    def add(self, everyone: VehicleColumns, group: _Group) -> None:
        """Add a type's top-ups of a compartment."""
        keys = everyone.key[group.members]
        vehicles = self.fleet.vehicles
        if not len(vehicles.key):
            return
        place = np.minimum(np.searchsorted(vehicles.key, keys), len(vehicles.key) - 1)
        is_here = vehicles.key[place] == keys
        known = np.flatnonzero(is_here)
        thought_of = np.flatnonzero(
            (vehicles.key >= FIRST_ADDED_KEY) & (vehicles.spec_sheet == group.spec_sheet)
        )
        place = np.concatenate([place[known], thought_of])
        rates = group.rates.take(np.concatenate([known, np.full(len(thought_of), len(keys))]))
        sums = self.sums.setdefault(group.requirement, np.zeros((3, self.shape[0] * self.shape[1])))
        for start in range(0, len(place), _BLOCK):
            part = slice(start, start + _BLOCK)
            some = place[part]
            use = self._use(some, group.meter)
            found = top_up_demand(rates.take(np.arange(len(rates.shape))[part]), group.volumes, use)
            cell = self.fleet.depot[some][:, None] * self.shape[1] + np.arange(self.shape[1])
            for row, moment in enumerate((found.mean, found.variance, found.third)):
                sums[row] += np.bincount(cell.ravel(), weights=moment.ravel(), minlength=len(sums[row]))

    def items(self) -> tuple[ItemDemand, ...]:
        """A line for each requirement."""
        found = []
        for requirement, sums in sorted(self.sums.items()):
            moments = sums.reshape(3, *self.shape)
            moments = np.concatenate([moments, moments.sum(axis=1, keepdims=True)], axis=1)
            cumulants = Cumulants(*(part.ravel() for part in moments))
            told = quantiles(cumulants, np.zeros(moments[0].size), SHARES)
            mean = moments[0]
            if mean[-1, -1] > 0:
                found.append(
                    ItemDemand(
                        Source.TOP_UPS,
                        requirement,
                        mean,
                        mean,
                        np.zeros_like(mean),
                        told.reshape(*mean.shape, len(SHARES)),
                    )
                )
        return tuple(found)

    def laws(self) -> dict[str, DemandLaw]:
        """The law of each requirement over the whole time at the only depot."""
        found = {}
        for requirement, sums in self.sums.items():
            whole = sums[:, self.shape[1] - 1 : self.shape[1]]
            cumulants = Cumulants(*whole)
            if cumulants.mean[0] > 0:
                most = cumulants.mean[0] + 12.0 * max(float(cumulants.variance[0]), 0.0) ** 0.5
                found[requirement] = lattice_law(cumulants, 0, max(np.ceil(most / LATTICE), 1.0))
        return found

    def _use(self, place: Index, meter: int) -> Real:
        """What each vehicle runs in each period and over the whole time, on its levels."""
        fleet, days = self.fleet, self.span.days
        law = fleet.use.laws[meter]
        if law is None:
            return np.zeros((len(place), 1, self.shape[1]))
        first_on = self.span.first_on.toordinal()
        read_on = fleet.vehicles.day[meter, place]
        until = np.minimum(days[None, :], np.maximum(fleet.last_on[place] + 1.0 - first_on, 0.0)[:, None])
        ahead = np.maximum(first_on - np.where(np.isnan(read_on), first_on, read_on)[:, None] + until, 0.0)
        looked = levels(_LEVELS)
        run = looked.use(*law.take(place).gamma(ahead), looked.sets_of(fleet.vehicles.key[place]))
        periods = np.diff(run, axis=2)
        return np.concatenate([periods, periods.sum(axis=2, keepdims=True)], axis=2)


def _rising(  # noqa: PLR0913, PLR0917 - a compartment of a type, and its vehicles
    entered: Sequence[Any],
    compartment: str,
    requirement: str,
    place_of: Mapping[int, int],
    began: Index,
    as_of: int,
    since: int,
) -> list[RisingTopUps]:
    dates: dict[int, list[int]] = defaultdict(list)
    for row in _counted(entered, since) if entered else ():
        if row.reason == TopUpReason.LEVEL_LOW:
            dates[row.vehicle_id].append(as_of - queries_demand.ordinal(row.topped_up_on))
    found = []
    for key, ages in dates.items():
        recent = sum(age < RECENT_DAYS for age in ages)
        observed = as_of - max(since, int(began[place_of[key]]))
        if recent < LEAST_RECENT or observed <= RECENT_DAYS:
            continue
        counts = np.array([float(recent)]), np.array([float(len(ages) - recent)])
        chance = rising_chances(*counts, np.array([RECENT_DAYS / observed]))
        if is_rising(counts[0], chance)[0]:
            found.append(
                RisingTopUps(
                    key,
                    "",
                    compartment,
                    requirement,
                    recent,
                    RECENT_DAYS,
                    len(ages) - recent,
                    observed - RECENT_DAYS,
                    float(chance[0]),
                )
            )
    return found


def _named(session: ReadSession, fleet_key: int, rising: Sequence[RisingTopUps]) -> tuple[RisingTopUps, ...]:
    units = queries_demand.unit_numbers(session, fleet_key, [one.vehicle_key for one in rising])
    named = (one.with_unit(units[one.vehicle_key]) for one in rising)
    return tuple(sorted(named, key=lambda one: (one.chance, one.unit, one.compartment)))


def _began_on(session: ReadSession, fleet_key: int, vehicles: VehicleColumns) -> Index:
    """Ordinal of the first day of each vehicle."""
    rows = queries_demand.first_days(session, fleet_key)
    keys = np.array([row.id for row in rows], dtype=np.int64)
    days = np.array([queries_demand.ordinal(row.in_service_on) for row in rows], dtype=np.int64)
    found: Index = days[np.searchsorted(keys, vehicles.key)]
    return found
