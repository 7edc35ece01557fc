"""Fluid needs as answered: of one vehicle, and summed over the fleet.

Invariants: at each level the parts shown add up to what is shown of the whole, in the least, the most and the
margin; what waits for a baseline stands on lines of its own.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.fluid_supplies import FluidSupply, shown_supply
from api.schemas.kits import KitCaution, shown_cautions
from api.schemas.quantities import ShownVolume, UnitSystem, unit_code
from api.services import due, fluid_totals, visits
from api.services.fluid_supplies import Supply
from domain.cautions import WORDS
from domain.fluid_need import FluidNeed, FluidTotal, ShownTotal, shown_total
from domain.sheet import Caution, CompartmentKind
from domain.units import Dimension

_LOW = "Least that the work takes."
_HIGH = "Most that the work takes; equal to the least where the sheet gives one volume."
_MARGIN = "To have at hand beyond the most; never in it."
_BASELINE = "Whether it is for services whose last time is unknown, and so not known to be due."
_SUPPLY = "Products of the catalogue that meet the requirement, in containers, with what they cost."
_PRACTICE = "Whether any of it rests on common practice and not on the sheet's data."


class RequirementShown(Answer):
    """A fluid requirement as totals name it."""

    code: Annotated[str, Field(description="The fleet's code of the requirement.")]
    name: Annotated[str, Field(description="In words.")]
    standard: Annotated[str, Field(description="The open standard, or maker for a maker's own.")]
    service_class: Annotated[str | None, Field(description="The class within the standard.")]
    grade: Annotated[str | None, Field(description="The viscosity grade or concentration.")]


class CompartmentFluid(Answer):
    """What one task takes for one compartment of the vehicle."""

    task: Annotated[str, Field(description="Code of the task.")]
    compartment: Annotated[str, Field(description="Code of the compartment.")]
    compartment_kind: Annotated[CompartmentKind, Field(description="What the compartment is.")]
    passes: Annotated[int, Field(description="Drain-and-fill passes; 1 for a top-up.")]
    is_common_practice: Annotated[bool, Field(description=_PRACTICE)]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]


class VehicleFluid(Answer):
    """What a visit takes of the fluids of one requirement."""

    fluid_requirement: Annotated[RequirementShown, Field(description="What the fluid must meet.")]
    is_baseline_needed: Annotated[bool, Field(description=_BASELINE)]
    is_common_practice: Annotated[bool, Field(description=_PRACTICE)]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]
    compartments: Annotated[list[CompartmentFluid], Field(description="Its parts; they add up.")]
    supply: Annotated[FluidSupply, Field(description=_SUPPLY)]


class VehicleFluids(Answer):
    """What a visit of one vehicle takes of fluids."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    as_of: Annotated[date, Field(description="The day asked about.")]
    through: Annotated[date, Field(description="Last day of the window.")]
    services: Annotated[list[str], Field(description="Codes of the services called for.")]
    baseline_needed: Annotated[
        list[str], Field(description="Codes of the services whose last time is unknown.")
    ]
    fluids: Annotated[
        list[VehicleFluid],
        Field(description="By requirement, what waits for a baseline on lines of its own."),
    ]
    cautions: Annotated[
        list[KitCaution],
        Field(description="Hazards of the work; that the vehicle maker's manual governs is the first."),
    ]


class VehicleShare(Answer):
    """The part of one compartment of one vehicle."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    compartment: Annotated[str, Field(description="Code of the compartment.")]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]


class KindShare(Answer):
    """The part of one kind of compartment at a depot."""

    compartment_kind: Annotated[CompartmentKind, Field(description="What the compartments are.")]
    is_common_practice: Annotated[bool, Field(description=_PRACTICE)]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]
    vehicles: Annotated[
        list[VehicleShare] | None,
        Field(description="Its parts, where `by_vehicle` asks for them; else null. They add up."),
    ]


class DepotShare(Answer):
    """The part of one depot."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    is_common_practice: Annotated[bool, Field(description=_PRACTICE)]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]
    compartment_kinds: Annotated[list[KindShare], Field(description="Its parts; they add up.")]


class FluidSum(Answer):
    """What all visits take of the fluids of one requirement."""

    fluid_requirement: Annotated[RequirementShown, Field(description="What the fluid must meet.")]
    is_baseline_needed: Annotated[bool, Field(description=_BASELINE)]
    is_common_practice: Annotated[bool, Field(description=_PRACTICE)]
    low: Annotated[ShownVolume, Field(description=_LOW)]
    high: Annotated[ShownVolume, Field(description=_HIGH)]
    margin: Annotated[ShownVolume, Field(description=_MARGIN)]
    depots: Annotated[list[DepotShare], Field(description="Its parts; they add up.")]
    supply: Annotated[FluidSupply, Field(description=_SUPPLY)]


