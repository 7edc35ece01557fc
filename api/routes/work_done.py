"""Work done: what a visit did, entered, read and withdrawn."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Query, Response

from api.deps import Fleet, Now, Page, QueryDay, ReadSession, Today, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.schemas.base import LARGEST_WHOLE
from api.schemas.work import WorkDone, WorkEntry, WorkList, WorkWithdrawal, shown_work
from api.services import work_done

routes = router("/work-done", tag="work done")

EntryId = Annotated[int, Path(ge=1, le=LARGEST_WHOLE, description="Identifies the entry.")]


@routes.post(
    "",
    operation_id="enter_work_done",
    status_code=201,
    summary="Enter work that was done",
    responses=documented(409),
)
def enter_work_done(  # noqa: PLR0913, PLR0917 - what the route asks for
    body: WorkEntry, fleet: Fleet, session: WriteSession, now_us: Now, units: Units, response: Response
) -> WorkDone:
    """Completed services count from here on; a figure that accepted readings contradict is refused."""
    key = work_done.enter(session, fleet.fleet_key, body.value(), now_us=now_us)
    response.headers["Location"] = f"/v1/work-done/{key}"
    return shown_work(work_done.shown_entry(session, fleet.fleet_key, key), units)


@routes.get("", operation_id="list_work_done", summary="List work done")
def list_work_done(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    page: Page,
    today: Today,
    response: Response,
    unit: Annotated[
        str | None,
        Query(min_length=1, max_length=64, description="Only of the vehicle of this unit number."),
    ] = None,
    service: Annotated[
        str | None,
        Query(min_length=1, max_length=64, description="Only visits that named or included this service."),
    ] = None,
    from_on: QueryDay = None,
    through_on: QueryDay = None,
) -> WorkList:
    """The newest recorded first, withdrawn ones too; `from_on` and `through_on` bound the day of the work."""
    after = page.after(int)
    asked = work_done.EntriesAsked(unit, service, from_on, through_on)
    before = None if after is None else int(after[0] or 0)
    found = work_done.shown_entries(
        session, fleet.fleet_key, asked, today=today, before=before, limit=page.limit + 1
    )
    shown = [shown_work(entry, units) for entry in found[: page.limit]]
    more = page.cursor(shown[-1].id) if len(found) > page.limit else None
    return WorkList(work_done=shown, next=page.link(response, more))


@routes.get("/{entry_id}", operation_id="show_work_done", summary="Show one entry of work done")
def show_work_done(entry_id: EntryId, fleet: Fleet, session: ReadSession, units: Units) -> WorkDone:
    """A withdrawn entry is still shown, with its withdrawal."""
    return shown_work(work_done.shown_entry(session, fleet.fleet_key, entry_id), units)


@routes.post(
    "/{entry_id}/withdrawal",
    operation_id="withdraw_work_done",
    summary="Withdraw a wrong entry",
    responses=documented(409),
)
def withdraw_work_done(  # noqa: PLR0913, PLR0917 - what the route asks for
    entry_id: EntryId, body: WorkWithdrawal, fleet: Fleet, session: WriteSession, now_us: Now, units: Units
) -> WorkDone:
    """The entry stays, with the reason, and stops moving due points at once; nothing is erased."""
    work_done.withdraw(session, fleet.fleet_key, entry_id, body.reason, by=body.by, now_us=now_us)
    return shown_work(work_done.shown_entry(session, fleet.fleet_key, entry_id), units)
