"""The record of a vehicle: who it is, what is coming, and everything that was done, found and put off.

Invariants: nothing is left out for being wrong: a corrected or withdrawn entry stands with what corrects it, by whom
and why; each line says until when it is kept, and none that a due point is counted from has an end.

Sources: 49 CFR 396.3(b) for what a record holds (identity, what is coming and when, what was done and when).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from api.services import due, registration, vehicles, work_done
from api.services.defects import vehicle_defects
from api.services.fluid_samples import judged_rows
from api.services.history import as_date, figures_of, load_histories
from api.services.vehicle_span import day_in_depot
from api.services.work_done import EntriesAsked
from api.store import facts, queries_samples, queries_work
from api.store.facts import Owner, Window
from api.store.job_texts import decode_said
from api.store.sheets import load_sheet
from domain.defects import DefectStep
from domain.job_entries import SignedOff
from domain.retention import counted_from, kept_until

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import date

    from api.services.defects import Defect
    from api.services.due import DueLine, SheetNames, VehicleDue
    from api.services.registration import Label
    from api.services.units import Address
    from api.services.vehicles import Vehicle
    from api.store.session import ReadSession
    from domain.sheet import Meter, SpecSheet

MOST_ENTRIES = 100_000


class LineKind(StrEnum):
    """What a line of the record is about."""

    WORK_DONE = "work_done"
    COMPONENT_EXCHANGE = "component_exchange"
    DEFECT = "defect"
    FLUID_SAMPLE = "fluid_sample"
    DEFERRAL = "deferral"


@dataclass(frozen=True, slots=True)
class Correction:
    """What a line corrects, or what ended it.

    Attributes:
        entry: The wrong entry, or the one that stands in its place; None where there is none.
        by: By whom; None where nobody was named.
        why: Why.
        at_us: When [us UTC].
    """

    entry: int | None
    by: str | None
    why: str
    at_us: int


@dataclass(frozen=True, slots=True)
class RecordLine:
    """One line of the record.

    Attributes:
        kind: What it is about.
        entry: Key of the entry, within its kind.
        at_us: When it happened [us UTC].
        on: Its day in the depot's time zone.
        nature: What was done, found or put off, in words.
        services: Codes of the services that it completed.
        figures: Life-to-date figures noted then, a meter [canonical units].
        by: Who did or found it; None where nobody was named.
        reference: The paper's or order's own number.
        note: Free text.
        recorded_at_us: When it was entered [us UTC].
        corrects: The entry that it corrects.
        withdrawn: What ended it.
        kept_until: First day on which it may go; None where a due point is counted from it, or a defect is
            not released.
    """

    kind: LineKind
    entry: int
    at_us: int
    on: date
    nature: str
    services: tuple[str, ...]
    figures: Mapping[Meter, int]
    by: str | None
    reference: str | None
    note: str | None
    recorded_at_us: int
    corrects: Correction | None
    withdrawn: Correction | None
    kept_until: date | None = None


@dataclass(frozen=True, slots=True)
class VehicleRecord:
    """The record of a vehicle.

    Attributes:
        vehicle: Who it is.
        unit_numbers: The numbers that it has carried.
        stands: How its services and defects stand.
        names: Names and rules of its sheet.
        lines: Everything that happened, in order of time.
    """

    vehicle: Vehicle
    unit_numbers: tuple[Label, ...]
    stands: VehicleDue
    names: SheetNames
    lines: tuple[RecordLine, ...]

    @property
    def coming(self) -> list[DueLine]:
        """Its services, those with a due day first, in order of it."""
        return sorted(
            self.stands.lines,
            key=lambda line: (line.judgement.due_day is None, line.judgement.due_day or 0, line.service),
        )


def record_of(
    session: ReadSession, at: Address, *, today: date, from_on: date | None, through_on: date | None
) -> VehicleRecord:
    """The record of the vehicle at an address.

    Args:
        session: Any unit of work.
        at: The vehicle.
        today: The day of the request in the depot's time zone.
        from_on: Only what happened from this day on; None: from the first.
        through_on: Only what happened up to and including this day; None: to the last.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    vehicle = vehicles.vehicle(session, at)
    ref = vehicle.ref
    found = due.vehicle_due(session, at.fleet_key, ref.key, unit=at.unit, as_of=today, today=today)
    sheet = load_sheet(session, at.fleet_key, found.vehicle.spec_sheet_version_key)
    names = due.sheet_names(session, at.fleet_key, [found.vehicle.spec_sheet_version_key])
    held = {(LineKind.DEFECT, defect.key) for defect in found.defects}
    if ref.retired_on is None:
        loaded = load_histories(session, at.fleet_key, [ref.key])[ref.key]
        held |= {(LineKind.WORK_DONE, key) for key in counted_from(sheet, loaded.history)}
    lines = [
        *_work(session, at, ref.key, sheet),
        *_exchanges(session, at.fleet_key, ref.key),
        *_deferrals(session, at.fleet_key, ref.key, sheet),
        *_defects(vehicle_defects(session, at.fleet_key, ref.key), ref.time_zone),
        *_samples(session, at.fleet_key, ref.key, sheet),
    ]
    lines.sort(key=lambda line: (line.at_us, line.kind, line.entry))
    return VehicleRecord(
        vehicle,
        registration.unit_numbers(session, at),
        found,
        names[found.vehicle.spec_sheet_version_key],
        tuple(
            _kept(line, ref.time_zone, ref.retired_on, frozenset(held))
            for line in lines
            if (from_on is None or line.on >= from_on) and (through_on is None or line.on <= through_on)
        ),
    )


