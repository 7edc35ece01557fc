"""The condition of a vehicle's fluids in answers: last samples and trends."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.fluid_samples import ShownJudgement, shown_judgement, six_digits
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem, unit_code
from api.schemas.times import Day
from domain.condition import Measure
from domain.condition_values import UNITS
from domain.meters import METER_DIMENSION
from domain.sheet import METER_OF, Limb
from domain.units import to_canonical

if TYPE_CHECKING:
    from api.services import fluid_condition

# A slope is told for so much of what it runs in.
_STEP = {Limb.ODOMETER: 1000, Limb.ENGINE_HOURS: 100, Limb.CALENDAR: 30}


class SlopePer(Answer):
    """What a slope is told for: so much distance, so many hours, or so many days."""

    value: Annotated[int, Field(description="The figure.")]
    unit: Annotated[str, Field(description="Unit code; `d` for days.")]


class ReachedAt(Answer):
    """Where a limit is reached."""

    life_to_date: Annotated[
        ShownFigure | None, Field(description="On the meter that the trend runs in; null on the calendar.")
    ]
    on: Annotated[Day | None, Field(description="The day, by recent use; null where it cannot be told.")]


class ShownTrend(Answer):
    """Where a measure is going, over all fills of the compartment."""

    measure: Annotated[Measure, Field(description="Which measure.")]
    unit: Annotated[str, Field(description="What slope and limit are in.")]
    runs_in: Annotated[Limb, Field(description="The meter or the calendar.")]
    samples: Annotated[int, Field(description="On how many samples it rests.")]
    per: Annotated[SlopePer, Field(description="What the slopes are told for.")]
    slope: Annotated[float, Field(description="Median of the slopes between samples of one fill.")]
    slope_low: Annotated[float, Field(description="Lower end of its interval.")]
    slope_high: Annotated[float, Field(description="Upper end of its interval.")]
    is_interval_full: Annotated[
        bool,
        Field(description="Whether the interval is one of 95 %; with few samples it is the range of slopes."),
    ]
    limit: Annotated[
        float | None, Field(description="The limit on the side that it moves to; null where none is set.")
    ]
    reaches_limit: Annotated[
        ReachedAt | None, Field(description="Where it reaches the limit; null where it does not.")
    ]
    earliest: Annotated[ReachedAt | None, Field(description="At the steep end of the interval.")]
    latest: Annotated[
        ReachedAt | None, Field(description="At the flat end; null where that never gets there.")
    ]
    is_warning: Annotated[
        bool, Field(description="Whether it may reach the limit within the days asked about.")
    ]


class CompartmentCondition(Answer):
    """How the fluid of a compartment stands."""

    compartment: Annotated[str, Field(description="Its code.")]
    filled_on: Annotated[
        Day | None, Field(description="Day of the last change of its fluid; null where none is known.")
    ]
    samples: Annotated[int, Field(description="How many samples there are.")]
    latest_sample: Annotated[int, Field(description="Identifies the newest sample.")]
    sampled_on: Annotated[Day, Field(description="Its day.")]
    judgements: Annotated[list[ShownJudgement], Field(description="Its measures against their limits.")]
    trends: Annotated[list[ShownTrend], Field(description="Where the measures are going.")]


class FluidCondition(Answer):
    """How the fluids of a vehicle stand."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    as_of: Annotated[Day, Field(description="The day of the answer.")]
    through: Annotated[Day, Field(description="Last day of the time that is warned for.")]
    compartments: Annotated[
        list[CompartmentCondition], Field(description="Those with samples, in the order of the sheet.")
    ]


def shown_compartment(found: fluid_condition.CompartmentCondition, units: UnitSystem) -> CompartmentCondition:
    """A compartment, in a system's units."""
    return CompartmentCondition(
        compartment=found.compartment,
        filled_on=found.filled_on,
        samples=found.samples,
        latest_sample=found.latest.key,
        sampled_on=found.latest.taken_on,
        judgements=[shown_judgement(one) for one in found.latest.judged],
        trends=[_trend(one, units) for one in found.trends],
    )


def _trend(found: fluid_condition.Trend, units: UnitSystem) -> ShownTrend:
    step = _STEP[found.limb]
    code, canonical = "d", float(step)
    if found.limb is not Limb.CALENDAR:
        dimension = METER_DIMENSION[METER_OF[found.limb]]
        code = unit_code(units, dimension)
        canonical = to_canonical(step, code, dimension)
    slope = found.slope
    return ShownTrend(
        measure=found.measure,
        unit=UNITS[found.measure],
        runs_in=found.limb,
        samples=found.samples,
        per=SlopePer(value=step, unit=code),
        slope=six_digits(slope.slope * canonical),
        slope_low=six_digits(slope.low * canonical),
        slope_high=six_digits(slope.high * canonical),
        is_interval_full=slope.is_interval_full,
        limit=found.limit,
        reaches_limit=_reached(found.limb, found.likely, units),
        earliest=_reached(found.limb, found.early, units),
        latest=_reached(found.limb, found.late, units),
        is_warning=found.is_warning,
    )


def _reached(limb: Limb, found: fluid_condition.Reached | None, units: UnitSystem) -> ReachedAt | None:
    if found is None:
        return None
    return ReachedAt(
        life_to_date=None if found.life is None else shown_figure(METER_OF[limb], found.life, units),
        on=None if found.day is None else date.fromordinal(found.day),
    )
