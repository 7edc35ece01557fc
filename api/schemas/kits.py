"""Kits as answered: what one visit takes beside the mechanic, merged over its services.

Invariants: labour times of the tasks add up to the labour time shown; a tool's size is its nominal one,
metric or inch, whatever the units of the answer; that the vehicle maker's manual governs is always the first
caution.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from fractions import Fraction
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.fluid_supplies import FluidSupply, shown_supply
from api.schemas.quantities import (
    ShownDuration,
    ShownLength,
    ShownTorque,
    ShownVolume,
    UnitSystem,
    shown_quantity,
    unit_code,
)
from api.services import due, kits, visits
from domain.cautions import WORDS
from domain.fluid_need import FluidNeed
from domain.kits import KitLine, PartKind, PassKit, Torque
from domain.rounding import shown_parts
from domain.sheet import Caution, CompartmentKind, Tool
from domain.units import UNITS, Dimension, from_canonical

# Inch sizes of wrenches and bits are multiples of 1/32 in; this much of a millimetre is rounding [mm].
_INCH_STEPS = 32
_SIZE_SLACK_MM = Fraction(1, 100)


class KitService(Answer):
    """A service of the visit."""

    service: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    is_named: Annotated[
        bool, Field(description="Whether the visit names it; otherwise a service named includes it.")
    ]


class KitTask(Answer):
    """A task of the visit; it counts once however many services contain it."""

    task: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    compartment: Annotated[str | None, Field(description="Code of the compartment that it works on.")]
    labour: Annotated[ShownDuration, Field(description="Labour time.")]


class KitPart(Answer):
    """So many of one part, as it is now supplied."""

    part: Annotated[str, Field(description="Part number to take.")]
    name: Annotated[str, Field(description="In words; the number where the fleet does not keep the part.")]
    unit: Annotated[str, Field(description="What one of it is, such as piece, set or tube.")]
    kind: Annotated[PartKind, Field(description="What it is on the bench.")]
    quantity: Annotated[int, Field(description="How many [unit].")]
    in_place_of: Annotated[
        list[str], Field(description="Part numbers on the spec sheet that it has superseded.")
    ]
    alternates: Annotated[list[str], Field(description="Part numbers that do as well, best first.")]


class KitTool(Answer):
    """A tool."""

    name: Annotated[str, Field(description="In words.")]
    size: Annotated[
        ShownLength | None,
        Field(description="Nominal size, metric or inch, whatever `units` says; null where it has none."),
    ]


class KitTorque(Answer):
    """A tightening torque; the vehicle maker's manual governs."""

    compartment: Annotated[str, Field(description="Code of the compartment whose plug it is.")]
    plug: Annotated[str, Field(description="Code of the plug.")]
    torque: Annotated[ShownTorque, Field(description="The torque.")]
    wrench: Annotated[ShownLength | None, Field(description="Nominal size of the wrench or bit.")]


class KitFluid(Answer):
    """What a task takes of a fluid; the vehicle maker's manual governs."""

    task: Annotated[str, Field(description="Code of the task.")]
    compartment: Annotated[str, Field(description="Code of the compartment.")]
    compartment_kind: Annotated[CompartmentKind, Field(description="What the compartment is.")]
    fluid_requirement: Annotated[str, Field(description="Code of the requirement that the fluid meets.")]
    passes: Annotated[int, Field(description="Drain-and-fill passes; 1 for a top-up.")]
    low: Annotated[ShownVolume, Field(description="Least that all passes take.")]
    high: Annotated[ShownVolume, Field(description="Most that all passes take.")]
    margin: Annotated[ShownVolume, Field(description="To have at hand beyond the most.")]
    is_common_practice: Annotated[
        bool, Field(description="Whether the range is common practice for the compartment and no data.")
    ]


class KitSupply(Answer):
    """What to buy of a fluid of the kit."""

    fluid_requirement: Annotated[str, Field(description="Code of the requirement that it meets.")]
    supply: Annotated[
        FluidSupply,
        Field(description="Products of the catalogue that meet it, in containers, with what they cost."),
    ]


class KitCaution(Answer):
    """A hazard of the work."""

    caution: Annotated[Caution, Field(description="Which hazard.")]
    words: Annotated[str, Field(description="The warning.")]


