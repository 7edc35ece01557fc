"""Jobs in the bay in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Key, Request, Text
from api.schemas.job_entries import Remark
from api.schemas.kits import KitCaution
from api.schemas.meter_figures import MeterFigure
from api.schemas.quantities import (
    ShownDuration,
    ShownLength,
    ShownTemperature,
    ShownTorque,
    ShownVolume,
)
from api.schemas.times import Instant, ShownInstant
from api.schemas.work import Reference, UnitNumber
from api.schemas.working import Notices
from api.services.job_entering import SigningOff
from api.services.job_opening import FluidWanted, NewJob
from domain.drain_expectation import DrainVerdict
from domain.job_entries import EntryKind, Leak, LevelStage, LossKind, Observation, SignedOff, WaitsFor
from domain.job_result import PassReason
from domain.jobs import FindingCode, JobState, LevelPosition
from domain.refill import LevelVerdict
from domain.requirements import Verdict
from domain.sheet import Caution, CompartmentKind
from domain.working import Notice

SHORT_EXCHANGE = Notice(
    "short_exchange_carries_over",
    "An exchange that falls short restores the share that it did of the exchange prescribed; the rest of what was"
    " used up is carried into the next interval.",
    "a convention of this service",
)
STOP_FIRST = Notice(
    "stop_and_find_cause",
    "A burnt smell, metal or coolant in a fluid: stop and find the cause, not another pass.",
)


class JobFluidWanted(Request):
    """What a job is to use in a compartment."""

    compartment: Annotated[Key, Field(description="Code of a compartment whose fluid the job exchanges.")]
    product: Annotated[
        Key | None,
        Field(description="Product to reserve; one that suits, of which the depot has most, unless given."),
    ] = None
    first_product: Annotated[
        Key | None,
        Field(
            description="Another product for all passes but the last ones; it has to meet the requirement as well."
        ),
    ] = None
    last_passes: Annotated[
        int, Field(ge=1, le=100, description="How many passes, at the end, take `product` [1].")
    ] = 1
    target_share: Annotated[
        float | None,
        Field(gt=0.0, lt=1.0, description="Share of fresh fluid wanted; the passes alone unless given [1]."),
    ] = None


class JobOpening(Request):
    """A job as it is opened."""

    unit: Annotated[UnitNumber, Field(description="The vehicle's unit number.")]
    services: Annotated[
        list[Key] | None,
        Field(
            min_length=1,
            max_length=100,
            description="Codes of its services; those that are due unless given.",
        ),
    ] = None
    opened_by: Annotated[Text, Field(description="Who opens it.")]
    fluids: Annotated[
        list[JobFluidWanted],
        Field(default_factory=list, max_length=50, description="What it is to use, a compartment."),
    ]
    reference: Annotated[Reference | None, Field(description="The order's own number.")] = None
    note: Annotated[Remark | None, Field(description="Free text.")] = None

    def value(self) -> NewJob:
        """The job in canonical units."""
        return NewJob(
            None if self.services is None else tuple(self.services),
            self.opened_by,
            tuple(
                FluidWanted(
                    one.compartment, one.product, one.first_product, one.last_passes, one.target_share
                )
                for one in self.fluids
            ),
            self.reference,
            self.note,
        )


class JobItemLeftOpen(Request):
    """An item that stays open, and why."""

    item: Annotated[str, Field(min_length=1, max_length=200, description="Its name, of `open_items`.")]
    reason: Annotated[Remark, Field(description="Why it stays open.")]


class JobSigningOff(Request):
    """How a job is signed off."""

    done_by: Annotated[list[Text], Field(min_length=1, max_length=20, description="Who did the work.")]
    checked_by: Annotated[Text, Field(description="Who checked it.")]
    left_open: Annotated[
        list[JobItemLeftOpen],
        Field(default_factory=list, max_length=500, description="Every item that is open, with a reason."),
    ]
    done_at: Annotated[
        Instant | None, Field(description="When the work was done; the time of the request unless given.")
    ] = None
    figures: Annotated[
        list[MeterFigure],
        Field(default_factory=list, max_length=6, description="What the meters' dials showed then."),
    ]
    note: Annotated[Remark | None, Field(description="Free text.")] = None

    def value(self) -> SigningOff:
        """The same in canonical units."""
        left_open = tuple((one.item, one.reason) for one in self.left_open)
        return SigningOff(
            SignedOff(tuple(self.done_by), self.checked_by, left_open),
            self.done_at,
            tuple((noted.meter, noted.given()) for noted in self.figures),
            self.note,
        )


class JobFinding(Answer):
    """Something that an entry gives reason to look at."""

    code: Annotated[FindingCode, Field(description="What.")]
    detail: Annotated[str, Field(description="In a sentence; volumes in millilitres.")]
    compartment: Annotated[str | None, Field(description="Code of the compartment; null where it is none's.")]
    is_defect: Annotated[bool, Field(description="Whether it became a defect of the vehicle.")]
    is_off_road: Annotated[bool, Field(description="Whether the vehicle must not be driven until released.")]
    is_holding: Annotated[
        bool, Field(description="Whether no drain follows until its cause is noted or a person decides.")
    ]


class JobEntryLevel(Answer):
    """A level as an entry noted it."""

    mark_share: Annotated[
        float, Field(description="Where it stands: 0 at the low mark, 1 at the full mark [1].")
    ]
    temperature: Annotated[ShownTemperature | None, Field(description="Temperature of the fluid.")]


class JobEntry(Answer):
    """An entry of a job; members that its kind does not have are null."""

    number: Annotated[int, Field(description="Its number within the job, from 1.")]
    kind: Annotated[EntryKind, Field(description="What it says.")]
    by: Annotated[str, Field(description="Who says so.")]
    noted_at: Annotated[ShownInstant, Field(description="When it was noted.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    is_corrected: Annotated[
        bool,
        Field(description="Whether a later entry corrects it, so that it counts otherwise or not at all."),
    ]
    compartment: Annotated[str | None, Field(description="Code of its compartment.")]
    task: Annotated[str | None, Field(description="Code of its task.")]
    plug: Annotated[str | None, Field(description="Code of its plug.")]
    product: Annotated[str | None, Field(description="Code of its product.")]
    lot: Annotated[str | None, Field(description="Code of the lot at hand.")]
    verdict: Annotated[Verdict | None, Field(description="Whether the product suits.")]
    volume: Annotated[ShownVolume | None, Field(description="Volume as measured.")]
    temperature: Annotated[ShownTemperature | None, Field(description="Temperature of the fluid.")]
    fresh_at: Annotated[ShownTemperature | None, Field(description="Temperature of the fluid to be poured.")]
    torque: Annotated[ShownTorque | None, Field(description="Torque applied.")]
    duration: Annotated[ShownDuration | None, Field(description="How long the vehicle ran.")]
    level: Annotated[JobEntryLevel | None, Field(description="The level.")]
    stage: Annotated[LevelStage | None, Field(description="When the level was read.")]
    leak: Annotated[Leak | None, Field(description="How tight the compartment was.")]
    how: Annotated[LossKind | None, Field(description="How the fluid left.")]
    observations: Annotated[list[Observation], Field(description="What the fluid looked or smelled like.")]
    waits_for: Annotated[WaitsFor | None, Field(description="What the job waits for.")]
    outcome: Annotated[
        bool | None,
        Field(description="Whether the task was done, the vehicle tight, or the road test passed."),
    ]
    corrects: Annotated[int | None, Field(description="Number of the entry that it corrects.")]
    words: Annotated[str | None, Field(description="Its note, reason, cause or words.")]
    done_by: Annotated[list[str], Field(description="Who did the work, of a signing off.")]
    findings: Annotated[list[JobFinding], Field(description="What it gives reason to look at.")]


class JobEntryList(Answer):
    """A page of the entries of a job, by number."""

    entries: Annotated[list[JobEntry], Field(description="The entries, by number.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class JobService(Answer):
    """A service of a job."""

    service: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    is_named: Annotated[
        bool, Field(description="Whether the job names it; otherwise a service named includes it.")
    ]


class JobTask(Answer):
    """A task of a job."""

    task: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    compartment: Annotated[str | None, Field(description="Code of the compartment that it works on.")]
    labour: Annotated[ShownDuration, Field(description="Labour time.")]
    is_done: Annotated[
        bool | None, Field(description="How it was marked last: done, or left undone; null while it is open.")
    ]
    reason: Annotated[str | None, Field(description="Why it was left undone.")]


class JobPlug(Answer):
    """A plug that a job opens; the vehicle maker's manual governs."""

    plug: Annotated[str, Field(description="Its code.")]
    wrench: Annotated[ShownLength | None, Field(description="Size of the wrench or bit.")]
    torque_metric: Annotated[ShownTorque | None, Field(description="Tightening torque [N.m].")]
    torque_inch: Annotated[ShownTorque | None, Field(description="The same [lbf.ft].")]
    seal: Annotated[str | None, Field(description="Part number of its seal.")]
    is_seal_renewed: Annotated[bool, Field(description="Whether the seal is renewed each time it is opened.")]
    seals_renewed: Annotated[int, Field(description="How often the seal was renewed in this job [1].")]
    torque_applied: Annotated[ShownTorque | None, Field(description="Torque applied after the last drain.")]
    is_torque_met: Annotated[bool | None, Field(description="Whether that is the figure; null before.")]


