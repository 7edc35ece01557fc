"""Work done: entering a visit, reading entries, and withdrawing a wrong one.

Invariants: an entry is held against the vehicle's life, its sheet and the accepted readings before anything
is stored; a withdrawal adds its instant and its reason and erases nothing; whatever changes here, the
vehicle's due points are drawn again in the same unit of work.

The sheet version in force is the one recorded last when the work was done (the first one for work before
that); where it lacks a service named, as paperwork entered later may, it is the newest.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, update
from sqlmodel import col

from api.services.errors import ConflictError, NotFoundError
from api.services.feed.batch import SentReading
from api.services.feed.judging import rejudge, withdraw_figures
from api.services.feed.recording import record
from api.services.figures import GivenFigure, accepted_around, noted_figures
from api.services.history import (
    FOREVER_US,
    LoadedVehicle,
    as_date,
    figures_of,
    load_histories,
    segment_of,
    stored_figures,
)
from api.services.standing import recompute
from api.services.units import VehicleRef, reference_of
from api.services.vehicle_span import day_in_depot, instant_breaches
from api.store import queries_history, queries_vehicles, queries_work
from api.store.codes import METER_CODES, ReadingReason, ReadingStatus
from api.store.sheets import load_sheet
from api.store.tables_reading import Reading as ReadingRow
from api.store.tables_work import WorkCorrection, WorkDone, WorkFluid, WorkService, WorkTask
from domain.errors import Breach, WorkError
from domain.meters import DAY_US, MeterSegment, Reading, segment_at
from domain.work import knows_all, stands_between, visit_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter, SpecSheet
    from domain.work import Visit


@dataclass(frozen=True, slots=True)
class FluidNoted:
    """What a visit drained from and filled into a compartment.

    Attributes:
        compartment: Its code.
        fluid_requirement: Code of the requirement that the fluid filled in meets, where noted.
        drained_ml: Drained [mL].
        filled_ml: Filled in [mL].
    """

    compartment: str
    fluid_requirement: str | None
    drained_ml: int | None
    filled_ml: int | None


@dataclass(frozen=True, slots=True)
class Correction:
    """What an entry corrects.

    Attributes:
        entry: Key of the entry that was wrong.
        by: Who corrects it.
        why: Why it was wrong.
    """

    entry: int
    by: str
    why: str


@dataclass(frozen=True, slots=True)
class Entry:
    """A visit as entered.

    Attributes:
        unit: The vehicle's unit number.
        done_at_us: When it was done [us UTC].
        figures: What the meters' dials showed then.
        services: Code and restored share of each service named.
        tasks_left_undone: Codes of tasks that were not done.
        fluids: What was drained and filled.
        is_from_papers: Entered from earlier paperwork.
        reference: The paper's or order's own number.
        note: Free text.
        corrects: The wrong entry in whose place it stands; that one is withdrawn.
    """

    unit: str
    done_at_us: int
    figures: tuple[tuple[Meter, GivenFigure], ...]
    services: tuple[tuple[str, float], ...]
    tasks_left_undone: tuple[str, ...]
    fluids: tuple[FluidNoted, ...]
    is_from_papers: bool
    reference: str | None
    note: str | None
    corrects: Correction | None = None


@dataclass(frozen=True, slots=True)
class FigureShown:
    """A meter's figure at a visit [canonical units]; on the dial where a meter was fitted then."""

    meter: Meter
    dial: int | None
    life: int


@dataclass(frozen=True, slots=True)
class ServiceShown:
    """A service of a visit."""

    code: str
    is_named: bool
    is_completed: bool
    restored_share: float


