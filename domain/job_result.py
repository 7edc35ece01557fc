"""What follows from how a job stands: what to pour, what is in a compartment, what is open, what counts as done.

Invariants: shares of old and fresh fluid are those of ``domain.exchange`` for the volumes that were measured; what
stays open at signing off has a reason; a task left undone resets nothing.

A convention of ours: an exchange that falls short restores the share that it did of the exchange prescribed, so
that 0.6 of the prescribed share leaves 0.4 of what was used up in the next interval. An exchange is proper, and
restores all, when every pass prescribed was filled and none drained less than expected.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.drain_expectation import DrainVerdict
from domain.errors import Breach, ExchangeError, JobError
from domain.exchange import Pour, states_after
from domain.job_entries import EntryKind, Observation
from domain.jobs import FindingCode, LevelPosition
from domain.kits import supplied_part
from domain.refill import LevelFound, LevelSheet, LevelVerdict, Refill, refill
from domain.sheet import ClosingCheck

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from domain.job_entries import SignedOff
    from domain.job_plan import ExchangePlan, JobPlan, JobStep
    from domain.jobs import JobStanding, PassDone, Vessel
    from domain.kits import Part
    from domain.requirements import FluidKind
    from domain.sheet import Plug, Task


class PassReason(StrEnum):
    """Whether another pass is due, and why."""

    STOP_AND_FIND_CAUSE = "stop_and_find_cause"
    PRESCRIBED = "prescribed"
    TARGET = "target"
    CONDITION = "condition"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Contents:
    """What is in a compartment after a pass.

    Attributes:
        old_share: Share of the fluid that was in it before the job.
        fresh: Share of each product poured, in the order of their first pass.
    """

    old_share: float
    fresh: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class OpenItem:
    """Something that has to be done, or left open for a reason, before a job is signed off.

    Attributes:
        item: Names it within the job, such as ``task:brake-check`` or ``level:cvt``.
        detail: What is missing, in a sentence.
    """

    item: str
    detail: str


@dataclass(frozen=True, slots=True)
class FluidMoved:
    """What a job drained from and filled into a compartment.

    Attributes:
        compartment: Its code.
        fluid_requirement: Code of its requirement.
        drained_ml: Drained and taken off, as measured [mL].
        filled_ml: Poured and topped up, as measured [mL].
        waste_ml: What of it is used fluid: drained, taken off and lost [mL].
        fluid_kind: What the fluid is; None where none was named.
        is_contaminated: Whether coolant, water or fuel was seen in it.
    """

    compartment: str
    fluid_requirement: str | None
    drained_ml: int
    filled_ml: int
    waste_ml: int
    fluid_kind: FluidKind | None
    is_contaminated: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a job did.

    Attributes:
        services: Code and restored share of each service that counts; included ones only where they fell short.
        tasks_left_undone: Codes of tasks that were not done.
        fluids: What was drained and filled, a compartment.
        products: Fluid used, by product [mL].
        parts: Parts used, by the number now supplied [pieces].
    """

    services: tuple[tuple[str, float], ...]
    tasks_left_undone: tuple[str, ...]
    fluids: tuple[FluidMoved, ...]
    products: Mapping[str, int]
    parts: Mapping[str, int]


def contents_after(exchange: ExchangePlan, vessel: Vessel) -> tuple[Contents | None, ...]:
    """What is in the compartment after each pass that was filled; None where its capacity is not known.

    A drain above the capacity counts as the whole of it.

    Sources: dilution of well-mixed batches, ``domain.exchange``.
    """
    capacity_ml = exchange.compartment.dry_capacity_ml
    filled = vessel.passes[: vessel.passes_filled]
    if capacity_ml is None:
        return (None,) * len(filled)
    products = tuple(dict.fromkeys(str(one.product) for one in filled))
    states = states_after(
        capacity_ml,
        [
            Pour(min(one.drained_ml, capacity_ml), 1 + products.index(str(one.product)), one.is_run_before)
            for one in filled
        ],
        fluids=1 + len(products),
    )
    return tuple(Contents(old, tuple(zip(products, fresh, strict=True))) for old, *fresh in states)


def to_pour(exchange: ExchangePlan, vessel: Vessel) -> Refill | None:
    """How much to pour after the last drain: what came out, by temperature and the level found; None when filled.

    Args:
        exchange: The exchange.
        vessel: How the compartment stands.
    """
    if not vessel.is_open:
        return None
    drain = vessel.passes[-1]
    fluid = vessel.products[-1]
    level, sheet = _level_to_restore(exchange, vessel, drain)
    try:
        return refill(
            fluid_kind=fluid.fluid_kind,
            drained_ml=drain.drained_ml,
            drained_at_c=drain.drained_at_c if fluid.density_15c_kg_m3 is not None else None,
            poured_at_c=drain.fresh_at_c,
            density_15c_kg_m3=fluid.density_15c_kg_m3,
            level_found=level,
            level_sheet=sheet,
        )
    except ExchangeError:
        # A temperature or a density outside the published ranges: then as measured.
        return refill(fluid_kind=fluid.fluid_kind, drained_ml=drain.drained_ml)


