"""Stock of parts and fluids: the ledger's entries, what is on hand, and what is on order."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Path, Query, Response

from api.deps import Fleet, Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.schemas.base import LARGEST_WHOLE, Key
from api.schemas.stock import (
    OpenOrderList,
    StockBalance,
    StockEntry,
    StockEntryGiven,
    StockEntryList,
    StockList,
    shown_order_line,
)
from api.services import stock
from api.services.stock import StockState
from domain.stock import StockItem

routes = router("", tag="stock")

EntryId = Annotated[int, Path(ge=1, le=LARGEST_WHOLE, description="Identifies the entry.")]
OfDepot = Annotated[Key | None, Query(description="Only of the depot of this code.")]
OfPart = Annotated[Key | None, Query(description="Only of the part of this code.")]
OfProduct = Annotated[Key | None, Query(description="Only of the fluid product of this code.")]


@routes.post(
    "/stock-entries",
    operation_id="enter_stock",
    status_code=201,
    summary="Enter a movement of stock",
    responses=documented(409),
)
def enter_stock(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    body: StockEntryGiven,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> StockEntry:
    """Books a receipt, count, issue, return, transfer, scrap, order, reservation, release or correction.

    Stock is taken in the order in which it expires, opened containers first, and never past its date. When more is
    taken than the book has, it is booked, and a count is asked for. The rest of a container opened becomes an opened
    lot with its own shelf life; of brake fluid it is scrapped. An entry sent again with its key books nothing more.
    """
    entered = stock.enter(session, fleet.fleet_key, body.value(), now_us=now_us)
    response.headers["Location"] = f"/v1/stock-entries/{entered.id}"
    return StockEntry.of(stock.entry_shown(session, fleet.fleet_key, entered.id), units)


@routes.get("/stock-entries", operation_id="list_stock_entries", summary="List movements of stock")
def list_stock_entries(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    page: Page,
    response: Response,
    depot: OfDepot = None,
    part: OfPart = None,
    fluid_product: OfProduct = None,
    job: Annotated[Key | None, Query(description="Only for this job.")] = None,
    order: Annotated[Key | None, Query(description="Only about the order of this key.")] = None,
) -> StockEntryList:
    """The newest recorded first; entries are never changed or erased."""
    after = page.after(int)
    asked = stock.stock_filter(session, fleet.fleet_key, depot=depot, item=StockItem(part, fluid_product))
    if asked is None:
        return StockEntryList(stock_entries=[], next=None)
    found = stock.entries_before(
        session,
        fleet.fleet_key,
        asked,
        before=None if after is None else int(after[0] or 0),
        limit=page.limit + 1,
        job=job,
        order=order,
    )
    more = page.cursor(found[page.limit - 1].id) if len(found) > page.limit else None
    return StockEntryList(
        stock_entries=[StockEntry.of(entry, units) for entry in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get(
    "/stock-entries/{entry_id}", operation_id="show_stock_entry", summary="Show one movement of stock"
)
def show_stock_entry(entry_id: EntryId, fleet: Fleet, session: ReadSession, units: Units) -> StockEntry:
    """What it moved, and the entry that takes it back if one does."""
    return StockEntry.of(stock.entry_shown(session, fleet.fleet_key, entry_id), units)


@routes.get("/stock", operation_id="list_stock", summary="What is in stock")
def list_stock(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    page: Page,
    now_us: Now,
    response: Response,
    depot: OfDepot = None,
    part: OfPart = None,
    fluid_product: OfProduct = None,
    state: Annotated[
        StockState | None,
        Query(
            description="short: more is reserved than is there; count_asked: the book is wrong; past_date:"
            " something may only be scrapped."
        ),
    ] = None,
) -> StockList:
    """On hand, reserved, free and on order of each item at each depot, lot by lot, as it stands now."""
    after = cast("tuple[int, int] | None", page.after(int, int))
    asked = stock.stock_filter(session, fleet.fleet_key, depot=depot, item=StockItem(part, fluid_product))
    if asked is None:
        return StockList(stock=[], next=None)
    found = stock.balances_after(
        session, fleet.fleet_key, asked, after=after, limit=page.limit + 1, state=state, now_us=now_us
    )
    more = page.cursor(*found[page.limit - 1].place) if len(found) > page.limit else None
    return StockList(
        stock=[StockBalance.of(one, units) for one in found[: page.limit]], next=page.link(response, more)
    )


@routes.get("/stock-orders", operation_id="list_open_orders", summary="What is on order")
def list_open_orders(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    fleet: Fleet, session: ReadSession, units: Units, page: Page, response: Response, depot: OfDepot = None
) -> OpenOrderList:
    """What orders that were placed still bring, and when; an order is placed and closed by entries of stock."""
    after = cast("tuple[int, int] | None", page.after(int, int))
    depot_key = None if depot is None else stock.depot_key_of(session, fleet.fleet_key, depot)
    found = stock.open_orders_after(
        session, fleet.fleet_key, after=after, limit=page.limit + 1, depot_key=depot_key
    )
    more = page.cursor(*found[page.limit - 1].place) if len(found) > page.limit else None
    return OpenOrderList(
        open_orders=[shown_order_line(line, units) for line in found[: page.limit]],
        next=page.link(response, more),
    )
