"""One entry into the stock ledger: its movements, and the balances and lots that follow in the same transaction.

Invariants: entries are only ever added; a key that was used before gives the entry that it made, or is refused where it
comes with other content; each balance and lot is the sum of its movements. Balances are locked before they are read,
in the order of their keys.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import msgspec

from api.services.errors import ConflictError, NotFoundError, RefusedError
from api.store import queries_stock, writes_stock
from api.store.session import WriteSession
from domain.errors import Breach, StockError
from domain.requirements import FluidKind
from domain.stock import (
    Book,
    Cause,
    EntryKind,
    Keeping,
    Lot,
    LotTerms,
    Measure,
    Movement,
    StockItem,
    StockLine,
    entry_breaches,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from api.store.queries_stock import Found, Place
    from api.store.session import ReadSession


@dataclass(frozen=True, slots=True)
class Booking:
    """An entry as it is to be booked.

    Attributes:
        key: The sender's key of it, unique in the fleet.
        kind: What it tells.
        lines: So much of which items.
        depot_key: The depot; None where it follows from what is open.
        to_depot_key: The depot that a transfer goes to.
        at_us: When it happened [us UTC]; None: now.
        job_key: The job that it is for.
        order_key: Key of the order that it is about.
        expected_on: When an order is expected.
        supplier: Who delivers.
        entered_by: Who says so.
        reason: Why.
        note: Free text.
        corrects: Key of the entry that it undoes.
    """

    key: str
    kind: EntryKind
    lines: tuple[StockLine, ...] = ()
    depot_key: int | None = None
    to_depot_key: int | None = None
    at_us: int | None = None
    job_key: str | None = None
    order_key: str | None = None
    expected_on: date | None = None
    supplier: str | None = None
    entered_by: str | None = None
    reason: str | None = None
    note: str | None = None
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What is reserved of an item beyond what is free [piece or mL]."""

    item: StockItem
    missing: int


@dataclass(frozen=True, slots=True)
class StockEntry:
    """An entry that stands in the ledger.

    Attributes:
        id: Its key.
        key: The sender's key of it.
        kind: What it tells.
        is_new: Whether this call made it; False where the same call came before.
        movements: What it moved, with the item; empty where it stood before.
        shortfalls: What it reserved beyond what is free; empty where it stood before.
        asks_count: Whether the book fell below zero by it.
    """

    id: int
    key: str
    kind: EntryKind
    is_new: bool = True
    movements: tuple[tuple[int, StockItem, Movement], ...] = ()
    shortfalls: tuple[Shortfall, ...] = ()
    asks_count: bool = False


@dataclass(frozen=True, slots=True)
class ItemKept:
    """An item with its key and how it keeps."""

    key: int
    item: StockItem
    keeping: Keeping


@dataclass(slots=True)
class _Held:
    kept: ItemKept
    book: Book
    lot_keys: dict[LotTerms, int]
    stored: dict[LotTerms, int]


def book(session: WriteSession, fleet_key: int, booking: Booking, *, now_us: int) -> StockEntry:
    """The entry, booked; the same entry again where its key came before with the same content.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        booking: The entry.
        now_us: The instant of the request [us UTC].

    Raises:
        RefusedError: A member that its kind lacks or needs, an unknown item, lot, order or entry, a lot past its date.
        ConflictError: The key was used for something else, an entry was corrected before, or nothing is open any
            longer.
    """
    _check(booking, now_us)
    entry_id, is_new = _entered(session, fleet_key, booking, now_us)
    if not is_new:
        return StockEntry(entry_id, booking.key, booking.kind, is_new=False)
    desk = _Desk(session, fleet_key, booking, now_us)
    moved = desk.moved()
    desk.save(entry_id, moved)
    if booking.kind is EntryKind.CORRECTION:
        _check_open(session, fleet_key, booking)
    return StockEntry(
        entry_id,
        booking.key,
        booking.kind,
        movements=tuple((place[0], desk.held[place].kept.item, one) for place, one in moved),
        shortfalls=desk.shortfalls(),
        asks_count=desk.asks_count(moved),
    )