@dataclass(frozen=True, slots=True)
class EntryShown:
    """A visit as stored.

    Attributes:
        key: Identifies the entry.
        unit: The vehicle's newest unit number.
        spec_sheet: Code of the vehicle's type then.
        sheet_version: Number of the sheet version in force.
        done_at_us: When it was done [us UTC].
        done_on: The day in the depot's time zone.
        figures: The meters' figures then.
        services: Named and included services.
        tasks_done: Codes of the tasks done.
        tasks_left_undone: Codes of the tasks left undone.
        fluids: What was drained and filled.
        is_from_papers: Entered from earlier paperwork.
        reference: The paper's or order's own number.
        note: Free text.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
        withdrawn_by: By whom; None where nobody was named.
        corrected_by_entry: Key of the entry that stands in its place.
        corrects: The entry in whose place it stands.
    """

    key: int
    unit: str
    spec_sheet: str
    sheet_version: int
    done_at_us: int
    done_on: date
    figures: tuple[FigureShown, ...]
    services: tuple[ServiceShown, ...]
    tasks_done: tuple[str, ...]
    tasks_left_undone: tuple[str, ...]
    fluids: tuple[FluidNoted, ...]
    is_from_papers: bool
    reference: str | None
    note: str | None
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None
    withdrawn_by: str | None
    corrected_by_entry: int | None
    corrects: Correction | None


@dataclass(frozen=True, slots=True)
class EntriesAsked:
    """Which entries a list shows; an empty wish admits all.

    Attributes:
        unit: Only the vehicle that bears this unit number, or bore it last.
        service: Only visits that named or included this service.
        from_on: Only work from this day on.
        through_on: Only work up to and including this day.
    """

    unit: str | None = None
    service: str | None = None
    from_on: date | None = None
    through_on: date | None = None


def enter(session: WriteSession, fleet_key: int, entry: Entry, *, now_us: int) -> int:
    """The key of a visit, entered; what is due on the vehicle follows at once.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        entry: The visit.
        now_us: The present [us UTC].

    Raises:
        WorkError: It cannot have happened as entered, with a breach for each reason.
        ConflictError: The same visit stands already (``work_repeated``), or the entry to be corrected was
            withdrawn before (``already_withdrawn``).
    """
    if entry.corrects is not None:
        if queries_work.entry(session, fleet_key, entry.corrects.entry) is None:
            detail = "the fleet has no such entry of work done"
            raise WorkError(Breach("/corrects/entry", "entry_unknown", detail))
        _withdraw(session, fleet_key, entry.corrects.entry, entry.corrects.why, now_us=now_us)
    today = day_in_depot(now_us, "UTC")
    reference = _vehicle(session, fleet_key, entry, today)
    vehicle = load_histories(session, fleet_key, [reference.key])[reference.key]
    version_key, sheet = _sheet_in_force(session, fleet_key, vehicle, entry)
    requirements = queries_work.fluid_requirement_keys(
        session, fleet_key, [f.fluid_requirement for f in entry.fluids if f.fluid_requirement is not None]
    )
    figures, breaches = noted_figures(session, fleet_key, vehicle, entry.figures, entry.done_at_us)
    breaches += instant_breaches(reference, entry.done_at_us, pointer="/done_at", now_us=now_us)
    breaches += _fluid_breaches(sheet, entry.fluids, requirements)
    try:
        visit = visit_of(sheet, entry.services, entry.tasks_left_undone)
    except WorkError as error:
        raise WorkError(*error.breaches, *breaches) from None
    if breaches:
        raise WorkError(*breaches)
    _refuse_repetition(session, fleet_key, vehicle.key, entry)
    row = WorkDone(
        fleet_id=fleet_key,
        vehicle_id=vehicle.key,
        spec_sheet_version_id=version_key,
        done_at_us=entry.done_at_us,
        done_on=day_in_depot(entry.done_at_us, vehicle.time_zone),
        figures=stored_figures(figures),
        is_from_papers=entry.is_from_papers,
        reference=entry.reference,
        note=entry.note,
        recorded_at_us=now_us,
    )
    key = _store(session, row, visit, entry.fluids, requirements)
    if entry.corrects is not None:
        _note_correction(session, fleet_key, entry.corrects, key, now_us=now_us)
    _record_figures(session, fleet_key, vehicle, entry.done_at_us, figures, now_us=now_us)
    recompute(session, fleet_key, [vehicle.key], now_us=now_us)
    return key


def shown_entry(session: ReadSession, fleet_key: int, key: int) -> EntryShown:
    """One entry, withdrawn or not.

    Raises:
        NotFoundError: The fleet has none of that key.
    """
    row = queries_work.entry(session, fleet_key, key)
    if row is None:
        raise NotFoundError(_KIND)
    (found,) = _shown(session, fleet_key, [row])
    return found


