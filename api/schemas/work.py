"""Work done in requests and answers."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import LARGEST_WHOLE, Answer, Key, Request, Text
from api.schemas.meter_figures import MeterFigure, ShownMeterFigure, shown_figure
from api.schemas.quantities import ShownVolume, UnitSystem, Volume, shown_quantity
from api.schemas.times import Instant, ShownInstant
from api.services import work_done
from domain.units import Dimension

# No vehicle takes more at a time [mL].
LARGEST_VOLUME_ML = 1_000_000_000

_REMARK = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$"
UnitNumber = Annotated[str, Field(min_length=1, max_length=64)]
Remark = Annotated[str, Field(min_length=1, max_length=2000, pattern=_REMARK)]
Reference = Annotated[
    str, Field(min_length=1, max_length=100, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")
]


def _bounded(volume: Volume) -> Volume:
    if volume.canonical() > LARGEST_VOLUME_ML:
        rule, text = "figure_too_large", "The volume is larger than any real one"
        raise PydanticCustomError(rule, text)
    return volume


_Volume = Annotated[Volume, AfterValidator(_bounded)]


class ServiceNamed(Request):
    """A service that the visit did; what it includes is done with it."""

    service: Annotated[Key, Field(description="Code of a service of the vehicle's spec sheet.")]
    restored_share: Annotated[
        float,
        Field(gt=0.0, le=1.0, description="Share of the used-up interval that the work restored [1]."),
    ] = 1.0


class FluidNoted(Request):
    """What was drained from and filled into a compartment; at least one of the two."""

    compartment: Annotated[Key, Field(description="Code of a compartment of the vehicle's spec sheet.")]
    drained: Annotated[_Volume | None, Field(description="Volume drained.")] = None
    filled: Annotated[_Volume | None, Field(description="Volume filled in.")] = None
    fluid_requirement: Annotated[
        Key | None, Field(description="Code of the requirement that the fluid filled in meets.")
    ] = None

    @model_validator(mode="after")
    def _with_volume(self) -> FluidNoted:
        if self.drained is None and self.filled is None:
            rule, text = "fluid_without_volume", "A fluid noted has a volume drained or filled"
            raise PydanticCustomError(rule, text)
        return self

    def value(self) -> work_done.FluidNoted:
        """The same in canonical units."""
        return work_done.FluidNoted(
            self.compartment,
            self.fluid_requirement,
            None if self.drained is None else self.drained.canonical(),
            None if self.filled is None else self.filled.canonical(),
        )


class CorrectionGiven(Request):
    """What an entry corrects: the wrong one is withdrawn, and names this one."""

    entry: Annotated[int, Field(ge=1, le=LARGEST_WHOLE, description="Identifies the wrong entry.")]
    by: Annotated[Text, Field(description="Who corrects it.")]
    why: Annotated[Remark, Field(description="Why it was wrong, in a sentence.")]


class WorkEntry(Request):
    """A visit as it is entered."""

    unit: Annotated[UnitNumber, Field(description="The vehicle's unit number, of that day or now.")]
    done_at: Annotated[Instant, Field(description="When the work was done.")]
    figures: Annotated[
        list[MeterFigure],
        Field(default_factory=list, max_length=6, description="What the meters' dials showed then."),
    ]
    services: Annotated[
        list[ServiceNamed], Field(min_length=1, max_length=100, description="The services done.")
    ]
    tasks_left_undone: Annotated[
        list[Key],
        Field(
            default_factory=list,
            max_length=500,
            description=(
                "Codes of tasks of these services, or of services that they include, that were not done. A"
                " service with a task left undone is not completed, and its clock runs on."
            ),
        ),
    ]
    fluids: Annotated[
        list[FluidNoted],
        Field(default_factory=list, max_length=50, description="What was drained and filled, a compartment."),
    ]
    is_from_papers: Annotated[
        bool, Field(description="Whether it is entered from earlier paperwork; the answers then say so.")
    ] = False
    reference: Annotated[Reference | None, Field(description="The paper's or the order's own number.")] = None
    note: Annotated[Remark | None, Field(description="Free text.")] = None
    corrects: Annotated[
        CorrectionGiven | None, Field(description="The wrong entry in whose place this one stands.")
    ] = None

    def value(self) -> work_done.Entry:
        """The visit in canonical units."""
        wrong = self.corrects
        return work_done.Entry(
            unit=self.unit,
            done_at_us=self.done_at,
            figures=tuple((noted.meter, noted.given()) for noted in self.figures),
            services=tuple((named.service, named.restored_share) for named in self.services),
            tasks_left_undone=tuple(self.tasks_left_undone),
            fluids=tuple(fluid.value() for fluid in self.fluids),
            is_from_papers=self.is_from_papers,
            reference=self.reference,
            note=self.note,
            corrects=None if wrong is None else work_done.Correction(wrong.entry, wrong.by, wrong.why),
        )


class WorkWithdrawal(Request):
    """Why an entry is withdrawn, and by whom."""

    by: Annotated[Text | None, Field(description="Who withdraws it.")] = None
    reason: Annotated[Remark, Field(description="Why the entry is wrong, in a sentence.")]


class ServiceDone(Answer):
    """A service of a visit."""

    service: Annotated[str, Field(description="Its code.")]
    is_named: Annotated[
        bool, Field(description="Whether the entry names it; otherwise a service named includes it.")
    ]
    is_completed: Annotated[
        bool, Field(description="Whether it was done as a whole; only then does its due point move.")
    ]
    restored_share: Annotated[float, Field(description="Share of the used-up interval restored [1].")]


class FluidDone(Answer):
    """What was drained from and filled into a compartment."""

    compartment: Annotated[str, Field(description="Its code.")]
    drained: Annotated[ShownVolume | None, Field(description="Volume drained.")]
    filled: Annotated[ShownVolume | None, Field(description="Volume filled in.")]
    fluid_requirement: Annotated[
        str | None, Field(description="Code of the requirement that the fluid filled in meets.")
    ]


class Withdrawal(Answer):
    """The withdrawal of an entry."""

    withdrawn_at: Annotated[ShownInstant, Field(description="When it was withdrawn.")]
    reason: Annotated[str, Field(description="Why.")]


class WorkWithdrawn(Withdrawal):
    """The withdrawal of an entry of work done."""

    by: Annotated[str | None, Field(description="By whom; null where nobody was named.")]
    corrected_by: Annotated[int | None, Field(description="Identifies the entry that stands in its place.")]


class Corrected(Answer):
    """What an entry corrects."""

    entry: Annotated[int, Field(description="Identifies the wrong entry.")]
    by: Annotated[str, Field(description="Who corrected it.")]
    why: Annotated[str, Field(description="Why it was wrong.")]


class WorkDone(Answer):
    """A visit as stored. A wrong one is withdrawn and stays; it then moves no due point."""

    id: Annotated[int, Field(description="Identifies the entry.")]
    unit: Annotated[str, Field(description="The vehicle's newest unit number.")]
    spec_sheet: Annotated[str, Field(description="Code of the spec sheet that the entry was held against.")]
    spec_sheet_version: Annotated[int, Field(description="Number of that version of the sheet.")]
    done_at: Annotated[ShownInstant, Field(description="When the work was done.")]
    done_on: Annotated[date, Field(description="The day in the depot's time zone.")]
    figures: Annotated[list[ShownMeterFigure], Field(description="The meters' figures noted then.")]
    services: Annotated[list[ServiceDone], Field(description="Services named and included, by code.")]
    tasks_done: Annotated[list[str], Field(description="Codes of the tasks done, each once.")]
    tasks_left_undone: Annotated[list[str], Field(description="Codes of the tasks left undone.")]
    fluids: Annotated[list[FluidDone], Field(description="What was drained and filled, a compartment.")]
    is_from_papers: Annotated[bool, Field(description="Whether it was entered from earlier paperwork.")]
    reference: Annotated[str | None, Field(description="The paper's or the order's own number.")]
    note: Annotated[str | None, Field(description="Free text.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    corrects: Annotated[
        Corrected | None, Field(description="The wrong entry in whose place it stands; null for none.")
    ]
    withdrawal: Annotated[WorkWithdrawn | None, Field(description="Its withdrawal; null while it stands.")]


class WorkList(Answer):
    """A page of entries, the newest recorded first, withdrawn ones too."""

    work_done: Annotated[list[WorkDone], Field(description="The entries, the newest recorded first.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def shown_work(entry: work_done.EntryShown, units: UnitSystem) -> WorkDone:
    """An entry in the units of the answer."""
    return WorkDone(
        id=entry.key,
        unit=entry.unit,
        spec_sheet=entry.spec_sheet,
        spec_sheet_version=entry.sheet_version,
        done_at=entry.done_at_us,
        done_on=entry.done_on,
        figures=[
            ShownMeterFigure(
                meter=noted.meter,
                figure=None if noted.dial is None else shown_figure(noted.meter, noted.dial, units),
                life_to_date=shown_figure(noted.meter, noted.life, units),
            )
            for noted in entry.figures
        ],
        services=[
            ServiceDone(
                service=done.code,
                is_named=done.is_named,
                is_completed=done.is_completed,
                restored_share=done.restored_share,
            )
            for done in entry.services
        ],
        tasks_done=list(entry.tasks_done),
        tasks_left_undone=list(entry.tasks_left_undone),
        fluids=[
            FluidDone(
                compartment=fluid.compartment,
                drained=_volume(fluid.drained_ml, units),
                filled=_volume(fluid.filled_ml, units),
                fluid_requirement=fluid.fluid_requirement,
            )
            for fluid in entry.fluids
        ],
        is_from_papers=entry.is_from_papers,
        reference=entry.reference,
        note=entry.note,
        recorded_at=entry.recorded_at_us,
        corrects=None
        if entry.corrects is None
        else Corrected(entry=entry.corrects.entry, by=entry.corrects.by, why=entry.corrects.why),
        withdrawal=None
        if entry.withdrawn_at_us is None
        else WorkWithdrawn(
            withdrawn_at=entry.withdrawn_at_us,
            reason=entry.withdrawn_reason or "",
            by=entry.withdrawn_by,
            corrected_by=entry.corrected_by_entry,
        ),
    )


def _volume(volume_ml: int | None, units: UnitSystem) -> ShownVolume | None:
    return None if volume_ml is None else ShownVolume(**shown_quantity(volume_ml, Dimension.VOLUME, units))
