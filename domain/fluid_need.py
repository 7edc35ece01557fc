"""How much of which fluid the work takes, for one visit and summed over vehicles.

Invariants: a volume is what the drain takes out, not the capacity, unless the task's fill basis says
otherwise; it is a range where the sheet gives one, or where it gives none and common practice has to serve,
and the need says so. Each litre counts once a visit: a task that several services contain is done once,
exchange tasks on one compartment are one exchange (the largest), and a top-up of a compartment that is
exchanged falls away. Fluids of different requirements are never added together, nor is what is certain to
what waits for a baseline. The margin stands beside the volume, never in it. What is shown of a total's parts
adds up to what is shown of the total.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import ceil, floor
from operator import attrgetter
from typing import TYPE_CHECKING, TypeVar

from domain.errors import Breach, SheetError
from domain.exchange import default_drained_range, with_margin_ml
from domain.rounding import Whole, shown_nested, shown_range
from domain.sheet import CompartmentKind, FillBasis, FluidAction

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from domain.rounding import ShownWhole
    from domain.sheet import Compartment, SpecSheet, Task

_Key = TypeVar("_Key")


@dataclass(frozen=True, slots=True)
class FluidNeed:
    """What one task takes of a fluid.

    Attributes:
        task: Code of the task.
        compartment: Code of its compartment.
        kind: What the compartment is.
        fluid_requirement: Code of the requirement that the fluid meets.
        passes: Drain-and-fill passes; 1 for a top-up.
        pass_low_ml: Least that one pass takes [mL].
        pass_high_ml: Most that one pass takes [mL].
        low_ml: Least that all passes take [mL].
        high_ml: Most that all passes take [mL].
        margin_ml: To have at hand beyond the most [mL].
        is_common_practice: Whether the range is common practice for the kind of compartment and no data.
    """

    task: str
    compartment: str
    kind: CompartmentKind
    fluid_requirement: str
    passes: int
    pass_low_ml: int
    pass_high_ml: int
    low_ml: int
    high_ml: int
    margin_ml: int
    is_common_practice: bool


@dataclass(frozen=True, slots=True)
class VehicleNeeds:
    """What one vehicle's visit takes.

    Attributes:
        vehicle: The fleet's label of the vehicle.
        depot: Its depot, if it has one.
        due: Needs of the services that are due.
        baseline: Needs of services whose last time is unknown, as far as those due don't cover them.
    """

    vehicle: str
    depot: str | None
    due: tuple[FluidNeed, ...]
    baseline: tuple[FluidNeed, ...]


class TotalLevel(StrEnum):
    """What a total is taken over, from the whole down to one compartment of one vehicle."""

    FLUID_REQUIREMENT = "fluid_requirement"
    DEPOT = "depot"
    COMPARTMENT_KIND = "compartment_kind"
    VEHICLE_COMPARTMENT = "vehicle_compartment"


@dataclass(frozen=True, slots=True)
class FluidTotal:
    """A total of one fluid requirement and the parts that make it up.

    Attributes:
        level: What it is taken over.
        key: The requirement, depot, kind of compartment or vehicle; None for vehicles without a depot.
        compartment: Code of the compartment, at the last level only.
        is_baseline_needed: Whether it sums services whose last time is unknown.
        is_common_practice: Whether any of it rests on common practice and not on the sheet's data.
        low_ml: Least [mL].
        high_ml: Most [mL].
        margin_ml: To have at hand beyond the most [mL].
        parts: The totals one level down.
    """

    level: TotalLevel
    key: str | None
    compartment: str | None
    is_baseline_needed: bool
    is_common_practice: bool
    low_ml: int
    high_ml: int
    margin_ml: int
    parts: tuple[FluidTotal, ...]


@dataclass(frozen=True, slots=True)
class ShownTotal:
    """A total as shown, in one unit; the parts add up to it in each of the three figures.

    Attributes:
        total: The exact total.
        low: Least [unit].
        high: Most [unit].
        margin: To have at hand beyond the most [unit].
        parts: The parts as shown, in the order of the total's parts.
    """

    total: FluidTotal
    low: float
    high: float
    margin: float
    parts: tuple[ShownTotal, ...]


def fluid_needs(sheet: SpecSheet, service_codes: Iterable[str]) -> tuple[FluidNeed, ...]:
    """What these services and all that they include take of fluids when done in one visit, in sheet order.

    Args:
        sheet: A checked spec sheet.
        service_codes: Codes of the services done.

    Raises:
        SheetError: The sheet has no such service (``service_unknown``).
    """
    needs = [
        (task, _need(task, sheet.compartment(task.compartment)))
        for task in sheet.tasks_of(service_codes)
        if task.compartment is not None and task.fluid_action in {FluidAction.EXCHANGE, FluidAction.TOP_UP}
    ]
    largest: dict[str, FluidNeed] = {}
    for task, need in needs:
        if task.fluid_action is FluidAction.EXCHANGE:
            so_far = largest.setdefault(need.compartment, need)
            if (need.high_ml, need.low_ml) > (so_far.high_ml, so_far.low_ml):
                largest[need.compartment] = need
    return tuple(need for _, need in needs if largest.get(need.compartment, need) is need)


def vehicle_needs(
    sheet: SpecSheet,
    *,
    vehicle: str,
    depot: str | None,
    due_services: Iterable[str],
    baseline_services: Iterable[str] = (),
) -> VehicleNeeds:
    """What one vehicle's visit takes; what is due and what waits for a baseline stand apart.

    Args:
        sheet: A checked spec sheet.
        vehicle: The fleet's label of the vehicle.
        depot: Its depot, if it has one.
        due_services: Codes of the services done because they are due.
        baseline_services: Codes of services whose last time is unknown.

    Raises:
        SheetError: The sheet has no such service (``service_unknown``).
    """
    due_codes = tuple(due_services)
    due = fluid_needs(sheet, due_codes)
    due_tasks = sheet.tasks_of(due_codes)
    settled_tasks = {task.code for task in due_tasks}
    exchanged = {task.compartment for task in due_tasks if task.fluid_action is FluidAction.EXCHANGE}
    baseline = tuple(
        need
        for need in fluid_needs(sheet, baseline_services)
        if need.task not in settled_tasks and need.compartment not in exchanged
    )
    return VehicleNeeds(vehicle, depot, due, baseline)


def drained_range_ml(compartment: Compartment) -> tuple[int, int, bool]:
    """The least and the most that one drain takes out [mL], and whether that is common practice and no data.

    Args:
        compartment: A compartment of a checked spec sheet.

    Raises:
        SheetError: The compartment gives neither a drained volume nor a capacity (``volume_missing``).
        ExchangeError: It gives a capacity only, and there is no common practice for its kind
            (``drained_range_unknown``).

    Sources: the ranges by kind of compartment are common practice, no source.
    """
    if compartment.drained_low_ml is not None and compartment.drained_high_ml is not None:
        return compartment.drained_low_ml, compartment.drained_high_ml, False
    dry_ml = _given(compartment.dry_capacity_ml)
    practice = default_drained_range(compartment.kind)
    # Outwards to whole millilitres, from the decimal figures, so that the range is never too narrow.
    low = floor(Fraction(repr(practice.low_share)) * dry_ml)
    high = ceil(Fraction(repr(practice.high_share)) * dry_ml)
    return low, high, True


def totals(vehicles: Iterable[VehicleNeeds], *, is_by_vehicle: bool = True) -> tuple[FluidTotal, ...]:
    """The totals, one for each fluid requirement and again for services that wait for a baseline.

    Each is made up of depots, these of kinds of compartment, these of the compartments of single vehicles.

    Args:
        vehicles: What each vehicle's visit takes.
        is_by_vehicle: Whether the totals go down to single vehicles; for a large fleet that is slow.
    """
    rows = [
        _Row(vehicle, need, is_baseline_needed)
        for vehicle in vehicles
        for is_baseline_needed, needs in ((False, vehicle.due), (True, vehicle.baseline))
        for need in needs
    ]
    by_requirement = _grouped(rows, lambda row: (row.need.fluid_requirement, row.is_baseline_needed))
    return tuple(
        _total(
            TotalLevel.FLUID_REQUIREMENT,
            requirement,
            [_depot_total(depot, inner, is_by_vehicle=is_by_vehicle) for depot, inner in _by_depot(outer)],
        )
        for (requirement, _), outer in sorted(by_requirement.items(), key=lambda item: item[0])
    )


def shown_total(total: FluidTotal, code: str) -> ShownTotal:
    """The total and all its parts in the unit asked for, to the places that the unit is shown with.

    Args:
        total: A total.
        code: A listed unit code of volume.
    """
    lows, highs, margins = (
        _figures(total, attrgetter(figure)) for figure in ("low_ml", "high_ml", "margin_ml")
    )
    return _shown(total, *shown_range(lows, highs, code), shown_nested(margins, code))


@dataclass(frozen=True, slots=True)
class _Row:
    vehicle: VehicleNeeds
    need: FluidNeed
    is_baseline_needed: bool


def _need(task: Task, compartment: Compartment) -> FluidNeed:
    if compartment.fluid_requirement is None:
        raise SheetError(
            Breach("/compartment", "fluid_requirement_missing", "the compartment names no fluid requirement")
        )
    if task.fluid_action is FluidAction.TOP_UP:
        passes, is_common_practice = 1, False
        low = high = _given(task.top_up_ml)
    else:
        passes = task.passes
        low, high, is_common_practice = _pass_range_ml(task.fill_basis, compartment)
    return FluidNeed(
        task=task.code,
        compartment=compartment.code,
        kind=compartment.kind,
        fluid_requirement=compartment.fluid_requirement,
        passes=passes,
        pass_low_ml=low,
        pass_high_ml=high,
        low_ml=low * passes,
        high_ml=high * passes,
        margin_ml=with_margin_ml(high * passes, task.margin_share) - high * passes,
        is_common_practice=is_common_practice,
    )


def _pass_range_ml(basis: FillBasis, compartment: Compartment) -> tuple[int, int, bool]:
    if basis is FillBasis.DRAINED_VOLUME:
        return drained_range_ml(compartment)
    volume_ml = _given(
        {
            FillBasis.SERVICE_FILL_WITH_FILTER: compartment.service_fill_with_filter_ml,
            FillBasis.SERVICE_FILL_WITHOUT_FILTER: compartment.service_fill_without_filter_ml,
            FillBasis.DRY_CAPACITY: compartment.dry_capacity_ml,
        }[basis]
    )
    return volume_ml, volume_ml, False


def _given(volume_ml: int | None) -> int:
    if volume_ml is None:
        raise SheetError(Breach("", "volume_missing", "the spec sheet gives no volume for this work"))
    return volume_ml


def _grouped(rows: Iterable[_Row], key: Callable[[_Row], _Key]) -> dict[_Key, list[_Row]]:
    groups: dict[_Key, list[_Row]] = {}
    for row in rows:
        groups.setdefault(key(row), []).append(row)
    return groups


def _by_depot(rows: Iterable[_Row]) -> list[tuple[str | None, list[_Row]]]:
    # Vehicles without a depot come last.
    groups = _grouped(rows, lambda row: row.vehicle.depot)
    return sorted(groups.items(), key=lambda item: (item[0] is None, item[0] or ""))


def _depot_total(depot: str | None, rows: Iterable[_Row], *, is_by_vehicle: bool) -> FluidTotal:
    by_kind = _grouped(rows, lambda row: row.need.kind)
    kinds = [
        _kind_total(kind, by_kind[kind], is_by_vehicle=is_by_vehicle)
        for kind in CompartmentKind
        if kind in by_kind
    ]
    return _total(TotalLevel.DEPOT, depot, kinds)


def _kind_total(kind: CompartmentKind, rows: list[_Row], *, is_by_vehicle: bool) -> FluidTotal:
    # Sums the needs themselves: a fleet has too many vehicles to make a total of each when none is asked for.
    return FluidTotal(
        level=TotalLevel.COMPARTMENT_KIND,
        key=kind.value,
        compartment=None,
        is_baseline_needed=rows[0].is_baseline_needed,
        is_common_practice=any(row.need.is_common_practice for row in rows),
        low_ml=sum(row.need.low_ml for row in rows),
        high_ml=sum(row.need.high_ml for row in rows),
        margin_ml=sum(row.need.margin_ml for row in rows),
        parts=_leaves(rows) if is_by_vehicle else (),
    )


def _leaves(rows: list[_Row]) -> tuple[FluidTotal, ...]:
    return tuple(
        FluidTotal(
            level=TotalLevel.VEHICLE_COMPARTMENT,
            key=row.vehicle.vehicle,
            compartment=row.need.compartment,
            is_baseline_needed=row.is_baseline_needed,
            is_common_practice=row.need.is_common_practice,
            low_ml=row.need.low_ml,
            high_ml=row.need.high_ml,
            margin_ml=row.need.margin_ml,
            parts=(),
        )
        for row in sorted(rows, key=lambda row: (row.vehicle.vehicle, row.need.compartment))
    )


def _total(level: TotalLevel, key: str | None, parts: list[FluidTotal]) -> FluidTotal:
    return FluidTotal(
        level=level,
        key=key,
        compartment=None,
        is_baseline_needed=parts[0].is_baseline_needed,
        is_common_practice=any(part.is_common_practice for part in parts),
        low_ml=sum(part.low_ml for part in parts),
        high_ml=sum(part.high_ml for part in parts),
        margin_ml=sum(part.margin_ml for part in parts),
        parts=tuple(parts),
    )


def _figures(total: FluidTotal, figure: Callable[[FluidTotal], int]) -> Whole:
    return Whole(figure(total), tuple(_figures(part, figure) for part in total.parts))


def _shown(total: FluidTotal, low: ShownWhole, high: ShownWhole, margin: ShownWhole) -> ShownTotal:
    inner = zip(total.parts, low.parts, high.parts, margin.parts, strict=True)
    return ShownTotal(total, low.value, high.value, margin.value, tuple(_shown(*part) for part in inner))
