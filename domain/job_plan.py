"""What a job in the bay sets out to do: figures frozen when it was opened, and the steps in order.

Invariants: the figures are those of one version of the spec sheet, which never changes, and what was expected of
a drain that day; each task stands once; exchange tasks on one compartment are one exchange.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from domain.cautions import task_cautions
from domain.drain_expectation import prior_of_range
from domain.fluid_need import fluid_needs
from domain.job_entries import EntryKind
from domain.refill import COMMON_LEVEL_WINDOW_C
from domain.requirements import FluidKind
from domain.sheet import ClosingCheck, CompartmentKind, FluidAction

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from domain.drain_expectation import DrainExpectation
    from domain.sheet import Caution, Compartment, Plug, SpecSheet, Task

SHIFTED = frozenset(
    {
        CompartmentKind.AUTOMATIC_TRANSMISSION,
        CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION,
        CompartmentKind.DUAL_CLUTCH_TRANSMISSION,
    }
)
"""Kinds that are shifted through their ranges before a level is read; common practice, no source."""

_WITH_CONVERTER = frozenset(
    {CompartmentKind.AUTOMATIC_TRANSMISSION, CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION}
)


FLUID_KINDS: dict[CompartmentKind, FluidKind] = {
    CompartmentKind.ENGINE_SUMP: FluidKind.ENGINE_OIL,
    CompartmentKind.AUTOMATIC_TRANSMISSION: FluidKind.TRANSMISSION_FLUID,
    CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION: FluidKind.CONTINUOUSLY_VARIABLE_FLUID,
    CompartmentKind.DUAL_CLUTCH_TRANSMISSION: FluidKind.DUAL_CLUTCH_FLUID,
    CompartmentKind.ELECTRIC_AXLE_REDUCER: FluidKind.REDUCER_OIL,
    CompartmentKind.COOLANT_CIRCUIT: FluidKind.COOLANT,
    CompartmentKind.BATTERY_COOLANT_CIRCUIT: FluidKind.COOLANT,
    CompartmentKind.ADDITIVE_TANK: FluidKind.AUS_32,
}
"""What a compartment takes where its kind leaves no doubt: gearboxes, axles and hydraulics take several kinds.

