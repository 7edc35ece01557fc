"""How the fluids of a vehicle stand: the last sample of each compartment, and where each measure is going.

A trend runs in distance where the odometer tells it for every sample, else in engine hours, else in days. A fill
begins with the last completed service that exchanges the compartment's fluid, or with the component's own exchange.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from api.services.fluid_samples import Sample, judged_rows
from api.services.history import load_histories
from api.services.standing import standings_of
from api.services.units import vehicle_at
from api.store import queries_samples
from api.store.facts import Owner, Window
from api.store.sheets import load_sheet
from domain.anchors import figure_at
from domain.condition import Measure
from domain.condition_trend import Crossing, Slope, TrendPoint, crossing, pooled_slope
from domain.condition_values import followed_value, fresh_value, limit_of
from domain.sheet import METER_OF, Compartment, FluidAction, Limb
from domain.usage import LAST_DAY_ORDINAL, projected_day

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from api.services.history import LoadedVehicle
    from api.services.units import Address
    from api.store.session import ReadSession
    from domain.history import VehicleHistory
    from domain.sheet import ConditionLimits, SpecSheet


@dataclass(frozen=True, slots=True)
class Reached:
    """Where a limit is reached.

    Attributes:
        life: Life-to-date on the axis [canonical units]; None on the calendar.
        day: Ordinal of the day; None where it cannot be projected.
    """

    life: int | None
    day: int | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Where a measure is going.

    Attributes:
        measure: Which.
        limb: What it runs in.
        samples: On how many samples it rests.
        slope: Its slope for one canonical unit of the axis, or one day.
        limit: The limit on the side that it moves to, in the figure's unit; None where none is set.
        likely: Where it reaches the limit; None where it does not.
        early: Where it may do so at the steep end of the interval.
        late: Where it may at the flat end; None where that never gets there.
        is_warning: Whether it may do so within the days asked about.
    """

    measure: Measure
    limb: Limb
    samples: int
    slope: Slope
    limit: float | None
    likely: Reached | None
    early: Reached | None
    late: Reached | None
    is_warning: bool


@dataclass(frozen=True, slots=True)
class CompartmentCondition:
    """How the fluid of a compartment stands.

    Attributes:
        compartment: Its code.
        filled_on: Day of the last change of its fluid that is known.
        samples: How many samples there are.
        latest: The newest one.
        trends: Where its measures are going.
    """

    compartment: str
    filled_on: date | None
    samples: int
    latest: Sample
    trends: tuple[Trend, ...]


@dataclass(frozen=True, slots=True)
class Fill:
    """One fill of a compartment.

    Attributes:
        at_us: When it began [us UTC].
        on: Its day.
        is_known: False for what stood in a vehicle bought used.
    """

    at_us: int
    on: date
    is_known: bool


