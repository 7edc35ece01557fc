"""Defects in requests and answers."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.times import Instant, ShownInstant, instant_text
from api.schemas.work import Reference, Remark, UnitNumber
from api.services import defects
from domain.defects import DefectState, DefectStep, StepTaken


class LaterStep(StrEnum):
    """A step after the finding."""

    ASSIGNED = "assigned"
    SEEN_TO = "seen_to"
    REOPENED = "reopened"
    RELEASED = "released"


_WHAT = "What is wrong, in a sentence."
_OFF_ROAD = "Whether it takes the vehicle off the road until it is released."
_COMPARTMENT = "Code of the compartment that it concerns, in the vehicle's spec sheet."
_REFERENCE = "Number of the job or paper that it was found with."
_STEP = (
    "`found`, `assigned` to someone, `seen_to` (the note says what was done), `reopened` (the note says why),"
    " `released`."
)


class DefectFound(Request):
    """A defect as it is entered."""

    unit: Annotated[UnitNumber, Field(description="The vehicle's unit number, of that day or now.")]
    what: Annotated[Remark, Field(description=_WHAT)]
    is_off_road: Annotated[bool, Field(description=_OFF_ROAD)]
    found_by: Annotated[Text, Field(description="Who found it.")]
    found_at: Annotated[Instant, Field(description="When it was found.")]
    compartment: Annotated[Key | None, Field(description=_COMPARTMENT)] = None
    assigned_to: Annotated[Text | None, Field(description="Who is to see to it.")] = None
    reference: Annotated[Reference | None, Field(description=_REFERENCE)] = None

    def value(self) -> defects.NewDefect:
        """The defect as services take it."""
        return defects.NewDefect(
            self.what,
            self.found_by,
            self.found_at,
            self.is_off_road,
            self.compartment,
            self.assigned_to,
            self.reference,
        )


class DefectStepGiven(Request):
    """A step after the finding: open, seen to, released, in this order."""

    step: Annotated[Choice[LaterStep], Field(description=_STEP)]
    by: Annotated[Text, Field(description="Who took the step.")]
    at: Annotated[Instant, Field(description="When; not before the last step.")]
    assigned_to: Annotated[Text | None, Field(description="Who is to see to it from now on.")] = None
    note: Annotated[Remark | None, Field(description="What was done or seen.")] = None

    def value(self, now_us: int) -> StepTaken:
        """The step as services take it, entered now [us UTC]."""
        return StepTaken(DefectStep(self.step.value), self.by, self.at, self.assigned_to, self.note, now_us)


class DefectWithdrawal(Request):
    """The withdrawal of a defect entered in error; it stays, and stands against the vehicle no longer."""

    by: Annotated[Text, Field(description="Who withdraws it.")]
    reason: Annotated[Remark, Field(description="Why the entry does not hold, in a sentence.")]


class ShownStep(Answer):
    """A step of a defect."""

    step: Annotated[DefectStep, Field(description=_STEP)]
    by: Annotated[str, Field(description="Who took it.")]
    at: Annotated[ShownInstant, Field(description="When.")]
    assigned_to: Annotated[str | None, Field(description="Who was to see to it from then on.")]
    note: Annotated[str | None, Field(description="What was done or seen.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]


class NamedWithdrawal(Answer):
    """The withdrawal of an entry, by whom and why."""

    withdrawn_at: Annotated[ShownInstant, Field(description="When it was withdrawn.")]
    by: Annotated[str, Field(description="By whom.")]
    reason: Annotated[str, Field(description="Why.")]


class DefectBrief(Answer):
    """A defect that stands against a vehicle."""

    id: Annotated[int, Field(description="Identifies the defect.")]
    unit: Annotated[str, Field(description="The vehicle's newest unit number.")]
    what: Annotated[str, Field(description=_WHAT)]
    compartment: Annotated[str | None, Field(description=_COMPARTMENT)]
    is_off_road: Annotated[bool, Field(description=_OFF_ROAD)]
    found_at: Annotated[ShownInstant, Field(description="When it was found.")]
    assigned_to: Annotated[str | None, Field(description="Who is to see to it.")]


class Defect(DefectBrief):
    """A defect with its steps."""

    state: Annotated[DefectState, Field(description="How it stands.")]
    found_by: Annotated[str, Field(description="Who found it.")]
    reference: Annotated[str | None, Field(description=_REFERENCE)]
    steps: Annotated[list[ShownStep], Field(description="Its steps, in the order of their entry.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    withdrawal: Annotated[NamedWithdrawal | None, Field(description="Its withdrawal; null while it stands.")]


class DefectList(Answer):
    """A page of defects, the newest recorded first."""

    defects: Annotated[list[Defect], Field(description="The defects.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def shown_defect(found: defects.Defect) -> Defect:
    """A defect."""
    return Defect(
        **_brief(found),
        state=found.state,
        found_by=found.found.found_by,
        reference=found.found.reference,
        steps=[
            ShownStep(
                step=taken.step,
                by=taken.taken_by,
                at=taken.taken_at_us,
                assigned_to=taken.assigned_to,
                note=taken.note,
                recorded_at=taken.recorded_at_us,
            )
            for taken in found.steps
        ],
        recorded_at=found.recorded_at_us,
        withdrawal=named_withdrawal(found.withdrawn_at_us, found.withdrawn_by, found.withdrawn_reason),
    )


def defect_brief(found: defects.Defect) -> DefectBrief:
    """A defect in brief."""
    return DefectBrief(**_brief(found))


def sent_defect(found: defects.Defect) -> dict[str, Any]:
    """A defect as sent where the answer is no model (``DefectBrief``)."""
    return {**_brief(found), "found_at": instant_text(found.found.found_at_us)}


def named_withdrawal(at_us: int | None, by: str | None, reason: str | None) -> NamedWithdrawal | None:
    """The withdrawal of an entry; None while it stands."""
    return None if at_us is None else NamedWithdrawal(withdrawn_at=at_us, by=by or "", reason=reason or "")


def _brief(found: defects.Defect) -> dict[str, Any]:
    return {
        "id": found.key,
        "unit": found.unit,
        "what": found.found.what,
        "compartment": found.found.compartment,
        "is_off_road": found.found.is_off_road,
        "found_at": found.found.found_at_us,
        "assigned_to": found.found.assigned_to,
    }
