"""The stock ledger as a fleet asks for it: entries by depot and item codes, what is on hand, what is on order.

Invariants: what is free is what is on hand, not past its date, less what is reserved; a day is one of the depot's time
zone. The statements of an answer don't grow with its rows.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from api.services.errors import ConflictError, NotFoundError, RefusedError
from api.services.stock_booking import Booking, StockEntry, book, book_of, day_at, kept_items
from api.store import queries_stock
from domain.errors import Breach
from domain.stock import Cause, EntryKind, LotTerms, Measure, StockItem, StockLine

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from api.services.stock_booking import ItemKept
    from api.store.queries_stock import Found, Place
    from api.store.session import ReadSession, WriteSession


class StockState(StrEnum):
    """Which balances a list shows."""

    SHORT = "short"
    COUNT_ASKED = "count_asked"
    PAST_DATE = "past_date"


@dataclass(frozen=True, slots=True)
class EntryGiven:
    """An entry as it is sent; see ``Booking`` for the members.

    Attributes:
        key: The sender's key of it.
        kind: What it tells.
        lines: So much of which items.
        depot: Code of the depot.
        to_depot: Code of the depot that a transfer goes to.
        at_us: When [us UTC]; None: now.
        job: The job that it is for.
        order: Key of the order that it is about.
        expected_on: When an order is expected.
        supplier: Who delivers.
        entered_by: Who says so.
        reason: Why.
        note: Free text.
        corrects: Key of the entry that it undoes.
    """

    key: str
    kind: EntryKind
    lines: tuple[StockLine, ...]
    depot: str | None
    to_depot: str | None
    at_us: int | None
    job: str | None
    order: str | None
    expected_on: date | None
    supplier: str | None
    entered_by: str | None
    reason: str | None
    note: str | None
    corrects: int | None


@dataclass(frozen=True, slots=True)
class MovementShown:
    """A figure that an entry moved [piece or mL]."""

    depot: str
    item: StockItem
    measure: Measure
    cause: Cause
    amount: int
    after: int
    lot: LotTerms | None


@dataclass(frozen=True, slots=True)
class EntryShown:
    """An entry as it stands in the ledger."""

    id: int
    key: str
    kind: EntryKind
    at_us: int
    job: str | None
    order: str | None
    expected_on: date | None
    supplier: str | None
    entered_by: str | None
    reason: str | None
    note: str | None
    corrects: int | None
    corrected_by: int | None
    recorded_at_us: int
    movements: tuple[MovementShown, ...]


@dataclass(frozen=True, slots=True)
class LotShown:
    """A lot at a depot [piece or mL]."""

    terms: LotTerms
    on_hand: int
    keeps_through_on: date | None
    is_past_date: bool


@dataclass(frozen=True, slots=True)
class BalanceShown:
    """What a depot has of an item [piece or mL].

    Attributes:
        place: Keys of depot and item.
        depot: Code of the depot.
        item: The item.
        name: In words.
        on_hand: On hand, those past their date too.
        past_date: On hand and past its date.
        reserved: Reserved for jobs.
        free: On hand, not past its date and not reserved; below zero where more is reserved.
        on_order: Ordered and not received.
        is_count_asked: Whether the book is known to be wrong.
        lots: Lots of which something is on hand, the earliest expiry first.
        version: Grows by one with each entry.
        changed_at_us: When it last changed [us UTC].
    """

    place: Place
    depot: str
    item: StockItem
    name: str
    on_hand: int
    past_date: int
    reserved: int
    free: int
    on_order: int
    is_count_asked: bool
    lots: tuple[LotShown, ...]
    version: int
    changed_at_us: int


@dataclass(frozen=True, slots=True)
class OrderLine:
    """What an open order still brings of an item [piece or mL]."""

    place: Place
    order: str
    depot_key: int
    depot: str
    item: StockItem
    amount: int
    placed_at_us: int
    expected_on: date | None
    supplier: str | None


@dataclass(frozen=True, slots=True)
class StockFilter:
    """Which rows a list shows: keys of a depot and an item; None: any."""

    depot_key: int | None = None
    item_key: int | None = None


def enter(session: WriteSession, fleet_key: int, given: EntryGiven, *, now_us: int) -> StockEntry:
    """The entry, booked; the same entry again where its key came before with the same content.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        given: The entry.
        now_us: The instant of the request [us UTC].

    Raises:
        RefusedError: A member that its kind lacks or needs, an unknown depot, item, lot, order or entry, or a lot past
            its date.
        ConflictError: The key was used for something else, an entry was corrected before, nothing is open any longer,
            or the entry belongs to a job, in which it is undone.
    """
    depots = {code: key for key, (code, _) in queries_stock.depot_zones(session, fleet_key).items()}
    named = {"/depot": given.depot, "/to_depot": given.to_depot}
    unknown = [
        Breach(place, "depot_unknown", "the fleet has no depot of this code")
        for place, code in named.items()
        if code is not None and code not in depots
    ]
    if unknown:
        raise RefusedError(*unknown)
    if given.corrects is not None:
        _refuse_job_entry(session, fleet_key, given.corrects)
    booking = Booking(
        key=given.key,
        kind=given.kind,
        lines=given.lines,
        depot_key=None if given.depot is None else depots[given.depot],
        to_depot_key=None if given.to_depot is None else depots[given.to_depot],
        at_us=given.at_us,
        job_key=given.job,
        order_key=given.order,
        expected_on=given.expected_on,
        supplier=given.supplier,
        entered_by=given.entered_by,
        reason=given.reason,
        note=given.note,
        corrects=given.corrects,
    )
    return book(session, fleet_key, booking, now_us=now_us)


def stock_filter(
    session: ReadSession, fleet_key: int, *, depot: str | None, item: StockItem
) -> StockFilter | None:
    """The filter of a depot's and an item's codes; None where the item was never in stock.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        depot: Code of a depot; None: any.
        item: An item; of neither kind: any.

    Raises:
        NotFoundError: The fleet has no such depot, part or fluid product.
    """
    depot_key = None if depot is None else depot_key_of(session, fleet_key, depot)
    if item.part is not None:
        rows, kind = queries_stock.parts(session, fleet_key, [item.part]), "part"
    elif item.fluid_product is not None:
        rows, kind = queries_stock.products(session, fleet_key, [item.fluid_product]), "fluid product"
    else:
        return StockFilter(depot_key)
    if not rows:
        raise NotFoundError(kind)
    return None if rows[0].item is None else StockFilter(depot_key, rows[0].item)


def depot_key_of(session: ReadSession, fleet_key: int, code: str) -> int:
    """The key of the depot of a code.

    Raises:
        NotFoundError: The fleet has none.
    """
    for key, (known, _) in queries_stock.depot_zones(session, fleet_key).items():
        if known == code:
            return key
    raise NotFoundError(_DEPOT)


def named_depot(session: ReadSession, fleet_key: int, code: str) -> int:
    """The key of the depot that a body names.

    Raises:
        RefusedError: The fleet has none of that code.
    """
    try:
        return depot_key_of(session, fleet_key, code)
    except NotFoundError as error:
        detail = "the fleet has no depot of this code"
        raise RefusedError(Breach("/depot", "depot_unknown", detail)) from error


def entry_shown(session: ReadSession, fleet_key: int, key: int) -> EntryShown:
    """One entry.

    Raises:
        NotFoundError: The ledger has none of that key.
    """
    row = queries_stock.entry(session, fleet_key, key)
    if row is None:
        raise NotFoundError(_ENTRY)
    return _entries(session, fleet_key, [row])[0]


def entries_before(  # noqa: PLR0913 - a page and its filters
    session: ReadSession,
    fleet_key: int,
    asked: StockFilter,
    *,
    before: int | None,
    limit: int,
    job: str | None = None,
    order: str | None = None,
) -> list[EntryShown]:
    """Entries, the newest recorded first, from the one before ``before`` on."""
    rows = queries_stock.entries(
        session,
        fleet_key,
        before=before,
        limit=limit,
        depot=asked.depot_key,
        item=asked.item_key,
        job=job,
        order=order,
    )
    return _entries(session, fleet_key, rows)


def balances_after(  # noqa: PLR0913 - a page, its filters and its day
    session: ReadSession,
    fleet_key: int,
    asked: StockFilter,
    *,
    after: Place | None,
    limit: int,
    state: StockState | None,
    now_us: int,
) -> list[BalanceShown]:
    """Balances by depot and item as they stand now, from the one after ``after`` on."""
    depots = queries_stock.depot_zones(session, fleet_key)
    # Dates end with the day of the depot; the list is filtered by the fleet's earliest one, figures by the depot's own.
    day = min((day_at(now_us, zone) for _, zone in depots.values()), default=day_at(now_us, "UTC"))
    rows = queries_stock.balances(
        session,
        fleet_key,
        day,
        after=after,
        limit=limit,
        depot=asked.depot_key,
        item=asked.item_key,
        condition=None if state is None else state.value,
    )
    if not rows:
        return []
    places = [(row.depot_id, row.stock_item_id) for row in rows]
    lots: defaultdict[Place, list[Found]] = defaultdict(list)
    for lot in queries_stock.lots(session, fleet_key, places):
        lots[lot.depot_id, lot.stock_item_id].append(lot)
    names = {
        row.id: row.name for row in queries_stock.items(session, fleet_key, [item for _, item in places])
    }
    items = kept_items(session, fleet_key, [item for _, item in places])
    return [
        _balance(row, depots[row.depot_id], items[row.stock_item_id], names[row.stock_item_id], lots, now_us)
        for row in rows
    ]


def open_orders_after(
    session: ReadSession, fleet_key: int, *, after: Place | None, limit: int | None, depot_key: int | None
) -> list[OrderLine]:
    """What open orders still bring, by order and item."""
    depots = queries_stock.depot_zones(session, fleet_key)
    rows = queries_stock.open_order_lines(session, fleet_key, after=after, limit=limit, depot=depot_key)
    items = kept_items(session, fleet_key, {row.stock_item_id for row in rows})
    return [
        OrderLine(
            (row.id, row.stock_item_id),
            row.code,
            row.depot_id,
            depots[row.depot_id][0],
            items[row.stock_item_id].item,
            int(row.amount),
            row.at_us,
            row.expected_on,
            row.supplier,
        )
        for row in rows
    ]


def _refuse_job_entry(session: ReadSession, fleet_key: int, key: int) -> None:
    row = queries_stock.entry(session, fleet_key, key)
    # Keys of the service's own hold a colon, which no client can send.
    if row is not None and ":" in row.code:
        detail = "a job made this entry, and it is undone in the job"
        raise ConflictError(Breach("/corrects", "entry_of_job", detail))


def _balance(  # noqa: PLR0913, PLR0917 - what a balance is shown from
    row: Found,
    depot: tuple[str, str],
    kept: ItemKept,
    name: str,
    lots: dict[Place, list[Found]],
    now_us: int,
) -> BalanceShown:
    place = (row.depot_id, row.stock_item_id)
    on = day_at(now_us, depot[1])
    book_now = book_of(kept.keeping, row, lots[place])
    return BalanceShown(
        place=place,
        depot=depot[0],
        item=kept.item,
        name=name,
        on_hand=book_now.on_hand,
        past_date=book_now.past_date(on),
        reserved=book_now.reserved,
        free=book_now.free(on),
        on_order=book_now.on_order,
        is_count_asked=book_now.is_count_asked,
        lots=tuple(
            LotShown(terms, lot.on_hand, lot.keeps_through_on, lot.is_past(on))
            for terms, lot in book_now.lots_in_order()
            if lot.on_hand
        ),
        version=row.version,
        changed_at_us=row.changed_at_us,
    )


def _entries(session: ReadSession, fleet_key: int, rows: Sequence[Found]) -> list[EntryShown]:
    if not rows:
        return []
    keys = [row.id for row in rows]
    moved = queries_stock.movements(session, fleet_key, keys)
    items = kept_items(session, fleet_key, {row.stock_item_id for row in moved})
    depots = queries_stock.depot_zones(session, fleet_key)
    corrected = queries_stock.corrections_of(session, fleet_key, keys)
    by_entry: defaultdict[int, list[MovementShown]] = defaultdict(list)
    for row in moved:
        terms = None
        if row.stock_lot_id is not None:
            terms = LotTerms(row.lot, row.best_before_on, row.opened_on, row.container_ml)
        by_entry[row.stock_entry_id].append(
            MovementShown(
                depots[row.depot_id][0],
                items[row.stock_item_id].item,
                Measure(row.measure),
                Cause(row.cause),
                row.amount,
                row.after,
                terms,
            )
        )
    return [
        EntryShown(
            row.id,
            row.code,
            EntryKind(row.kind),
            row.at_us,
            row.job_key,
            row.order_key,
            row.expected_on,
            row.supplier,
            row.entered_by,
            row.reason,
            row.note,
            row.corrects_id,
            corrected.get(row.id),
            row.recorded_at_us,
            tuple(by_entry[row.id]),
        )
        for row in rows
    ]


_DEPOT, _ENTRY = "depot", "stock entry"
