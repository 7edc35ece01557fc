"""The forecasts under changed assumptions, stored nowhere: before, after.

Invariants: what is not changed is as it stands; a change that names nothing that the fleet has is refused with its
place; several changes hold together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from api.services.demand import Forecast, forecast, forecast_of
from api.services.demand_added import AddedVehicles
from api.services.demand_fleet import Assumed, AssumedShare, load_fleet
from api.services.demand_terms import DemandAsk, Kind
from api.services.errors import RefusedError
from api.store import queries_demand, queries_names, queries_vehicles
from api.store.queries_demand import Scope
from api.store.sheets import load_sheet
from domain.errors import Breach
from domain.sheet import DutyPolicy, FluidAction, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from api.services.what_if_terms import Changes
    from api.store.session import ReadSession
    from domain.sheet import SpecSheet


MOST_ADDED = 1_000
"""So many vehicles can be thought of at once."""

# More than any vehicle does in a day: 3,000 km, all hours, 10,000 L of fuel (common practice, no source).
_DAY_S = 86_400.0
_MOST_A_DAY = {Meter.ODOMETER: 3_000_000.0, Meter.FUEL_BURNED: 10_000_000.0}


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """A forecast as things stand, and as they are assumed."""

    before: Forecast
    after: Forecast


def what_if(
    session: ReadSession, fleet_key: int, ask: DemandAsk, changes: Changes, *, today: date
) -> dict[Kind, Compared]:
    """Fluids, parts and labour before and after the changes.

    Args:
        session: Any unit of work that only reads.
        fleet_key: The fleet.
        ask: The question.
        changes: What is assumed otherwise.
        today: The day on which unit numbers are looked up.

    Raises:
        RefusedError: A change names what the fleet does not have, or what can not be changed so.
    """
    assumed = _Assuming(session, fleet_key, ask, today).assumed(changes)
    scope = Scope(fleet_key, ask.span.first_on, ask.depot_key, ask.spec_sheet_key)
    # A vehicle that moves into the depot asked about, or out of it, is looked at from the whole fleet.
    fleet = load_fleet(session, replace(scope, depot=None) if assumed.depot else scope, assumed)
    if assumed.depot and ask.depot_key is not None:
        fleet = fleet.at_depot(ask.depot_key)
    found = {}
    for kind in Kind:
        before = forecast(session, fleet_key, ask, kind)
        after = forecast_of(session, scope, ask.span, fleet, kind, assumed)
        if assumed.depot and ask.depot_key is not None:
            after = replace(after, left_out=before.left_out)
        found[kind] = Compared(before, after)
    return found


class _Assuming:
    """Finds what changes name, and gathers what is not found."""

    def __init__(self, session: ReadSession, fleet_key: int, ask: DemandAsk, today: date) -> None:
        self.session, self.fleet_key, self.ask, self.today = session, fleet_key, ask, today
        self.breaches: list[Breach] = []
        self.found = Assumed()
        self.depots = {code: key for key, code in queries_names.depot_codes(session, fleet_key).items()}
        self.versions: Mapping[str, tuple[int, dict[int, int]]] = queries_demand.sheet_versions(
            session, fleet_key
        )

    def assumed(self, changes: Changes) -> Assumed:
        """All changes in columns."""
        self._take_duty(changes)
        self._take_intervals(changes)
        self._take_passes(changes)
        self._take_vehicles(changes)
        self._take_added(changes)
        if self.breaches:
            raise RefusedError(*self.breaches)
        return self.found

    def _take_duty(self, changes: Changes) -> None:
        for index, duty in enumerate(changes.duty):
            at = f"/duty/{index}"
            versions = (
                None if duty.spec_sheet is None else self._versions(duty.spec_sheet, f"{at}/spec_sheet")
            )
            self.found.shares.append(
                AssumedShare(
                    duty.condition,
                    duty.share,
                    None if duty.unit is None else self._vehicle(duty.unit, f"{at}/unit"),
                    None if duty.depot is None else self._depot(duty.depot, f"{at}/depot"),
                    None if versions is None else frozenset(versions),
                )
            )
        for index, policy in enumerate(changes.duty_policies):
            for version in self._versions(policy.spec_sheet, f"/duty_policies/{index}/spec_sheet"):
                self.found.weighted[version] = policy.policy is DutyPolicy.WEIGHTED

    def _take_intervals(self, changes: Changes) -> None:
        for index, interval in enumerate(changes.intervals):
            at = f"/intervals/{index}"
            versions = self._versions(interval.spec_sheet, f"{at}/spec_sheet")
            is_found = False
            for version in versions:
                for service in self._sheet(version).services:
                    if interval.service in {None, service.code}:
                        is_found = True
                        key = version, service.code
                        self.found.factors[key] = self.found.factors.get(key, 1.0) * interval.factor
            if versions and not is_found:
                detail = "the spec sheet has no service of that code"
                self.breaches.append(Breach(f"{at}/service", "service_unknown", detail))

    def _take_passes(self, changes: Changes) -> None:
        for index, one in enumerate(changes.passes):
            at = f"/passes/{index}"
            versions = self._versions(one.spec_sheet, f"{at}/spec_sheet")
            is_found = False
            for version in versions:
                sheet = self._sheet(version)
                tasks = {task.code: task for service in sheet.services for task in service.tasks}
                task = tasks.get(one.task)
                if task is None:
                    continue
                is_found = True
                if task.fluid_action is not FluidAction.EXCHANGE:
                    detail = "the task exchanges no fluid, so it has no passes"
                    self.breaches.append(Breach(f"{at}/task", "task_without_passes", detail))
                    break
                self.found.sheets[version] = _with_passes(sheet, one.task, one.passes)
            if versions and not is_found:
                detail = "the spec sheet has no task of that code"
                self.breaches.append(Breach(f"{at}/task", "task_unknown", detail))

    def _take_vehicles(self, changes: Changes) -> None:
        for index, moved in enumerate(changes.moved):
            at = f"/moved/{index}"
            key, depot = self._vehicle(moved.unit, f"{at}/unit"), self._depot(moved.depot, f"{at}/depot")
            self.found.depot[key] = depot
        for index, sold in enumerate(changes.sold):
            self.found.last_on[self._vehicle(sold.unit, f"/sold/{index}/unit")] = sold.last_on

    def _take_added(self, changes: Changes) -> None:
        if sum(added.vehicles for added in changes.added) > MOST_ADDED:
            detail = f"at most {MOST_ADDED} vehicles are added"
            self.breaches.append(Breach("/added", "too_many_vehicles", detail))
            return
        for index, added in enumerate(changes.added):
            at = f"/added/{index}"
            versions = self._versions(added.spec_sheet, f"{at}/spec_sheet")
            depot = self._depot(added.depot, f"{at}/depot")
            from_on = added.from_on or self.ask.span.first_on
            if not self.ask.span.first_on <= from_on < self.ask.span.bounds[-1]:
                detail = "a vehicle that is added begins on a day of the forecast"
                self.breaches.append(Breach(f"{at}/from_on", "day_out_of_range", detail))
            if not versions:
                continue
            newest = max(versions, key=versions.__getitem__)
            meters = self._sheet(newest).meters
            per_day: dict[Meter, float] = {}
            for place, (meter, use) in enumerate(added.per_day):
                below = f"{at}/daily_use/{place}"
                if use > _MOST_A_DAY.get(meter, _DAY_S):
                    detail = "no meter runs so much in a day"
                    self.breaches.append(Breach(f"{below}/per_day", "use_out_of_range", detail))
                if meter in per_day:
                    detail = "the list names this meter before"
                    self.breaches.append(Breach(f"{below}/meter", "meter_repeated", detail))
                elif meter not in meters:
                    detail = f"vehicles of this type have no meter {meter.value}"
                    self.breaches.append(Breach(f"{below}/meter", "meter_missing", detail))
                per_day[meter] = use
            self.found.added.append(
                AddedVehicles(
                    added.vehicles,
                    self.versions[added.spec_sheet][0],
                    newest,
                    depot,
                    from_on,
                    per_day,
                )
            )

    def _sheet(self, version: int) -> SpecSheet:
        return self.found.sheets.get(version) or load_sheet(self.session, self.fleet_key, version)

    def _versions(self, code: str, pointer: str) -> dict[int, int]:
        """Keys and numbers of the versions of a spec sheet."""
        if code not in self.versions:
            detail = "the fleet has no spec sheet of that code"
            self.breaches.append(Breach(pointer, "spec_sheet_unknown", detail))
            return {}
        return self.versions[code][1]

    def _depot(self, code: str, pointer: str) -> int:
        if code not in self.depots:
            self.breaches.append(Breach(pointer, "depot_unknown", "the fleet has no depot of that code"))
            return 0
        return self.depots[code]

    def _vehicle(self, unit: str, pointer: str) -> int:
        row = queries_vehicles.labelled(self.session, self.fleet_key, unit, self.today)
        if row is None:
            detail = "no vehicle of the fleet bears this unit number"
            self.breaches.append(Breach(pointer, "vehicle_unknown", detail))
            return 0
        return int(row.id)


def _with_passes(sheet: SpecSheet, code: str, passes: int) -> SpecSheet:
    return replace(
        sheet,
        services=tuple(
            replace(
                service,
                tasks=tuple(
                    replace(task, passes=passes) if task.code == code else task for task in service.tasks
                ),
            )
            for service in sheet.services
        ),
    )
