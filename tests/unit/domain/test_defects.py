"""Which step may follow in the life of a defect, and how it stood when."""

from __future__ import annotations

import pytest

from domain.defects import DefectState, DefectStep, StepTaken, check_step, state_after, state_at
from domain.errors import WorkError

HOUR = 3_600_000_000


def taken(step: DefectStep, hour: int, *, entered: int | None = None, **more: str) -> StepTaken:
    at = hour * HOUR
    return StepTaken(
        step, "mechanic", at, more.get("to"), more.get("note"), at if entered is None else entered * HOUR
    )


def test_a_defect_is_seen_to_before_it_is_released_and_never_comes_back() -> None:
    """Every pair of state and step, against the list of those that may follow."""
    allowed = {
        (DefectState.OPEN, DefectStep.ASSIGNED): DefectState.OPEN,
        (DefectState.OPEN, DefectStep.SEEN_TO): DefectState.SEEN_TO,
        (DefectState.SEEN_TO, DefectStep.REOPENED): DefectState.OPEN,
        (DefectState.SEEN_TO, DefectStep.RELEASED): DefectState.RELEASED,
    }
    for state in DefectState:
        for step in DefectStep:
            assert state_after(state, step) is allowed.get((state, step))


def test_how_a_defect_stood_is_asked_by_when_it_happened_and_by_when_it_was_entered() -> None:
    steps = (taken(DefectStep.FOUND, 1), taken(DefectStep.SEEN_TO, 3, entered=5, note="tightened"))
    assert state_at(steps, 0, 9 * HOUR) is None
    assert state_at(steps, 2 * HOUR, 9 * HOUR) is DefectState.OPEN
    assert state_at(steps, 4 * HOUR, 9 * HOUR) is DefectState.SEEN_TO
    assert state_at(steps, 4 * HOUR, 4 * HOUR) is DefectState.OPEN


@pytest.mark.parametrize(
    ("step", "rules"),
    [
        (taken(DefectStep.SEEN_TO, 1, note="x"), {"/at": "before_last_step"}),
        (taken(DefectStep.SEEN_TO, 9, note="x"), {"/at": "in_future"}),
        (taken(DefectStep.SEEN_TO, 3), {"/note": "note_missing"}),
        (taken(DefectStep.REOPENED, 3), {"/note": "note_missing"}),
        (taken(DefectStep.ASSIGNED, 3), {"/assigned_to": "assignee_missing"}),
    ],
)
def test_a_step_follows_in_time_and_says_what_it_must(step: StepTaken, rules: dict[str, str]) -> None:
    with pytest.raises(WorkError) as caught:
        check_step(taken(DefectStep.FOUND, 2), step, now_us=4 * HOUR)
    assert {breach.pointer: breach.rule for breach in caught.value.breaches} == rules


def test_a_step_that_says_what_it_must_is_taken() -> None:
    check_step(taken(DefectStep.FOUND, 2), taken(DefectStep.SEEN_TO, 3, note="dry"), now_us=4 * HOUR)