def shown_entries(  # noqa: PLR0913 - what a page asks for
    session: ReadSession,
    fleet_key: int,
    asked: EntriesAsked,
    *,
    today: date,
    before: int | None,
    limit: int,
) -> tuple[EntryShown, ...]:
    """Entries, the newest recorded first, withdrawn ones too.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which entries.
        today: The day on which a unit number is looked up.
        before: Only those recorded before the entry of this key; None: from the newest on.
        limit: Most entries.
    """
    wishes: dict[str, Any] = {
        "service": asked.service,
        "from_on": asked.from_on,
        "through_on": asked.through_on,
        "before": before,
    }
    wishes = {name: wish for name, wish in wishes.items() if wish is not None}
    if asked.unit is not None:
        row = queries_vehicles.labelled(session, fleet_key, asked.unit, today)
        if row is None:
            return ()
        wishes["vehicle"] = row.id
    return _shown(session, fleet_key, queries_work.entries(session, fleet_key, wishes, limit))


def withdraw(  # noqa: PLR0913 - by whom and why
    session: WriteSession, fleet_key: int, key: int, reason: str, *, by: str | None = None, now_us: int
) -> None:
    """Withdraw a wrong entry; it stays with the reason, and what is due on the vehicle follows at once.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        key: The entry.
        reason: Why.
        by: Who withdraws it, where named.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: The fleet has no such entry.
        ConflictError: It was withdrawn before (``already_withdrawn``).
    """
    _withdraw(session, fleet_key, key, reason, now_us=now_us)
    if by is not None:
        _note_correction(session, fleet_key, Correction(key, by, reason), None, now_us=now_us)


SOURCE = "work-done"
"""Code of the reading source of figures noted with work."""

_KIND = "work done"


def _withdraw(session: WriteSession, fleet_key: int, key: int, reason: str, *, now_us: int) -> None:
    row = queries_work.entry(session, fleet_key, key)
    if row is None:
        raise NotFoundError(_KIND)
    queries_work.lock_vehicle(session, fleet_key, row.vehicle_id)
    # The condition stands in the statement, so that of two withdrawals at once only one is made.
    withdrawn = session.execute(
        update(WorkDone)
        .where(
            col(WorkDone.fleet_id) == fleet_key,
            col(WorkDone.id) == key,
            col(WorkDone.withdrawn_at_us).is_(None),
        )
        .values(withdrawn_at_us=now_us, withdrawn_reason=reason)
        .returning(col(WorkDone.id)),
        execution_options={"synchronize_session": False},
    ).all()
    if not withdrawn:
        raise ConflictError(Breach("", "already_withdrawn", "this work was withdrawn before"))
    # Another entry of the same instant may have noted the same figures; then they stand.
    if not queries_work.standing_entries_at(session, fleet_key, row.vehicle_id, row.done_at_us):
        withdraw_figures(
            session, fleet_key, row.vehicle_id, at_us=row.done_at_us, source=SOURCE, now_us=now_us
        )
    recompute(session, fleet_key, [row.vehicle_id], now_us=now_us)


def _note_correction(
    session: WriteSession, fleet_key: int, correction: Correction, entry: int | None, *, now_us: int
) -> None:
    """Keep who corrected an entry and why; by another entry, or by the withdrawal alone."""
    session.execute(
        insert(WorkCorrection).values(
            fleet_id=fleet_key,
            corrects_id=correction.entry,
            work_done_id=entry,
            corrected_by=correction.by,
            why=correction.why,
            recorded_at_us=now_us,
        )
    )


def _vehicle(session: WriteSession, fleet_key: int, entry: Entry, today: date) -> VehicleRef:
    """The vehicle that bore the number on the day of the work, else the one that bears it, or bore it last.

    It is held, so that entries of one vehicle wait for each other and the same one is not stored twice.
    """
    for on in (day_in_depot(entry.done_at_us, "UTC"), today):
        row = queries_vehicles.labelled(session, fleet_key, entry.unit, on, is_locking=True)
        if row is not None:
            return reference_of(row)
    raise WorkError(Breach("/unit", "vehicle_unknown", "no vehicle of the fleet bears this unit number"))