def another_pass(exchange: ExchangePlan, vessel: Vessel) -> PassReason:
    """Whether another pass is due: something holds it up, it is prescribed, the target or the condition asks."""
    if vessel.holds:
        return PassReason.STOP_AND_FIND_CAUSE
    if vessel.passes_filled < exchange.passes:
        return PassReason.PRESCRIBED
    contents = contents_after(exchange, vessel)
    last = contents[-1] if contents else None
    if exchange.target_share is not None and last is not None:
        is_reached = 1 - last.old_share >= exchange.target_share - 1e-12
        if not is_reached:
            return PassReason.TARGET
    return PassReason.CONDITION if Observation.DARK in vessel.observations else PassReason.NONE


def open_items(plan: JobPlan, standing: JobStanding) -> tuple[OpenItem, ...]:
    """What has to be done, or left open for a reason, before the job is signed off, in the order of the work."""
    found: list[OpenItem] = []
    exchanged: set[str] = set()
    for task in plan.tasks:
        exchange = plan.exchanges.get(task.compartment or "")
        if exchange is not None and task.code in exchange.tasks:
            if exchange.compartment.code not in exchanged:
                exchanged.add(exchange.compartment.code)
                found.extend(_exchange_items(exchange, standing))
            continue
        mark = standing.tasks.get(task.code)
        if mark is None:
            found.append(OpenItem(f"task:{task.code}", "the task was not marked as done"))
    for code, vessel in standing.vessels.items():
        if vessel.holds and code not in exchanged:
            found.append(_hold_item(vessel))
    found.extend(_closing_items(plan, standing))
    return tuple(found)


def is_step_done(step: JobStep, standing: JobStanding) -> bool:
    """Whether a step of the plan was recorded."""
    if step.kind is EntryKind.LEAK_CHECKED:
        return standing.leak_check is not None and standing.leak_check.is_tight
    if step.kind is EntryKind.ROAD_TESTED:
        return standing.road_test is not None and standing.road_test.is_passed
    if step.kind is EntryKind.TASK_MARKED:
        mark = standing.tasks.get(step.task or "")
        return mark is not None and mark.is_done
    return _is_vessel_step_done(step, standing.vessels[step.compartment or ""], step.pass_number or 0)


def check_sign_off(plan: JobPlan, standing: JobStanding, said: SignedOff) -> None:
    """Nothing, when the job may be signed off like this.

    Raises:
        JobError: Something is open and has no reason (``item_open``), a reason is for nothing that is open
            (``item_not_open``), or nothing was done at all (``nothing_done``).
    """
    items = {one.item: one.detail for one in open_items(plan, standing)}
    breaches = []
    given: set[str] = set()
    for index, (item, _) in enumerate(said.left_open):
        if item not in items or item in given:
            detail = "nothing of that name is open, or it has a reason already"
            breaches.append(Breach(f"/left_open/{index}/item", "item_not_open", detail))
        given.add(item)
    breaches += [
        Breach("/left_open", "item_open", f"{item} is open: {detail}; do it, or say why it stays open")
        for item, detail in items.items()
        if item not in given
    ]
    if not breaches and len(_undone(plan, standing)) == len(plan.tasks):
        detail = "no task of the job was done: stop the job instead"
        breaches.append(Breach("", "nothing_done", detail))
    if breaches:
        raise JobError(*breaches)


def restored_share(exchange: ExchangePlan, vessel: Vessel) -> float:
    """The share of a used-up interval that an exchange restored, 0 to 1; our convention, as above.

    Args:
        exchange: The exchange prescribed.
        vessel: What was done of it.
    """
    filled = vessel.passes[: vessel.passes_filled]
    is_short = any(one.verdict is DrainVerdict.LESS for one in filled)
    if len(filled) >= exchange.passes and not is_short:
        return 1.0
    if not filled:
        return 0.0
    capacity_ml, usual_ml = exchange.compartment.dry_capacity_ml, max(exchange.pass_low_ml, 1)
    last = contents_after(exchange, vessel)[-1]
    if capacity_ml is None or last is None:
        return min(1.0, sum(one.drained_ml for one in filled) / (usual_ml * exchange.passes))
    prescribed = 1 - (1 - min(usual_ml / capacity_ml, 1.0)) ** exchange.passes
    return min(1.0, (1 - last.old_share) / prescribed)


