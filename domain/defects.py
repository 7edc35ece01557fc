"""Defects of a vehicle: their states, and the steps that lead from one to the next.

Invariants: a defect is open until someone has seen to it, and stands against the vehicle until someone has
released it; what was released stays so, and comes back as a defect of its own. A defect that takes the vehicle off
the road does so until its release.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.errors import Breach, WorkError
from domain.work import CLOCK_SLACK_US

if TYPE_CHECKING:
    from collections.abc import Iterable


class DefectState(StrEnum):
    """How a defect stands."""

    OPEN = "open"
    SEEN_TO = "seen_to"
    RELEASED = "released"


class DefectStep(StrEnum):
    """What happened to a defect."""

    FOUND = "found"
    ASSIGNED = "assigned"
    SEEN_TO = "seen_to"
    REOPENED = "reopened"
    RELEASED = "released"


STANDING_STATES = (DefectState.OPEN, DefectState.SEEN_TO)
"""States in which a defect stands against the vehicle."""


@dataclass(frozen=True, slots=True)
class StepTaken:
    """One step.

    Attributes:
        step: What happened.
        taken_by: By whom.
        taken_at_us: When [us UTC].
        assigned_to: Who is to see to the defect from then on; None where the step does not say.
        note: What was done or seen.
        recorded_at_us: When it was entered [us UTC].
    """

    step: DefectStep
    taken_by: str
    taken_at_us: int
    assigned_to: str | None
    note: str | None
    recorded_at_us: int


def state_after(state: DefectState, step: DefectStep) -> DefectState | None:
    """The state that a step leads to; None where it cannot follow."""
    return _NEXT.get((state, step))


def state_at(steps: Iterable[StepTaken], at_us: int, known_at_us: int) -> DefectState | None:
    """How a defect stood at an instant, by what had been entered at another; None before it was found.

    Args:
        steps: Its steps, in the order in which they were entered.
        at_us: The instant [us UTC].
        known_at_us: Only steps entered by then [us UTC].
    """
    state: DefectState | None = None
    for taken in steps:
        if taken.taken_at_us <= at_us and taken.recorded_at_us <= known_at_us:
            state = _AFTER[taken.step]
    return state


def check_step(last: StepTaken, new: StepTaken, *, now_us: int) -> None:
    """Nothing, when a step can follow the last one in time and says what it must.

    Args:
        last: The last step.
        new: The step after it.
        now_us: The present [us UTC].

    Raises:
        WorkError: It lies in the future (``in_future``) or before the last one (``before_last_step``), it assigns
            nobody (``assignee_missing``), or it opens the defect again without saying why (``note_missing``).
    """
    breaches = []
    if new.taken_at_us > now_us + CLOCK_SLACK_US:
        breaches.append(Breach("/at", "in_future", "what has happened lies in the past"))
    if new.taken_at_us < last.taken_at_us:
        breaches.append(Breach("/at", "before_last_step", "the defect's last step was taken later"))
    if new.step is DefectStep.ASSIGNED and new.assigned_to is None:
        detail = "an assignment names who is to see to the defect"
        breaches.append(Breach("/assigned_to", "assignee_missing", detail))
    if new.step in _EXPLAINED and new.note is None:
        breaches.append(Breach("/note", "note_missing", "this step says what was done, or why"))
    if breaches:
        raise WorkError(*breaches)


# What was done, or why it is open again, is what the record asks for.
_EXPLAINED = frozenset({DefectStep.SEEN_TO, DefectStep.REOPENED})

_NEXT = {
    (DefectState.OPEN, DefectStep.ASSIGNED): DefectState.OPEN,
    (DefectState.OPEN, DefectStep.SEEN_TO): DefectState.SEEN_TO,
    (DefectState.SEEN_TO, DefectStep.REOPENED): DefectState.OPEN,
    (DefectState.SEEN_TO, DefectStep.RELEASED): DefectState.RELEASED,
}
_AFTER = {
    DefectStep.FOUND: DefectState.OPEN,
    DefectStep.ASSIGNED: DefectState.OPEN,
    DefectStep.SEEN_TO: DefectState.SEEN_TO,
    DefectStep.REOPENED: DefectState.OPEN,
    DefectStep.RELEASED: DefectState.RELEASED,
}
