"""Entries of a job in the bay, in requests: one model for each kind, told apart by ``kind``."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    RootModel,
    ValidationError,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from api.schemas.base import Choice, Key, Request, Text
from api.schemas.quantities import Distance, Duration, Temperature, Torque, Volume
from api.schemas.times import Instant
from api.services.job_entering import FluidOffered, NewEntry
from domain import job_entries as said
from domain.job_entries import FoundKind, Leak, LevelStage, LossKind, Observation, Said, WaitsFor

# No compartment of a vehicle takes more at a time [mL].
LARGEST_MOVED_ML = 10_000_000

_REMARK = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$"
Remark = Annotated[str, Field(min_length=1, max_length=2000, pattern=_REMARK)]


def _bounded(volume: Volume) -> Volume:
    if volume.canonical() > LARGEST_MOVED_ML:
        rule, text = "figure_too_large", "The volume is larger than any real one"
        raise PydanticCustomError(rule, text)
    return volume


Moved = Annotated[Volume, AfterValidator(_bounded)]
_Compartment = Annotated[Key, Field(description="Code of a compartment that a task of the job works on.")]
_Product = Annotated[Key, Field(description="Code of a product held against the requirement in this job.")]
_Volume = Annotated[Moved, Field(description="Volume as measured, above 0.")]
_MeasuredAt = Annotated[
    Temperature | None, Field(description="Temperature of the fluid when the volume was measured.")
]
_Plug = Annotated[Key, Field(description="Code of a plug of the compartment.")]
_Remark = Annotated[Remark | None, Field(description="Free text.")]
_Observations = Annotated[
    list[Choice[Observation]],
    Field(default_factory=list, max_length=10, description="What the fluid looked or smelled like."),
]


class _Entry(Request, ABC):
    by: Annotated[Text, Field(description="Who says so.")]
    noted_at: Annotated[
        Instant | None, Field(description="When it was noted; the time of the request unless given.")
    ] = None

    @abstractmethod
    def said(self) -> Said | FluidOffered:
        """What the entry says, in canonical units."""

    def value(self) -> NewEntry:
        """The entry in canonical units."""
        return NewEntry(self.by, self.noted_at, self.said())


class JobLevel(Request):
    """A level as read on the dipstick."""

    mark_share: Annotated[
        float,
        Field(
            ge=-100.0,
            le=100.0,
            description="Where it stands: 0 at the low mark, 1 at the full mark; beyond them past the marks [1].",
        ),
    ]
    temperature: Annotated[Temperature | None, Field(description="Temperature of the fluid.")] = None

    def value(self) -> said.LevelRead:
        """The level in canonical units."""
        return said.LevelRead(self.mark_share, _degrees(self.temperature))


class JobStarted(_Entry):
    """Work on the vehicle began."""

    kind: Annotated[Literal["started"], Field(description="Work on the vehicle began.")]
    note: _Remark = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Started(self.note)


class JobWaiting(_Entry):
    """Work cannot go on."""

    kind: Annotated[Literal["waiting"], Field(description="Work cannot go on.")]
    waits_for: Annotated[Choice[WaitsFor], Field(description="What the job waits for.")]
    note: _Remark = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Waiting(self.waits_for, self.note)


class JobResumed(_Entry):
    """What was waited for is there."""

    kind: Annotated[Literal["resumed"], Field(description="What was waited for is there.")]
    note: _Remark = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Resumed(self.note)


class JobStopped(_Entry):
    """The job is given up: nothing of it counts as done, and what was used leaves the stock."""

    kind: Annotated[Literal["stopped"], Field(description="The job is given up.")]
    reason: Annotated[Remark, Field(description="Why.")]

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Stopped(self.reason)


class JobCheckedBefore(_Entry):
    """How a compartment was found before its drain."""

    kind: Annotated[Literal["checked_before"], Field(description="A compartment was looked at.")]
    compartment: _Compartment
    level: Annotated[
        JobLevel | None, Field(description="The level; required where the spec sheet says how it is checked.")
    ] = None
    leak: Annotated[Choice[Leak], Field(description="How tight it was.")] = Leak.NONE
    observations: _Observations
    colour: Annotated[Text | None, Field(description="The colour, in words or by a scale.")] = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        level = None if self.level is None else self.level.value()
        return said.CheckedBefore(self.compartment, level, self.leak, tuple(self.observations), self.colour)


class JobFluidAtHand(_Entry):
    """A product is held against the compartment's requirement; one that does not suit is refused."""

    kind: Annotated[Literal["fluid_at_hand"], Field(description="A product is at hand.")]
    compartment: _Compartment
    product: Annotated[Key, Field(description="Code of a product of the catalogue.")]
    authority: Annotated[
        Remark | None,
        Field(
            description="Where the maker admits it, such as a page of the manual, where the maker decides."
        ),
    ] = None
    lot: Annotated[Key | None, Field(description="Code of the lot.")] = None

    def said(self) -> FluidOffered:
        """What the entry says; it is held against the requirement when it is entered."""
        return FluidOffered(self.compartment, self.product, self.authority, self.lot)


