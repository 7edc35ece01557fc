"""Services of a vehicle that were put off."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.deferrals import DeferralGiven, DeferralList, ShownDeferral, shown_deferral
from api.schemas.entries import EntryWithdrawal
from api.services import deferrals
from api.store.facts import Withdrawal

routes = router("/vehicles/{unit}/deferrals", tag="deferrals")


@routes.post(
    "",
    operation_id="grant_deferral",
    status_code=201,
    summary="Put a service off",
    responses=documented(410),
)
def grant_deferral(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: DeferralGiven,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> ShownDeferral:
    """The newest one of a service holds until the service is done; a statutory service cannot be put off."""
    found = deferrals.grant(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("deferrals", found.key)
    return shown_deferral(found, units)


@routes.get(
    "",
    operation_id="list_deferrals",
    summary="List the deferrals of a vehicle",
    responses=documented(410),
)
def list_deferrals(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, window: EntryWindow, page: Page, session: ReadSession, units: Units, response: Response
) -> DeferralList:
    """In the order in which the entries were recorded."""
    found = deferrals.deferrals_of(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    shown = [shown_deferral(one, units) for one in found[: page.limit]]
    return DeferralList(deferrals=shown, next=page.link(response, more))


@routes.get("/{entry}", operation_id="show_deferral", summary="Show one deferral", responses=documented(410))
def show_deferral(place: Place, entry: EntryKey, session: ReadSession, units: Units) -> ShownDeferral:
    """A withdrawn deferral is still shown, with its withdrawal."""
    return shown_deferral(deferrals.deferral_of(session, place.address, entry), units)


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_deferral",
    summary="Withdraw a deferral",
    responses=documented(409, 410),
)
def withdraw_deferral(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: EntryWithdrawal,
    session: WriteSession,
    now_us: Now,
    units: Units,
) -> ShownDeferral:
    """The entry stays, with the reason, and holds no longer."""
    found = deferrals.withdraw(session, place.address, entry, Withdrawal(now_us, body.reason))
    return shown_deferral(found, units)
