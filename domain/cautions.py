"""The hazards of the work: which belong to a task, and the words that go with them.

Invariants: whatever a task names itself is kept; what its compartment and action always carry is added, so a
sheet can't forget it; that the maker's manual governs stands first wherever a volume, an interval or a torque
is given. The words warn, they don't teach the work.

Sources: 29 CFR 1910.244(a) for raised loads, 40 CFR 279 for used oil; the rest is common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from domain.sheet import Caution, CompartmentKind, FluidAction

if TYPE_CHECKING:
    from collections.abc import Iterable

    from domain.sheet import Compartment, SpecSheet, Task

WORDS: dict[Caution, str] = {
    Caution.MAKERS_MANUAL_GOVERNS: (
        "Volumes, intervals and torques here are for planning: the vehicle maker's manual governs, and its "
        "final level check decides."
    ),
    Caution.HOT_FLUID_AND_EXHAUST: (
        "Fluid, pan and exhaust may be hot enough to burn: let them cool to what the manual allows, and keep "
        "hands and face out of the stream."
    ),
    Caution.VEHICLE_ON_STANDS: (
        "Never go under a vehicle that rests on a jack alone: level hard ground, wheels chocked, load taken "
        "by rated stands or a lift as soon as it is raised."
    ),
    Caution.PRESSURISED_COOLANT: (
        "A warm cooling circuit is under pressure and scalds: open its cap only when cold, and slowly."
    ),
    Caution.SKIN_CONTACT: (
        "Keep fluids off skin and out of eyes: gloves and eye protection, wash off at once, and follow the "
        "product's safety data sheet."
    ),
    Caution.SPILLS_AND_USED_FLUID: (
        "Catch all that drains and take up spills at once; keep used fluids apart, in closed labelled "
        "containers, and hand them over as local rules require. Nothing goes into a drain or the ground."
    ),
    Caution.HIGH_VOLTAGE: (
        "High-voltage system: only staff licensed for it may work here, after it has been switched off, "
        "secured and found dead."
    ),
    Caution.BRAKE_SYSTEM: (
        "Brakes and clutch depend on this circuit: sealed fluid of the class named only, no air and no dirt "
        "in, and a proven pedal before the vehicle moves. Many such fluids strip paint."
    ),
    Caution.HYDRAULIC_PRESSURE: (
        "Oil under pressure can pierce the skin: lower and secure the load, release the pressure, never feel "
        "for a leak by hand; an injection wound is an emergency."
    ),
    Caution.REFRIGERANT: (
        "Refrigerant freezes skin and eyes and may burn or displace air: only certified staff recover and "
        "charge it, with closed equipment."
    ),
}

# Drained from below, next to a warm exhaust, of fluid that has been at work.
_DRAINED_BELOW = frozenset(CompartmentKind) - {
    CompartmentKind.BRAKE_CIRCUIT,
    CompartmentKind.CLUTCH_CIRCUIT,
    CompartmentKind.ADDITIVE_TANK,
    CompartmentKind.AIR_CONDITIONING,
}

_BY_KIND: dict[CompartmentKind, tuple[Caution, ...]] = {
    CompartmentKind.ELECTRIC_AXLE_REDUCER: (Caution.HIGH_VOLTAGE,),
    CompartmentKind.COOLANT_CIRCUIT: (Caution.PRESSURISED_COOLANT,),
    CompartmentKind.BATTERY_COOLANT_CIRCUIT: (Caution.PRESSURISED_COOLANT, Caution.HIGH_VOLTAGE),
    CompartmentKind.BRAKE_CIRCUIT: (Caution.BRAKE_SYSTEM,),
    CompartmentKind.CLUTCH_CIRCUIT: (Caution.BRAKE_SYSTEM,),
    CompartmentKind.POWER_STEERING: (Caution.HYDRAULIC_PRESSURE,),
    CompartmentKind.HYDRAULIC_TANK: (Caution.HYDRAULIC_PRESSURE,),
    CompartmentKind.AIR_CONDITIONING: (Caution.REFRIGERANT,),
}


def task_cautions(task: Task, compartment: Compartment | None) -> tuple[Caution, ...]:
    """The hazards of one task, each once, in the order of ``Caution``.

    Args:
        task: The task.
        compartment: The compartment that it works on, if it names one.
    """
    found = {Caution.MAKERS_MANUAL_GOVERNS, *task.cautions}
    if compartment is not None:
        found.update(_BY_KIND.get(compartment.kind, ()))
        # Plugs sit underneath, and something runs out when one is opened, so opening one counts as draining.
        is_drained = task.fluid_action is FluidAction.EXCHANGE or bool(task.plugs)
        if is_drained and compartment.kind in _DRAINED_BELOW:
            found.update((Caution.HOT_FLUID_AND_EXHAUST, Caution.VEHICLE_ON_STANDS))
        if is_drained or task.fluid_action is FluidAction.TOP_UP:
            found.update((Caution.SKIN_CONTACT, Caution.SPILLS_AND_USED_FLUID))
    return in_order(found)


def visit_cautions(sheet: SpecSheet, tasks: Iterable[Task]) -> tuple[Caution, ...]:
    """The hazards of all these tasks together, each once, in the order of ``Caution``.

    Args:
        sheet: A checked spec sheet.
        tasks: Tasks of that sheet.
    """
    found = {Caution.MAKERS_MANUAL_GOVERNS}
    for task in tasks:
        compartment = None if task.compartment is None else sheet.compartment(task.compartment)
        found.update(task_cautions(task, compartment))
    return in_order(found)


def in_order(cautions: Iterable[Caution]) -> tuple[Caution, ...]:
    """The cautions, each once, in the order of ``Caution``: that the manual governs comes first."""
    given = set(cautions)
    return tuple(caution for caution in Caution if caution in given)
