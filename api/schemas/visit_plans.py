"""Visit terms of depots and visit plans of vehicles in requests and answers."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Annotated

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import Answer, Request
from api.schemas.fluid_products import Currency
from api.schemas.quantities import Duration, ShownDuration, UnitSystem, shown_quantity
from api.schemas.supply import Money
from api.schemas.times import Day, ShownInstant
from api.services import visit_plans
from api.services.visit_plans import (
    DepotPlan,
    LeftOut,
    PlanFound,
    ServiceFacts,
    VehiclePlan,
    VisitTermsState,
)
from domain.units import Dimension
from domain.visit_plan import PlacedService, PlannedVisit

MOST_BAY_S = 36_000_000
_CURRENCY = "Currency of the money, ISO 4217."
_VISIT = (
    "What a visit costs by itself, in minor units: the way there, the vehicle missed, the bay made ready."
)
_LABOUR = "What an hour of labour costs, in minor units."
_LATE = "What a day of lateness of a service risks, in minor units."
_BAY = "Bay time of an open day, all bays together."
_OPEN = "Days of the week on which the depot works; 0 is Monday."
_LEFT_OUT = {
    LeftOut.NOT_DATED: "It can't be dated: a reading is missing, or the meter does not run.",
    LeftOut.BASELINE_NEEDED: "Nothing is known of earlier work: enter from papers when it was last done, or do it.",
    LeftOut.BEYOND_PLAN: "It falls due beyond the plan.",
    LeftOut.DONE_WITH: "It is done with a service that includes it.",
}


class VisitTermsReplacement(Request):
    """All of a depot's visit terms."""

    currency: Annotated[Currency, Field(description=_CURRENCY)]
    visit_cost_minor: Annotated[Money, Field(description=_VISIT)]
    labour_minor_per_h: Annotated[Money, Field(description=_LABOUR)]
    late_minor_per_day: Annotated[Money, Field(description=_LATE)]
    bay_time: Annotated[Duration, Field(description=_BAY)]
    open_days: Annotated[
        list[Annotated[int, Field(ge=0, le=6)]], Field(min_length=1, max_length=7, description=_OPEN)
    ]

    @field_validator("bay_time")
    @classmethod
    def _within_reason(cls, bay_time: Duration) -> Duration:
        if not 0 < bay_time.canonical() <= MOST_BAY_S:
            rule, text = (
                "duration_out_of_range",
                "Bay time is more than nothing and at most 10,000 hours a day",
            )
            raise PydanticCustomError(rule, text)
        return bay_time

    def value(self) -> visit_plans.VisitTerms:
        """The terms in canonical units."""
        return visit_plans.VisitTerms(
            currency=self.currency,
            visit_cost_minor=self.visit_cost_minor,
            labour_minor_per_h=self.labour_minor_per_h,
            late_minor_per_day=self.late_minor_per_day,
            bay_s_per_day=self.bay_time.canonical(),
            open_days=tuple(sorted(set(self.open_days))),
        )