def item_key(
    session: ReadSession | WriteSession, fleet_key: int, item: StockItem, *, is_made: bool = False
) -> int | None:
    """The key of an item; None where it was never in stock.

    Args:
        session: A unit of work that writes where ``is_made``.
        fleet_key: The fleet.
        item: The item.
        is_made: Whether one that was never in stock gets a key.

    Raises:
        NotFoundError: The fleet has no such part or fluid product.
    """
    row = _known(session, fleet_key, [StockLine(item, 0)]).get(item)
    if row is None:
        kind = "part" if item.part is not None else "fluid product"
        raise NotFoundError(kind)
    if row.item is None and is_made and isinstance(session, WriteSession):
        return _items(session, fleet_key, [StockLine(item, 0)])[item].key
    return None if row.item is None else int(row.item)


def kept_items(session: ReadSession, fleet_key: int, keys: Iterable[int]) -> dict[int, ItemKept]:
    """Items by their keys."""
    wanted = set(keys)
    rows = queries_stock.items(session, fleet_key, wanted) if wanted else ()
    return {row.id: ItemKept(row.id, StockItem(row.part, row.fluid_product), _keeping(row)) for row in rows}


def book_of(keeping: Keeping, balance: Found, lots: Iterable[Found]) -> Book:
    """A book from its balance and lots as stored."""
    return Book(
        keeping,
        balance.reserved,
        balance.on_order,
        balance.is_count_asked,
        {lot_terms(row): Lot(row.on_hand, row.keeps_through_on) for row in lots},
    )


def lot_terms(row: Found) -> LotTerms:
    """The terms of a lot as stored."""
    return LotTerms(row.code, row.best_before_on, row.opened_on, row.container_ml)


def day_at(at_us: int, time_zone: str) -> date:
    """The day in a time zone of an instant [us UTC]."""
    return datetime.fromtimestamp(at_us / 1e6, UTC).astimezone(ZoneInfo(time_zone)).date()


