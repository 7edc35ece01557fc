"""Used fluid in requests and answers: what was put into a waste stream, what was collected, what waits."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.entries import Reason
from api.schemas.quantities import ShownVolume, UnitSystem, Volume, shown_quantity
from api.schemas.times import Instant, ShownInstant
from api.schemas.work import Remark
from api.services import used_fluids
from api.services.used_fluids import UsedFluidKind
from domain.stock import WasteStream
from domain.units import Dimension

_KEY = "The sender's own key of the entry; sent again with the same content it books nothing more."
_STREAM = "Waste stream. What holds solvent or was mixed with another fluid is contaminated_fluid."
_COLLECTED_BY = "Who took it away."
_JOB = "The job that drained it."


class UsedFluidEntryGiven(Request):
    """Used fluid as it is entered.

    drained: depot, stream, volume; job. collected: depot, stream, volume; collected_by. correction: corrects, reason.
    """

    key: Annotated[Key, Field(description=_KEY)]
    kind: Annotated[Choice[UsedFluidKind], Field(description="What the entry tells.")]
    depot: Annotated[Key | None, Field(description="Code of the depot.")] = None
    stream: Annotated[Choice[WasteStream] | None, Field(description=_STREAM)] = None
    volume: Annotated[Volume | None, Field(description="How much was put in or collected.")] = None
    at: Annotated[Instant | None, Field(description="When; now unless given.")] = None
    job: Annotated[Key | None, Field(description=_JOB)] = None
    entered_by: Annotated[Text | None, Field(description="Who says so.")] = None
    collected_by: Annotated[Text | None, Field(description=_COLLECTED_BY)] = None
    reason: Annotated[Reason | None, Field(description="Why it is corrected.")] = None
    note: Annotated[
        Remark | None, Field(description="Free text, such as the number of the transport document.")
    ] = None
    corrects: Annotated[
        int | None, Field(ge=1, le=2**53 - 1, description="The entry that is taken back.")
    ] = None

    def value(self, depot_key: int | None) -> used_fluids.UsedFluidBooking:
        """The entry in canonical units."""
        return used_fluids.UsedFluidBooking(
            key=self.key,
            kind=self.kind,
            depot_key=depot_key,
            stream=self.stream,
            volume_ml=0 if self.volume is None else self.volume.canonical(),
            at_us=self.at,
            job_key=self.job,
            entered_by=self.entered_by,
            collected_by=self.collected_by,
            reason=self.reason,
            note=self.note,
            corrects=self.corrects,
        )


class UsedFluidEntry(Answer):
    """An entry of used fluid. It never changes; a wrong one is taken back by a correction."""

    id: Annotated[int, Field(description="Identifies the entry.")]
    key: Annotated[str, Field(description=_KEY)]
    kind: Annotated[UsedFluidKind, Field(description="What the entry tells.")]
    depot: Annotated[str, Field(description="Code of the depot.")]
    stream: Annotated[WasteStream, Field(description=_STREAM)]
    volume: Annotated[ShownVolume, Field(description="What it added; negative where it took away.")]
    after: Annotated[ShownVolume, Field(description="What waited in the stream afterwards.")]
    at: Annotated[ShownInstant, Field(description="When.")]
    job: Annotated[str | None, Field(description=_JOB)]
    entered_by: Annotated[str | None, Field(description="Who says so.")]
    collected_by: Annotated[str | None, Field(description=_COLLECTED_BY)]
    reason: Annotated[str | None, Field(description="Why it corrects.")]
    note: Annotated[str | None, Field(description="Free text.")]
    corrects: Annotated[int | None, Field(description="The entry that it takes back.")]
    corrected_by: Annotated[int | None, Field(description="The entry that takes it back.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]

    @classmethod
    def of(cls, entry: used_fluids.UsedFluidEntry, units: UnitSystem) -> UsedFluidEntry:
        """The answer for an entry."""
        return cls(
            id=entry.id,
            key=entry.key,
            kind=entry.kind,
            depot=entry.depot,
            stream=entry.stream,
            volume=_volume(entry.volume_ml, units),
            after=_volume(entry.after_ml, units),
            at=entry.at_us,
            job=entry.job,
            entered_by=entry.entered_by,
            collected_by=entry.collected_by,
            reason=entry.reason,
            note=entry.note,
            corrects=entry.corrects,
            corrected_by=entry.corrected_by,
            recorded_at=entry.recorded_at_us,
        )


class UsedFluidEntryList(Answer):
    """A page of entries of used fluid, the newest recorded first."""

    used_fluid_entries: Annotated[
        list[UsedFluidEntry], Field(description="The entries, the newest recorded first.")
    ]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class UsedFluid(Answer):
    """What waits in a waste stream of a depot."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    stream: Annotated[WasteStream, Field(description=_STREAM)]
    held: Annotated[ShownVolume, Field(description="What waits for collection.")]
    changed_at: Annotated[ShownInstant, Field(description="When it last changed.")]


class UsedFluidList(Answer):
    """A page of what waits for collection, by depot and stream."""

    used_fluids: Annotated[list[UsedFluid], Field(description="The streams.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def shown_stream(held: used_fluids.StreamHeld, units: UnitSystem) -> UsedFluid:
    """A stream, in a system's units."""
    return UsedFluid(
        depot=held.depot,
        stream=held.stream,
        held=_volume(held.held_ml, units),
        changed_at=held.changed_at_us,
    )


def _volume(volume_ml: int, units: UnitSystem) -> ShownVolume:
    return ShownVolume(**shown_quantity(volume_ml, Dimension.VOLUME, units))