class KitPass(Answer):
    """What one more drain pass of a fluid exchange takes beside its fluid."""

    task: Annotated[str, Field(description="Code of the exchange task.")]
    compartment: Annotated[str, Field(description="Code of its compartment.")]
    parts: Annotated[list[KitPart], Field(description="Seals and parts renewed at each pass.")]
    tools: Annotated[list[KitTool], Field(description="Wrenches of the plugs opened.")]
    torques: Annotated[list[KitTorque], Field(description="Tightening torques of those plugs.")]
    cautions: Annotated[list[KitCaution], Field(description="Hazards of the work.")]


class Kit(Answer):
    """What the services of one visit take, merged: each task, part and litre once."""

    spec_sheet: Annotated[str, Field(description="Code of the spec sheet.")]
    spec_sheet_version: Annotated[int, Field(description="Version of the sheet.")]
    services: Annotated[list[KitService], Field(description="Services named and included, in sheet order.")]
    tasks: Annotated[list[KitTask], Field(description="The work, each task once, in sheet order.")]
    labour: Annotated[ShownDuration, Field(description="Labour time of all tasks.")]
    parts: Annotated[list[KitPart], Field(description="Parts, in the order in which the tasks ask for them.")]
    tools: Annotated[list[KitTool], Field(description="Tools, by name and size.")]
    torques: Annotated[list[KitTorque], Field(description="Tightening torques of the plugs that are opened.")]
    fluids: Annotated[list[KitFluid], Field(description="Fluids, task by task.")]
    supplies: Annotated[
        list[KitSupply],
        Field(
            description="What to buy of them, one entry a requirement; tasks of one requirement are added."
        ),
    ]
    passes: Annotated[
        list[KitPass], Field(description="What one more drain pass takes, one entry a fluid exchange.")
    ]
    cautions: Annotated[
        list[KitCaution],
        Field(description="Hazards of the work; that the vehicle maker's manual governs is the first."),
    ]


class VehicleKit(Answer):
    """The kit of one vehicle's visit."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    as_of: Annotated[date, Field(description="The day asked about.")]
    through: Annotated[date, Field(description="Last day of the window.")]
    baseline_needed: Annotated[
        list[str],
        Field(description="Codes of services whose last time is unknown; they are not in the kit."),
    ]
    kit: Annotated[Kit | None, Field(description="The kit; null where nothing is called for.")]


class KitVisit(Answer):
    """One vehicle's visit."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    services: Annotated[list[str], Field(description="Codes of the services called for.")]
    kit: Annotated[int, Field(description="Place of its kit in `kits`, counted from 0.")]


class DepotQuantity(Answer):
    """So many at one depot."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    quantity: Annotated[int, Field(description="How many [unit].")]


class PartTotal(Answer):
    """So many of one part over all visits."""

    part: Annotated[str, Field(description="Part number to take.")]
    name: Annotated[str, Field(description="In words; the number where the fleet does not keep the part.")]
    unit: Annotated[str, Field(description="What one of it is, such as piece, set or tube.")]
    kind: Annotated[PartKind, Field(description="What it is on the bench.")]
    quantity: Annotated[int, Field(description="How many in all [unit].")]
    depots: Annotated[list[DepotQuantity], Field(description="How many at each depot; they add up.")]


class KitList(Answer):
    """A page of visits with their kits; visits that take the same share a kit."""

    as_of: Annotated[date, Field(description="The day asked about.")]
    through: Annotated[date, Field(description="Last day of the window.")]
    visits: Annotated[list[KitVisit], Field(description="The visits, in the order of the due list.")]
    kits: Annotated[list[Kit], Field(description="The kits that the visits of this page refer to.")]
    totals: Annotated[
        list[PartTotal] | None,
        Field(description="Parts over all pages, by number, where `totals` asks for them; else null."),
    ]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def shown_kit(found: kits.VisitKit, units: UnitSystem) -> Kit:
    """A kit in the units of the answer."""
    kit = found.kit
    code, volume_code = unit_code(units, Dimension.DURATION), unit_code(units, Dimension.VOLUME)
    labours, labour = shown_parts([task.labour_s for task in kit.tasks], code)
    return Kit(
        spec_sheet=found.spec_sheet,
        spec_sheet_version=found.sheet_version,
        services=[KitService(service=s.code, name=s.name, is_named=s.is_named) for s in found.services],
        tasks=[
            KitTask(
                task=task.code,
                name=task.name,
                compartment=task.compartment,
                labour=ShownDuration(value=value, unit=code),
            )
            for task, value in zip(kit.tasks, labours, strict=True)
        ],
        labour=ShownDuration(value=labour, unit=code),
        parts=[_part(line) for line in kit.lines],
        tools=[_tool(tool) for tool in kit.tools],
        torques=[_torque(torque, units) for torque in kit.torques],
        fluids=[_fluid(need, units) for need in found.fluids],
        supplies=[
            KitSupply(fluid_requirement=requirement, supply=shown_supply(supply, volume_code))
            for requirement, supply in found.supplies.items()
        ],
        passes=[_pass(one, units) for one in found.passes],
        cautions=shown_cautions(kit.cautions),
    )


def shown_vehicle_kit(
    visit: visits.Visit, found: kits.VisitKit | None, ask: due.DueAsk, units: UnitSystem
) -> VehicleKit:
    """The kit of one vehicle's visit in the units of the answer; none where nothing is called for."""
    return VehicleKit(
        unit=visit.unit,
        depot=visit.depot,
        as_of=ask.as_of,
        through=ask.through,
        baseline_needed=list(visit.baseline),
        kit=None if found is None else shown_kit(found, units),
    )