class _Desk:
    """The books that one entry moves, and what it does to them."""

    def __init__(self, session: WriteSession, fleet_key: int, booking: Booking, now_us: int) -> None:
        self.session = session
        self.fleet_key = fleet_key
        self.booking = booking
        self.now_us = now_us
        self.at_us = now_us if booking.at_us is None else booking.at_us
        self.held: dict[Place, _Held] = {}
        self.zones = queries_stock.depot_zones(session, fleet_key)

    def moved(self) -> list[tuple[Place, Movement]]:
        """The movements of the entry, in their order, already in the books."""
        kind = self.booking.kind
        if kind is EntryKind.CORRECTION:
            return self._undone()
        if kind in {EntryKind.RELEASE, EntryKind.ORDER_CLOSING}:
            return self._closed()
        return self._of_lines()

    def save(self, entry_id: int, moved: Sequence[tuple[Place, Movement]]) -> None:
        """Store balances, lots and movements."""
        fresh = [
            self._lot_row(place, terms, lot)
            for place, held in sorted(self.held.items())
            for terms, lot in held.book.lots.items()
            if terms not in held.lot_keys
        ]
        made = writes_stock.add_lots(self.session, fresh)
        changed = [
            {"of_lot": held.lot_keys[terms], "now_on_hand": lot.on_hand}
            for _, held in sorted(self.held.items())
            for terms, lot in held.book.lots.items()
            if terms in held.lot_keys and held.stored[terms] != lot.on_hand
        ]
        writes_stock.save_lots(self.session, self.fleet_key, changed)
        writes_stock.save_balances(
            self.session,
            self.fleet_key,
            [
                {
                    "of_depot": depot,
                    "of_item": item,
                    "now_on_hand": held.book.on_hand,
                    "now_reserved": held.book.reserved,
                    "now_on_order": held.book.on_order,
                    "now_asked": held.book.is_count_asked,
                    "now_us": self.now_us,
                }
                for (depot, item), held in sorted(self.held.items())
            ],
        )
        writes_stock.add_movements(
            self.session,
            [
                {
                    "fleet_id": self.fleet_key,
                    "stock_entry_id": entry_id,
                    "rank": rank,
                    "depot_id": place[0],
                    "stock_item_id": place[1],
                    "stock_lot_id": self._lot_key(place, one, made),
                    "measure": one.measure.value,
                    "cause": one.cause.value,
                    "amount": one.amount,
                    "after": one.after,
                }
                for rank, (place, one) in enumerate(moved)
            ],
        )

    def shortfalls(self) -> tuple[Shortfall, ...]:
        """What was reserved beyond what is free."""
        if self.booking.kind is not EntryKind.RESERVATION:
            return ()
        asked: defaultdict[StockItem, int] = defaultdict(int)
        for line in self.booking.lines:
            asked[line.item] += line.amount
        return tuple(
            Shortfall(held.kept.item, min(-free, asked[held.kept.item]))
            for (depot, _), held in sorted(self.held.items())
            if (free := held.book.free(self._day(depot))) < 0
        )

    def asks_count(self, moved: Iterable[tuple[Place, Movement]]) -> bool:
        """Whether what was taken is more than the book had."""
        taken = {place for place, one in moved if one.measure is Measure.ON_HAND and one.amount < 0}
        return any(self.held[place].book.is_count_asked for place in taken)

    def _of_lines(self) -> list[tuple[Place, Movement]]:
        booking = self.booking
        depot = booking.depot_key or 0
        items = _items(self.session, self.fleet_key, booking.lines)
        depots = [depot] if booking.to_depot_key is None else [depot, booking.to_depot_key]
        self._hold({(one, kept.key): kept for one in depots for kept in items.values()})
        opened = self._outstanding()
        moved: list[tuple[Place, Movement]] = []
        for index, line in enumerate(booking.lines):
            place = (depot, items[line.item].key)
            try:
                made = self._line(self.held[place].book, line, opened[place], self._day(depot))
            except StockError as error:
                raise RefusedError(*(b.under(f"/lines/{index}") for b in error.breaches)) from error
            # What this line took from the reservation or the order is no longer open for the next one.
            opened[place] += sum(one.amount for one in made if one.measure is not Measure.ON_HAND)
            moved += ((place, one) for one in made)
            if booking.to_depot_key is not None:
                there = (booking.to_depot_key, place[1])
                moved += ((there, one) for one in self.held[there].book.take_in(made))
        return moved

    def _line(self, book: Book, line: StockLine, outstanding: int, on: date) -> list[Movement]:
        acts: dict[EntryKind, Callable[[], list[Movement]]] = {
            EntryKind.RECEIPT: lambda: book.receive(line, on, outstanding=outstanding),
            EntryKind.COUNT: lambda: book.count(line),
            EntryKind.ISSUE: lambda: book.issue(line, on, outstanding=outstanding),
            EntryKind.RETURN: lambda: book.take_back(line),
            EntryKind.TRANSFER: lambda: book.send(line, on),
            EntryKind.SCRAP: lambda: book.scrap(line),
            EntryKind.ORDER: lambda: book.order(line.amount),
            EntryKind.RESERVATION: lambda: book.reserve(line.amount),
        }
        return acts[self.booking.kind]()

    def _closed(self) -> list[tuple[Place, Movement]]:
        if self.booking.kind is EntryKind.ORDER_CLOSING:
            _check_order(self.session, self.fleet_key, self.booking)
        places = self._outstanding()
        if places:
            kept = kept_items(self.session, self.fleet_key, {item for _, item in places})
            self._hold({place: kept[place[1]] for place in places})
            # Another entry may have taken some of it before the books were held.
            places = self._outstanding()
        if not places:
            what = "order" if self.booking.kind is EntryKind.ORDER_CLOSING else "job"
            raise ConflictError(Breach(f"/{what}", "nothing_open", f"nothing of this {what} is open"))
        moved: list[tuple[Place, Movement]] = []
        for place, amount in places.items():
            book = self.held[place].book
            is_order = self.booking.kind is EntryKind.ORDER_CLOSING
            made = book.close_order(amount) if is_order else book.release(amount)
            moved += ((place, one) for one in made)
        return moved

    def _undone(self) -> list[tuple[Place, Movement]]:
        rows = queries_stock.movements(self.session, self.fleet_key, [self.booking.corrects or 0])
        kept = kept_items(self.session, self.fleet_key, {row.stock_item_id for row in rows})
        self._hold({(row.depot_id, row.stock_item_id): kept[row.stock_item_id] for row in rows})
        moved = []
        for row in reversed(rows):
            place = (row.depot_id, row.stock_item_id)
            terms = None
            if row.stock_lot_id is not None:
                terms = LotTerms(row.lot, row.best_before_on, row.opened_on, row.container_ml)
            was = Movement(Measure(row.measure), Cause(row.cause), row.amount, row.after, terms)
            moved.append((place, self.held[place].book.take_back_movement(was)))
        return moved

    def _outstanding(self) -> defaultdict[Place, int]:
        booking = self.booking
        found: dict[Place, int] = {}
        if booking.kind in {EntryKind.ISSUE, EntryKind.RELEASE} and booking.job_key is not None:
            found = queries_stock.outstanding(
                self.session, self.fleet_key, Measure.RESERVED.value, job=booking.job_key
            )
        elif booking.kind in {EntryKind.RECEIPT, EntryKind.ORDER_CLOSING} and booking.order_key is not None:
            if booking.kind is EntryKind.RECEIPT:
                _check_order(self.session, self.fleet_key, booking)
            found = queries_stock.outstanding(
                self.session, self.fleet_key, Measure.ON_ORDER.value, order=booking.order_key
            )
        return defaultdict(int, {place: amount for place, amount in found.items() if amount > 0})

    def _hold(self, items: Mapping[Place, ItemKept]) -> None:
        rows = queries_stock.locked_balances(self.session, self.fleet_key, items)
        if len(rows) < len(items):
            known = {(row.depot_id, row.stock_item_id) for row in rows}
            fresh = [place for place in items if place not in known]
            writes_stock.add_balances(self.session, self.fleet_key, fresh, now_us=self.now_us)
            rows = queries_stock.locked_balances(self.session, self.fleet_key, items)
        lots: defaultdict[Place, list[Found]] = defaultdict(list)
        for row in queries_stock.lots(self.session, self.fleet_key, items):
            lots[row.depot_id, row.stock_item_id].append(row)
        for row in rows:
            place = (row.depot_id, row.stock_item_id)
            of_place = lots[place]
            self.held[place] = _Held(
                items[place],
                book_of(items[place].keeping, row, of_place),
                {lot_terms(one): one.id for one in of_place},
                {lot_terms(one): one.on_hand for one in of_place},
            )

    def _day(self, depot: int) -> date:
        return day_at(self.at_us, self.zones[depot][1])

    def _lot_row(self, place: Place, terms: LotTerms, lot: Lot) -> dict[str, Any]:
        return {
            "fleet_id": self.fleet_key,
            "depot_id": place[0],
            "stock_item_id": place[1],
            "lot_key": terms.key,
            "code": terms.code,
            "best_before_on": terms.best_before_on,
            "opened_on": terms.opened_on,
            "container_ml": terms.container_ml,
            "keeps_through_on": lot.keeps_through_on,
            "on_hand": lot.on_hand,
            "version": 1,
        }

    def _lot_key(self, place: Place, one: Movement, made: Mapping[tuple[int, int, str], int]) -> int | None:
        if one.lot is None:
            return None
        known = self.held[place].lot_keys.get(one.lot)
        return known if known is not None else made[*place, one.lot.key]