class JobStepShown(Answer):
    """One step of a job, in the order of the work."""

    kind: Annotated[EntryKind, Field(description="Kind of the entry that records it.")]
    task: Annotated[str | None, Field(description="Code of its task; null for a check on the whole vehicle.")]
    compartment: Annotated[str | None, Field(description="Code of its compartment.")]
    pass_number: Annotated[int | None, Field(description="The pass that it belongs to, from 1.")]
    plug: Annotated[str | None, Field(description="Code of the plug that it is about.")]
    stage: Annotated[LevelStage | None, Field(description="When the level is read, after the change.")]
    volume_low: Annotated[ShownVolume | None, Field(description="Least volume that it is expected to move.")]
    volume_high: Annotated[ShownVolume | None, Field(description="Most volume that it is expected to move.")]
    temperature_low: Annotated[
        ShownTemperature | None, Field(description="Lowest temperature at which it may be judged.")
    ]
    temperature_high: Annotated[ShownTemperature | None, Field(description="Highest such temperature.")]
    is_shifted_through: Annotated[
        bool, Field(description="Whether the transmission is shifted through its ranges while it runs.")
    ]
    cautions: Annotated[
        list[Caution], Field(description="Hazards of it; their words stand under `cautions`.")
    ]
    is_done: Annotated[bool, Field(description="Whether it was recorded.")]