class FluidSums(Answer):
    """What all visits of the fleet take of fluids; different requirements are never added together."""

    as_of: Annotated[date, Field(description="The day asked about.")]
    through: Annotated[date, Field(description="Last day of the window.")]
    vehicles: Annotated[int, Field(description="How many vehicles take a fluid.")]
    fluids: Annotated[
        list[FluidSum],
        Field(description="By requirement, what waits for a baseline on lines of its own."),
    ]
    governed_by: Annotated[str, Field(description="What governs wherever a volume is given.")]


def shown_vehicle_fluids(
    visit: visits.Visit, found: fluid_totals.VisitFluids, ask: due.DueAsk, units: UnitSystem
) -> VehicleFluids:
    """What one vehicle's visit takes, in the units of the answer."""
    code = unit_code(units, Dimension.VOLUME)
    return VehicleFluids(
        unit=visit.unit,
        depot=visit.depot,
        as_of=ask.as_of,
        through=ask.through,
        services=list(visit.due),
        baseline_needed=list(visit.baseline),
        fluids=[
            _vehicle_fluid(found, total, supply, code)
            for total, supply in zip(found.totals, found.supplies, strict=True)
        ],
        cautions=shown_cautions(found.cautions),
    )


def shown_sums(found: fluid_totals.FleetFluids, ask: due.DueAsk, units: UnitSystem) -> FluidSums:
    """What all visits take, in the units of the answer."""
    code = unit_code(units, Dimension.VOLUME)
    return FluidSums(
        as_of=ask.as_of,
        through=ask.through,
        vehicles=found.vehicles,
        fluids=[
            _sum(found, total, supply, code)
            for total, supply in zip(found.totals, found.supplies, strict=True)
        ],
        governed_by=WORDS[Caution.MAKERS_MANUAL_GOVERNS],
    )


def shown_requirement(code: str, known: dict[str, fluid_totals.Requirement]) -> RequirementShown:
    """The requirement of a code; of one that the fleet does not keep only the code is known."""
    found = known.get(code) or fluid_totals.Requirement(code, code, "", None, None)
    return RequirementShown(
        code=found.code,
        name=found.name,
        standard=found.standard,
        service_class=found.service_class,
        grade=found.grade,
    )


def _vehicle_fluid(
    found: fluid_totals.VisitFluids, total: FluidTotal, supply: Supply, code: str
) -> VehicleFluid:
    shown = shown_total(total, code)
    needs = found.needs.baseline if total.is_baseline_needed else found.needs.due
    return VehicleFluid(
        fluid_requirement=shown_requirement(total.key or "", found.requirements),
        is_baseline_needed=total.is_baseline_needed,
        is_common_practice=total.is_common_practice,
        **_volumes(shown, code),
        compartments=[_compartment(need, part, code) for need, part in _matched(needs, shown, total.key)],
        supply=shown_supply(supply, code),
    )


def _sum(found: fluid_totals.FleetFluids, total: FluidTotal, supply: Supply, code: str) -> FluidSum:
    shown = shown_total(total, code)
    return FluidSum(
        fluid_requirement=shown_requirement(total.key or "", found.requirements),
        is_baseline_needed=total.is_baseline_needed,
        is_common_practice=total.is_common_practice,
        **_volumes(shown, code),
        depots=[_depot(part, code) for part in shown.parts],
        supply=shown_supply(supply, code),
    )


def _depot(shown: ShownTotal, code: str) -> DepotShare:
    return DepotShare(
        depot=shown.total.key or "",
        is_common_practice=shown.total.is_common_practice,
        **_volumes(shown, code),
        compartment_kinds=[_kind(part, code) for part in shown.parts],
    )


def _kind(shown: ShownTotal, code: str) -> KindShare:
    return KindShare(
        compartment_kind=CompartmentKind(shown.total.key or ""),
        is_common_practice=shown.total.is_common_practice,
        **_volumes(shown, code),
        vehicles=[
            VehicleShare(
                unit=part.total.key or "", compartment=part.total.compartment or "", **_volumes(part, code)
            )
            for part in shown.parts
        ]
        or None,
    )


def _compartment(need: FluidNeed, shown: ShownTotal, code: str) -> CompartmentFluid:
    return CompartmentFluid(
        task=need.task,
        compartment=need.compartment,
        compartment_kind=need.kind,
        passes=need.passes,
        is_common_practice=need.is_common_practice,
        **_volumes(shown, code),
    )


def _matched(
    needs: tuple[FluidNeed, ...], top: ShownTotal, requirement: str | None
) -> list[tuple[FluidNeed, ShownTotal]]:
    """Each need of a requirement with its part of the total, whose order is by kind and compartment."""
    leaves = [leaf for depot in top.parts for kind in depot.parts for leaf in kind.parts]
    kinds = list(CompartmentKind)
    ordered = sorted(
        (need for need in needs if need.fluid_requirement == requirement),
        key=lambda need: (kinds.index(need.kind), need.compartment),
    )
    return list(zip(ordered, leaves, strict=True))


def _volumes(shown: ShownTotal, code: str) -> dict[str, ShownVolume]:
    return {
        "low": ShownVolume(value=shown.low, unit=code),
        "high": ShownVolume(value=shown.high, unit=code),
        "margin": ShownVolume(value=shown.margin, unit=code),
    }