def _check(booking: Booking, now_us: int) -> None:
    given = {
        "depot": booking.depot_key is not None,
        "to_depot": booking.to_depot_key is not None,
        "job": booking.job_key is not None,
        "order": booking.order_key is not None,
        "supplier": booking.supplier is not None,
        "expected_on": booking.expected_on is not None,
        "reason": booking.reason is not None,
        "corrects": booking.corrects is not None,
    }
    breaches = entry_breaches(booking.kind, given, booking.lines)
    if booking.at_us is not None and booking.at_us > now_us:
        breaches.append(Breach("/at", "instant_in_future", "an entry tells what has happened"))
    if booking.to_depot_key is not None and booking.to_depot_key == booking.depot_key:
        breaches.append(Breach("/to_depot", "depot_repeated", "a transfer goes to another depot"))
    if breaches:
        raise RefusedError(*breaches)


def _entered(session: WriteSession, fleet_key: int, booking: Booking, now_us: int) -> tuple[int, bool]:
    """The key of the entry's row, and whether it is new."""
    digest = hashlib.blake2b(msgspec.json.encode(booking), digest_size=16).hexdigest()
    corrected = None
    if booking.corrects is not None:
        corrected = queries_stock.entry(session, fleet_key, booking.corrects)
        _check_corrected(corrected)
    is_order = booking.kind is EntryKind.ORDER
    values = {
        "fleet_id": fleet_key,
        "code": booking.key,
        "digest": digest,
        "kind": booking.kind.value,
        "at_us": now_us if booking.at_us is None else booking.at_us,
        "job_key": booking.job_key if corrected is None else corrected.job_key,
        "order_key": (booking.key if is_order else booking.order_key)
        if corrected is None
        else corrected.order_key,
        "expected_on": booking.expected_on,
        "supplier": booking.supplier,
        "entered_by": booking.entered_by,
        "reason": booking.reason,
        "note": booking.note,
        "corrects_id": booking.corrects,
        "recorded_at_us": now_us,
    }
    # Looked at first: a key that is drawn for nothing leaves a gap, and what is corrected has a unique key too.
    stored = queries_stock.entry_by_code(session, fleet_key, booking.key)
    if stored is None:
        if (
            corrected is not None
            and queries_stock.correction_of(session, fleet_key, corrected.id) is not None
        ):
            detail = "this entry was corrected before; enter what is right anew"
            raise ConflictError(Breach("/corrects", "corrected_before", detail))
        made = writes_stock.add_entry(session, values)
        if made is not None:
            return made, True
        stored = queries_stock.entry_by_code(session, fleet_key, booking.key)
    if stored is None or stored.digest != digest:
        detail = "an entry of this key has other content; each entry has a key of its own"
        raise ConflictError(Breach("/key", "entry_key_taken", detail))
    return int(stored.id), False