Common practice, no source."""


@dataclass(frozen=True, slots=True)
class ExchangePlan:
    """The exchange of one compartment's fluid.

    Attributes:
        compartment: The compartment.
        tasks: Codes of the tasks that make it up.
        passes: Drain-and-fill passes prescribed.
        pass_low_ml: Least that one pass takes, by the sheet or by practice [mL].
        pass_high_ml: Most that one pass takes [mL].
        is_common_practice: Whether these are common practice and no data.
        plugs: The plugs that are opened.
        expected: What one drain is expected to take out.
        target_share: Share of fresh fluid wanted; None where the passes alone are prescribed.
        products: The products planned: the first one for all passes but the last ones, and the last one.
        last_passes: How many passes, at the end, take the last product.
    """

    compartment: Compartment
    tasks: tuple[str, ...]
    passes: int
    pass_low_ml: int
    pass_high_ml: int
    is_common_practice: bool
    plugs: tuple[Plug, ...]
    expected: DrainExpectation
    target_share: float | None = None
    products: tuple[str | None, str | None] = (None, None)
    last_passes: int = 1

    def product_for(self, number: int) -> str | None:
        """The product planned for a pass; passes beyond those prescribed take the last one."""
        return self.products[0 if number <= self.passes - self.last_passes else 1]


@dataclass(frozen=True, slots=True)
class FluidPlan:
    """What a job is to use in a compartment.

    Attributes:
        first_product: Code of the product for all passes but the last ones; None: the last one.
        last_product: Code of the product for the last passes; None: none is known to suit.
        last_passes: How many passes, at the end, take the last product.
        target_share: Share of fresh fluid wanted; None: the passes prescribed alone.
    """

    first_product: str | None = None
    last_product: str | None = None
    last_passes: int = 1
    target_share: float | None = None


@dataclass(frozen=True, slots=True)
class JobPlan:
    """What a job sets out to do.

    Attributes:
        sheet: The sheet version.
        services: Codes of the services named.
        tasks: The tasks of these and of what they include, in sheet order.
        exchanges: Exchanges by compartment, in the order of their first task.
        compartments: Every compartment that a task works on, by code.
        closing_checks: What is checked on the vehicle before the job is signed off.
    """

    sheet: SpecSheet
    services: tuple[str, ...]
    tasks: tuple[Task, ...]
    exchanges: Mapping[str, ExchangePlan]
    compartments: Mapping[str, Compartment]
    closing_checks: tuple[ClosingCheck, ...]


@dataclass(frozen=True, slots=True)
class JobStep:
    """One step of a job, in the order of the work.

    Attributes:
        kind: Kind of the entry that records it.
        task: Code of its task; None for a check on the vehicle as a whole.
        compartment: Code of its compartment.
        pass_number: The pass that it belongs to, from 1.
        plug: The plug that it is about.
        volume_low_ml: Least volume that it is expected to move [mL].
        volume_high_ml: Most volume that it is expected to move [mL].
        temperature_low_c: Lowest temperature at which it may be judged [degC].
        temperature_high_c: Highest such temperature [degC].
        cautions: Hazards of it.
        is_shifted_through: Whether the transmission is shifted through its ranges while it runs.
    """

    kind: EntryKind
    task: str | None = None
    compartment: str | None = None
    pass_number: int | None = None
    plug: Plug | None = None
    volume_low_ml: int | None = None
    volume_high_ml: int | None = None
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    cautions: tuple[Caution, ...] = ()
    is_shifted_through: bool = False


def job_plan(
    sheet: SpecSheet,
    services: Sequence[str],
    *,
    expected: Mapping[str, DrainExpectation] | None = None,
    fluids: Mapping[str, FluidPlan] | None = None,
) -> JobPlan:
    """The plan of a job.

    Args:
        sheet: A checked spec sheet.
        services: Codes of the services named.
        expected: What a drain is expected to take out, by compartment; what the sheet gives where left out.
        fluids: What is to be used, by compartment.

    Raises:
        SheetError: The sheet has no such service (``service_unknown``).
    """
    tasks = sheet.tasks_of(services)
    exchanges: dict[str, ExchangePlan] = {}
    for need in fluid_needs(sheet, services):
        made = [
            task
            for task in tasks
            if task.compartment == need.compartment and task.fluid_action is FluidAction.EXCHANGE
        ]
        if not made:
            continue
        compartment = sheet.compartment(need.compartment)
        opened = {plug for task in made for plug in task.plugs}
        fluid = (fluids or {}).get(need.compartment, FluidPlan())
        exchanges[need.compartment] = ExchangePlan(
            compartment=compartment,
            tasks=tuple(task.code for task in made),
            passes=need.passes,
            pass_low_ml=need.pass_low_ml,
            pass_high_ml=need.pass_high_ml,
            is_common_practice=need.is_common_practice,
            plugs=tuple(plug for plug in compartment.plugs if plug.code in opened),
            expected=(expected or {}).get(need.compartment)
            or prior_of_range(need.pass_low_ml, need.pass_high_ml),
            target_share=fluid.target_share,
            products=(fluid.first_product or fluid.last_product, fluid.last_product),
            last_passes=fluid.last_passes,
        )
    asked = {check for task in tasks for check in task.closing_checks}
    return JobPlan(
        sheet=sheet,
        services=tuple(services),
        tasks=tasks,
        exchanges=exchanges,
        compartments={
            task.compartment: sheet.compartment(task.compartment)
            for task in tasks
            if task.compartment is not None
        },
        closing_checks=tuple(check for check in ClosingCheck if check in asked),
    )


def level_window_c(compartment: Compartment, *, is_hot: bool = False) -> tuple[float | None, float | None]:
    """The lowest and the highest fluid temperature at which a level may be judged [degC]; None: no bound.

    Where the sheet gives none: 50 to 80 degC for transmissions with a converter; for a hot level of anything
    else at least 50 degC.

    Args:
        compartment: The compartment.
        is_hot: Whether the level is the hot one after a run.

    Sources: common practice, no source.
    """
    check = compartment.level_check
    low = None if check is None else check.temperature_low_c
    high = None if check is None else check.temperature_high_c
    if low is not None or high is not None:
        return low, high
    if compartment.kind in _WITH_CONVERTER:
        return COMMON_LEVEL_WINDOW_C
    return (COMMON_LEVEL_WINDOW_C[0], None) if is_hot else (None, None)


def steps_of(plan: JobPlan) -> tuple[JobStep, ...]:
    """The steps of a job in the order of the work: exchanges pass by pass, then the checks on the vehicle."""
    found: list[JobStep] = []
    exchanged: set[str] = set()
    for task in plan.tasks:
        exchange = plan.exchanges.get(task.compartment or "")
        if exchange is not None and task.code in exchange.tasks:
            if exchange.compartment.code not in exchanged:
                exchanged.add(exchange.compartment.code)
                found.extend(_exchange_steps(task, exchange))
        else:
            compartment = None if task.compartment is None else plan.compartments[task.compartment]
            found.append(
                JobStep(
                    EntryKind.TASK_MARKED,
                    task.code,
                    task.compartment,
                    cautions=task_cautions(task, compartment),
                )
            )
    kinds = {
        ClosingCheck.LEAK_CHECK: EntryKind.LEAK_CHECKED,
        ClosingCheck.ROAD_TEST: EntryKind.ROAD_TESTED,
    }
    found.extend(JobStep(kinds[check]) for check in plan.closing_checks)
    return tuple(found)


def _exchange_steps(task: Task, exchange: ExchangePlan) -> Iterator[JobStep]:
    compartment = exchange.compartment
    code, here = compartment.code, task.code
    is_shifted = compartment.kind in SHIFTED
    cautions = task_cautions(task, compartment)
    low_c, high_c = level_window_c(compartment)
    yield JobStep(
        EntryKind.CHECKED_BEFORE,
        here,
        code,
        temperature_low_c=low_c,
        temperature_high_c=high_c,
        cautions=cautions,
    )
    yield JobStep(EntryKind.FLUID_AT_HAND, here, code, cautions=cautions)
    for number in range(1, exchange.passes + 1):
        low_ml, high_ml = exchange.pass_low_ml, exchange.pass_high_ml
        yield JobStep(EntryKind.DRAINED, here, code, number, None, low_ml, high_ml, cautions=cautions)
        for plug in exchange.plugs:
            if plug.seal_part is not None and plug.is_seal_renewed:
                yield JobStep(EntryKind.SEAL_RENEWED, here, code, number, plug, cautions=cautions)
            if plug.torque_nm is not None:
                yield JobStep(EntryKind.TORQUE_APPLIED, here, code, number, plug, cautions=cautions)
        yield JobStep(EntryKind.POURED, here, code, number, None, low_ml, high_ml, cautions=cautions)
        if number < exchange.passes:
            yield JobStep(EntryKind.RUN, here, code, number, cautions=cautions, is_shifted_through=is_shifted)
    last = exchange.passes
    if compartment.level_check is not None:
        yield JobStep(EntryKind.LEVEL_CHECKED, here, code, last, cautions=cautions)
        yield JobStep(EntryKind.RUN, here, code, last, cautions=cautions, is_shifted_through=is_shifted)
        low_c, high_c = level_window_c(compartment, is_hot=True)
        yield JobStep(
            EntryKind.LEVEL_CHECKED,
            here,
            code,
            last,
            temperature_low_c=low_c,
            temperature_high_c=high_c,
            cautions=cautions,
        )