def _kept(
    line: RecordLine, time_zone: str, left_on: date | None, held: frozenset[tuple[LineKind, int]]
) -> RecordLine:
    """The line with the day until which it is kept; what ended it counts as its newest day."""
    if (line.kind, line.entry) in held:
        return line
    newest_us = max(line.recorded_at_us, line.withdrawn.at_us if line.withdrawn else 0)
    newest = max(line.on, day_in_depot(newest_us, time_zone))
    return replace(line, kept_until=kept_until(newest, left_on))


def _signed(session: ReadSession, fleet_key: int, vehicle_key: int) -> dict[int, str]:
    """Who did and who checked work that jobs were signed off with, by the key of its entry."""
    found = {}
    for row in queries_work.signatures(session, fleet_key, vehicle_key):
        said = decode_said(row.kind, row.said)
        if isinstance(said, SignedOff):
            found[row.work_done_id] = f"{', '.join(said.done_by)}; checked by {said.checked_by}"
    return found


def _work(session: ReadSession, at: Address, vehicle_key: int, sheet: SpecSheet) -> Iterator[RecordLine]:
    names = {service.code: service.name for service in sheet.services}
    found = work_done.shown_entries(
        session, at.fleet_key, EntriesAsked(at.unit), today=at.on, before=None, limit=MOST_ENTRIES
    )
    signed = _signed(session, at.fleet_key, vehicle_key)
    for entry in found:
        done = [service.code for service in entry.services if service.is_completed]
        left = [service.code for service in entry.services if not service.is_completed]
        words = [names.get(code, code) for code in done]
        words += [f"{names.get(code, code)} (not completed)" for code in left]
        ended = None
        if entry.withdrawn_at_us is not None:
            ended = Correction(
                entry.corrected_by_entry,
                entry.withdrawn_by,
                entry.withdrawn_reason or "",
                entry.withdrawn_at_us,
            )
        wrong = entry.corrects
        yield RecordLine(
            LineKind.WORK_DONE,
            entry.key,
            entry.done_at_us,
            entry.done_on,
            "; ".join(words),
            tuple(done),
            {figure.meter: figure.life for figure in entry.figures},
            signed.get(entry.key),
            entry.reference,
            entry.note,
            entry.recorded_at_us,
            None if wrong is None else Correction(wrong.entry, wrong.by, wrong.why, entry.recorded_at_us),
            ended,
        )


