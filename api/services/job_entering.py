"""Writing down the steps of a job in the bay, and signing it off.

Invariants: an entry follows the version of the job that the one before made; what it gives reason to look at and a
person has to see to becomes a defect in the same unit of work. Closing a job, what follows for the vehicle's due points,
and the stock are one unit of work. A job is locked before its vehicle and the stock, in that order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from api.services import job_stock, work_done
from api.services.defects import NewDefect, raise_defect
from api.services.errors import ConflictError, NotFoundError, RefusedError, StaleVersionError
from api.services.fluid_products import products_named
from api.services.jobs import KIND, EntryShown, JobShown, StoredJob, shown_job, stored_job
from api.services.kits import parts_of
from api.services.suitability import requirement_named
from api.services.vehicle_span import day_in_depot
from api.store import queries_jobs, queries_vehicles, writes_jobs
from api.store.job_texts import encode
from domain.errors import Breach, JobError
from domain.fluids import suitability
from domain.job_entries import FluidAtHand, Found, JobEntry, SignedOff
from domain.job_plan import FLUID_KINDS
from domain.job_result import check_sign_off, outcome
from domain.jobs import CLOSED, JobState, appended
from domain.requirements import Verdict
from domain.work import CLOCK_SLACK_US

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from api.services.figures import GivenFigure
    from api.store.session import ReadSession, WriteSession
    from domain.job_entries import Said
    from domain.job_plan import JobPlan
    from domain.job_result import Outcome
    from domain.jobs import Finding, JobStanding
    from domain.sheet import Meter


@dataclass(frozen=True, slots=True)
class FluidOffered:
    """A product that a mechanic has at hand; it is held against the compartment's requirement.

    Attributes:
        compartment: Code of the compartment.
        product: Code of the product.
        authority: Where the maker admits it, where the maker decides.
        lot: Code of the lot.
    """

    compartment: str
    product: str
    authority: str | None
    lot: str | None


@dataclass(frozen=True, slots=True)
class NewEntry:
    """An entry as it is made.

    Attributes:
        by: Who says so.
        noted_at_us: When it was noted [us UTC]; None: now.
        said: What.
    """

    by: str
    noted_at_us: int | None
    said: Said | FluidOffered


@dataclass(frozen=True, slots=True)
class SigningOff:
    """How a job is signed off.

    Attributes:
        said: Who did the work, who checked it, what stays open and why.
        done_at_us: When the work was done [us UTC]; None: now.
        figures: What the meters' dials showed then.
        note: Free text.
    """

    said: SignedOff
    done_at_us: int | None
    figures: tuple[tuple[Meter, GivenFigure], ...]
    note: str | None


@dataclass(frozen=True, slots=True)
class Entered:
    """An entry as stored, and how the job stands with it.

    Attributes:
        plan: What the job set out to do.
        standing: How it stands.
        version: Its version.
        entry: The entry.
    """

    plan: JobPlan
    standing: JobStanding
    version: int
    entry: EntryShown


def enter(  # noqa: PLR0913 - a job, its version, and what is entered
    session: WriteSession, fleet_key: int, key: int, version: int, new: NewEntry, *, now_us: int
) -> Entered:
    """The entry as stored, and how the job stands with it.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        key: The job.
        version: The version that the entry follows.
        new: The entry.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: The fleet has no such job.
        StaleVersionError: Another entry came before.
        ConflictError: The job is closed (``job_signed_off``, ``job_stopped``).
        JobError: The entry cannot follow those before it.
        RefusedError: A product does not suit, or is not stored; the instant is none of the job's.
    """
    stored = _stored_for_change(session, fleet_key, key, version)
    noted_at_us = _noted_at_us(stored, new, now_us)
    said = (
        _held_against(session, fleet_key, stored, new.said, day_in_depot(noted_at_us, stored.row.time_zone))
        if isinstance(new.said, FluidOffered)
        else new.said
    )
    entry = JobEntry(len(stored.entries) + 1, new.by, said)
    standing = appended(stored.plan, stored.entries, entry)
    _append(session, fleet_key, stored, entry, standing, noted_at_us, now_us=now_us)
    _raise_defects(
        session, fleet_key, stored, entry, standing.findings_of(entry.number), noted_at_us, now_us=now_us
    )
    if standing.state is JobState.STOPPED:
        done = _outcome(session, fleet_key, stored, standing)
        job_stock.settle(session, fleet_key, stored.row.depot_id, key, done, now_us=now_us)
    shown = EntryShown(
        entry, noted_at_us, now_us, is_corrected=False, findings=standing.findings_of(entry.number)
    )
    return Entered(stored.plan, standing, stored.version + 1, shown)


def sign_off(  # noqa: PLR0913 - a job, its version, and how it is signed off
    session: WriteSession, fleet_key: int, key: int, version: int, signing: SigningOff, *, now_us: int
) -> JobShown:
    """The job, signed off: the work counts on the vehicle, what was used has left the stock.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        key: The job.
        version: The version that is signed off.
        signing: How.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: The fleet has no such job.
        StaleVersionError: Another entry came before.
        ConflictError: The job is closed, or the same work stands already.
        JobError: It cannot be signed off as it stands.
        WorkError: The work cannot have happened as entered.
    """
    stored = _stored_for_change(session, fleet_key, key, version)
    done_at_us = now_us if signing.done_at_us is None else signing.done_at_us
    entry = JobEntry(len(stored.entries) + 1, signing.said.checked_by, signing.said)
    standing = appended(stored.plan, stored.entries, entry)
    check_sign_off(stored.plan, standing, signing.said)
    done = _outcome(session, fleet_key, stored, standing)
    work = work_done.Entry(
        unit=_unit_on(session, fleet_key, stored, day_in_depot(done_at_us, "UTC")),
        done_at_us=done_at_us,
        figures=signing.figures,
        services=done.services,
        tasks_left_undone=done.tasks_left_undone,
        fluids=tuple(
            work_done.FluidNoted(one.compartment, one.fluid_requirement, one.drained_ml, one.filled_ml)
            for one in done.fluids
        ),
        is_from_papers=False,
        reference=stored.row.reference or f"job {key}",
        note=signing.note,
    )
    work_key = work_done.enter(session, fleet_key, work, now_us=now_us)
    _append(session, fleet_key, stored, entry, standing, done_at_us, now_us=now_us, work_done=work_key)
    writes_jobs.add_drains(
        session,
        [
            {
                "fleet_id": fleet_key,
                "job_id": key,
                "compartment": code,
                "number": one.number,
                "spec_sheet_id": stored.row.spec_sheet_id,
                "drained_15c_ml": one.drained_15c_ml,
            }
            for code, vessel in standing.vessels.items()
            for one in vessel.passes
        ],
    )
    job_stock.settle(session, fleet_key, stored.row.depot_id, key, done, now_us=now_us)
    after = _after(stored, entry, standing, done_at_us, now_us)
    return shown_job(session, fleet_key, replace(after, work_done=work_key), standing)


def _stored_for_change(session: WriteSession, fleet_key: int, key: int, version: int) -> StoredJob:
    row = queries_jobs.job_locked(session, fleet_key, key)
    if row is None:
        raise NotFoundError(KIND)
    if row.version != version:
        raise StaleVersionError(KIND, stored_version=row.version)
    state = JobState(row.state)
    if state in CLOSED:
        words = "signed off" if state is JobState.SIGNED_OFF else "stopped"
        raise ConflictError(Breach("", f"job_{state.value}", f"the job was {words} and takes no entry"))
    return stored_job(session, fleet_key, row)


def _held_against(
    session: ReadSession, fleet_key: int, stored: StoredJob, offered: FluidOffered, on: date
) -> FluidAtHand:
    """The product at hand, if it suits the compartment; else it is refused by name and reason."""
    compartment = stored.plan.compartments.get(offered.compartment)
    if compartment is None:
        detail = "no task of the job works on a compartment of that code"
        raise JobError(Breach("/compartment", "compartment_not_in_job", detail))
    product = products_named(session, fleet_key, {"/product": offered.product})["/product"].terms.product
    verdict, reasons = Verdict.MAKER_DECIDES, "the sheet names no requirement for this compartment"
    if compartment.fluid_requirement is not None:
        try:
            required = requirement_named(session, fleet_key, compartment.fluid_requirement, "/compartment")
        except RefusedError as error:
            # What the maker names in words of its own is for a person to compare.
            reasons = error.breaches[0].detail
        else:
            judgement = suitability(product, (required,), kind=FLUID_KINDS.get(compartment.kind))
            verdict = judgement.verdict
            reasons = "; ".join(
                dict.fromkeys(one.ruling.detail for one in judgement.rulings if one.ruling.verdict is verdict)
            )
    name = f"product {product.code} for {compartment.code}"
    if verdict is Verdict.NO:
        raise JobError(Breach("/product", "fluid_unsuitable", f"{name}: {reasons}"))
    if verdict is Verdict.MAKER_DECIDES and offered.authority is None:
        detail = f"{name}: {reasons}; name in authority where the maker admits it"
        raise JobError(Breach("/product", "fluid_not_settled", detail))
    _refuse_past_date(session, fleet_key, stored.row.depot_id, offered, on)
    return FluidAtHand(
        offered.compartment,
        product.code,
        product.kind,
        product.density_15c_kg_m3,
        verdict,
        offered.authority,
        offered.lot,
    )


def _refuse_past_date(
    session: ReadSession, fleet_key: int, depot_key: int, offered: FluidOffered, on: date
) -> None:
    """Nothing, unless all that the depot has of the lot is past its date; a lot not in its book is taken."""
    if offered.lot is None:
        return
    days = queries_jobs.lot_days(session, fleet_key, depot_key, offered.product, offered.lot)
    if days and all(day is not None and day < on for day in days):
        last = max(day for day in days if day is not None)
        raise JobError(Breach("/lot", "lot_past_date", f"the lot may be used through {last.isoformat()}"))


def _unit_on(session: ReadSession, fleet_key: int, stored: StoredJob, on: date) -> str:
    """The vehicle's unit number on a day; its newest one where it had none then."""
    for label in queries_vehicles.unit_numbers(session, fleet_key, stored.row.vehicle_id):
        if label.valid_from <= on and (label.valid_through is None or on <= label.valid_through):
            return str(label.unit)
    return str(stored.row.unit)


