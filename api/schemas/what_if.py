"""Forecasts under changed assumptions, in requests and answers: before, after, difference."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator, Field

from api.schemas.base import Answer, Choice, Key, Request
from api.schemas.forecasts import Figures, ForecastPeriod, LeftOutShown, ahead, compared_lines
from api.schemas.meter_figures import of_meter
from api.schemas.quantities import Distance, Duration, UnitSystem, Volume
from api.schemas.times import Day
from api.services.demand_terms import MOST_MONTHS, By, Kind, Source
from api.services.what_if_terms import (
    AddedChange,
    Changes,
    DutyChange,
    DutyPolicyChange,
    IntervalChange,
    MovedChange,
    PassesChange,
    SoldChange,
)
from domain.sheet import DutyCondition, DutyPolicy, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.services.what_if import Compared

MOST_CHANGES = 50
Unit = Annotated[str, Field(min_length=1, max_length=64)]


class DutyAssumed(Request):
    """Another share of use under a condition, as if it had held since each service was last done."""

    condition: Annotated[Choice[DutyCondition], Field(description="The condition.")]
    share: Annotated[float, Field(ge=0, le=1, description="Share of use under it.")]
    unit: Annotated[Unit | None, Field(description="Only this vehicle.")] = None
    depot: Annotated[Key | None, Field(description="Only vehicles of this depot.")] = None
    spec_sheet: Annotated[Key | None, Field(description="Only vehicles of this type.")] = None


class DutyPolicyAssumed(Request):
    """Another way in which duty shortens the intervals of a type."""

    spec_sheet: Annotated[Key, Field(description="Code of the type.")]
    policy: Annotated[Choice[DutyPolicy], Field(description="The way.")]


class IntervalAssumed(Request):
    """Intervals of a type, multiplied."""

    spec_sheet: Annotated[Key, Field(description="Code of the type.")]
    service: Annotated[Key | None, Field(description="Only this service; all of them unless given.")] = None
    factor: Annotated[float, Field(ge=0.1, le=10, description="What each interval is multiplied by.")]


class PassesAssumed(Request):
    """Another number of drain-and-fill passes."""

    spec_sheet: Annotated[Key, Field(description="Code of the type.")]
    task: Annotated[Key, Field(description="Code of the task that exchanges the fluid.")]
    passes: Annotated[int, Field(ge=1, le=20, description="How many passes.")]


class MovedAssumed(Request):
    """A vehicle at another depot, over the whole time."""

    unit: Annotated[Unit, Field(description="Its unit number.")]
    depot: Annotated[Key, Field(description="Code of the other depot.")]


class SoldAssumed(Request):
    """A vehicle that leaves the fleet."""

    unit: Annotated[Unit, Field(description="Its unit number.")]
    last_on: Annotated[Day, Field(description="Its last day.")]


class DailyUse(Request):
    """What a meter runs in a day."""

    meter: Annotated[Choice[Meter], Field(description="Which meter of the vehicle.")]
    per_day: Annotated[
        Distance | Duration | Volume,
        BeforeValidator(of_meter),
        Field(
            description="A distance on the odometer, fuel burned as a volume, a duration on every other meter."
        ),
    ]


class AddedAssumed(Request):
    """New vehicles of a type."""

    spec_sheet: Annotated[Key, Field(description="Code of the type; its newest version holds.")]
    depot: Annotated[Key, Field(description="Code of their depot.")]
    vehicles: Annotated[int, Field(ge=1, le=1_000, description="How many.")] = 1
    from_on: Annotated[
        Day | None, Field(description="Their first day; that of the forecast unless given.")
    ] = None
    daily_use: Annotated[
        list[DailyUse], Field(max_length=len(Meter), description="What each runs in a day, by meter.")
    ]


class WhatIf(Request):
    """A question about the time ahead, and what is assumed otherwise than it stands."""

    as_of: Annotated[
        Day | None,
        Field(description="The first day, today or later; today in the fleet's zone unless given."),
    ] = None
    months: Annotated[int, Field(ge=1, le=MOST_MONTHS, description="How many months.")] = 12
    by: Annotated[Choice[By], Field(description="How the time is divided.")] = By.MONTH
    depot: Annotated[Key | None, Field(description="Only vehicles of this depot.")] = None
    spec_sheet: Annotated[Key | None, Field(description="Only vehicles of this type.")] = None
    duty: Annotated[
        list[DutyAssumed], Field(max_length=MOST_CHANGES, description="Other shares of duty.")
    ] = []  # noqa: RUF012 - pydantic copies it
    duty_policies: Annotated[
        list[DutyPolicyAssumed], Field(max_length=MOST_CHANGES, description="Other policies of duty.")
    ] = []  # noqa: RUF012 - the same
    intervals: Annotated[
        list[IntervalAssumed], Field(max_length=MOST_CHANGES, description="Other intervals.")
    ] = []  # noqa: RUF012 - the same
    passes: Annotated[
        list[PassesAssumed], Field(max_length=MOST_CHANGES, description="Other numbers of passes.")
    ] = []  # noqa: RUF012 - the same
    moved: Annotated[
        list[MovedAssumed], Field(max_length=MOST_CHANGES, description="Vehicles at other depots.")
    ] = []  # noqa: RUF012 - the same
    sold: Annotated[
        list[SoldAssumed], Field(max_length=MOST_CHANGES, description="Vehicles that leave.")
    ] = []  # noqa: RUF012 - the same
    added: Annotated[list[AddedAssumed], Field(max_length=MOST_CHANGES, description="New vehicles.")] = []  # noqa: RUF012 - the same

    def changes(self) -> Changes:
        """What is assumed, as services take it."""
        return Changes(
            tuple(DutyChange(d.condition, d.share, d.unit, d.depot, d.spec_sheet) for d in self.duty),
            tuple(DutyPolicyChange(p.spec_sheet, p.policy) for p in self.duty_policies),
            tuple(IntervalChange(i.spec_sheet, i.service, i.factor) for i in self.intervals),
            tuple(PassesChange(p.spec_sheet, p.task, p.passes) for p in self.passes),
            tuple(MovedChange(m.unit, m.depot) for m in self.moved),
            tuple(SoldChange(s.unit, s.last_on) for s in self.sold),
            tuple(
                AddedChange(
                    a.spec_sheet,
                    a.depot,
                    a.vehicles,
                    a.from_on,
                    tuple((use.meter, float(use.per_day.canonical())) for use in a.daily_use),
                )
                for a in self.added
            ),
        )


class DepotCompared(Answer):
    """Expected demand of one depot over the whole time."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    before: Annotated[float, Field(description="As things stand.")]
    after: Annotated[float, Field(description="As they are assumed.")]
    difference: Annotated[float, Field(description="After less before.")]


