"""The record of a vehicle in answers, and its lines as rows of CSV."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.defects import DefectBrief, defect_brief
from api.schemas.fluid_samples import NotedFigure
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day, ShownInstant, instant_text
from api.schemas.vehicles import UnitNumber, unit_number
from api.services.vehicle_record import Correction, LineKind, RecordLine, VehicleRecord
from domain.due import State
from domain.sheet import METER_OF, Limb

if TYPE_CHECKING:
    from api.services.due import DueLine

CSV_COLUMNS = (
    *("unit", "kind", "entry", "on", "nature", "life_to_date", "by", "reference", "note", "recorded_at"),
    *("corrects_entry", "corrected_by", "corrected_why"),
    *("withdrawn_at", "withdrawn_by", "withdrawn_why", "replaced_by_entry", "kept_until"),
)
"""Columns of the record as CSV; rows of kind ``coming`` are services with the day on which they fall due."""


class Identity(Answer):
    """Who a vehicle is."""

    unit: Annotated[str, Field(description="Its unit number.")]
    make: Annotated[str | None, Field(description="Who made it.")]
    vin: Annotated[str | None, Field(description="Vehicle identification number.")]
    serial_number: Annotated[str | None, Field(description="Serial number, of plant and machines.")]
    model_year: Annotated[int | None, Field(description="Model year.")]
    tyre_size: Annotated[str | None, Field(description="Size of its tyres.")]
    supplied_by: Annotated[
        str | None, Field(description="Who supplied it; null where the fleet owns it, or nobody has said.")
    ]
    spec_sheet: Annotated[str, Field(description="Code of its type.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    in_service_on: Annotated[Day, Field(description="Day on which it was first put to use.")]
    retired_on: Annotated[Day | None, Field(description="Its last day in the fleet.")]


class ComingLimb(Answer):
    """Where a service falls due on one limb."""

    limb: Annotated[Limb, Field(description="The calendar, or a meter.")]
    due_on: Annotated[Day | None, Field(description="The day; by recent use on a meter, null where unknown.")]
    due: Annotated[ShownFigure | None, Field(description="Meters only: the figure in life-to-date.")]


class Coming(Answer):
    """A service that is coming."""

    service: Annotated[str, Field(description="Its code.")]
    name: Annotated[str, Field(description="In words.")]
    is_statutory: Annotated[bool, Field(description="Whether the law requires it.")]
    state: Annotated[State, Field(description="How it stands.")]
    due_on: Annotated[Day | None, Field(description="Day on which it falls due; null where unknown.")]
    limbs: Annotated[list[ComingLimb], Field(description="Each limb of its interval.")]


class RecordCorrection(Answer):
    """What a line corrects, or what ended it."""

    entry: Annotated[
        int | None, Field(description="The wrong entry, or the one in its place; null where there is none.")
    ]
    by: Annotated[str | None, Field(description="By whom; null where nobody was named.")]
    why: Annotated[str, Field(description="Why.")]
    at: Annotated[ShownInstant, Field(description="When it was entered.")]


class RecordEntry(Answer):
    """What was done, found or put off."""

    kind: Annotated[LineKind, Field(description="What the line is about.")]
    entry: Annotated[int, Field(description="Identifies the entry within its kind.")]
    at: Annotated[ShownInstant, Field(description="When it happened.")]
    on: Annotated[Day, Field(description="Its day in the depot's time zone.")]
    nature: Annotated[str, Field(description="What it was, in words.")]
    services: Annotated[list[str], Field(description="Codes of the services that it completed.")]
    figures: Annotated[list[NotedFigure], Field(description="Figures noted then, in life-to-date.")]
    by: Annotated[str | None, Field(description="Who did or found it; null where nobody was named.")]
    reference: Annotated[str | None, Field(description="The paper's or the order's own number.")]
    note: Annotated[str | None, Field(description="Free text.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    corrects: Annotated[
        RecordCorrection | None, Field(description="The wrong entry in whose place it stands.")
    ]
    withdrawn: Annotated[RecordCorrection | None, Field(description="What ended it; null while it stands.")]
    kept_until: Annotated[
        Day | None,
        Field(
            description=(
                "First day on which it may go; null while a due point is counted from it, or a defect is not released."
            )
        ),
    ]


class Record(Answer):
    """The record of a vehicle."""

    identity: Annotated[Identity, Field(description="Who it is.")]
    unit_numbers: Annotated[list[UnitNumber], Field(description="Numbers that it has carried.")]
    as_of: Annotated[Day, Field(description="The day of the answer, in the depot's time zone.")]
    time_zone: Annotated[str, Field(description="Time zone of the depot (IANA name).")]
    is_off_road: Annotated[bool, Field(description="Whether an open defect takes it off the road.")]
    open_defects: Annotated[list[DefectBrief], Field(description="What stands against it.")]
    coming: Annotated[list[Coming], Field(description="What is coming and when, the first due first.")]
    entries: Annotated[list[RecordEntry], Field(description="What happened, in order of time.")]


def shown_record(found: VehicleRecord, units: UnitSystem) -> Record:
    """A record, in a system's units."""
    vehicle, ref = found.vehicle, found.vehicle.ref
    return Record(
        identity=Identity(
            unit=ref.unit,
            make=vehicle.make,
            vin=vehicle.vin,
            serial_number=vehicle.serial_number,
            model_year=vehicle.model_year,
            tyre_size=vehicle.tyre_size,
            supplied_by=vehicle.supplied_by,
            spec_sheet=ref.spec_sheet,
            depot=ref.depot,
            in_service_on=ref.in_service_on,
            retired_on=ref.retired_on,
        ),
        unit_numbers=[unit_number(label) for label in found.unit_numbers],
        as_of=found.stands.as_of,
        time_zone=ref.time_zone,
        is_off_road=any(defect.found.is_off_road for defect in found.stands.defects),
        open_defects=[defect_brief(defect) for defect in found.stands.defects],
        coming=[] if ref.retired_on is not None else [_coming(line, found, units) for line in found.coming],
        entries=[_entry(line, units) for line in found.lines],
    )