def vehicle_condition(
    session: ReadSession, at: Address, *, as_of: date, within_days: int
) -> tuple[CompartmentCondition, ...]:
    """How the fluids of the vehicle at an address stand, in sheet order; only compartments with samples.

    Args:
        session: Any unit of work.
        at: The vehicle.
        as_of: The day of the request, in the depot's time zone.
        within_days: A limit that may be reached within so many days is warned of [d].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    ref = vehicle_at(session, at)
    sheet = load_sheet(session, at.fleet_key, ref.spec_sheet_version_key)
    rows = queries_samples.samples(session, Owner(at.fleet_key, ref.key), Window())
    if not rows:
        return ()
    found = judged_rows(session, at.fleet_key, sheet, rows)
    vehicle = load_histories(session, at.fleet_key, [ref.key])[ref.key]
    horizon = (as_of + timedelta(days=within_days)).toordinal()
    return tuple(
        _condition(sheet, vehicle, compartment, samples, horizon)
        for compartment in sheet.compartments
        if (samples := [one for one in found if one.compartment == compartment.code])
    )


def fills_of(sheet: SpecSheet, history: VehicleHistory, compartment: str) -> tuple[Fill, ...]:
    """The fills of a compartment, in order of time; the first is the one that it came with."""
    exchanging = {
        service.code
        for service in sheet.services
        if any(t.compartment == compartment and t.fluid_action is FluidAction.EXCHANGE for t in service.tasks)
    }
    origin = history.origin
    starts = {(work.at_us, work.on) for work in history.work if exchanging & work.completed} | {
        (e.at_us, e.on) for e in history.exchanges if e.compartment == compartment
    }
    first = Fill(0, origin.in_service_on, origin.is_known_from_new)
    return (first, *(Fill(at_us, on, is_known=True) for at_us, on in sorted(starts)))


def _condition(
    sheet: SpecSheet,
    vehicle: LoadedVehicle,
    compartment: Compartment,
    samples: Sequence[Sample],
    horizon: int,
) -> CompartmentCondition:
    ordered = sorted(samples, key=lambda one: (one.taken_at_us, one.key))
    fills = fills_of(sheet, vehicle.history, compartment.code)
    axis = _Axis.of(vehicle, fills, ordered)
    trends = [
        trend
        for measure in Measure
        if (trend := _trend(axis, measure, ordered, compartment.condition_limits, horizon)) is not None
    ]
    return CompartmentCondition(
        compartment.code,
        fills[-1].on if len(fills) > 1 else None,
        len(ordered),
        ordered[-1],
        tuple(trends),
    )


@dataclass(frozen=True, slots=True)
class _Axis:
    """What trends run in.

    Attributes:
        vehicle: The vehicle.
        limb: The meter, or the calendar.
        fills: Fills of the compartment.
        starts: Figure at the start of each fill; the first sample's where that is not known.
    """

    vehicle: LoadedVehicle
    limb: Limb
    fills: tuple[Fill, ...]
    starts: tuple[int, ...]

    @classmethod
    def of(cls, vehicle: LoadedVehicle, fills: tuple[Fill, ...], samples: Sequence[Sample]) -> _Axis:
        """The first axis that has a figure for every sample and every fill."""
        for limb in (Limb.ODOMETER, Limb.ENGINE_HOURS):
            taken = [_figure(vehicle, limb, sample) for sample in samples]
            begun = [_start(vehicle, limb, fill) for fill in fills]
            if None not in taken and None not in begun[1:]:
                first = begun[0] if begun[0] is not None else taken[0]
                return cls(vehicle, limb, fills, tuple(figure or 0 for figure in (first, *begun[1:])))
        return cls(vehicle, Limb.CALENDAR, fills, tuple(fill.on.toordinal() for fill in fills))

    def fill_of(self, sample: Sample) -> int:
        """Which fill a sample belongs to."""
        return sum(fill.at_us < sample.taken_at_us for fill in self.fills) - 1

    def used(self, sample: Sample) -> int:
        """How much its fill had been used when a sample was taken."""
        figure = _figure(self.vehicle, self.limb, sample)
        return max((figure or 0) - self.starts[self.fill_of(sample)], 0)

    def reached(self, used: float) -> Reached:
        """Where the current fill will have been used so much."""
        figure = round(self.starts[-1] + used)
        if self.limb is Limb.CALENDAR:
            return Reached(None, figure if figure <= LAST_DAY_ORDINAL else None)
        standing = standings_of(self.vehicle).get(METER_OF[self.limb])
        if standing is None:
            return Reached(figure, None)
        return Reached(figure, projected_day(figure - standing.life, standing.day, standing.per_day))


def _figure(vehicle: LoadedVehicle, limb: Limb, sample: Sample) -> int | None:
    if limb is not Limb.CALENDAR and METER_OF[limb] in sample.figures:
        return sample.figures[METER_OF[limb]]
    fix = figure_at(vehicle.history, limb, sample.taken_at_us, sample.taken_on)
    return None if fix is None else fix.life


def _start(vehicle: LoadedVehicle, limb: Limb, fill: Fill) -> int | None:
    if fill.at_us == 0:
        return 0 if fill.is_known else None
    fix = figure_at(vehicle.history, limb, fill.at_us, fill.on)
    return None if fix is None else fix.life


def _trend(
    axis: _Axis,
    measure: Measure,
    samples: Sequence[Sample],
    limits: ConditionLimits | None,
    horizon: int,
) -> Trend | None:
    followed = [
        (sample, value)
        for sample in samples
        if (
            value := followed_value(
                measure, sample.measures, sample.fresh, limits, is_code_basis=sample.no_code_why is None
            )
        )
        is not None
    ]
    points = [TrendPoint(axis.fill_of(sample), float(axis.used(sample)), value) for sample, value in followed]
    fresh = {
        axis.fill_of(sample): value
        for sample, _ in followed
        if sample.fresh is not None
        and axis.fills[axis.fill_of(sample)].is_known
        and (value := fresh_value(measure, sample.fresh, limits)) is not None
    }
    points += [TrendPoint(fill, 0.0, value) for fill, value in fresh.items()]
    slope = pooled_slope(points)
    if slope is None:
        return None
    limit = None
    if limits is not None and slope.slope != 0:
        limit = limit_of(measure, limits, is_rising=slope.slope > 0)
    # A line through an older fill tells nothing of the one that is in there now.
    is_current = max(point.fill for point in points) == len(axis.fills) - 1
    crossed = crossing(points, slope, limit) if limit is not None and is_current else None
    likely, early, late = _reached(axis, crossed)
    is_warning = early is not None and early.day is not None and early.day <= horizon
    return Trend(measure, axis.limb, len(followed), slope, limit, likely, early, late, is_warning)


def _reached(axis: _Axis, crossed: Crossing | None) -> tuple[Reached | None, Reached | None, Reached | None]:
    if crossed is None:
        return None, None, None
    late = None if crossed.late is None else axis.reached(crossed.late)
    return axis.reached(crossed.likely), axis.reached(crossed.early), late
