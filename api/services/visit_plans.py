"""When a vehicle comes in, and for what: its services gathered into the visits that cost least, within bay hours.

Invariants: the days of the plan are those on which the depot works; a service that can't be dated is told apart, and so
is one that is done with another. What a service costs is its labour, its fluids at the lowest price of a product that
meets the requirement, and its parts where a stock policy of the depot prices them; what has no price is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import groupby, islice
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from api.services.due import DueAsk, due_lines, vehicle_due
from api.services.errors import ConflictError, NotFoundError
from api.services.kits import kits_of
from api.services.stock import depot_key_of
from api.services.stock_booking import day_at
from api.services.supply import RowPut, depot_policies, put_row
from api.store import queries_stock, queries_supply
from api.store.queries_supply import VISITS
from api.store.sheets import load_sheet
from domain.due import PointStatus, State, standing_of
from domain.errors import Breach
from domain.sheet import Limb
from domain.visit_plan import PlannedService, VisitCosts, VisitPlan, plan_visits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from api.services.due import DueLine
    from api.services.due_dates import DueDates
    from api.services.kits import KitKey, VisitKit
    from api.services.preconditions import PutCondition
    from api.services.units import VehicleRef
    from api.store.queries_supply import Found
    from api.store.session import ReadSession, WriteSession
    from domain.due import LimbPoint, Standing
    from domain.sheet import Meter, SpecSheet

MOST_DAYS = 366
MOST_VEHICLES = 200
_KIND = "visit terms"
_HOUR_S = 3_600


@dataclass(frozen=True, slots=True)
class VisitTerms:
    """What a visit to a depot costs, and how much work it takes a day.

    Attributes:
        currency: Currency of the money, ISO 4217.
        visit_cost_minor: What a visit costs by itself: the way there, the vehicle missed, the bay made ready.
        labour_minor_per_h: What an hour of labour costs.
        late_minor_per_day: What a day of lateness of a service risks.
        bay_s_per_day: Bay time of an open day, all bays together [s].
        open_days: Days of the week on which the depot works; 0 is Monday.
    """

    currency: str
    visit_cost_minor: int
    labour_minor_per_h: int
    late_minor_per_day: int
    bay_s_per_day: int
    open_days: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class VisitTermsState:
    """Visit terms as they are stored."""

    terms: VisitTerms
    version: int
    recorded_at_us: int


class LeftOut(StrEnum):
    """Why a service is not in the plan."""

    NOT_DATED = "not_dated"
    BASELINE_NEEDED = "baseline_needed"
    BEYOND_PLAN = "beyond_plan"
    DONE_WITH = "done_with"


@dataclass(frozen=True, slots=True)
class ServiceFacts:
    """What a service of the plan is weighed by.

    Attributes:
        code: Its code.
        name: In words.
        early: Ordinal of the day by which it has fallen due with a chance of 5 %; None: not within sight.
        likely: Of 50 %.
        late: Of 95 %.
        window_from: First day of its window; None: none is stated.
        window_through: Last day of its tolerance or deferral; None: none is stated.
        cost_minor: What it costs to do, as far as prices are known.
        unpriced: What of it has no price: numbers of parts, codes of requirements.
        labour_s: Its labour time [s].
    """

    code: str
    name: str
    early: int | None
    likely: int
    late: int | None
    window_from: int | None
    window_through: int | None
    cost_minor: int
    unpriced: tuple[str, ...]
    labour_s: int


@dataclass(frozen=True, slots=True)
class PlanFound:
    """The plan of one vehicle.

    Attributes:
        depot: Code of its depot.
        first_on: First day of the plan.
        through: Last day of it.
        terms: What visits cost.
        services: What the services are weighed by, by code.
        plan: The visits.
        left_out: Services that are not in it, with the reason and the service that one is done with.
    """

    depot: str
    first_on: date
    through: date
    terms: VisitTerms
    services: Mapping[str, ServiceFacts]
    plan: VisitPlan
    left_out: tuple[tuple[str, LeftOut, str | None], ...]


@dataclass(frozen=True, slots=True)
class VehiclePlan:
    """The visits of one vehicle of a depot.

    Attributes:
        unit: Its unit number.
        services: What its services are weighed by, by code.
        plan: Its visits.
        left_out: Services that are not in it, as ``PlanFound`` has them.
        is_placed: Whether the depot had bay time left for it.
    """

    unit: str
    services: Mapping[str, ServiceFacts]
    plan: VisitPlan
    left_out: tuple[tuple[str, LeftOut, str | None], ...]
    is_placed: bool


@dataclass(frozen=True, slots=True)
class DepotPlan:
    """The visits of a depot's vehicles.

    Attributes:
        depot: Code of the depot.
        first_on: First day of the plan.
        through: Last day of it.
        terms: What visits cost.
        bay_s: Bay time of each day, and what is left of it [s].
        vehicles: The vehicles, the one that is due first before the others.
        is_complete: False where more vehicles than ``MOST_VEHICLES`` wait, the last of which are not looked at.
    """

    depot: str
    first_on: date
    through: date
    terms: VisitTerms
    bay_s: tuple[tuple[int, int], ...]
    vehicles: tuple[VehiclePlan, ...]
    is_complete: bool


def visit_terms(session: ReadSession, fleet_key: int, depot: str) -> VisitTermsState:
    """The visit terms of a depot.

    Raises:
        NotFoundError: The fleet has no such depot, or the depot no visit terms.
    """
    row = queries_supply.visit_terms(session, fleet_key, depot_key_of(session, fleet_key, depot))
    if row is None:
        raise NotFoundError(_KIND)
    return _state(row)


def put_visit_terms(  # noqa: PLR0913 - a place, terms and a condition
    session: WriteSession,
    fleet_key: int,
    depot: str,
    terms: VisitTerms,
    condition: PutCondition,
    *,
    now_us: int,
) -> tuple[VisitTermsState, bool]:
    """The visit terms as they are now, and whether they were created.

    Raises:
        NotFoundError: The fleet has no such depot.
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: There are terms, and the request names no version.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    key = {"fleet_id": fleet_key, "depot_id": depot_key}
    values = {
        "currency": terms.currency,
        "visit_cost_minor": terms.visit_cost_minor,
        "labour_minor_per_h": terms.labour_minor_per_h,
        "late_minor_per_day": terms.late_minor_per_day,
        "bay_s_per_day": terms.bay_s_per_day,
        "open_days": sum(1 << day for day in terms.open_days),
    }
    row = queries_supply.visit_terms(session, fleet_key, depot_key)
    is_created = put_row(session, VISITS, row, RowPut(_KIND, key, values, condition, now_us))
    return visit_terms(session, fleet_key, depot), is_created