class JobLevelJudged(Answer):
    """A level, judged."""

    mark_share: Annotated[
        float, Field(description="Where it stands: 0 at the low mark, 1 at the full mark [1].")
    ]
    temperature: Annotated[ShownTemperature | None, Field(description="Temperature of the fluid.")]
    verdict: Annotated[LevelVerdict, Field(description="Whether it could be judged.")]
    position: Annotated[
        LevelPosition | None, Field(description="Low, within or high; null where not judged.")
    ]
    off_by: Annotated[ShownVolume | None, Field(description="How far beyond the mark, where that is known.")]


class JobShare(Answer):
    """The share of one product in a compartment."""

    product: Annotated[str, Field(description="Its code.")]
    share: Annotated[float, Field(description="Its share [1].")]


class JobPass(Answer):
    """One drain, and what was poured after it."""

    number: Annotated[int, Field(description="From 1.")]
    drained: Annotated[ShownVolume, Field(description="Drained, as measured.")]
    drained_15c: Annotated[
        ShownVolume, Field(description="Drained, at 15 degC where density and temperature are known.")
    ]
    is_run_before: Annotated[bool, Field(description="Whether the vehicle ran since the pass before.")]
    verdict: Annotated[DrainVerdict, Field(description="How the drain compares with what was expected.")]
    deviations: Annotated[float, Field(description="How many standard deviations it lies off [1].")]
    product: Annotated[str | None, Field(description="Product poured; null while the pass is open.")]
    poured: Annotated[ShownVolume, Field(description="Poured, as measured.")]
    old_share: Annotated[
        float | None,
        Field(description="Share of the fluid from before the job; null where it is not known [1]."),
    ]
    fresh: Annotated[list[JobShare], Field(description="Share of each product, by its first pass.")]


class JobExpectation(Answer):
    """What a drain was expected to take out, when the job was opened."""

    mean: Annotated[ShownVolume, Field(description="Expected volume.")]
    spread: Annotated[ShownVolume, Field(description="Standard deviation of a single drain about it.")]
    drains: Annotated[int, Field(description="Earlier drains on the type that it was learned from [1].")]