def _sheet_in_force(
    session: ReadSession, fleet_key: int, vehicle: LoadedVehicle, entry: Entry
) -> tuple[int, SpecSheet]:
    versions = queries_work.sheet_versions(session, fleet_key, vehicle.spec_sheet_key)
    then = [version.id for version in versions if version.recorded_at_us <= entry.done_at_us]
    in_force = then[-1] if then else versions[0].id
    sheet = load_sheet(session, fleet_key, in_force)
    newest = versions[-1].id
    if in_force == newest or knows_all(sheet, (code for code, _ in entry.services)):
        return in_force, sheet
    return newest, load_sheet(session, fleet_key, newest)


def _fluid_breaches(
    sheet: SpecSheet, fluids: Sequence[FluidNoted], requirements: Mapping[str, int]
) -> list[Breach]:
    known = {compartment.code for compartment in sheet.compartments}
    seen: set[str] = set()
    breaches = []
    for index, fluid in enumerate(fluids):
        pointer = f"/fluids/{index}"
        if fluid.compartment not in known:
            detail = "the vehicle's spec sheet has no compartment of that code"
            breaches.append(Breach(f"{pointer}/compartment", "compartment_unknown", detail))
        elif fluid.compartment in seen:
            detail = "the entry names this compartment before"
            breaches.append(Breach(f"{pointer}/compartment", "compartment_repeated", detail))
        seen.add(fluid.compartment)
        if fluid.fluid_requirement is not None and fluid.fluid_requirement not in requirements:
            detail = "the fleet keeps no fluid requirement of that code"
            breaches.append(Breach(f"{pointer}/fluid_requirement", "fluid_requirement_unknown", detail))
    return breaches


def _refuse_repetition(session: ReadSession, fleet_key: int, vehicle_key: int, entry: Entry) -> None:
    named = {code for code, _ in entry.services}
    for key, services in queries_work.standing_entries_at(
        session, fleet_key, vehicle_key, entry.done_at_us
    ).items():
        if services == named:
            detail = f"entry {key} says that these services were done on this vehicle at this instant"
            raise ConflictError(Breach("", "work_repeated", detail))


def _store(
    session: WriteSession,
    row: WorkDone,
    visit: Visit,
    fluids: Sequence[FluidNoted],
    requirements: Mapping[str, int],
) -> int:
    session.add(row)
    session.flush()
    key = row.id
    assert key is not None  # noqa: S101 - the database has given it
    entry = {"fleet_id": row.fleet_id, "work_done_id": key}
    session.add_all(
        WorkService(
            **entry,
            service=service.code,
            is_named=service.is_named,
            is_completed=service.is_completed,
            restored_share=service.restored_share,
        )
        for service in visit.services
    )
    session.add_all(WorkTask(**entry, task=task.code, is_done=task.is_done) for task in visit.tasks)
    session.add_all(
        WorkFluid(
            **entry,
            compartment=fluid.compartment,
            fluid_requirement_id=requirements.get(fluid.fluid_requirement or ""),
            drained_ml=fluid.drained_ml,
            filled_ml=fluid.filled_ml,
        )
        for fluid in fluids
    )
    session.flush()
    return key


def _record_figures(  # noqa: PLR0913 - of one visit
    session: WriteSession,
    fleet_key: int,
    vehicle: LoadedVehicle,
    at_us: int,
    figures: Mapping[Meter, int],
    *,
    now_us: int,
) -> None:
    """Store the figures noted as readings, as far as they fit exactly between the accepted ones.

    One that a coarse dial only just explains stays with the work: as a reading it would push another one out.
    """
    label = _label_on(session, fleet_key, vehicle.key, day_in_depot(at_us, "UTC"))
    if label is None or not figures:
        return
    accepted = accepted_around(session, fleet_key, vehicle, at_us)
    sent = []
    for place, (meter, life) in enumerate(figures.items()):
        segment = segment_at(vehicle.history.segments, meter, at_us)
        fits = stands_between(meter, Reading(at_us, life), accepted.get(meter, ()))
        if segment is not None and fits:
            figure = life - segment.offset
            sent.append(SentReading(place, label, METER_CODES[meter], at_us, figure, SOURCE))
    if _revived(session, fleet_key, vehicle.key, sent):
        rejudge(session, fleet_key, vehicle.key, now_us=now_us)
    record(session, fleet_key, sent, now_us=now_us)