def vehicle_visit_plan(
    session: ReadSession, fleet_key: int, vehicle: VehicleRef, *, today: date, days: int
) -> PlanFound:
    """The visits of a vehicle over the days ahead.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle: The vehicle.
        today: The day of the request, in the depot's time zone; the first of the plan.
        days: How many days the plan holds.

    Raises:
        ConflictError: The depot has no visit terms (``visit_terms_missing``).
        WorkError: The depot works on no day of the plan (``no_open_day``).
    """
    # SciPy's import is paid by whoever asks for a plan.
    from api.services.due_dates import vehicle_chances, vehicle_dates
    from api.services.use_patterns import patterns_known
    from api.services.vehicle_use import meter_uses

    terms = _terms_of(session, fleet_key, vehicle.depot_key)
    if vehicle.retired_on is not None:
        days = max(min(days, (vehicle.retired_on - today).days + 1), 1)
    found = vehicle_due(session, fleet_key, vehicle.key, unit=vehicle.unit, as_of=today, today=today)
    uses = meter_uses(found.vehicle, patterns_known(session, fleet_key, known_at_us=found.known_us))
    sheet = load_sheet(session, fleet_key, found.vehicle.spec_sheet_version_key)
    dates = vehicle_dates(found.lines, uses, retired_on=vehicle.retired_on)
    first = today.toordinal()
    span = range(first, first + days)
    desk = _Desk(session, fleet_key, vehicle.depot_key, terms, span)
    chances = vehicle_chances(found.lines, uses, span)
    services, facts, left_out = desk.weighed(found.lines, dates, chances, sheet)
    costs = VisitCosts(float(terms.visit_cost_minor), float(terms.late_minor_per_day), desk.free_s)
    return PlanFound(
        vehicle.depot,
        today,
        today + timedelta(days=days - 1),
        terms,
        facts,
        plan_visits(services, costs),
        tuple(left_out),
    )


