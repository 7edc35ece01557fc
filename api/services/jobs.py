"""Jobs in the bay as they are read: one with all that stands in it, its entries, and lists.

Invariant: how a job stands is the fold of its entries (``domain.jobs``) under the plan that was frozen when it was
opened.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from api.services.errors import NotFoundError
from api.store import queries_jobs, queries_vehicles
from api.store.job_texts import Frozen, decode_frozen, decode_said
from api.store.sheets import load_sheet
from domain.job_entries import JobEntry
from domain.job_plan import job_plan
from domain.jobs import CLOSED, JobState, folded

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from api.store.session import ReadSession
    from domain.job_plan import JobPlan
    from domain.jobs import Finding, JobStanding


KIND = "job"
"""What a job is called where there is none."""


@dataclass(frozen=True, slots=True)
class EntryShown:
    """An entry as stored.

    Attributes:
        entry: The entry.
        noted_at_us: When it was noted [us UTC].
        recorded_at_us: When it was entered [us UTC].
        is_corrected: Whether it counts no longer, or otherwise than it says.
        findings: What it gives reason to look at.
    """

    entry: JobEntry
    noted_at_us: int
    recorded_at_us: int
    is_corrected: bool
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class JobHead:
    """A job by its row.

    Attributes:
        key: Its number.
        unit: The vehicle's newest unit number.
        depot: Code of the depot.
        spec_sheet: Code of the vehicle's type.
        sheet_version: Number of the sheet version that was frozen.
        state: Where it stands.
        waits_for: What it waits for.
        services: Services with whether they are named.
        opened_by: Who opened it.
        opened_at_us: When [us UTC].
        changed_at_us: When the last entry was made [us UTC].
        closed_at_us: When it was signed off or stopped [us UTC].
        reference: The order's own number.
        note: Free text.
        work_done: Number of the entry of work done that it made.
        version: Grows by one with each entry.
    """

    key: int
    unit: str
    depot: str
    spec_sheet: str
    sheet_version: int
    state: JobState
    waits_for: str | None
    services: tuple[tuple[str, bool], ...]
    opened_by: str
    opened_at_us: int
    changed_at_us: int
    closed_at_us: int | None
    reference: str | None
    note: str | None
    work_done: int | None
    version: int


@dataclass(frozen=True, slots=True)
class JobShown:
    """A job with all that stands in it.

    Attributes:
        head: Its row.
        frozen: What was planned beside the sheet version.
        plan: What it set out to do.
        standing: How it stands.
        entries: Its entries, by number.
    """

    head: JobHead
    frozen: Frozen
    plan: JobPlan
    standing: JobStanding
    entries: tuple[EntryShown, ...]


@dataclass(frozen=True, slots=True)
class JobsAsked:
    """Which jobs a list shows; an empty wish admits all."""

    unit: str | None = None
    depot: str | None = None
    state: JobState | None = None


def job_of(session: ReadSession, fleet_key: int, key: int) -> JobShown:
    """A job with all that stands in it.

    Raises:
        NotFoundError: The fleet has none of that number.
    """
    row = queries_jobs.job(session, fleet_key, key)
    if row is None:
        raise NotFoundError(KIND)
    stored = stored_job(session, fleet_key, row)
    return shown_job(session, fleet_key, stored, folded(stored.plan, stored.entries))


def jobs_of(  # noqa: PLR0913 - what a page asks for
    session: ReadSession,
    fleet_key: int,
    asked: JobsAsked,
    *,
    today: date,
    before: int | None,
    limit: int,
) -> tuple[JobHead, ...]:
    """Jobs, the newest first.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which jobs.
        today: The day on which a unit number is looked up.
        before: Only those below this number; None: from the newest on.
        limit: Most jobs.
    """
    wishes: dict[str, Any] = {
        "state": None if asked.state is None else asked.state.value,
        "depot": asked.depot,
        "before": before,
    }
    wishes = {name: wish for name, wish in wishes.items() if wish is not None}
    if asked.unit is not None:
        vehicle = queries_vehicles.labelled(session, fleet_key, asked.unit, today)
        if vehicle is None:
            return ()
        wishes["vehicle"] = vehicle.id
    rows = queries_jobs.jobs(session, fleet_key, wishes, limit)
    services = queries_jobs.services(session, fleet_key, [row.id for row in rows])
    return tuple(_head(row, services[row.id]) for row in rows)


def entries_of(
    session: ReadSession, fleet_key: int, key: int, *, after: int, limit: int
) -> tuple[EntryShown, ...]:
    """Entries of a job by number, from the one after ``after`` on.

    Raises:
        NotFoundError: The fleet has no job of that number.
    """
    found = [one for one in job_of(session, fleet_key, key).entries if one.entry.number > after]
    return tuple(found[:limit])


@dataclass(frozen=True, slots=True)
class StoredJob:
    """A job as it is stored.

    Attributes:
        row: Its row, of ``api.store.queries_jobs``.
        frozen: What was planned beside the sheet version.
        plan: What it set out to do.
        entries: Its entries, by number.
        times: When each was noted and entered [us UTC].
        state: Where it stands.
        version: Its version.
        changed_at_us: When the last entry was made [us UTC].
        work_done: Number of the entry of work done that it made.
    """

    row: Any
    frozen: Frozen
    plan: JobPlan
    entries: tuple[JobEntry, ...]
    times: tuple[tuple[int, int], ...]
    state: JobState
    version: int
    changed_at_us: int
    work_done: int | None


def stored_job(session: ReadSession, fleet_key: int, row: Any) -> StoredJob:
    """A job as it is stored, from its row of ``api.store.queries_jobs``."""
    frozen = decode_frozen(row.frozen)
    sheet = load_sheet(session, fleet_key, row.spec_sheet_version_id)
    plan = job_plan(sheet, frozen.services, expected=frozen.expected, fluids=frozen.plans)
    rows = queries_jobs.entries(session, fleet_key, row.id)
    return StoredJob(
        row,
        frozen,
        plan,
        tuple(JobEntry(one.number, one.by, decode_said(one.kind, one.said)) for one in rows),
        tuple((one.noted_at_us, one.recorded_at_us) for one in rows),
        JobState(row.state),
        row.version,
        row.changed_at_us,
        row.work_done_id,
    )


def shown_job(session: ReadSession, fleet_key: int, stored: StoredJob, standing: JobStanding) -> JobShown:
    """A job with all that stands in it.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        stored: The job.
        standing: The fold of its entries.
    """
    findings: dict[int, list[Finding]] = {}
    for number, finding in standing.findings:
        findings.setdefault(number, []).append(finding)
    services = queries_jobs.services(session, fleet_key, [stored.row.id])[stored.row.id]
    head = replace(
        _head(stored.row, services),
        state=standing.state,
        waits_for=None if standing.waits_for is None else standing.waits_for.value,
        changed_at_us=stored.changed_at_us,
        closed_at_us=stored.changed_at_us if standing.state in CLOSED else None,
        version=stored.version,
        work_done=stored.work_done,
    )
    return JobShown(
        head,
        stored.frozen,
        stored.plan,
        standing,
        tuple(
            EntryShown(
                entry, *times, entry.number in standing.corrected, tuple(findings.get(entry.number, ()))
            )
            for entry, times in zip(stored.entries, stored.times, strict=True)
        ),
    )


def _head(row: Any, services: Sequence[tuple[str, bool]]) -> JobHead:
    return JobHead(
        key=row.id,
        unit=row.unit or row.unit_then,
        depot=row.depot,
        spec_sheet=row.spec_sheet,
        sheet_version=row.sheet_version,
        state=JobState(row.state),
        waits_for=row.waits_for,
        services=tuple(services),
        opened_by=row.opened_by,
        opened_at_us=row.opened_at_us,
        changed_at_us=row.changed_at_us,
        closed_at_us=row.closed_at_us,
        reference=row.reference,
        note=row.note,
        work_done=row.work_done_id,
        version=row.version,
    )
