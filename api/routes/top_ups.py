"""Top-ups: fluid filled into a vehicle between services."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.entries import EntryWithdrawal
from api.schemas.top_ups import TopUp, TopUpGiven, TopUpList, shown_top_up
from api.services import top_ups
from api.store.facts import Withdrawal

routes = router("/vehicles/{unit}/top-ups", tag="top-ups")


@routes.post(
    "",
    operation_id="enter_top_up",
    status_code=201,
    summary="Enter a top-up",
    responses=documented(410),
)
def enter_top_up(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: TopUpGiven,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> TopUp:
    """It resets no service; forecasts learn from it how often, and how much, is filled in between services."""
    found = top_ups.enter(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("top-ups", found.key)
    return shown_top_up(found, units)


@routes.get(
    "",
    operation_id="list_top_ups",
    summary="List the top-ups of a vehicle",
    responses=documented(410),
)
def list_top_ups(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, window: EntryWindow, page: Page, session: ReadSession, units: Units, response: Response
) -> TopUpList:
    """In the order in which the entries were recorded."""
    found = top_ups.top_ups_of(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    shown = [shown_top_up(one, units) for one in found[: page.limit]]
    return TopUpList(top_ups=shown, next=page.link(response, more))


@routes.get(
    "/{entry}",
    operation_id="show_top_up",
    summary="Show one top-up",
    responses=documented(410),
)
def show_top_up(place: Place, entry: EntryKey, session: ReadSession, units: Units) -> TopUp:
    """A withdrawn entry is still shown, with its withdrawal."""
    return shown_top_up(top_ups.top_up_of(session, place.address, entry), units)


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_top_up",
    summary="Withdraw a wrong top-up",
    responses=documented(409, 410),
)
def withdraw_top_up(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: EntryWithdrawal,
    session: WriteSession,
    now_us: Now,
    units: Units,
) -> TopUp:
    """The entry stays, with the reason, and counts no longer."""
    found = top_ups.withdraw(session, place.address, entry, Withdrawal(now_us, body.reason))
    return shown_top_up(found, units)
