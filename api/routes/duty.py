"""The duty history of a vehicle."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.duty import Duty, DutyEnd, DutyGiven, DutyList, shown_duty
from api.schemas.entries import EntryWithdrawal
from api.services import duty
from api.store.facts import Withdrawal

routes = router("/vehicles/{unit}/duty", tag="duty")


@routes.post(
    "",
    operation_id="enter_duty",
    status_code=201,
    summary="Enter a duty condition",
    responses=documented(410),
)
def enter_duty(place: Place, body: DutyGiven, session: WriteSession, now_us: Now, response: Response) -> Duty:
    """Entries of one condition never share a day; different conditions overlap as they will."""
    stored = duty.enter(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("duty", stored.key)
    return shown_duty(stored)


@routes.get(
    "", operation_id="list_duty", summary="List the duty history of a vehicle", responses=documented(410)
)
def list_duty(
    place: Place, window: EntryWindow, page: Page, session: ReadSession, response: Response
) -> DutyList:
    """In the order in which the entries were recorded."""
    found = duty.entries_of(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    return DutyList(duty=[shown_duty(one) for one in found[: page.limit]], next=page.link(response, more))


@routes.get("/{entry}", operation_id="show_duty", summary="Show one duty entry", responses=documented(410))
def show_duty(place: Place, entry: EntryKey, session: ReadSession) -> Duty:
    """A withdrawn entry is still shown, with its withdrawal."""
    return shown_duty(duty.entry_of(session, place.address, entry))


@routes.post(
    "/{entry}/end",
    operation_id="end_duty",
    status_code=201,
    summary="Set the last day of a duty entry",
    responses=documented(409, 410),
)
def end_duty(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: DutyEnd,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> Duty:
    """The entry is withdrawn, and the answer is the one that stands in its place from now on."""
    stored = duty.end(session, place.address, entry, through_on=body.through_on, now_us=now_us)
    response.headers["Location"] = place.path("duty", stored.key)
    return shown_duty(stored)


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_duty",
    summary="Withdraw a wrong duty entry",
    responses=documented(409, 410),
)
def withdraw_duty(
    place: Place, entry: EntryKey, body: EntryWithdrawal, session: WriteSession, now_us: Now
) -> Duty:
    """The entry stays, with the reason, and counts no longer."""
    return shown_duty(duty.withdraw(session, place.address, entry, Withdrawal(now_us, body.reason)))