def csv_rows(record: Record) -> list[list[object]]:
    """The lines of a record as rows of ``CSV_COLUMNS``: what is coming, then what happened."""
    unit = record.identity.unit
    blank: list[object] = [None] * (len(CSV_COLUMNS) - 6)
    rows = [
        [unit, "coming", line.service, line.due_on, line.name, _dues(line), *blank] for line in record.coming
    ]
    return rows + [_csv_row(unit, line) for line in record.entries]


def figure_text(figure: ShownFigure) -> str:
    """A figure with its unit, such as ``14210.5 km``."""
    return f"{figure.value:.12g} {figure.unit}"


def _csv_row(unit: str, line: RecordEntry) -> list[object]:
    wrong, ended = line.corrects, line.withdrawn
    return [
        unit,
        line.kind.value,
        line.entry,
        line.on,
        line.nature,
        "; ".join(f"{noted.meter} {figure_text(noted.life_to_date)}" for noted in line.figures),
        line.by,
        line.reference,
        line.note,
        instant_text(line.recorded_at),
        *((None, None, None) if wrong is None else (wrong.entry, wrong.by, wrong.why)),
        *(
            (None, None, None, None)
            if ended is None
            else (instant_text(ended.at), ended.by, ended.why, ended.entry)
        ),
        line.kept_until,
    ]


def _dues(line: Coming) -> str:
    return "; ".join(f"{limb.limb} {figure_text(limb.due)}" for limb in line.limbs if limb.due is not None)


def _coming(line: DueLine, found: VehicleRecord, units: UnitSystem) -> Coming:
    judgement, service = line.judgement, found.names.services[line.service]
    return Coming(
        service=service.code,
        name=service.name,
        is_statutory=service.is_statutory,
        state=judgement.state,
        due_on=None if judgement.due_day is None else date.fromordinal(judgement.due_day),
        limbs=[
            ComingLimb(
                limb=limb.point.limb,
                due_on=None if limb.due_day is None else date.fromordinal(limb.due_day),
                due=None
                if limb.point.limb is Limb.CALENDAR
                else shown_figure(METER_OF[limb.point.limb], limb.point.due, units),
            )
            for limb in judgement.limbs
        ],
    )


def _entry(line: RecordLine, units: UnitSystem) -> RecordEntry:
    return RecordEntry(
        kind=line.kind,
        entry=line.entry,
        at=line.at_us,
        on=line.on,
        nature=line.nature,
        services=list(line.services),
        figures=[
            NotedFigure(meter=meter, life_to_date=shown_figure(meter, figure, units))
            for meter, figure in line.figures.items()
        ],
        by=line.by,
        reference=line.reference,
        note=line.note,
        recorded_at=line.recorded_at_us,
        corrects=_correction(line.corrects),
        withdrawn=_correction(line.withdrawn),
        kept_until=line.kept_until,
    )


def _correction(found: Correction | None) -> RecordCorrection | None:
    if found is None:
        return None
    return RecordCorrection(entry=found.entry, by=found.by, why=found.why, at=found.at_us)