class JobVolumes(Answer):
    """What moved in and out of a compartment, and by how much its level changed."""

    drained: Annotated[ShownVolume, Field(description="Drained.")]
    poured: Annotated[ShownVolume, Field(description="Poured after drains.")]
    topped_up: Annotated[ShownVolume, Field(description="Topped up.")]
    taken_off: Annotated[ShownVolume, Field(description="Taken off.")]
    lost: Annotated[ShownVolume, Field(description="Sampled or spilled.")]
    level_change: Annotated[
        ShownVolume,
        Field(description="Poured and topped up, less drained, taken off and lost; negative where it fell."),
    ]


class JobExchange(Answer):
    """The exchange of a compartment's fluid in a job."""

    tasks: Annotated[list[str], Field(description="Codes of the tasks that make it up.")]
    passes_prescribed: Annotated[int, Field(description="Drain-and-fill passes prescribed [1].")]
    pass_low: Annotated[ShownVolume, Field(description="Least that one pass takes.")]
    pass_high: Annotated[ShownVolume, Field(description="Most that one pass takes.")]
    is_common_practice: Annotated[bool, Field(description="Whether these are common practice and no data.")]
    expected: Annotated[JobExpectation, Field(description="What one drain was expected to take out.")]
    target_share: Annotated[float | None, Field(description="Share of fresh fluid wanted [1].")]
    passes: Annotated[list[JobPass], Field(description="The passes made.")]
    to_pour: Annotated[
        ShownVolume | None,
        Field(
            description="How much to pour after the last drain, by temperature and level; null when filled."
        ),
    ]
    to_take_out: Annotated[
        ShownVolume | None, Field(description="What to take out instead, where the level stood that high.")
    ]
    product: Annotated[
        str | None,
        Field(
            description="Product planned for the pass that is open, else for the next one; null: none is known."
        ),
    ]
    another_pass: Annotated[PassReason, Field(description="Whether another pass is due, and why.")]


class JobCompartment(Answer):
    """A compartment that a job works on."""

    compartment: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    kind: Annotated[CompartmentKind, Field(description="What it is.")]
    fluid_requirement: Annotated[str | None, Field(description="Code of the requirement of its fluid.")]
    capacity: Annotated[ShownVolume | None, Field(description="Volume when filled dry.")]
    level_method: Annotated[str | None, Field(description="How its level is checked, in words.")]
    level_low: Annotated[
        ShownTemperature | None, Field(description="Lowest temperature at which its hot level is judged.")
    ]
    level_high: Annotated[ShownTemperature | None, Field(description="Highest such temperature.")]
    mark_to_mark: Annotated[ShownVolume | None, Field(description="Volume between the marks.")]
    plugs: Annotated[list[JobPlug], Field(description="Plugs that are opened.")]
    exchange: Annotated[
        JobExchange | None, Field(description="The exchange of its fluid; null where none is.")
    ]
    is_checked: Annotated[bool, Field(description="Whether it was looked at before the drain.")]
    level_found: Annotated[JobLevelJudged | None, Field(description="The level found before the drain.")]
    level_cold: Annotated[JobLevelJudged | None, Field(description="The cold level after the change.")]
    level_hot: Annotated[
        JobLevelJudged | None, Field(description="The hot level; null again once fluid has moved.")
    ]
    products: Annotated[list[str], Field(description="Products held against the requirement.")]
    held_up_by: Annotated[list[JobFinding], Field(description="What holds a further drain up.")]
    measured: Annotated[JobVolumes, Field(description="What moved, as measured.")]
    at_15c: Annotated[
        JobVolumes,
        Field(description="The same at 15 degC, as measured where density or temperature is unknown."),
    ]


class JobPart(Answer):
    """So many of a part, as the kit had it when the job was opened."""

    part: Annotated[str, Field(description="Part number to take.")]
    name: Annotated[str, Field(description="In words.")]
    unit: Annotated[str, Field(description="What one of it is.")]
    quantity: Annotated[int, Field(description="How many [unit].")]
    missing: Annotated[int, Field(description="How many of them the depot lacked then [unit].")]


class JobFluid(Answer):
    """A fluid that a job takes, margin and all, as it was reserved when the job was opened."""

    compartment: Annotated[str, Field(description="Code of the compartment.")]
    fluid_requirement: Annotated[str, Field(description="Code of the requirement that it meets.")]
    product: Annotated[str | None, Field(description="Product reserved; null where none is known to suit.")]
    need: Annotated[ShownVolume, Field(description="What the job takes of it.")]


class JobLack(Answer):
    """A fluid product that the depot lacked when the job was opened."""

    product: Annotated[str, Field(description="Its code.")]
    missing: Annotated[ShownVolume, Field(description="How much was missing.")]