def outcome(plan: JobPlan, standing: JobStanding, parts: Mapping[str, Part]) -> Outcome:
    """What a job did, as it stands.

    Args:
        plan: What it set out to do.
        standing: How it stands.
        parts: The fleet's parts by number; a number that is missing stands for itself.
    """
    undone = _undone(plan, standing)
    shares = {
        task: restored_share(exchange, standing.vessels[code])
        for code, exchange in plan.exchanges.items()
        for task in exchange.tasks
        if task not in undone
    }
    named: dict[str, float] = {}
    for code in plan.services:
        for service in plan.sheet.with_included(code):
            share = min(
                (shares.get(task.code, 1.0) for task in plan.sheet.tasks_of([service.code])), default=1.0
            )
            if service.code in plan.services or share < 1.0:
                named[service.code] = share
    products: Counter[str] = Counter()
    for vessel in standing.vessels.values():
        for product, volume_ml in vessel.used:
            products[product] += volume_ml
    return Outcome(
        services=tuple(named.items()),
        tasks_left_undone=tuple(task.code for task in plan.tasks if task.code in undone),
        fluids=tuple(_fluids_moved(plan, standing)),
        products=dict(products),
        parts=_parts_used(plan, standing, undone, parts),
    )


def _undone(plan: JobPlan, standing: JobStanding) -> frozenset[str]:
    undone = set()
    for task in plan.tasks:
        exchange = plan.exchanges.get(task.compartment or "")
        if exchange is not None and task.code in exchange.tasks:
            vessel = standing.vessels[exchange.compartment.code]
            # One that was begun counts as done in part; one left undone in so many words does not.
            mark = standing.tasks.get(task.code)
            is_done = vessel.passes_filled > 0 and (mark is None or mark.is_done)
        else:
            mark = standing.tasks.get(task.code)
            is_done = mark is not None and mark.is_done
        if not is_done:
            undone.add(task.code)
    return frozenset(undone)


def _fluids_moved(plan: JobPlan, standing: JobStanding) -> Iterator[FluidMoved]:
    foreign = {finding.compartment for _, finding in standing.findings if finding.code in _FOREIGN}
    for code, vessel in standing.vessels.items():
        moved = vessel.measured
        out_ml = moved.drained_ml + moved.taken_off_ml
        filled_ml = moved.poured_ml + moved.topped_up_ml
        if out_ml or filled_ml or moved.lost_ml:
            yield FluidMoved(
                compartment=code,
                fluid_requirement=plan.compartments[code].fluid_requirement,
                drained_ml=out_ml,
                filled_ml=filled_ml,
                waste_ml=out_ml + moved.lost_ml,
                fluid_kind=vessel.products[-1].fluid_kind if vessel.products else None,
                is_contaminated=code in foreign,
            )


def _parts_used(
    plan: JobPlan, standing: JobStanding, undone: frozenset[str], parts: Mapping[str, Part]
) -> dict[str, int]:
    """Parts of the tasks done, by the passes that were made; seals by the times that they were renewed."""
    used: Counter[str] = Counter()
    exchanges: dict[str, Counter[str]] = {}
    for task in plan.tasks:
        exchange = plan.exchanges.get(task.compartment or "")
        is_exchange = exchange is not None and task.code in exchange.tasks
        if task.code in undone:
            continue
        passes = standing.vessels[task.compartment or ""].passes_filled if is_exchange else 1
        taken = _parts_taken(task, passes)
        if is_exchange and task.compartment is not None:
            # Of each part the larger number, as in the kit.
            exchanges[task.compartment] = exchanges.get(task.compartment, Counter()) | taken
        else:
            used.update(taken)
    for taken in exchanges.values():
        used.update(taken)
    for code, vessel in standing.vessels.items():
        seals = {plug.code: plug.seal_part for plug in plan.compartments[code].plugs}
        used.update(str(seals[plug]) for plug in vessel.seals)
    supplied: Counter[str] = Counter()
    for code, quantity in used.items():
        supplied[supplied_part(code, parts)] += quantity
    return dict(supplied)


def _parts_taken(task: Task, passes: int) -> Counter[str]:
    taken: Counter[str] = Counter()
    for line in task.parts:
        taken[line.part] += line.quantity * (passes if line.is_each_pass else 1)
    return taken


def _level_to_restore(
    exchange: ExchangePlan, vessel: Vessel, drain: PassDone
) -> tuple[LevelFound | None, LevelSheet | None]:
    """The level found before the first drain, where it tells how much was missing or too much."""
    check = exchange.compartment.level_check
    if check is None or check.mark_to_mark_ml is None or drain.number != 1 or vessel.found is None:
        return None, None
    if vessel.found.verdict is not LevelVerdict.JUDGED:
        return None, None
    level = vessel.found.level
    sheet = LevelSheet(mark_to_mark_ml=check.mark_to_mark_ml)
    return LevelFound(mark_share=level.mark_share, temperature_c=level.temperature_c), sheet