class JobDrained(_Entry):
    """One drain. A volume outside what is expected is a finding, never refused."""

    kind: Annotated[Literal["drained"], Field(description="Fluid was drained.")]
    compartment: _Compartment
    volume: _Volume
    temperature: _MeasuredAt = None
    fresh_at: Annotated[
        Temperature | None, Field(description="Temperature of the fluid to be poured, for how much to pour.")
    ] = None
    observations: _Observations

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Drained(
            self.compartment,
            self.volume.canonical(),
            _degrees(self.temperature),
            _degrees(self.fresh_at),
            tuple(self.observations),
        )


class JobSealRenewed(_Entry):
    """The seal of a plug was renewed."""

    kind: Annotated[Literal["seal_renewed"], Field(description="A seal was renewed.")]
    compartment: _Compartment
    plug: _Plug

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.SealRenewed(self.compartment, self.plug)


class JobTorqueApplied(_Entry):
    """A plug was tightened; a torque off the sheet's figure is a finding."""

    kind: Annotated[Literal["torque_applied"], Field(description="A plug was tightened.")]
    compartment: _Compartment
    plug: _Plug
    torque: Annotated[Torque, Field(description="Torque applied, above 0.")]

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.TorqueApplied(self.compartment, self.plug, self.torque.canonical())


class JobPoured(_Entry):
    """Fresh fluid, poured after a drain."""

    kind: Annotated[Literal["poured"], Field(description="Fresh fluid was poured after a drain.")]
    compartment: _Compartment
    product: _Product
    volume: _Volume
    temperature: _MeasuredAt = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Poured(
            self.compartment, self.product, self.volume.canonical(), _degrees(self.temperature)
        )


class JobRun(_Entry):
    """The vehicle ran with the compartment filled."""

    kind: Annotated[Literal["run"], Field(description="The vehicle ran.")]
    compartment: _Compartment
    duration: Annotated[Duration | None, Field(description="How long.")] = None
    temperature: Annotated[Temperature | None, Field(description="Temperature that the fluid reached.")] = (
        None
    )
    is_shifted_through: Annotated[
        bool, Field(description="Whether the transmission was shifted through its ranges.")
    ] = False

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Run(
            self.compartment,
            None if self.duration is None else self.duration.canonical(),
            _degrees(self.temperature),
            self.is_shifted_through,
        )


class JobLevelChecked(_Entry):
    """A level after the change; a hot one that is too cold to judge is refused."""

    kind: Annotated[Literal["level_checked"], Field(description="A level was read after the change.")]
    compartment: _Compartment
    stage: Annotated[Choice[LevelStage], Field(description="Cold before the start, or hot after a run.")]
    level: Annotated[JobLevel, Field(description="The level.")]
    observations: _Observations

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.LevelChecked(self.compartment, self.stage, self.level.value(), tuple(self.observations))


class JobToppedUp(_Entry):
    """Fluid was added after a level check."""

    kind: Annotated[Literal["topped_up"], Field(description="Fluid was added.")]
    compartment: _Compartment
    product: _Product
    volume: _Volume
    temperature: _MeasuredAt = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.ToppedUp(
            self.compartment, self.product, self.volume.canonical(), _degrees(self.temperature)
        )


class JobTakenOff(_Entry):
    """Fluid was taken off after a level check."""

    kind: Annotated[Literal["taken_off"], Field(description="Fluid was taken off.")]
    compartment: _Compartment
    volume: _Volume
    temperature: _MeasuredAt = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.TakenOff(self.compartment, self.volume.canonical(), _degrees(self.temperature))


class JobLost(_Entry):
    """Fluid left the compartment as a sample or a spill."""

    kind: Annotated[Literal["lost"], Field(description="Fluid left the compartment beside a drain.")]
    compartment: _Compartment
    how: Annotated[Choice[LossKind], Field(description="As a sample or a spill.")]
    volume: _Volume
    temperature: _MeasuredAt = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Lost(self.compartment, self.how, self.volume.canonical(), _degrees(self.temperature))


class JobTaskMarked(_Entry):
    """A task was done, or left undone for a reason."""

    kind: Annotated[Literal["task_marked"], Field(description="A task was done or left undone.")]
    task: Annotated[Key, Field(description="Code of a task of the job.")]
    is_done: Annotated[bool, Field(description="Whether it was done.")] = True
    reason: Annotated[Remark | None, Field(description="Why it was left undone.")] = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.TaskMarked(self.task, self.is_done, self.reason)


