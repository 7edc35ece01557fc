"""Components of a vehicle exchanged for others."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.entries import EntryWithdrawal
from api.schemas.exchanges import ComponentExchange, ComponentExchangeList, ExchangeGiven, shown_exchange
from api.services import exchanges
from api.store.facts import Withdrawal

routes = router("/vehicles/{unit}/component-exchanges", tag="component exchanges")


@routes.post(
    "",
    operation_id="enter_component_exchange",
    status_code=201,
    summary="Enter a component exchange",
    responses=documented(409, 410),
)
def enter_component_exchange(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: ExchangeGiven,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> ComponentExchange:
    """The services of the compartment start anew; a figure that accepted readings contradict is refused."""
    found = exchanges.enter(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("component-exchanges", found.key)
    return shown_exchange(found, units)


@routes.get(
    "",
    operation_id="list_component_exchanges",
    summary="List the component exchanges of a vehicle",
    responses=documented(410),
)
def list_component_exchanges(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, window: EntryWindow, page: Page, session: ReadSession, units: Units, response: Response
) -> ComponentExchangeList:
    """In the order in which the entries were recorded."""
    found = exchanges.exchanges_of(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    shown = [shown_exchange(one, units) for one in found[: page.limit]]
    return ComponentExchangeList(component_exchanges=shown, next=page.link(response, more))


@routes.get(
    "/{entry}",
    operation_id="show_component_exchange",
    summary="Show one component exchange",
    responses=documented(410),
)
def show_component_exchange(
    place: Place, entry: EntryKey, session: ReadSession, units: Units
) -> ComponentExchange:
    """A withdrawn entry is still shown, with its withdrawal."""
    return shown_exchange(exchanges.exchange_of(session, place.address, entry), units)


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_component_exchange",
    summary="Withdraw a wrong component exchange",
    responses=documented(409, 410),
)
def withdraw_component_exchange(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: EntryWithdrawal,
    session: WriteSession,
    now_us: Now,
    units: Units,
) -> ComponentExchange:
    """The entry stays, with the reason, and counts no longer."""
    found = exchanges.withdraw(session, place.address, entry, Withdrawal(now_us, body.reason))
    return shown_exchange(found, units)