def _check_corrected(corrected: Found | None) -> None:
    if corrected is None:
        raise RefusedError(Breach("/corrects", "entry_unknown", "the ledger has no such entry"))
    if corrected.kind == EntryKind.CORRECTION.value:
        detail = "a correction is not corrected; enter anew what it took back"
        raise RefusedError(Breach("/corrects", "entry_is_correction", detail))


def _check_order(session: ReadSession, fleet_key: int, booking: Booking) -> None:
    found = queries_stock.entry_by_code(session, fleet_key, booking.order_key or "")
    if found is None or found.kind != EntryKind.ORDER.value:
        raise RefusedError(Breach("/order", "order_unknown", "the ledger has no order of this key"))


def _check_open(session: ReadSession, fleet_key: int, booking: Booking) -> None:
    """A reservation or an order that was used meanwhile can't be taken back as a whole."""
    corrected = queries_stock.entry(session, fleet_key, booking.corrects or 0)
    if corrected is None:
        return
    sums: list[int] = []
    if corrected.job_key is not None:
        sums += queries_stock.outstanding(
            session, fleet_key, Measure.RESERVED.value, job=corrected.job_key
        ).values()
    if corrected.order_key is not None:
        sums += queries_stock.outstanding(
            session, fleet_key, Measure.ON_ORDER.value, order=corrected.order_key
        ).values()
    if any(amount < 0 for amount in sums):
        detail = "later entries built on this one: correct those first"
        raise ConflictError(Breach("/corrects", "entry_built_on", detail))


def _items(session: WriteSession, fleet_key: int, lines: Sequence[StockLine]) -> dict[StockItem, ItemKept]:
    found = _known(session, fleet_key, lines)
    breaches = [
        Breach(f"/lines/{index}/part", "part_unknown", "the fleet has no part of this code")
        if line.item.part is not None
        else Breach(
            f"/lines/{index}/fluid_product", "product_unknown", "the fleet has no fluid product of this code"
        )
        for index, line in enumerate(lines)
        if line.item not in found
    ]
    if breaches:
        raise RefusedError(*breaches)
    parts = [row.id for row in found.values() if row.item is None and not hasattr(row, "kind")]
    products = [row.id for row in found.values() if row.item is None and hasattr(row, "kind")]
    if parts or products:
        writes_stock.add_items(session, fleet_key, "part_id", parts)
        writes_stock.add_items(session, fleet_key, "fluid_product_id", products)
        found = _known(session, fleet_key, lines)
    return {
        item: ItemKept(row.item, item, _keeping(row) if hasattr(row, "kind") else Keeping())
        for item, row in found.items()
    }


def _known(session: ReadSession, fleet_key: int, lines: Sequence[StockLine]) -> dict[StockItem, Found]:
    parts = {line.item.part for line in lines if line.item.part is not None}
    products = {line.item.fluid_product for line in lines if line.item.fluid_product is not None}
    found: dict[StockItem, Found] = {}
    if parts:
        rows = queries_stock.parts(session, fleet_key, parts)
        found |= {StockItem(part=row.code): row for row in rows}
    if products:
        rows = queries_stock.products(session, fleet_key, products)
        found |= {StockItem(fluid_product=row.code): row for row in rows}
    return found


def _keeping(row: Found) -> Keeping:
    if row.kind is None:
        return Keeping()
    return Keeping(FluidKind(row.kind), row.shelf_unopened_months, row.shelf_opened_months)