def depot_visit_plan(
    session: ReadSession, fleet_key: int, depot: str, *, now_us: int, days: int
) -> DepotPlan:
    """The visits of a depot's vehicles that something falls due on, within its bay time.

    Vehicles are placed one after the other, the one that is due first before the others, each at its cheapest in the
    bay time that those before it left.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        depot: Code of the depot.
        now_us: The instant of the request [us UTC].
        days: How many days the plan holds.

    Raises:
        NotFoundError: The fleet has no such depot.
        ConflictError: The depot has no visit terms (``visit_terms_missing``).
        WorkError: The depot works on no day of the plan (``no_open_day``).
    """
    # SciPy's import is paid by whoever asks for a plan.
    from api.services.due_dates import page_plan

    depot_key = depot_key_of(session, fleet_key, depot)
    terms = _terms_of(session, fleet_key, depot_key)
    today = day_at(now_us, queries_stock.depot_zones(session, fleet_key)[depot_key][1])
    first = today.toordinal()
    span = range(first, first + days)
    ask = DueAsk(today, days - 1, depot_key=depot_key)
    by_vehicle = groupby(due_lines(session, fleet_key, ask), attrgetter("vehicle_key"))
    some = [list(lines) for _, lines in islice(by_vehicle, MOST_VEHICLES + 1)]
    is_complete = len(some) <= MOST_VEHICLES
    some = some[:MOST_VEHICLES]
    lines = [line for group in some for line in group]
    dates, chances = page_plan(session, fleet_key, lines, span)
    desk = _Desk(session, fleet_key, depot_key, terms, span)
    free_s = desk.free_s.copy()
    plans: list[VehiclePlan] = []
    at = 0
    for group in some:
        own = slice(at, at + len(group))
        at += len(group)
        sheet = load_sheet(session, fleet_key, group[0].spec_sheet_version_key)
        services, facts, left_out = desk.weighed(group, dates[own], chances[own], sheet)
        if not services:
            plans.append(
                VehiclePlan(group[0].unit, facts, VisitPlan((), 0.0, 0.0), tuple(left_out), is_placed=True)
            )
            continue
        if not (free_s > 0).any() and (desk.free_s > 0).any():
            plans.append(
                VehiclePlan(group[0].unit, facts, VisitPlan((), 0.0, 0.0), tuple(left_out), is_placed=False)
            )
            continue
        costs = VisitCosts(float(terms.visit_cost_minor), float(terms.late_minor_per_day), free_s)
        plan = plan_visits(services, costs)
        for visit in plan.visits:
            free_s[visit.day] = max(int(free_s[visit.day]) - visit.labour_s, 0)
        plans.append(VehiclePlan(group[0].unit, facts, plan, tuple(left_out), is_placed=True))
    return DepotPlan(
        depot,
        today,
        today + timedelta(days=days - 1),
        terms,
        tuple(zip((int(one) for one in desk.free_s), (int(one) for one in free_s), strict=True)),
        tuple(plans),
        is_complete,
    )