def _noted_at_us(stored: StoredJob, new: NewEntry, now_us: int) -> int:
    if new.noted_at_us is None:
        return now_us
    if new.noted_at_us > now_us + CLOCK_SLACK_US:
        raise RefusedError(Breach("/noted_at", "in_future", "what has happened lies in the past"))
    if new.noted_at_us < stored.row.opened_at_us - CLOCK_SLACK_US:
        raise RefusedError(Breach("/noted_at", "before_opening", "the job was opened later"))
    return new.noted_at_us


def _append(  # noqa: PLR0913, PLR0917 - an entry and all that goes with it
    session: WriteSession,
    fleet_key: int,
    stored: StoredJob,
    entry: JobEntry,
    standing: JobStanding,
    noted_at_us: int,
    *,
    now_us: int,
    work_done: int | None = None,
) -> None:
    is_closed = standing.state in CLOSED
    values: dict[str, Any] = {
        "state": standing.state.value,
        "waits_for": None if standing.waits_for is None else standing.waits_for.value,
        "changed_at_us": now_us,
    }
    if is_closed:
        values |= {"closed_at_us": now_us, "work_done_id": work_done}
    if not writes_jobs.change_job(session, fleet_key, stored.row.id, stored.version, values):
        raise StaleVersionError(KIND, stored_version=stored.version + 1)
    writes_jobs.add_entry(
        session,
        {
            "fleet_id": fleet_key,
            "job_id": stored.row.id,
            "number": entry.number,
            "kind": entry.kind.value,
            "by": entry.by,
            "noted_at_us": noted_at_us,
            "recorded_at_us": now_us,
            "said": encode(entry.said),
        },
    )
    if is_closed:
        writes_jobs.close_services(session, fleet_key, stored.row.id)


