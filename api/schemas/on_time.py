"""Whether work was done in time, in answers and as rows of CSV."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem, unit_code
from api.schemas.times import Day
from domain.meters import METER_DIMENSION
from domain.on_time import LimbTiming
from domain.sheet import METER_OF, Limb
from domain.units import from_canonical

if TYPE_CHECKING:
    from api.services.on_time import DepotTiming, TimedService

CSV_COLUMNS = (
    *("unit", "depot", "work_done", "service", "service_name", "done_on", "is_on_time", "is_deferred"),
    *("limb", "due", "done", "late_by", "unit_of_limb"),
)
"""Columns of the report as CSV: one row a service and limb."""


class TimedLimb(Answer):
    """A service against its due point on one limb, when it was done."""

    limb: Annotated[Limb, Field(description="The calendar, or a meter.")]
    due_on: Annotated[Day | None, Field(description="Calendar only: the day on which it was due.")]
    late_by_days: Annotated[int | None, Field(description="Calendar only: days past that; 0 in time [d].")]
    due: Annotated[ShownFigure | None, Field(description="Meters only: due point in life-to-date.")]
    done: Annotated[ShownFigure | None, Field(description="Meters only: figure when it was done.")]
    late_by: Annotated[ShownFigure | None, Field(description="Meters only: how far past; 0 in time.")]


class TimedServiceShown(Answer):
    """A service that a visit completed, against its due point just before the visit."""

    work_done: Annotated[int, Field(description="Identifies the entry of work done.")]
    unit: Annotated[str, Field(description="The vehicle's newest unit number.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    service: Annotated[str, Field(description="Code of the service.")]
    service_name: Annotated[str, Field(description="In words.")]
    done_on: Annotated[Day, Field(description="The day in the depot's time zone.")]
    is_on_time: Annotated[
        bool | None,
        Field(description="Whether it was not overdue; null where it had no due point to be held against."),
    ]
    is_deferred: Annotated[bool, Field(description="Whether a deferral was in force.")]
    limbs: Annotated[list[TimedLimb], Field(description="Each limb of its interval.")]


class OnTimeReport(Answer):
    """A page of services done, in the order of their entry; those of one visit stay together."""

    services: Annotated[list[TimedServiceShown], Field(description="The services.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class DepotOnTime(Answer):
    """What the services of a depot's vehicles come to."""

    depot: Annotated[str, Field(description="Its code.")]
    on_time: Annotated[int, Field(description="Services done in time [1].")]
    late: Annotated[int, Field(description="Services done late [1].")]
    not_judged: Annotated[int, Field(description="Services without a due point to be held against [1].")]
    on_time_share: Annotated[
        float | None, Field(description="Share in time of those judged; null where none was [1].")
    ]
    latest_days: Annotated[
        int | None, Field(description="The latest by the calendar [d]; null where none was late by it.")
    ]


class OnTimeSummary(Answer):
    """What the services of a span come to, a depot."""

    from_on: Annotated[Day, Field(description="First day.")]
    through_on: Annotated[Day, Field(description="Last day.")]
    depots: Annotated[list[DepotOnTime], Field(description="Depots with services done, by code.")]


def shown_service(found: TimedService, units: UnitSystem) -> TimedServiceShown:
    """A service, in a system's units."""
    return TimedServiceShown(
        work_done=found.entry,
        unit=found.unit,
        depot=found.depot,
        service=found.timing.service,
        service_name=found.name,
        done_on=found.done_on,
        is_on_time=found.timing.is_on_time,
        is_deferred=found.timing.is_deferred,
        limbs=[_limb(limb, units) for limb in found.timing.limbs],
    )


def shown_depot(found: DepotTiming) -> DepotOnTime:
    """A depot."""
    judged = found.on_time + found.late
    return DepotOnTime(
        depot=found.depot,
        on_time=found.on_time,
        late=found.late,
        not_judged=found.not_judged,
        on_time_share=None if judged == 0 else round(found.on_time / judged, 4),
        latest_days=found.latest_days,
    )


def csv_rows(found: TimedService, units: UnitSystem) -> Iterator[list[object]]:
    """A service as rows of ``CSV_COLUMNS``, one a limb, and one without where it has none."""
    timing = found.timing
    head: list[object] = [
        found.unit,
        found.depot,
        found.entry,
        timing.service,
        found.name,
        found.done_on,
        timing.is_on_time,
        timing.is_deferred,
    ]
    for limb in timing.limbs:
        if limb.limb is Limb.CALENDAR:
            days = [date.fromordinal(limb.due), date.fromordinal(limb.done), limb.late_by, "d"]
            yield [*head, limb.limb.value, *days]
        else:
            code = unit_code(units, METER_DIMENSION[METER_OF[limb.limb]])
            figures = [from_canonical(figure, code) for figure in (limb.due, limb.done, limb.late_by)]
            yield [*head, limb.limb.value, *figures, code]
    if not timing.limbs:
        yield [*head, None, None, None, None, None]


def _limb(found: LimbTiming, units: UnitSystem) -> TimedLimb:
    if found.limb is Limb.CALENDAR:
        return TimedLimb(
            limb=found.limb,
            due_on=date.fromordinal(found.due),
            late_by_days=found.late_by,
            due=None,
            done=None,
            late_by=None,
        )
    meter = METER_OF[found.limb]
    return TimedLimb(
        limb=found.limb,
        due_on=None,
        late_by_days=None,
        due=shown_figure(meter, found.due, units),
        done=shown_figure(meter, found.done, units),
        late_by=shown_figure(meter, found.late_by, units),
    )