def _exchange_items(exchange: ExchangePlan, standing: JobStanding) -> Iterator[OpenItem]:
    code = exchange.compartment.code
    vessel = standing.vessels[code]
    marks = [standing.tasks.get(task) for task in exchange.tasks]
    if not vessel.passes and all(mark is not None and not mark.is_done for mark in marks):
        # Left undone, with the reason that the mark gives.
        return
    if vessel.holds:
        yield _hold_item(vessel)
    if vessel.is_open:
        yield OpenItem(f"fill:{code}", "the compartment was drained and not filled")
    if vessel.passes_filled < exchange.passes:
        detail = f"{vessel.passes_filled} of {exchange.passes} passes were drained and filled"
        yield OpenItem(f"passes:{code}", detail)
    if not vessel.passes:
        return
    yield from _plug_items(exchange, vessel)
    if exchange.compartment.level_check is not None:
        yield from _level_items(vessel)


def _plug_items(exchange: ExchangePlan, vessel: Vessel) -> Iterator[OpenItem]:
    code = exchange.compartment.code
    for plug in exchange.plugs:
        if plug.seal_part is not None and plug.is_seal_renewed:
            renewed = vessel.seals.count(plug.code)
            if renewed < len(vessel.passes):
                detail = f"the seal was renewed {renewed} times in {len(vessel.passes)} passes"
                yield OpenItem(f"seal:{code}:{plug.code}", detail)
        if plug.torque_nm is not None:
            applied = next((one for one in vessel.torques if one[0] == plug.code), None)
            if applied is None:
                yield OpenItem(f"torque:{code}:{plug.code}", "no torque was noted after the last drain")
            elif not applied[2]:
                yield OpenItem(f"torque:{code}:{plug.code}", "the torque noted is not the sheet's figure")


def _level_items(vessel: Vessel) -> Iterator[OpenItem]:
    item = f"level:{vessel.compartment}"
    if vessel.hot is None:
        yield OpenItem(item, "no hot level was read after the last pour, top-up or take-off")
    elif vessel.hot.position is not LevelPosition.WITHIN:
        yield OpenItem(item, "the hot level is not between the marks: top up or take off, and read it again")


def _closing_items(plan: JobPlan, standing: JobStanding) -> Iterator[OpenItem]:
    if ClosingCheck.LEAK_CHECK in plan.closing_checks:
        leak = standing.leak_check
        if leak is None:
            yield OpenItem("leak_check", "the vehicle was not looked at for leaks")
        elif not leak.is_tight:
            yield OpenItem("leak_check", "the vehicle leaked when it was looked at last")
    if ClosingCheck.ROAD_TEST in plan.closing_checks:
        test = standing.road_test
        if test is None:
            yield OpenItem("road_test", "the vehicle was not driven after the work")
        elif not test.is_passed:
            yield OpenItem("road_test", "the vehicle did not pass its last road test")


def _hold_item(vessel: Vessel) -> OpenItem:
    detail = "; ".join(dict.fromkeys(hold.detail for hold in vessel.holds))
    return OpenItem(f"hold:{vessel.compartment}", f"{detail}, and no cause was noted")


def _is_vessel_step_done(step: JobStep, vessel: Vessel, number: int) -> bool:
    if step.kind in {EntryKind.SEAL_RENEWED, EntryKind.TORQUE_APPLIED}:
        return _is_plug_done(step, vessel, number)
    is_hot = step.temperature_low_c is not None or step.temperature_high_c is not None
    is_ready = vessel.passes_filled >= number
    return {
        EntryKind.CHECKED_BEFORE: vessel.is_checked,
        EntryKind.FLUID_AT_HAND: bool(vessel.products),
        EntryKind.DRAINED: len(vessel.passes) >= number,
        EntryKind.POURED: is_ready,
        EntryKind.RUN: len(vessel.passes) > number or (is_ready and vessel.is_run),
        EntryKind.LEVEL_CHECKED: vessel.hot is not None or (not is_hot and vessel.cold is not None),
    }[step.kind]


def _is_plug_done(step: JobStep, vessel: Vessel, number: int) -> bool:
    plug: Plug | None = step.plug
    if plug is None:
        return False
    if step.kind is EntryKind.SEAL_RENEWED:
        return vessel.seals.count(plug.code) >= number
    is_past = len(vessel.passes) > number
    return is_past or (
        len(vessel.passes) == number
        and any(code == plug.code and is_met for code, _, is_met in vessel.torques)
    )


_FOREIGN = frozenset({FindingCode.COOLANT, FindingCode.WATER, FindingCode.FUEL})