def _raise_defects(  # noqa: PLR0913, PLR0917 - an entry and all that goes with it
    session: WriteSession,
    fleet_key: int,
    stored: StoredJob,
    entry: JobEntry,
    findings: Sequence[Finding],
    noted_at_us: int,
    *,
    now_us: int,
) -> None:
    words = entry.said.words if isinstance(entry.said, Found) else None
    for finding in findings:
        if finding.is_defect:
            new = NewDefect(
                what=words or finding.detail,
                found_by=entry.by,
                found_at_us=noted_at_us,
                is_off_road=finding.is_off_road,
                compartment=finding.compartment,
                assigned_to=finding.assigned_to,
                reference=stored.row.reference or f"job {stored.row.id}",
            )
            raise_defect(session, fleet_key, stored.row.vehicle_id, new, now_us=now_us)


def _outcome(session: ReadSession, fleet_key: int, stored: StoredJob, standing: JobStanding) -> Outcome:
    parts = parts_of(session, fleet_key, [stored.row.spec_sheet_version_id])
    return outcome(stored.plan, standing, parts)


def _after(
    stored: StoredJob, entry: JobEntry, standing: JobStanding, noted_at_us: int, now_us: int
) -> StoredJob:
    return replace(
        stored,
        entries=(*stored.entries, entry),
        times=(*stored.times, (noted_at_us, now_us)),
        state=standing.state,
        version=stored.version + 1,
        changed_at_us=now_us,
    )