def _revived(session: WriteSession, fleet_key: int, vehicle_key: int, sent: Sequence[SentReading]) -> bool:
    """Whether any of these readings was there, discarded with an entry withdrawn, and is held again now."""
    is_revived = False
    for row in sent:
        revived = session.execute(
            update(ReadingRow)
            .where(
                col(ReadingRow.fleet_id) == fleet_key,
                col(ReadingRow.day) == row.at_us // DAY_US,
                col(ReadingRow.vehicle_id) == vehicle_key,
                col(ReadingRow.meter) == row.meter,
                col(ReadingRow.at_us) == row.at_us,
                col(ReadingRow.figure) == row.figure,
                col(ReadingRow.reason) == ReadingReason.WORK_WITHDRAWN.value,
            )
            .values(status=ReadingStatus.HELD.value, reason=0, withdrawn_at_us=None)
            .returning(col(ReadingRow.at_us)),
            execution_options={"synchronize_session": False},
        )
        is_revived = is_revived or revived.first() is not None
    return is_revived


def _label_on(session: ReadSession, fleet_key: int, vehicle_key: int, on: date) -> str | None:
    for label in queries_vehicles.unit_numbers(session, fleet_key, vehicle_key):
        if label.valid_from <= on and (label.valid_through is None or on <= label.valid_through):
            return str(label.unit)
    return None


def _shown(session: ReadSession, fleet_key: int, rows: Sequence[Any]) -> tuple[EntryShown, ...]:
    if not rows:
        return ()
    keys = [row.id for row in rows]
    vehicles = sorted({row.vehicle_id for row in rows})
    services = _by_entry(queries_work.services(session, fleet_key, keys))
    tasks = _by_entry(queries_work.tasks(session, fleet_key, keys))
    fluids = _by_entry(queries_work.fluids(session, fleet_key, keys))
    segments: dict[int, list[MeterSegment]] = defaultdict(list)
    for segment in queries_history.segments(session, fleet_key, vehicles, FOREVER_US):
        segments[segment.vehicle_id].append(segment_of(segment))
    return tuple(
        EntryShown(
            key=row.id,
            unit=row.unit or "",
            spec_sheet=row.spec_sheet,
            sheet_version=row.sheet_version,
            done_at_us=row.done_at_us,
            done_on=as_date(row.done_on),
            figures=_figures_shown(row, segments[row.vehicle_id]),
            services=tuple(
                ServiceShown(s.service, bool(s.is_named), bool(s.is_completed), s.restored_share)
                for s in services[row.id]
            ),
            tasks_done=tuple(t.task for t in tasks[row.id] if t.is_done),
            tasks_left_undone=tuple(t.task for t in tasks[row.id] if not t.is_done),
            fluids=tuple(
                FluidNoted(f.compartment, f.fluid_requirement, f.drained_ml, f.filled_ml)
                for f in fluids[row.id]
            ),
            is_from_papers=bool(row.is_from_papers),
            reference=row.reference,
            note=row.note,
            recorded_at_us=row.recorded_at_us,
            withdrawn_at_us=row.withdrawn_at_us,
            withdrawn_reason=row.withdrawn_reason,
            withdrawn_by=row.withdrawn_by,
            corrected_by_entry=row.corrected_by_entry,
            corrects=None
            if row.corrects_id is None
            else Correction(row.corrects_id, row.corrected_by, row.corrected_why),
        )
        for row in rows
    )


def _figures_shown(row: Any, segments: Sequence[MeterSegment]) -> tuple[FigureShown, ...]:
    shown = []
    for meter, life in figures_of(row.figures).items():
        segment = segment_at(segments, meter, row.done_at_us)
        shown.append(FigureShown(meter, None if segment is None else life - segment.offset, life))
    return tuple(shown)


def _by_entry(rows: Sequence[Any]) -> defaultdict[int, list[Any]]:
    groups: defaultdict[int, list[Any]] = defaultdict(list)
    for row in rows:
        groups[row.work_done_id].append(row)
    return groups