class _Desk:
    """What services of a depot's vehicles are weighed by."""

    def __init__(
        self, session: ReadSession, fleet_key: int, depot_key: int, terms: VisitTerms, span: range
    ) -> None:
        self.session = session
        self.fleet_key = fleet_key
        self.terms = terms
        self.span = span
        self.prices = _part_prices(session, fleet_key, depot_key, terms.currency)
        self.kits: dict[KitKey, VisitKit] = {}
        is_open = np.array([date.fromordinal(day).weekday() in terms.open_days for day in span])
        self.free_s = np.where(is_open, terms.bay_s_per_day, 0)

    def weighed(
        self,
        lines: Sequence[DueLine],
        dates: Sequence[DueDates],
        chances: Sequence[NDArray[np.float64]],
        sheet: SpecSheet,
    ) -> tuple[list[PlannedService], dict[str, ServiceFacts], list[tuple[str, LeftOut, str | None]]]:
        """The services of one vehicle that the plan places, what they are weighed by, and those left out."""
        kept, left_out = _kept(lines, dates, sheet, self.span[-1])
        place = {service.code: at for at, service in enumerate(sheet.services)}
        kept.sort(key=lambda pair: place[pair[0].service])
        keys: list[KitKey] = [(line.spec_sheet_version_key, (line.service,)) for line, _ in kept]
        missing = [key for key in keys if key not in self.kits]
        if missing:
            self.kits |= kits_of(self.session, self.fleet_key, missing)
        names = {service.code: service.name for service in sheet.services}
        by_code = {line.service: chance for line, chance in zip(lines, chances, strict=True)}
        facts = {
            line.service: _facts(line, told, names[line.service], self.kits[key], self.terms, self.prices)
            for (line, told), key in zip(kept, keys, strict=True)
        }
        first = self.span[0]
        services = [
            PlannedService(
                line.service,
                float(fact.likely - first),
                float(max(fact.likely - line.judgement.point.anchor_on.toordinal(), 1)),
                float(fact.cost_minor),
                fact.labour_s,
                by_code[line.service],
                None if fact.window_from is None else fact.window_from - first,
                None if fact.window_through is None else fact.window_through - first,
            )
            for line, _ in kept
            for fact in (facts[line.service],)
        ]
        return services, facts, left_out


def _terms_of(session: ReadSession, fleet_key: int, depot_key: int) -> VisitTerms:
    row = queries_supply.visit_terms(session, fleet_key, depot_key)
    if row is None:
        detail = "the depot has no visit terms, so nothing can be weighed"
        raise ConflictError(Breach("", "visit_terms_missing", detail))
    return _state(row).terms


def _kept(
    lines: Sequence[DueLine], dates: Sequence[DueDates], sheet: SpecSheet, last: int
) -> tuple[list[tuple[DueLine, DueDates]], list[tuple[str, LeftOut, str | None]]]:
    """The lines that the plan places, and those that it leaves out."""
    kept: dict[str, tuple[DueLine, DueDates]] = {}
    left_out: list[tuple[str, LeftOut, str | None]] = []
    for line, told in zip(lines, dates, strict=True):
        reason = _why_left_out(line, told, last)
        if reason is not None:
            left_out.append((line.service, reason, None))
        elif line.judgement.state is not State.DONE:
            kept[line.service] = (line, told)
    # A service that another one includes is done with it, where it falls due no earlier.
    done_with = [
        (code, LeftOut.DONE_WITH, other)
        for code, (_, own) in kept.items()
        if (other := _done_with(code, own, kept, sheet)) is not None
    ]
    for code, _, _ in done_with:
        del kept[code]
    return list(kept.values()), [*left_out, *done_with]


def _why_left_out(line: DueLine, told: DueDates, last: int) -> LeftOut | None:
    if line.judgement.state is State.DONE:
        return None
    if line.judgement.point.status is PointStatus.BASELINE_NEEDED:
        return LeftOut.BASELINE_NEEDED
    if told.likely is None:
        return LeftOut.NOT_DATED
    return LeftOut.BEYOND_PLAN if (told.likely if told.early is None else told.early) > last else None


