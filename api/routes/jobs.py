"""Jobs in the bay: opened, written down step by step, signed off."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Query, Response
from fastapi.responses import HTMLResponse

from api.deps import ExpectedVersion, Fleet, Now, Page, ReadSession, Today, Units, WriteSession, tag
from api.intake import router
from api.printed.bay_sheet import bay_sheet_document
from api.problems import documented
from api.routes.addressing import LARGEST_KEY
from api.schemas.job_answers import entered, shown_entry, shown_job, shown_summary
from api.schemas.job_entries import JobEntryBody
from api.schemas.jobs import Job, JobEntered, JobEntryList, JobList, JobOpening, JobSigningOff
from api.schemas.quantities import UnitSystem
from api.services import job_entering, job_opening, jobs
from api.services.bay_sheet import bay_sheet
from api.services.due import DueAsk
from api.services.units import Address
from domain.jobs import JobState

routes = router("/jobs", tag="jobs")

JobNumber = Annotated[int, Path(ge=1, le=LARGEST_KEY, description="The job's number.")]


@routes.post(
    "",
    operation_id="open_job",
    status_code=201,
    summary="Open a job in the bay",
    responses=documented(409, 410),
)
def open_job(  # noqa: PLR0913, PLR0917 - what the route asks for
    body: JobOpening,
    fleet: Fleet,
    session: WriteSession,
    today: Today,
    now_us: Now,
    units: Units,
    response: Response,
) -> Job:
    """The spec sheet's figures are frozen, kit and fluid are reserved from the depot's stock.

    Of a vehicle and a service at most one job is open.
    """
    at = Address(fleet.fleet_key, body.unit, today)
    number = job_opening.open_job(session, at, body.value(), DueAsk(today), now_us=now_us)
    response.headers["Location"] = f"/v1/jobs/{number}"
    return _told(jobs.job_of(session, fleet.fleet_key, number), units, response)


@routes.get("", operation_id="list_jobs", summary="List jobs")
def list_jobs(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    page: Page,
    today: Today,
    response: Response,
    unit: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only of the vehicle of this unit number.")
    ] = None,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only of this depot.")
    ] = None,
    state: Annotated[JobState | None, Query(description="Only jobs that stand there.")] = None,
) -> JobList:
    """The newest first."""
    after = page.after(int)
    before = None if after is None else int(after[0] or 0)
    asked = jobs.JobsAsked(unit, depot, state)
    found = jobs.jobs_of(session, fleet.fleet_key, asked, today=today, before=before, limit=page.limit + 1)
    shown = [shown_summary(head) for head in found[: page.limit]]
    more = page.cursor(shown[-1].number) if len(found) > page.limit else None
    return JobList(jobs=shown, next=page.link(response, more))


@routes.get("/{number}", operation_id="show_job", summary="Show one job")
def show_job(number: JobNumber, fleet: Fleet, session: ReadSession, units: Units, response: Response) -> Job:
    """What it set out to do, how it stands, and what is open before it can be signed off."""
    return _told(jobs.job_of(session, fleet.fleet_key, number), units, response)


@routes.get(
    "/{number}/sheet",
    operation_id="show_bay_sheet",
    summary="Show the sheet for the bay",
    response_class=HTMLResponse,
)
def show_bay_sheet(
    number: JobNumber, fleet: Fleet, session: ReadSession, units: Units, today: Today
) -> Response:
    """One page to print: vehicle, steps to tick, figures in both unit systems, parts, cautions, room to write."""
    job, vehicle = bay_sheet(session, fleet.fleet_key, number, today=today)
    other = UnitSystem.IMPERIAL if units is UnitSystem.IMPERIAL else UnitSystem.US
    return bay_sheet_document(shown_job(job, UnitSystem.METRIC), shown_job(job, other), vehicle)


@routes.get("/{number}/entries", operation_id="list_job_entries", summary="List the entries of a job")
def list_job_entries(  # noqa: PLR0913, PLR0917 - what the route asks for
    number: JobNumber, fleet: Fleet, session: ReadSession, units: Units, page: Page, response: Response
) -> JobEntryList:
    """By number; corrected ones too, and the corrections."""
    after = page.after(int)
    found = jobs.entries_of(
        session,
        fleet.fleet_key,
        number,
        after=0 if after is None else int(after[0] or 0),
        limit=page.limit + 1,
    )
    shown = [shown_entry(entry, units) for entry in found[: page.limit]]
    more = page.cursor(shown[-1].number) if len(found) > page.limit else None
    return JobEntryList(entries=shown, next=page.link(response, more))


@routes.post(
    "/{number}/entries",
    operation_id="enter_job_entry",
    status_code=201,
    summary="Write down a step of a job",
    responses=documented(409, 412, 428),
)
def enter_job_entry(  # noqa: PLR0913, PLR0917 - what the route asks for
    number: JobNumber,
    body: JobEntryBody,
    version: ExpectedVersion,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> JobEntered:
    """Entries are only ever added; a wrong one is corrected by another one that names it."""
    found = job_entering.enter(session, fleet.fleet_key, number, version, body.value(), now_us=now_us)
    tag(response, found.version)
    return entered(found, units)


@routes.post(
    "/{number}/signing-off",
    operation_id="sign_off_job",
    summary="Sign a job off",
    responses=documented(409, 412, 428),
)
def sign_off_job(  # noqa: PLR0913, PLR0917 - what the route asks for
    number: JobNumber,
    body: JobSigningOff,
    version: ExpectedVersion,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> Job:
    """The work counts on the vehicle from here on; what was used leaves the stock, the rest is released."""
    job = job_entering.sign_off(session, fleet.fleet_key, number, version, body.value(), now_us=now_us)
    return _told(job, units, response)


def _told(job: jobs.JobShown, units: Units, response: Response) -> Job:
    tag(response, job.head.version)
    return shown_job(job, units)