class VisitTerms(Answer):
    """What a visit to a depot costs, and how much work it takes a day."""

    currency: Annotated[str, Field(description=_CURRENCY)]
    visit_cost_minor: Annotated[int, Field(description=_VISIT)]
    labour_minor_per_h: Annotated[int, Field(description=_LABOUR)]
    late_minor_per_day: Annotated[int, Field(description=_LATE)]
    bay_time: Annotated[ShownDuration, Field(description=_BAY)]
    open_days: Annotated[list[int], Field(description=_OPEN)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When they were first recorded.")]

    @classmethod
    def of(cls, state: VisitTermsState, units: UnitSystem) -> VisitTerms:
        """The answer for stored terms."""
        terms = state.terms
        return cls(
            currency=terms.currency,
            visit_cost_minor=terms.visit_cost_minor,
            labour_minor_per_h=terms.labour_minor_per_h,
            late_minor_per_day=terms.late_minor_per_day,
            bay_time=_duration(terms.bay_s_per_day, units),
            open_days=list(terms.open_days),
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class ServicePlanned(Answer):
    """A service on the day of its visit, and what it was weighed by."""

    service: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    early_on: Annotated[Day | None, Field(description="Day by which it has fallen due with a chance of 5 %.")]
    likely_on: Annotated[Day, Field(description="The same with a chance of 50 %.")]
    late_on: Annotated[Day | None, Field(description="The same with a chance of 95 %.")]
    window_from: Annotated[Day | None, Field(description="First day of its window; null: none is stated.")]
    window_through: Annotated[
        Day | None, Field(description="Last day of its tolerance or deferral; null: none is stated.")
    ]
    cost_minor: Annotated[int, Field(description="Its labour, parts and fluids, as far as prices are known.")]
    without_price: Annotated[
        list[str],
        Field(description="Numbers of parts and codes of fluid requirements that have no price here."),
    ]
    unused_share: Annotated[
        float, Field(description="Share of its interval that is given away: time left to the likely day [1].")
    ]
    early_cost_minor: Annotated[float, Field(description="That share of what it costs.")]
    late_days: Annotated[float, Field(description="Expected days late on that day [d].")]
    late_cost_minor: Annotated[float, Field(description="What that risks.")]


class VisitPlanned(Answer):
    """One visit."""

    on: Annotated[Day, Field(description="Its day.")]
    services: Annotated[list[ServicePlanned], Field(description="What is done.")]
    bay_time: Annotated[ShownDuration, Field(description="The bay time that it takes.")]
    cost_minor: Annotated[float, Field(description="The visit itself, early losses and risks of lateness.")]
    is_longer_than_a_day: Annotated[
        bool, Field(description="Whether it takes more bay time than its day has.")
    ]
    is_outside_window: Annotated[
        bool, Field(description="Whether no open day lies in the window of all its services.")
    ]
    detail: Annotated[str, Field(description="Why these services on this day, in a sentence.")]


class ServiceLeftOut(Answer):
    """A service that is not in the plan."""

    service: Annotated[str, Field(description="Its code.")]
    code: Annotated[LeftOut, Field(description="Short stable code of the reason.")]
    detail: Annotated[str, Field(description="The reason in a sentence.")]
    done_with: Annotated[str | None, Field(description="The service that it is done with; else null.")]


class VisitPlanShown(Answer):
    """When a vehicle comes in, and for what."""

    unit: Annotated[str, Field(description="The unit number asked for.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    as_of: Annotated[Day, Field(description="First day of the plan: today, in the depot's time zone.")]
    through: Annotated[Day, Field(description="Last day of the plan.")]
    currency: Annotated[str, Field(description=_CURRENCY)]
    visits: Annotated[list[VisitPlanned], Field(description="The visits, in the order of their days.")]
    cost_minor: Annotated[float, Field(description="What all visits cost, without the services themselves.")]
    cost_apart_minor: Annotated[
        float, Field(description="What each service in a visit of its own, on its best day, would cost.")
    ]
    left_out: Annotated[list[ServiceLeftOut], Field(description="Services that are not in the plan.")]

    @classmethod
    def of(cls, unit: str, found: PlanFound, units: UnitSystem) -> VisitPlanShown:
        """The answer, in a system's units."""
        return cls(
            unit=unit,
            depot=found.depot,
            as_of=found.first_on,
            through=found.through,
            currency=found.terms.currency,
            visits=[_visit(visit, found, found, units) for visit in found.plan.visits],
            cost_minor=round(found.plan.cost, 2),
            cost_apart_minor=round(found.plan.cost_apart, 2),
            left_out=_left_out(found.left_out),
        )


class DayOfBay(Answer):
    """A day on which the depot works."""

    on: Annotated[Day, Field(description="The day.")]
    bay_time: Annotated[ShownDuration, Field(description="Its bay time, all bays together.")]
    left: Annotated[ShownDuration, Field(description="What the plan leaves of it.")]


class VehicleVisits(Answer):
    """The visits of one vehicle of a depot."""

    unit: Annotated[str, Field(description="Its unit number.")]
    is_placed: Annotated[bool, Field(description="Whether the depot has bay time left for it.")]
    visits: Annotated[list[VisitPlanned], Field(description="The visits, in the order of their days.")]
    cost_minor: Annotated[float, Field(description="What its visits cost, without the services themselves.")]
    left_out: Annotated[list[ServiceLeftOut], Field(description="Services that are not in the plan.")]


class DepotVisitPlan(Answer):
    """When a depot's vehicles come in, and for what."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    as_of: Annotated[Day, Field(description="First day of the plan: today, in the depot's time zone.")]
    through: Annotated[Day, Field(description="Last day of the plan.")]
    currency: Annotated[str, Field(description=_CURRENCY)]
    days: Annotated[list[DayOfBay], Field(description="The days on which the depot works.")]
    vehicles: Annotated[
        list[VehicleVisits], Field(description="Vehicles that something falls due on, the first due first.")
    ]
    cost_minor: Annotated[float, Field(description="What all visits cost, without the services themselves.")]
    cost_apart_minor: Annotated[
        float, Field(description="What each service in a visit of its own would cost in the same bay time.")
    ]
    is_complete: Annotated[
        bool, Field(description="False where more vehicles wait than are looked at; ask for fewer days then.")
    ]

    @classmethod
    def of(cls, found: DepotPlan, units: UnitSystem) -> DepotVisitPlan:
        """The answer, in a system's units."""
        return cls(
            depot=found.depot,
            as_of=found.first_on,
            through=found.through,
            currency=found.terms.currency,
            days=[
                DayOfBay(
                    on=found.first_on + timedelta(days=day),
                    bay_time=_duration(whole, units),
                    left=_duration(left, units),
                )
                for day, (whole, left) in enumerate(found.bay_s)
                if whole
            ],
            vehicles=[
                VehicleVisits(
                    unit=one.unit,
                    is_placed=one.is_placed,
                    visits=[_visit(visit, one, found, units) for visit in one.plan.visits],
                    cost_minor=round(one.plan.cost, 2),
                    left_out=_left_out(one.left_out),
                )
                for one in found.vehicles
            ],
            cost_minor=round(sum(one.plan.cost for one in found.vehicles), 2),
            cost_apart_minor=round(sum(one.plan.cost_apart for one in found.vehicles), 2),
            is_complete=found.is_complete,
        )


def _left_out(left_out: Iterable[tuple[str, LeftOut, str | None]]) -> list[ServiceLeftOut]:
    return [
        ServiceLeftOut(service=code, code=reason, detail=_LEFT_OUT[reason], done_with=other)
        for code, reason, other in left_out
    ]


def _visit(
    visit: PlannedVisit, of: PlanFound | VehiclePlan, found: PlanFound | DepotPlan, units: UnitSystem
) -> VisitPlanned:
    return VisitPlanned(
        on=found.first_on + timedelta(days=visit.day),
        services=[_service(one, of.services[one.code]) for one in visit.services],
        bay_time=_duration(visit.labour_s, units),
        cost_minor=round(visit.cost, 2),
        is_longer_than_a_day=visit.is_longer_than_free,
        is_outside_window=visit.is_outside_window,
        detail=_detail(visit, found),
    )


def _service(placed: PlacedService, facts: ServiceFacts) -> ServicePlanned:
    return ServicePlanned(
        service=facts.code,
        name=facts.name,
        early_on=_day(facts.early),
        likely_on=date.fromordinal(facts.likely),
        late_on=_day(facts.late),
        window_from=_day(facts.window_from),
        window_through=_day(facts.window_through),
        cost_minor=facts.cost_minor,
        without_price=list(facts.unpriced),
        unused_share=round(placed.unused_share, 4),
        early_cost_minor=round(placed.early_cost, 2),
        late_days=round(placed.late_days, 2),
        late_cost_minor=round(placed.late_cost, 2),
    )


def _detail(visit: PlannedVisit, found: PlanFound | DepotPlan) -> str:
    early = sum(one.early_cost for one in visit.services)
    late = sum(one.late_cost for one in visit.services)
    day = (found.first_on + timedelta(days=visit.day)).isoformat()
    sums = f"{early:.0f} for what is done early and {late:.0f} for the risk of lateness"
    if len(visit.services) == 1:
        return f"On {day} it costs least by itself: {sums}, in minor units."
    saved = found.terms.visit_cost_minor * (len(visit.services) - 1)
    return (
        f"Together on {day} these {len(visit.services)} services cost {sums}, in minor units; further visits, which"
        f" would cost {saved}, are saved."
    )


def _day(ordinal: int | None) -> date | None:
    return None if ordinal is None else date.fromordinal(ordinal)


def _duration(duration_s: int, units: UnitSystem) -> ShownDuration:
    return ShownDuration(**shown_quantity(duration_s, Dimension.DURATION, units))