def _done_with(
    code: str, own: DueDates, kept: Mapping[str, tuple[DueLine, DueDates]], sheet: SpecSheet
) -> str | None:
    for other, (_, told) in kept.items():
        is_included = other != code and code in {service.code for service in sheet.with_included(other)}
        if is_included and own.likely is not None and told.likely is not None and own.likely >= told.likely:
            return other
    return None


def _facts(  # noqa: PLR0913, PLR0917 - a line, what it takes, and prices
    line: DueLine,
    told: DueDates,
    name: str,
    kit: VisitKit,
    terms: VisitTerms,
    prices: Mapping[str, float],
) -> ServiceFacts:
    cost = kit.kit.labour_s / _HOUR_S * terms.labour_minor_per_h
    unpriced = []
    for part in kit.kit.lines:
        if part.part.code in prices:
            cost += prices[part.part.code] * part.quantity
        else:
            unpriced.append(part.part.code)
    for code, supply in kit.supplies.items():
        lowest = min(
            (
                one.price_minor / one.size_ml
                for offer in supply.offers
                if offer.product.terms.currency == terms.currency
                for one in offer.product.terms.containers
            ),
            default=None,
        )
        if lowest is None:
            unpriced.append(code)
        else:
            cost += lowest * supply.need_ml
    window_from, window_through = _window(line)
    return ServiceFacts(
        line.service,
        name,
        told.early,
        told.likely or 0,
        told.late,
        window_from,
        window_through,
        round(cost),
        tuple(unpriced),
        kit.kit.labour_s,
    )


def _window(line: DueLine) -> tuple[int | None, int | None]:
    """First and last day of a service's window, as the meters are likely to run; None where none is stated."""
    point = line.judgement.point
    if point.deferral is not None:
        return None, point.deferral.limits.get(Limb.CALENDAR)
    limbs = line.judgement.limbs
    # The first limb to open or to end counts, as the first to fall due does; one without a window opens when due.
    opens = [_day_of(one.point, one.point.opens, one.due_day, line.standings) for one in limbs]
    ends = [_day_of(one.point, one.point.late_after, one.due_day, line.standings) for one in limbs]
    first = [day for day in opens if day is not None]
    last = [day for day in ends if day is not None]
    has_opening = any(one.point.opens < one.point.due for one in limbs)
    has_tolerance = any(one.point.late_after > one.point.due for one in limbs)
    return (min(first) if first and has_opening else None), (min(last) if last and has_tolerance else None)


def _day_of(
    limb: LimbPoint, figure: int, due_day: int | None, standings: Mapping[Meter, Standing]
) -> int | None:
    if limb.limb is Limb.CALENDAR:
        return figure
    standing = standing_of(limb.limb, standings, idle_m_per_h=limb.idle_m_per_h)
    if due_day is None or standing is None or not standing.per_day:
        return None
    return due_day + round((figure - limb.due) / standing.per_day)


def _part_prices(session: ReadSession, fleet_key: int, depot_key: int, currency: str) -> dict[str, float]:
    """The price of one of each part that a policy of the depot prices, in a currency."""
    currencies = {row.code: row.currency for row in queries_supply.suppliers(session, fleet_key, depot_key)}
    return {
        one.terms.item.part: (one.terms.pack_price_minor or 0) / (one.terms.pack_size or 1)
        for one in depot_policies(session, fleet_key, depot_key)
        if one.terms.item.part is not None and currencies[one.terms.supplier] == currency
    }


def _state(row: Found) -> VisitTermsState:
    terms = VisitTerms(
        row.currency,
        row.visit_cost_minor,
        row.labour_minor_per_h,
        row.late_minor_per_day,
        row.bay_s_per_day,
        tuple(day for day in range(7) if row.open_days >> day & 1),
    )
    return VisitTermsState(terms, row.version, row.recorded_at_us)