def shown_kits(
    found: kits.KitPage,
    totals: Iterable[kits.PartTotal] | None,
    ask: due.DueAsk,
    units: UnitSystem,
    *,
    next_cursor: str | None,
) -> KitList:
    """A page of visits with their kits in the units of the answer."""
    return KitList(
        as_of=ask.as_of,
        through=ask.through,
        visits=[
            KitVisit(
                unit=placed.visit.unit,
                depot=placed.visit.depot,
                services=list(placed.visit.due),
                kit=placed.kit,
            )
            for placed in found.visits
        ],
        kits=[shown_kit(kit, units) for kit in found.kits],
        totals=None if totals is None else [_total(total) for total in totals],
        next=next_cursor,
    )


def shown_cautions(cautions: Iterable[Caution]) -> list[KitCaution]:
    """Hazards with their words."""
    return [KitCaution(caution=caution, words=WORDS[caution]) for caution in cautions]


def _total(total: kits.PartTotal) -> PartTotal:
    return PartTotal(
        part=total.part.code,
        name=total.part.name,
        unit=total.part.unit,
        kind=total.part.kind,
        quantity=total.quantity,
        depots=[DepotQuantity(depot=depot, quantity=quantity) for depot, quantity in total.depots],
    )


def _pass(found: PassKit, units: UnitSystem) -> KitPass:
    return KitPass(
        task=found.task,
        compartment=found.compartment,
        parts=[_part(line) for line in found.lines],
        tools=[_tool(tool) for tool in found.tools],
        torques=[_torque(torque, units) for torque in found.torques],
        cautions=shown_cautions(found.cautions),
    )


def _part(line: KitLine) -> KitPart:
    return KitPart(
        part=line.part.code,
        name=line.part.name,
        unit=line.part.unit,
        kind=line.part.kind,
        quantity=line.quantity,
        in_place_of=list(line.named),
        alternates=list(line.alternates),
    )


def _tool(tool: Tool) -> KitTool:
    return KitTool(name=tool.name, size=_nominal(tool.size_mm))


def _torque(torque: Torque, units: UnitSystem) -> KitTorque:
    return KitTorque(
        compartment=torque.compartment,
        plug=torque.plug,
        torque=ShownTorque(**shown_quantity(torque.torque_nm, Dimension.TORQUE, units)),
        wrench=_nominal(torque.wrench_mm),
    )


def _fluid(need: FluidNeed, units: UnitSystem) -> KitFluid:
    low, high, margin = (
        ShownVolume(**shown_quantity(volume_ml, Dimension.VOLUME, units))
        for volume_ml in (need.low_ml, need.high_ml, need.margin_ml)
    )
    return KitFluid(
        task=need.task,
        compartment=need.compartment,
        compartment_kind=need.kind,
        fluid_requirement=need.fluid_requirement,
        passes=need.passes,
        low=low,
        high=high,
        margin=margin,
        is_common_practice=need.is_common_practice,
    )


def _nominal(size_mm: float | None) -> ShownLength | None:
    """A size in inches where it is a nominal inch size and no nominal metric one, else in millimetres."""
    if size_mm is None:
        return None
    exact = Fraction(repr(size_mm))
    steps = exact / UNITS["in"].factor * _INCH_STEPS
    is_inch = abs(steps - round(steps)) * UNITS["in"].factor / _INCH_STEPS <= _SIZE_SLACK_MM
    is_metric = (exact * 2).denominator == 1
    code = "in" if is_inch and not is_metric else "mm"
    return ShownLength(value=from_canonical(size_mm, code), unit=code)