class JobTool(Answer):
    """A tool."""

    name: Annotated[str, Field(description="In words.")]
    size: Annotated[ShownLength | None, Field(description="Its size, where it has one.")]


class JobOpenItem(Answer):
    """Something to be done, or left open for a reason, before the job is signed off."""

    item: Annotated[str, Field(description="Names it, for `left_open`.")]
    detail: Annotated[str, Field(description="What is missing.")]


class JobReason(Answer):
    """An item that stayed open when the job was signed off, and why."""

    item: Annotated[str, Field(description="Names it.")]
    reason: Annotated[str, Field(description="Why it stayed open.")]


class JobSignature(Answer):
    """How a job was signed off."""

    done_by: Annotated[list[str], Field(description="Who did the work.")]
    checked_by: Annotated[str, Field(description="Who checked it.")]
    left_open: Annotated[list[JobReason], Field(description="What stayed open, and why.")]


class JobSummary(Answer):
    """A job in a list."""

    number: Annotated[int, Field(description="Its number.")]
    unit: Annotated[str, Field(description="The vehicle's newest unit number.")]
    depot: Annotated[str, Field(description="Code of the depot whose stock it uses.")]
    spec_sheet: Annotated[str, Field(description="Code of the vehicle's type.")]
    spec_sheet_version: Annotated[int, Field(description="Number of the sheet version that was frozen.")]
    state: Annotated[JobState, Field(description="Where it stands.")]
    waits_for: Annotated[WaitsFor | None, Field(description="What it waits for.")]
    services: Annotated[list[str], Field(description="Codes of the services named.")]
    opened_by: Annotated[str, Field(description="Who opened it.")]
    opened_at: Annotated[ShownInstant, Field(description="When it was opened.")]
    changed_at: Annotated[ShownInstant, Field(description="When the last entry was made.")]
    closed_at: Annotated[ShownInstant | None, Field(description="When it was signed off or stopped.")]
    reference: Annotated[str | None, Field(description="The order's own number.")]
    work_done: Annotated[int | None, Field(description="Number of the entry of work done that it made.")]
    version: Annotated[int, Field(description="Grows by one with each entry; the ETag of the job.")]


class Job(JobSummary):
    """A job in the bay: what it set out to do, frozen when it was opened, and how it stands."""

    note: Annotated[str | None, Field(description="Free text.")]
    services_and_included: Annotated[
        list[JobService], Field(description="Services named and included, in sheet order.")
    ]
    tasks: Annotated[list[JobTask], Field(description="The work, each task once, in sheet order.")]
    steps: Annotated[list[JobStepShown], Field(description="The steps, in the order of the work.")]
    compartments: Annotated[list[JobCompartment], Field(description="Compartments that it works on.")]
    parts: Annotated[list[JobPart], Field(description="Parts of the kit.")]
    tools: Annotated[list[JobTool], Field(description="Tools, beside the wrenches of the plugs.")]
    fluids: Annotated[list[JobFluid], Field(description="Fluids.")]
    lacking: Annotated[list[JobLack], Field(description="Fluid products that the depot lacked.")]
    cautions: Annotated[
        list[KitCaution],
        Field(description="Hazards of the work; that the vehicle maker's manual governs is the first."),
    ]
    findings: Annotated[list[JobFinding], Field(description="What its entries give reason to look at.")]
    open_items: Annotated[
        list[JobOpenItem],
        Field(description="What is to be done, or left open for a reason, before signing off."),
    ]
    signature: Annotated[JobSignature | None, Field(description="How it was signed off.")]
    entries: Annotated[int, Field(description="How many entries it has [1].")]
    notices: Notices


class JobEntered(Answer):
    """An entry as stored, and what it leads to."""

    entry: Annotated[JobEntry, Field(description="The entry.")]
    state: Annotated[JobState, Field(description="Where the job stands now.")]
    version: Annotated[int, Field(description="Version of the job now; its ETag.")]
    compartment: Annotated[
        JobCompartment | None, Field(description="How its compartment stands now; null where it has none.")
    ]
    next_step: Annotated[
        JobStepShown | None,
        Field(description="The first step that was not recorded yet; null where none is left."),
    ]


class JobList(Answer):
    """A page of jobs, the newest first."""

    jobs: Annotated[list[JobSummary], Field(description="The jobs, the newest first.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]
