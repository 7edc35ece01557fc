"""How much of which fluid the visits that are due take: of one vehicle, and summed over the fleet.

Invariants: services whose last time is unknown stand on lines of their own; fluids of different requirements
are never added; what a visit takes is computed once for each sheet version and set of services.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from api.services.fluid_supplies import Supply, fluid_shelf
from api.services.visits import Visit, visits
from api.store import queries_kits
from api.store.sheets import load_sheet
from domain.cautions import visit_cautions
from domain.errors import Breach
from domain.fluid_need import FluidTotal, VehicleNeeds, totals, vehicle_needs

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.services.due import DueAsk
    from api.store.session import ReadSession
    from domain.sheet import Caution

MOST_VEHICLES = 1_000
"""An answer that goes down to single vehicles covers at most so many."""


@dataclass(frozen=True, slots=True)
class Requirement:
    """What a fluid must meet; where the fleet does not keep it, only its code is known.

    Attributes:
        code: The fleet's code of the requirement.
        name: In words.
        standard: The standard, or the maker's own.
        service_class: The class within the standard.
        grade: The grade.
    """

    code: str
    name: str
    standard: str
    service_class: str | None
    grade: str | None


@dataclass(frozen=True, slots=True)
class VisitFluids:
    """What one vehicle's visit takes.

    Attributes:
        needs: The needs, task by task.
        totals: Their totals, a requirement.
        requirements: The requirements, by code.
        supplies: What to buy for each total, in their order.
        cautions: Hazards of the work on these fluids; that the maker's manual governs is the first.
    """

    needs: VehicleNeeds
    totals: tuple[FluidTotal, ...]
    requirements: dict[str, Requirement]
    supplies: tuple[Supply, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class FleetFluids:
    """What all visits take.

    Attributes:
        totals: Totals of each requirement, down to kinds of compartment or to single vehicles.
        requirements: The requirements, by code.
        supplies: What to buy for each total, in their order.
        vehicles: How many vehicles they sum.
    """

    totals: tuple[FluidTotal, ...]
    requirements: dict[str, Requirement]
    supplies: tuple[Supply, ...]
    vehicles: int


def visit_fluids(session: ReadSession, fleet_key: int, visit: Visit) -> VisitFluids:
    """What a visit takes.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        visit: A visit of known services.
    """
    needs = next(iter(_needs(session, fleet_key, [visit])))
    sheet = load_sheet(session, fleet_key, visit.version_key)
    taken = {need.task for need in (*needs.due, *needs.baseline)}
    tasks = [task for task in sheet.tasks_of((*visit.due, *visit.baseline)) if task.code in taken]
    found = totals([needs])
    return VisitFluids(
        needs,
        found,
        _requirements(session, fleet_key, found),
        _supplies(session, fleet_key, found),
        visit_cautions(sheet, tasks),
    )


def fleet_fluids(session: ReadSession, fleet_key: int, ask: DueAsk, *, is_by_vehicle: bool) -> FleetFluids:
    """What all visits of the question take.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.
        is_by_vehicle: Whether the totals go down to single vehicles.

    Raises:
        RefusedError: They would go down to more than ``MOST_VEHICLES`` (``too_many_vehicles``).
    """
    needs = [
        need
        for need in _needs(session, fleet_key, visits(session, fleet_key, ask))
        if need.due or need.baseline
    ]
    if is_by_vehicle and len(needs) > MOST_VEHICLES:
        detail = f"an answer by vehicle covers at most {MOST_VEHICLES} vehicles; ask depot by depot"
        raise RefusedError(Breach("/by_vehicle", "too_many_vehicles", detail))
    found = totals(needs, is_by_vehicle=is_by_vehicle)
    return FleetFluids(
        found, _requirements(session, fleet_key, found), _supplies(session, fleet_key, found), len(needs)
    )


def requirements_of(session: ReadSession, fleet_key: int, codes: set[str]) -> dict[str, Requirement]:
    """The requirements that the fleet keeps, of these codes."""
    if not codes:
        return {}
    rows = queries_kits.requirements(session, fleet_key, sorted(codes))
    return {
        row.code: Requirement(row.code, row.name, row.standard, row.service_class, row.grade) for row in rows
    }


def _needs(session: ReadSession, fleet_key: int, made: Iterable[Visit]) -> Iterable[VehicleNeeds]:
    known: dict[tuple[int, tuple[str, ...], tuple[str, ...]], VehicleNeeds] = {}
    for visit in made:
        key = (visit.version_key, visit.due, visit.baseline)
        if key not in known:
            known[key] = vehicle_needs(
                load_sheet(session, fleet_key, visit.version_key),
                vehicle=visit.unit,
                depot=visit.depot,
                due_services=visit.due,
                baseline_services=visit.baseline,
            )
        yield replace(known[key], vehicle=visit.unit, depot=visit.depot)


def _requirements(
    session: ReadSession, fleet_key: int, found: Iterable[FluidTotal]
) -> dict[str, Requirement]:
    return requirements_of(session, fleet_key, {total.key for total in found if total.key is not None})


def _supplies(session: ReadSession, fleet_key: int, found: Iterable[FluidTotal]) -> tuple[Supply, ...]:
    needed = [(total.key or "", total.high_ml + total.margin_ml) for total in found]
    products = fluid_shelf(session, fleet_key, {code for code, _ in needed})
    return tuple(products.supply(code, need_ml) for code, need_ml in needed)