def _exchanges(session: ReadSession, fleet_key: int, vehicle_key: int) -> Iterator[RecordLine]:
    window = Window(has_withdrawn=True)
    for row in facts.entries(session, facts.EXCHANGES, Owner(fleet_key, vehicle_key), window):
        serial = "" if row.serial_number is None else f", serial number {row.serial_number}"
        yield RecordLine(
            LineKind.COMPONENT_EXCHANGE,
            row.id,
            row.exchanged_at_us,
            as_date(row.exchanged_on),
            f"Exchanged the component of {row.compartment}{serial}",
            (),
            figures_of(row.figures),
            None,
            None,
            row.note,
            row.recorded_at_us,
            None,
            _ended(row),
        )


def _deferrals(
    session: ReadSession, fleet_key: int, vehicle_key: int, sheet: SpecSheet
) -> Iterator[RecordLine]:
    names = {service.code: service.name for service in sheet.services}
    window = Window(has_withdrawn=True)
    for row in facts.entries(session, facts.DEFERRALS, Owner(fleet_key, vehicle_key), window):
        yield RecordLine(
            LineKind.DEFERRAL,
            row.id,
            row.recorded_at_us,
            as_date(row.granted_on),
            f"Put off: {names.get(row.service, row.service)}",
            (),
            {},
            row.authority,
            None,
            row.reason,
            row.recorded_at_us,
            None,
            _ended(row),
        )


def _defects(found: Iterable[Defect], time_zone: str) -> Iterator[RecordLine]:
    for defect in found:
        ended = None
        if defect.withdrawn_at_us is not None:
            ended = Correction(
                None, defect.withdrawn_by, defect.withdrawn_reason or "", defect.withdrawn_at_us
            )
        for step in defect.steps:
            note = step.note
            if step.step is DefectStep.FOUND and defect.found.is_off_road:
                note = "Off the road until released"
            yield RecordLine(
                LineKind.DEFECT,
                defect.key,
                step.taken_at_us,
                day_in_depot(step.taken_at_us, time_zone),
                f"{_STEP_WORDS[step.step]}: {defect.found.what}",
                (),
                {},
                step.taken_by,
                defect.found.reference,
                note,
                step.recorded_at_us,
                None,
                ended,
            )


def _samples(
    session: ReadSession, fleet_key: int, vehicle_key: int, sheet: SpecSheet
) -> Iterator[RecordLine]:
    rows = queries_samples.samples(session, Owner(fleet_key, vehicle_key), Window(has_withdrawn=True))
    for sample in judged_rows(session, fleet_key, sheet, rows):
        ended = None
        if sample.withdrawn_at_us is not None:
            ended = Correction(
                None, sample.withdrawn_by, sample.withdrawn_reason or "", sample.withdrawn_at_us
            )
        verdicts = ", ".join(f"{one.measure} {one.verdict}" for one in sample.judged)
        yield RecordLine(
            LineKind.FLUID_SAMPLE,
            sample.key,
            sample.taken_at_us,
            sample.taken_on,
            f"Fluid sample of {sample.compartment}: {verdicts}".replace("_", " "),
            (),
            sample.figures,
            sample.taken_by,
            sample.reference,
            sample.note,
            sample.recorded_at_us,
            None,
            ended,
        )


def _ended(row: Any) -> Correction | None:
    if row.withdrawn_at_us is None:
        return None
    return Correction(None, None, row.withdrawn_reason or "", row.withdrawn_at_us)


_STEP_WORDS = {
    DefectStep.FOUND: "Defect found",
    DefectStep.ASSIGNED: "Defect assigned",
    DefectStep.SEEN_TO: "Defect seen to",
    DefectStep.REOPENED: "Defect open again",
    DefectStep.RELEASED: "Defect released",
}
