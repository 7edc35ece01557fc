"""Work done on a vehicle, held against its spec sheet, its life and the accepted readings of its meters.

Invariants: a service counts as done only as ``domain.due.completed_services`` says; each task of a visit
counts once; a figure noted is refused only where an accepted reading beside it rules it out by more than a
coarse dial and the pace of the meter explain.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from domain.due import completed_services
from domain.errors import Breach, WorkError
from domain.meters import PACE, can_follow, segment_at
from domain.units import from_canonical

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from domain.meters import MeterSegment, Reading
    from domain.sheet import Meter, SpecSheet

# Common practice, no source: how far a workshop's clock may run ahead.
CLOCK_SLACK_US = 300_000_000

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class VisitService:
    """A service of a visit.

    Attributes:
        code: Its code.
        is_named: Whether the entry names it; otherwise a named one includes it.
        is_completed: Whether it was really done as a whole.
        restored_share: Share of a used-up interval that was restored, 1 where the entry says nothing.
    """

    code: str
    is_named: bool
    is_completed: bool
    restored_share: float


@dataclass(frozen=True, slots=True)
class VisitTask:
    """A task of a visit, done or left undone."""

    code: str
    is_done: bool


@dataclass(frozen=True, slots=True)
class Visit:
    """What a visit did.

    Attributes:
        services: Named and included services, in sheet order.
        tasks: Their tasks, each once, in sheet order.
    """

    services: tuple[VisitService, ...]
    tasks: tuple[VisitTask, ...]


def visit_of(sheet: SpecSheet, named: Sequence[tuple[str, float]], left_undone: Sequence[str]) -> Visit:
    """What a visit did that names these services.

    Args:
        sheet: The sheet version in force.
        named: Code and restored share of each service that the entry names.
        left_undone: Codes of tasks that were not done.

    Raises:
        WorkError: A service is unknown or named twice (``service_unknown``, ``service_repeated``), a task is
            none of theirs or given twice (``task_unknown``, ``task_repeated``), or no task was done
            (``nothing_done``).
    """
    codes = [code for code, _ in named]
    breaches = _service_breaches(sheet, codes)
    if breaches:
        raise WorkError(*breaches)
    tasks = sheet.tasks_of(codes)
    breaches = _task_breaches({task.code for task in tasks}, left_undone)
    if not breaches and len(left_undone) == len(tasks):
        breaches = [Breach("/tasks_left_undone", "nothing_done", "no task of these services was done")]
    if breaches:
        raise WorkError(*breaches)
    completed = completed_services(sheet, codes, left_undone)
    shares = dict(named)
    reached = {service.code for code in codes for service in sheet.with_included(code)}
    return Visit(
        tuple(
            VisitService(s.code, s.code in shares, s.code in completed, shares.get(s.code, 1.0))
            for s in sheet.services
            if s.code in reached
        ),
        tuple(VisitTask(task.code, task.code not in left_undone) for task in tasks),
    )


def knows_all(sheet: SpecSheet, named: Iterable[str]) -> bool:
    """Whether the sheet has all these services."""
    return {service.code for service in sheet.services}.issuperset(named)


def contradicted(meter: Meter, noted: Reading, accepted: Iterable[Reading]) -> Reading | None:
    """The accepted reading that rules a noted figure out, or None where it can have stood on the dial.

    The readings next before and next after it decide. It may lie below the one before, or above the one
    after, by what a coarse dial hides; and it may lie as far ahead as the meter can run in the time between.

    Args:
        meter: The meter that they are of.
        noted: The figure noted, in life-to-date.
        accepted: Accepted readings around it, in any order.
    """
    readings = sorted(accepted)
    before = [reading for reading in readings if reading.at_us <= noted.at_us]
    after = [reading for reading in readings if reading.at_us >= noted.at_us]
    if before and not _fits(meter, before[-1], noted):
        return before[-1]
    if after and not _fits(meter, noted, after[0]):
        return after[0]
    return None


def stands_between(meter: Meter, noted: Reading, accepted: Iterable[Reading]) -> bool:
    """Whether a noted figure fits exactly between the accepted readings beside it, and so is a reading.

    Args:
        meter: The meter that they are of.
        noted: The figure noted, in life-to-date.
        accepted: Accepted readings around it, in any order.
    """
    readings = sorted(accepted)
    before = [reading for reading in readings if reading.at_us <= noted.at_us]
    after = [reading for reading in readings if reading.at_us >= noted.at_us]
    return (not before or can_follow(meter, before[-1], noted)) and (
        not after or can_follow(meter, noted, after[0])
    )


def contradiction(
    meter: Meter, noted: Reading, against: Reading, segments: Sequence[MeterSegment], *, pointer: str
) -> Breach:
    """The breach of a figure that a reading rules out, with that reading as its dial showed it.

    Args:
        meter: The meter that they are of.
        noted: The figure noted, in life-to-date.
        against: The reading that rules it out.
        segments: The vehicle's physical meters.
        pointer: Place of the figure.
    """
    segment = segment_at(segments, meter, against.at_us)
    shown = ""
    if segment is not None:
        shown = f" of {from_canonical(against.life - segment.offset, segment.unit)} {segment.unit}"
    at = (_EPOCH + timedelta(microseconds=against.at_us)).strftime("%Y-%m-%d %H:%M:%S")
    is_before = against.at_us <= noted.at_us
    if (noted.life < against.life) is is_before:
        said = "less than" if is_before else "more than"
        detail = f"the figure is {said} the accepted reading{shown} at {at} UTC"
    else:
        detail = f"no meter runs that fast between the accepted reading{shown} at {at} UTC and this figure"
    return Breach(pointer, "figure_contradicts_reading", detail)


def _fits(meter: Meter, earlier: Reading, later: Reading) -> bool:
    pace = PACE[meter]
    step = later.life - earlier.life
    return -pace.slack <= step <= pace.per_second * (later.at_us - earlier.at_us) / 1e6 + pace.slack


def _service_breaches(sheet: SpecSheet, codes: Sequence[str]) -> list[Breach]:
    known = {service.code for service in sheet.services}
    breaches = []
    for index, code in enumerate(codes):
        pointer = f"/services/{index}/service"
        if code not in known:
            detail = "the vehicle's spec sheet has no service of that code"
            breaches.append(Breach(pointer, "service_unknown", detail))
        elif code in codes[:index]:
            breaches.append(Breach(pointer, "service_repeated", "the entry names this service before"))
    return breaches


def _task_breaches(known: set[str], left_undone: Sequence[str]) -> list[Breach]:
    breaches = []
    for index, code in enumerate(left_undone):
        pointer = f"/tasks_left_undone/{index}"
        if code not in known:
            detail = "the services named have no task of that code"
            breaches.append(Breach(pointer, "task_unknown", detail))
        elif code in left_undone[:index]:
            breaches.append(Breach(pointer, "task_repeated", "the entry gives this task before"))
    return breaches