class JobLeakChecked(_Entry):
    """The vehicle was looked at for leaks after the work."""

    kind: Annotated[Literal["leak_checked"], Field(description="The vehicle was looked at for leaks.")]
    is_tight: Annotated[bool, Field(description="Whether it was tight.")]
    compartment: Annotated[Key | None, Field(description="Code of the compartment that leaks.")] = None
    note: _Remark = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.LeakChecked(self.is_tight, self.compartment, self.note)


class JobRoadTested(_Entry):
    """The vehicle was driven after the work."""

    kind: Annotated[Literal["road_tested"], Field(description="The vehicle was driven after the work.")]
    is_passed: Annotated[bool, Field(description="Whether it passed.")]
    distance: Annotated[Distance | None, Field(description="How far it was driven.")] = None
    note: _Remark = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        distance_m = None if self.distance is None else self.distance.canonical()
        return said.RoadTested(self.is_passed, distance_m, self.note)


class JobFound(_Entry):
    """Something was found that a person has to see to; it becomes a defect of the vehicle."""

    kind: Annotated[Literal["found"], Field(description="Something was found on the vehicle.")]
    what: Annotated[Choice[FoundKind], Field(description="What.")]
    words: Annotated[Remark, Field(description="In a sentence.")]
    compartment: Annotated[
        Key | None, Field(description="Code of the compartment; null where it is none's.")
    ] = None
    is_off_road: Annotated[
        bool, Field(description="Whether the vehicle must not be driven until it is released.")
    ] = False
    assigned_to: Annotated[Text | None, Field(description="The person to see to it.")] = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Found(self.what, self.words, self.compartment, self.is_off_road, self.assigned_to)


class JobCleared(_Entry):
    """Why work on a compartment goes on after something that held it up: one of the two reasons."""

    kind: Annotated[Literal["cleared"], Field(description="What held a compartment up is settled.")]
    compartment: _Compartment
    cause: Annotated[Remark | None, Field(description="The cause that was found.")] = None
    override_reason: Annotated[
        Remark | None, Field(description="Why a person decides to go on without a cause.")
    ] = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Cleared(self.compartment, self.cause, self.override_reason)


class JobCorrected(_Entry):
    """An earlier entry was wrong: it counts with another volume, or not at all."""

    kind: Annotated[Literal["corrected"], Field(description="An earlier entry was wrong.")]
    corrects: Annotated[int, Field(ge=1, le=1_000_000, description="Number of that entry.")]
    why: Annotated[Remark, Field(description="Why it was wrong.")]
    volume: Annotated[
        Moved | None, Field(description="The volume that was meant; without it the entry does not count.")
    ] = None

    def said(self) -> Said:
        """What the entry says, in canonical units."""
        return said.Corrected(
            self.corrects, self.why, None if self.volume is None else self.volume.canonical()
        )


_Kinds = Annotated[
    JobStarted
    | JobWaiting
    | JobResumed
    | JobStopped
    | JobCheckedBefore
    | JobFluidAtHand
    | JobDrained
    | JobSealRenewed
    | JobTorqueApplied
    | JobPoured
    | JobRun
    | JobLevelChecked
    | JobToppedUp
    | JobTakenOff
    | JobLost
    | JobTaskMarked
    | JobLeakChecked
    | JobRoadTested
    | JobFound
    | JobCleared
    | JobCorrected,
    Field(discriminator="kind"),
]


def _error(found: Any) -> InitErrorDetails:
    code, words, place = str(found["type"]), str(found["msg"]), tuple(found["loc"])[1:]
    if code == "union_tag_not_found":
        code, place = "missing", ("kind",)
    elif code == "union_tag_invalid":
        # Pydantic's own words repeat what was sent.
        code, words, place = "enum", _KINDS_LISTED, ("kind",)
    return InitErrorDetails(type=PydanticCustomError(code, words), loc=place, input=None)


_KINDS_LISTED = "One of these is expected: " + ", ".join(
    kind.value for kind in said.EntryKind if kind is not said.EntryKind.SIGNED_OFF
)


class JobEntryBody(RootModel[_Kinds]):
    """An entry of a job, told apart by `kind`."""

    model_config = ConfigDict(strict=True, frozen=True, hide_input_in_errors=True)

    def value(self) -> NewEntry:
        """The entry in canonical units."""
        return self.root.value()

    @model_validator(mode="wrap")
    @classmethod
    def _in_place(cls, sent: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        # Errors name places of the body, without the kind that the union was resolved to.
        try:
            return handler(sent)
        except ValidationError as error:
            found = error.errors(include_url=False, include_context=False, include_input=False)
            raise ValidationError.from_exception_data(error.title, [_error(one) for one in found]) from None


def _degrees(temperature: Temperature | None) -> float | None:
    return None if temperature is None else temperature.canonical()
