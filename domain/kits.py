"""What to put on the bench: parts, tools, torques and time for the services done in one visit.

Invariants: each task counts once however many services of the visit contain it; the seal of a plug is counted
once for each time that the plug is opened, so once a drain pass; exchange tasks on one compartment are one
exchange, of which each part is taken in the largest number asked for; a part is the one now supplied, and
lines whose parts have become the same part are merged.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.cautions import task_cautions, visit_cautions
from domain.errors import Breach, SheetError
from domain.sheet import FluidAction, Tool

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from domain.sheet import Caution, Compartment, Plug, SpecSheet, Task

WRENCH = "wrench or bit"


class PartKind(StrEnum):
    """What a part is on the bench."""

    SEAL = "seal"
    FILTER = "filter"
    FASTENER = "fastener"
    CONSUMABLE = "consumable"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Part:
    """A part number as the fleet keeps it.

    Attributes:
        code: The part number.
        name: In words.
        unit: What one of it is, such as "piece" or "tube".
        kind: What it is.
        superseded_by: The part number supplied in its place.
        alternates: Part numbers that do as well, best first.
    """

    code: str
    name: str
    unit: str = "piece"
    kind: PartKind = PartKind.OTHER
    superseded_by: str | None = None
    alternates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KitLine:
    """So many of one part.

    Attributes:
        part: The part to take; of an uncatalogued number only the code is known, which is then its name too.
        quantity: How many.
        named: Part numbers on the sheet that it stands in for, itself left out, by number.
        alternates: Part numbers that do as well, best first, each as now supplied.
    """

    part: Part
    quantity: int
    named: tuple[str, ...]
    alternates: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Torque:
    """A tightening torque.

    Attributes:
        compartment: Compartment whose plug it is.
        plug: The plug's code within the compartment.
        torque_nm: The torque [N.m].
        wrench_mm: Size of the wrench or bit [mm].
    """

    compartment: str
    plug: str
    torque_nm: float
    wrench_mm: float | None


@dataclass(frozen=True, slots=True)
class Kit:
    """What one visit takes beside its fluids.

    Attributes:
        tasks: The work, each task once, in sheet order.
        lines: Parts, in the order in which the tasks ask for them.
        tools: Tools, by name and size.
        torques: Tightening torques of the plugs that are opened.
        labour_s: Labour time of all tasks [s].
        cautions: Hazards of the work; that the maker's manual governs is always the first.
    """

    tasks: tuple[Task, ...]
    lines: tuple[KitLine, ...]
    tools: tuple[Tool, ...]
    torques: tuple[Torque, ...]
    labour_s: int
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class PassKit:
    """What one more drain pass of an exchange takes beside its fluid.

    The sheet gives labour time for the task as a whole, so none is stated here.

    Attributes:
        task: Code of the exchange task.
        compartment: Code of its compartment.
        lines: Seals and parts that are renewed at each pass.
        tools: Wrenches of the plugs opened.
        torques: Tightening torques of those plugs.
        cautions: Hazards of the work.
    """

    task: str
    compartment: str
    lines: tuple[KitLine, ...]
    tools: tuple[Tool, ...]
    torques: tuple[Torque, ...]
    cautions: tuple[Caution, ...]


def kit_for(sheet: SpecSheet, service_codes: Iterable[str], parts: Mapping[str, Part]) -> Kit:
    """The kit for these services and all that they include, done in one visit.

    Args:
        sheet: A checked spec sheet.
        service_codes: Codes of the services done.
        parts: The fleet's parts by number; a number that is missing here stands for itself.

    Raises:
        SheetError: The sheet has no such service (``service_unknown``), or a part supersedes itself in the
            end (``supersession_cycle``).
    """
    tasks = sheet.tasks_of(service_codes)
    quantities: Counter[str] = Counter()
    exchanges: dict[str, Counter[str]] = {}
    for task in tasks:
        taken = _taken(sheet, task)
        if task.fluid_action is FluidAction.EXCHANGE and task.compartment is not None:
            # Union of counters: of each part the larger number.
            exchanges[task.compartment] = exchanges.get(task.compartment, Counter()) | taken
        else:
            quantities.update(taken)
    for taken in exchanges.values():
        quantities.update(taken)
    order = {code: None for task in tasks for code in _taken(sheet, task)}
    return Kit(
        tasks=tasks,
        lines=_lines({code: quantities[code] for code in order}, parts),
        tools=_tools(sheet, tasks),
        torques=_torques(sheet, tasks),
        labour_s=sum(task.labour_s for task in tasks),
        cautions=visit_cautions(sheet, tasks),
    )


def pass_kits_for(
    sheet: SpecSheet, service_codes: Iterable[str], parts: Mapping[str, Part]
) -> tuple[PassKit, ...]:
    """What one more drain pass takes, for each exchange task of these services, in sheet order.

    Args:
        sheet: A checked spec sheet.
        service_codes: Codes of the services done.
        parts: The fleet's parts by number; a number that is missing here stands for itself.

    Raises:
        SheetError: The sheet has no such service (``service_unknown``), or a part supersedes itself in the
            end (``supersession_cycle``).
    """
    return tuple(
        _pass_kit(sheet, task, sheet.compartment(task.compartment), parts)
        for task in sheet.tasks_of(service_codes)
        if task.fluid_action is FluidAction.EXCHANGE and task.compartment is not None
    )


def supplied_part(code: str, parts: Mapping[str, Part]) -> str:
    """The part number now supplied for that one: the end of its chain of supersessions.

    Args:
        code: A part number.
        parts: The fleet's parts by number; a number that is missing here ends the chain.

    Raises:
        SheetError: The chain comes back to itself (``supersession_cycle``).
    """
    seen = {code}
    current = code
    while (part := parts.get(current)) is not None and part.superseded_by is not None:
        current = part.superseded_by
        if current in seen:
            raise SheetError(
                Breach("/superseded_by", "supersession_cycle", "a part supersedes itself in the end")
            )
        seen.add(current)
    return current


def _pass_kit(sheet: SpecSheet, task: Task, compartment: Compartment, parts: Mapping[str, Part]) -> PassKit:
    taken = {line.part: line.quantity for line in task.parts if line.is_each_pass}
    for seal in _seals(sheet, task):
        taken[seal] = taken.get(seal, 0) + 1
    return PassKit(
        task=task.code,
        compartment=compartment.code,
        lines=_lines(taken, parts),
        tools=_wrenches(sheet, task),
        torques=_torques(sheet, (task,)),
        cautions=task_cautions(task, compartment),
    )


def _taken(sheet: SpecSheet, task: Task) -> Counter[str]:
    passes = task.passes if task.fluid_action is FluidAction.EXCHANGE else 1
    taken: Counter[str] = Counter()
    for line in task.parts:
        taken[line.part] += line.quantity * (passes if line.is_each_pass else 1)
    for seal in _seals(sheet, task):
        taken[seal] += passes
    return taken


def _seals(sheet: SpecSheet, task: Task) -> list[str]:
    return [
        plug.seal_part for plug in _opened(sheet, task) if plug.seal_part is not None and plug.is_seal_renewed
    ]


def _opened(sheet: SpecSheet, task: Task) -> tuple[Plug, ...]:
    if task.compartment is None:
        return ()
    return tuple(plug for plug in sheet.compartment(task.compartment).plugs if plug.code in task.plugs)


def _lines(quantities: Mapping[str, int], parts: Mapping[str, Part]) -> tuple[KitLine, ...]:
    merged: dict[str, int] = {}
    named: dict[str, set[str]] = {}
    for code, quantity in quantities.items():
        supplied = supplied_part(code, parts)
        merged[supplied] = merged.get(supplied, 0) + quantity
        named.setdefault(supplied, set()).add(code)
    return tuple(
        KitLine(
            part=parts.get(code, Part(code=code, name=code)),
            quantity=quantity,
            named=tuple(sorted(named[code] - {code})),
            alternates=_alternates(code, parts),
        )
        for code, quantity in merged.items()
    )


def _alternates(code: str, parts: Mapping[str, Part]) -> tuple[str, ...]:
    given = parts[code].alternates if code in parts else ()
    # A dict keeps the order and drops alternates that have become the same part.
    supplied = dict.fromkeys(supplied_part(alternate, parts) for alternate in given)
    return tuple(alternate for alternate in supplied if alternate != code)


def _wrenches(sheet: SpecSheet, task: Task) -> tuple[Tool, ...]:
    sizes = {plug.wrench_mm for plug in _opened(sheet, task) if plug.wrench_mm is not None}
    return tuple(Tool(WRENCH, size) for size in sorted(sizes))


def _tools(sheet: SpecSheet, tasks: Iterable[Task]) -> tuple[Tool, ...]:
    found: set[Tool] = set()
    for task in tasks:
        found.update(task.tools, _wrenches(sheet, task))
    # A tool without a size comes before its sizes.
    return tuple(sorted(found, key=lambda tool: (tool.name, tool.size_mm is not None, tool.size_mm or 0.0)))


def _torques(sheet: SpecSheet, tasks: Iterable[Task]) -> tuple[Torque, ...]:
    # A dict keeps the order and drops plugs that a task before has opened.
    found = {
        Torque(str(task.compartment), plug.code, plug.torque_nm, plug.wrench_mm): None
        for task in tasks
        for plug in _opened(sheet, task)
        if plug.torque_nm is not None
    }
    return tuple(found)