class PeriodsCompared(Answer):
    """Expected demand of all depots, one figure a period."""

    before: Annotated[list[float], Field(description="As things stand.")]
    after: Annotated[list[float], Field(description="As they are assumed.")]
    difference: Annotated[list[float], Field(description="After less before.")]


class ItemCompared(Answer):
    """Demand for one item, as things stand and as they are assumed."""

    item: Annotated[
        str, Field(description="Code of the fluid requirement, number of the part; empty for bay hours.")
    ]
    source: Annotated[Source, Field(description="What asks for it: services, or top-ups between them.")]
    before: Annotated[Figures, Field(description="Of all depots over the whole time, as things stand.")]
    after: Annotated[Figures, Field(description="The same as they are assumed.")]
    difference: Annotated[float, Field(description="Expected after less expected before.")]
    periods: Annotated[PeriodsCompared, Field(description="Of all depots in each period.")]
    depots: Annotated[list[DepotCompared], Field(description="Of each depot.")]


class KindCompared(Answer):
    """Demand of one kind, as things stand and as they are assumed."""

    unit: Annotated[str, Field(description="Unit of all figures.")]
    items: Annotated[list[ItemCompared], Field(description="In the order of their codes.")]


class WhatIfAnswer(Answer):
    """Demand ahead under changed assumptions."""

    as_of: Annotated[Day, Field(description="The first day.")]
    through: Annotated[Day, Field(description="The last day.")]
    by: Annotated[By, Field(description="How the time is divided.")]
    periods: Annotated[list[ForecastPeriod], Field(description="The periods; the last week may be short.")]
    vehicles_before: Annotated[int, Field(description="How many vehicles are looked at as things stand.")]
    vehicles_after: Annotated[int, Field(description="How many as they are assumed.")]
    not_in_forecast: Annotated[
        list[LeftOutShown], Field(description="Services that can not be counted as assumed, by reason.")
    ]
    fluids: Annotated[KindCompared, Field(description="Demand for fluids.")]
    parts: Annotated[KindCompared, Field(description="Demand for parts.")]
    bay_hours: Annotated[KindCompared, Field(description="Labour time.")]


def shown_what_if(found: Mapping[Kind, Compared], by: By, units: UnitSystem) -> dict[str, Any]:
    """A ``WhatIfAnswer`` in the units of the answer."""
    before, after = found[Kind.FLUID].before, found[Kind.FLUID].after
    shown = ahead(after, by)
    names = {Kind.FLUID: "fluids", Kind.PART: "parts", Kind.LABOUR: "bay_hours"}
    kinds = {
        names[kind]: compared_lines(compared.before, compared.after, units)
        for kind, compared in found.items()
    }
    return {
        "as_of": shown["as_of"],
        "through": shown["through"],
        "by": by.value,
        "periods": shown["periods"],
        "vehicles_before": before.vehicles,
        "vehicles_after": after.vehicles,
        "not_in_forecast": shown["not_in_forecast"],
        **kinds,
    }
