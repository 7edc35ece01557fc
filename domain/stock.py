"""What a depot holds of one part or fluid: the book, and how each kind of entry moves it.

Invariants: a book changes only by movements, and each figure of it is the sum of its movements; an entry is never
refused because the book holds too little: the fluid in the hand is right and the book is wrong, so a figure below
zero is booked and a count is asked for. Stock is taken in the order in which it expires, opened containers first,
and never past its date. Amounts are whole pieces of a part, whole millilitres of a fluid.

A lot keeps until its best-before day and, once opened, no longer than its maker says for opened containers. What is
left of an opened container of brake fluid is scrapped, since it takes up water from the air [common practice, no
source].
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.calendar import add_months
from domain.errors import Breach, StockError
from domain.requirements import LUBRICATING_OILS, FluidKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

MAX_AMOUNT = 1_000_000_000_000
"""Most of anything that one entry moves [piece or mL]."""


class EntryKind(StrEnum):
    """What an entry of the ledger tells."""

    RECEIPT = "receipt"
    COUNT = "count"
    ISSUE = "issue"
    RETURN = "return"
    TRANSFER = "transfer"
    SCRAP = "scrap"
    ORDER = "order"
    ORDER_CLOSING = "order_closing"
    RESERVATION = "reservation"
    RELEASE = "release"
    CORRECTION = "correction"


class Cause(StrEnum):
    """Why a figure of the book moved."""

    RECEIPT = "receipt"
    COUNT = "count"
    ISSUE = "issue"
    OPENING = "opening"
    RETURN = "return"
    TRANSFER = "transfer"
    SCRAP = "scrap"
    ORDER = "order"
    ORDER_CLOSING = "order_closing"
    RESERVATION = "reservation"
    RELEASE = "release"


class Measure(StrEnum):
    """A figure of the book."""

    ON_HAND = "on_hand"
    RESERVED = "reserved"
    ON_ORDER = "on_order"


class WasteStream(StrEnum):
    """Used fluid that is kept apart until it is collected."""

    USED_OIL = "used_oil"
    USED_COOLANT = "used_coolant"
    USED_BRAKE_FLUID = "used_brake_fluid"
    USED_COMPRESSOR_OIL = "used_compressor_oil"
    USED_AUS_32 = "used_aus_32"
    CONTAMINATED_FLUID = "contaminated_fluid"


@dataclass(frozen=True, slots=True)
class StockItem:
    """What is kept in stock: a part or a fluid product, by its code; exactly one of the two.

    Attributes:
        part: Code of a part.
        fluid_product: Code of a fluid product.
    """

    part: str | None = None
    fluid_product: str | None = None


@dataclass(frozen=True, slots=True)
class StockLine:
    """So much of an item, as an entry names it.

    Attributes:
        item: The part or fluid product.
        amount: How much [piece or mL].
        lot: Code of the lot; None: none is named.
        best_before_on: Last day on which it keeps unopened.
        made_on: Day of its manufacture.
        opened_on: Day on which the container was opened; None: it is sealed.
        container_ml: What one of its containers holds [mL]; None for parts and for bulk.
    """

    item: StockItem
    amount: int
    lot: str | None = None
    best_before_on: date | None = None
    made_on: date | None = None
    opened_on: date | None = None
    container_ml: int | None = None


@dataclass(frozen=True, slots=True)
class LotTerms:
    """What tells a lot of an item at a depot from another one.

    Attributes:
        code: Its maker's code; None where none was noted.
        best_before_on: Last day on which it keeps unopened; None where it keeps.
        opened_on: Day on which its containers were opened; None: they are sealed.
        container_ml: What one of its containers holds [mL]; None for parts, for bulk and for what is opened.
    """

    code: str | None = None
    best_before_on: date | None = None
    opened_on: date | None = None
    container_ml: int | None = None

    @property
    def key(self) -> str:
        """The terms as one text, unique for an item at a depot."""
        days = [None if day is None else day.isoformat() for day in (self.best_before_on, self.opened_on)]
        return "|".join("" if part is None else str(part) for part in (self.code, *days, self.container_ml))

    def keeps_through(self, shelf_opened_months: int | None) -> date | None:
        """The last day on which it may be used; None where nothing ends it.

        Args:
            shelf_opened_months: How long it keeps once opened [months]; None where its maker says nothing.
        """
        if self.opened_on is None or shelf_opened_months is None:
            return self.best_before_on
        opened_through = add_months(self.opened_on, shelf_opened_months)
        return opened_through if self.best_before_on is None else min(opened_through, self.best_before_on)


NO_LOT = LotTerms()


@dataclass(frozen=True, slots=True)
class Lot:
    """A lot as the book has it.

    Attributes:
        on_hand: How much of it is there [piece or mL]; below zero where the book is wrong.
        keeps_through_on: Last day on which it may be used; None where nothing ends it.
    """

    on_hand: int
    keeps_through_on: date | None

    def is_past(self, on: date) -> bool:
        """Whether it may no longer be used on a day."""
        return self.keeps_through_on is not None and self.keeps_through_on < on


@dataclass(frozen=True, slots=True)
class Keeping:
    """How an item keeps.

    Attributes:
        kind: What fluid it is; None for a part.
        shelf_unopened_months: How long it keeps unopened [months]; None where nothing is stated.
        shelf_opened_months: How long it keeps once opened [months].
    """

    kind: FluidKind | None = None
    shelf_unopened_months: int | None = None
    shelf_opened_months: int | None = None

    @property
    def is_scrapped_once_opened(self) -> bool:
        """Whether the rest of an opened container is never kept."""
        return self.kind is FluidKind.BRAKE_FLUID

    def best_before(self, line: StockLine, on: date) -> date | None:
        """The last day on which a delivery keeps unopened: as stated, or by its manufacture, or as if new on ``on``."""
        if line.best_before_on is not None or self.shelf_unopened_months is None:
            return line.best_before_on
        return add_months(line.made_on or on, self.shelf_unopened_months)


@dataclass(frozen=True, slots=True)
class Movement:
    """One figure of the book moved.

    Attributes:
        measure: Which figure.
        cause: Why.
        amount: By how much; negative where it went down [piece or mL].
        after: The figure at the depot afterwards, over all lots [piece or mL].
        lot: The lot, for what is on hand; None for the other figures.
    """

    measure: Measure
    cause: Cause
    amount: int
    after: int
    lot: LotTerms | None = None


@dataclass(slots=True)
class Book:
    """What a depot holds of one item; each method is one line of an entry and gives the movements that it made.

    Attributes:
        keeping: How the item keeps.
        reserved: Reserved for jobs [piece or mL].
        on_order: Ordered and not received [piece or mL].
        is_count_asked: Whether the book is known to be wrong.
        lots: What is on hand, lot by lot.
    """

    keeping: Keeping
    reserved: int = 0
    on_order: int = 0
    is_count_asked: bool = False
    lots: dict[LotTerms, Lot] = field(default_factory=dict)

    @property
    def on_hand(self) -> int:
        """On hand over all lots, those past their date too [piece or mL]."""
        return sum(lot.on_hand for lot in self.lots.values())

    def past_date(self, on: date) -> int:
        """What is on hand past its date on a day [piece or mL]."""
        return sum(max(lot.on_hand, 0) for lot in self.lots.values() if lot.is_past(on))

    def free(self, on: date) -> int:
        """What is on hand, not past its date and not reserved; below zero where more is reserved [piece or mL]."""
        return self.on_hand - self.past_date(on) - self.reserved

    def lots_in_order(self) -> list[tuple[LotTerms, Lot]]:
        """The lots in the order in which they are taken, with their terms."""
        return [(terms, self.lots[terms]) for terms in self._in_order()]

    def receive(self, line: StockLine, on: date, *, outstanding: int = 0) -> list[Movement]:
        """A delivery, also of what was ordered.

        Args:
            line: What came.
            on: The day.
            outstanding: What its order still waits for [piece or mL].
        """
        terms = LotTerms(line.lot, self.keeping.best_before(line, on), None, line.container_ml)
        moved = [self._move(terms, line.amount, Cause.RECEIPT)]
        came = min(outstanding, line.amount)
        return [*moved, *self._order(-came, Cause.RECEIPT)]

    def count(self, line: StockLine) -> list[Movement]:
        """A count, which sets the book: of one lot where the line names it, else of everything.

        Of everything, what is missing is taken from what would have been used first, and what is over belongs to
        no known lot. No movement is left out: a count that finds the book right is one movement of nothing.
        """
        if line.lot is not None:
            named = self._named(line)
            moved = [self._move(named, line.amount - self._held(named), Cause.COUNT)]
        else:
            left, moved = line.amount, []
            for terms in reversed(self._in_order()):
                if terms == NO_LOT:
                    continue
                kept = max(min(self.lots[terms].on_hand, left), 0)
                left -= kept
                if kept != self.lots[terms].on_hand:
                    moved.append(self._move(terms, kept - self.lots[terms].on_hand, Cause.COUNT))
            rest = left - self._held(NO_LOT)
            if rest or not moved:
                moved.append(self._move(NO_LOT, rest, Cause.COUNT))
        self.is_count_asked = any(lot.on_hand < 0 for lot in self.lots.values())
        return moved

    def issue(self, line: StockLine, on: date, *, outstanding: int = 0) -> list[Movement]:
        """What was taken for work.

        Args:
            line: What was taken; a lot that it names must not be past its date.
            on: The day.
            outstanding: What is reserved for the job that it is taken for [piece or mL].

        Raises:
            StockError: The lot is unknown (``lot_unknown``), or past its date (``lot_past_date``).
        """
        usable = [terms for terms in self._choice(line) if not self.lots[terms].is_past(on)]
        if line.lot is not None and not usable:
            raise StockError(
                Breach("/lot", "lot_past_date", "the lot is past its date; it may only be scrapped")
            )
        moved = self._draw(usable, line.amount, Cause.ISSUE, opened_on=on)
        taken = min(outstanding, line.amount)
        return [*moved, *self._reserve(-taken, Cause.ISSUE)]

    def take_back(self, line: StockLine) -> list[Movement]:
        """What was taken and not used; an opened container that is never kept is scrapped at once."""
        terms = LotTerms(line.lot, line.best_before_on, line.opened_on, line.container_ml)
        if line.lot is not None and terms not in self.lots:
            known = [
                one for one in self._in_order() if (one.code, one.opened_on) == (line.lot, line.opened_on)
            ]
            sealed = [one for one in self._in_order() if one.code == line.lot]
            if known:
                terms = known[0]
            elif sealed:
                terms = replace(sealed[0], opened_on=line.opened_on, container_ml=None)
        moved = [self._move(terms, line.amount, Cause.RETURN)]
        if line.opened_on is not None and self.keeping.is_scrapped_once_opened:
            moved.append(self._move(terms, -line.amount, Cause.SCRAP))
        return moved

    def scrap(self, line: StockLine) -> list[Movement]:
        """What is thrown away, past its date or not.

        Raises:
            StockError: The lot is unknown (``lot_unknown``).
        """
        return self._draw(self._choice(line), line.amount, Cause.SCRAP)

    def send(self, line: StockLine, on: date) -> list[Movement]:
        """What goes to another depot, by lot.

        Raises:
            StockError: The lot is unknown (``lot_unknown``), or past its date (``lot_past_date``).
        """
        usable = [terms for terms in self._choice(line) if not self.lots[terms].is_past(on)]
        if line.lot is not None and not usable:
            raise StockError(
                Breach("/lot", "lot_past_date", "the lot is past its date; it may only be scrapped")
            )
        return self._draw(usable, line.amount, Cause.TRANSFER)

    def take_in(self, sent: Iterable[Movement]) -> list[Movement]:
        """What comes from another depot: its lots as they are."""
        return [self._move(one.lot or NO_LOT, -one.amount, Cause.TRANSFER) for one in sent]

    def order(self, amount: int) -> list[Movement]:
        """What was ordered [piece or mL]."""
        return self._order(amount, Cause.ORDER)

    def close_order(self, outstanding: int) -> list[Movement]:
        """What an order will bring no longer [piece or mL]."""
        return self._order(-outstanding, Cause.ORDER_CLOSING)

    def reserve(self, amount: int) -> list[Movement]:
        """What is kept for a job [piece or mL]; more than is free is reserved all the same."""
        return self._reserve(amount, Cause.RESERVATION)

    def release(self, outstanding: int) -> list[Movement]:
        """What a job needs no longer [piece or mL]."""
        return self._reserve(-outstanding, Cause.RELEASE)

    def take_back_movement(self, moved: Movement) -> Movement:
        """The movement that undoes another one."""
        if moved.measure is Measure.ON_HAND:
            return self._move(moved.lot or NO_LOT, -moved.amount, moved.cause)
        if moved.measure is Measure.RESERVED:
            self.reserved -= moved.amount
            return Movement(moved.measure, moved.cause, -moved.amount, self.reserved)
        self.on_order -= moved.amount
        return Movement(moved.measure, moved.cause, -moved.amount, self.on_order)

    def _held(self, terms: LotTerms) -> int:
        return self.lots[terms].on_hand if terms in self.lots else 0

    def _in_order(self) -> list[LotTerms]:
        # What expires first comes first; of the same day what is opened, then by code.
        def place(terms: LotTerms) -> tuple[date, bool, date, str, int]:
            keeps = self.lots[terms].keeps_through_on
            return (
                keeps or date.max,
                terms.opened_on is None,
                terms.opened_on or date.min,
                terms.code or "",
                terms.container_ml or 0,
            )

        return sorted(self.lots, key=place)

    def _choice(self, line: StockLine) -> list[LotTerms]:
        if line.lot is None:
            return self._in_order()
        named = [terms for terms in self._in_order() if terms.code == line.lot]
        if line.opened_on is not None:
            named = [terms for terms in named if terms.opened_on == line.opened_on]
        if not named:
            raise StockError(Breach("/lot", "lot_unknown", "the depot has no such lot of this item"))
        return named

    def _named(self, line: StockLine) -> LotTerms:
        known = [one for one in self._in_order() if (one.code, one.opened_on) == (line.lot, line.opened_on)]
        if line.best_before_on is not None:
            known = [one for one in known if one.best_before_on == line.best_before_on]
        if known:
            return known[0]
        return LotTerms(line.lot, line.best_before_on, line.opened_on, line.container_ml)

    def _draw(
        self, choice: list[LotTerms], amount: int, cause: Cause, *, opened_on: date | None = None
    ) -> list[Movement]:
        left, moved = amount, []
        for terms in choice:
            taken = min(max(self.lots[terms].on_hand, 0), left)
            if taken:
                left -= taken
                moved.append(self._move(terms, -taken, cause))
                if opened_on is not None and terms.container_ml is not None:
                    moved += self._open(terms, taken, opened_on)
            if not left:
                break
        if left:
            # Beyond the book: of the lot that was named, or of none that is known.
            wrong = choice[-1] if choice and choice[-1].code is not None and len(choice) == 1 else NO_LOT
            moved.append(self._move(wrong, -left, cause))
            self.is_count_asked = True
        return moved

    def _open(self, terms: LotTerms, taken: int, opened_on: date) -> list[Movement]:
        # The rest of the last container opened leaves the sealed ones; less is left where the book has less.
        size = terms.container_ml or 1
        rest = min(-taken % size, self.lots[terms].on_hand)
        if not rest:
            return []
        if self.keeping.is_scrapped_once_opened:
            return [self._move(terms, -rest, Cause.SCRAP)]
        opened = replace(terms, opened_on=opened_on, container_ml=None)
        return [self._move(terms, -rest, Cause.OPENING), self._move(opened, rest, Cause.OPENING)]

    def _move(self, terms: LotTerms, amount: int, cause: Cause) -> Movement:
        held = self._held(terms)
        self.lots[terms] = Lot(held + amount, terms.keeps_through(self.keeping.shelf_opened_months))
        if held + amount < 0 and amount < 0:
            self.is_count_asked = True
        return Movement(Measure.ON_HAND, cause, amount, self.on_hand, terms)

    def _reserve(self, amount: int, cause: Cause) -> list[Movement]:
        if not amount:
            return []
        self.reserved += amount
        return [Movement(Measure.RESERVED, cause, amount, self.reserved)]

    def _order(self, amount: int, cause: Cause) -> list[Movement]:
        if not amount:
            return []
        self.on_order += amount
        return [Movement(Measure.ON_ORDER, cause, amount, self.on_order)]


def waste_stream_of(kind: FluidKind) -> WasteStream:
    """The stream that a used fluid goes into, as long as nothing else was mixed into it.

    Oils with 1,000 ppm of halogens or more are presumed to be mixed with hazardous waste (40 CFR 279.10(b)(1)(ii)), so
    oil of refrigerant compressors is kept apart.
    """
    if kind in LUBRICATING_OILS:
        return WasteStream.USED_OIL
    return _STREAMS[kind]


def entry_breaches(kind: EntryKind, given: Mapping[str, bool], lines: Iterable[StockLine]) -> list[Breach]:
    """The rules of its kind that an entry breaks.

    Args:
        kind: What the entry tells.
        given: Whether each member beside the lines is given, by its name.
        lines: The lines.
    """
    rule, listed = RULES[kind], list(lines)
    breaches = [
        Breach(f"/{name}", "field_missing", f"an entry of this kind needs {name}")
        for name in sorted(rule.needed)
        if not given.get(name)
    ]
    breaches += [
        Breach(f"/{name}", "field_not_applicable", f"an entry of this kind has no {name}")
        for name in _JUDGED
        if given.get(name) and name not in rule.needed | rule.allowed
    ]
    if rule.has_lines and not listed:
        breaches.append(Breach("/lines", "list_too_short", "an entry of this kind names at least one item"))
    if not rule.has_lines and listed:
        detail = "an entry of this kind is about all that is open, so it has no lines"
        breaches.append(Breach("/lines", "field_not_applicable", detail))
    for index, line in enumerate(listed if rule.has_lines else ()):
        breaches += (breach.under(f"/lines/{index}") for breach in _line_breaches(rule, line))
    return breaches


@dataclass(frozen=True, slots=True)
class KindRule:
    """What an entry of a kind consists of.

    Attributes:
        needed: Members beside the lines that it needs.
        allowed: Members that it may have.
        on_line: Members of a line, beside item and amount, that it may have.
        has_lines: Whether it names items at all.
        may_be_nothing: Whether an amount may be zero.
    """

    needed: frozenset[str] = frozenset({"depot"})
    allowed: frozenset[str] = frozenset()
    on_line: frozenset[str] = frozenset()
    has_lines: bool = True
    may_be_nothing: bool = False


def _of(*names: str) -> frozenset[str]:
    return frozenset(names)


RULES: dict[EntryKind, KindRule] = {
    EntryKind.RECEIPT: KindRule(
        allowed=_of("order", "supplier"), on_line=_of("lot", "best_before", "made_on", "container")
    ),
    EntryKind.COUNT: KindRule(
        on_line=_of("lot", "best_before", "opened_on", "container"), may_be_nothing=True
    ),
    EntryKind.ISSUE: KindRule(allowed=_of("job"), on_line=_of("lot", "opened_on")),
    EntryKind.RETURN: KindRule(
        allowed=_of("job"), on_line=_of("lot", "best_before", "opened_on", "container")
    ),
    EntryKind.TRANSFER: KindRule(needed=_of("depot", "to_depot"), on_line=_of("lot", "opened_on")),
    EntryKind.SCRAP: KindRule(
        needed=_of("depot", "reason"), allowed=_of("job"), on_line=_of("lot", "opened_on")
    ),
    EntryKind.ORDER: KindRule(allowed=_of("supplier", "expected_on")),
    EntryKind.ORDER_CLOSING: KindRule(needed=_of("order", "reason"), has_lines=False),
    EntryKind.RESERVATION: KindRule(needed=_of("depot", "job")),
    EntryKind.RELEASE: KindRule(needed=_of("job"), has_lines=False),
    EntryKind.CORRECTION: KindRule(needed=_of("corrects", "reason"), has_lines=False),
}

_JUDGED = ("depot", "to_depot", "job", "order", "supplier", "expected_on", "reason", "corrects")
_STREAMS = {
    FluidKind.COMPRESSOR_OIL: WasteStream.USED_COMPRESSOR_OIL,
    FluidKind.COOLANT: WasteStream.USED_COOLANT,
    FluidKind.BRAKE_FLUID: WasteStream.USED_BRAKE_FLUID,
    FluidKind.MINERAL_BRAKE_OIL: WasteStream.USED_OIL,
    FluidKind.AUS_32: WasteStream.USED_AUS_32,
}


def _line_breaches(rule: KindRule, line: StockLine) -> Iterable[Breach]:
    if not 0 <= line.amount <= MAX_AMOUNT:
        yield Breach("/amount", "amount_out_of_range", f"an amount is at least 0 and at most {MAX_AMOUNT}")
    elif not line.amount and not rule.may_be_nothing:
        yield Breach("/amount", "amount_zero", "an entry of this kind moves more than nothing")
    members = {
        "lot": line.lot,
        "best_before": line.best_before_on,
        "made_on": line.made_on,
        "opened_on": line.opened_on,
        "container": line.container_ml,
    }
    for name, value in members.items():
        if value is not None and name not in rule.on_line:
            yield Breach(f"/{name}", "field_not_applicable", f"a line of this kind of entry has no {name}")
    if line.container_ml is not None:
        if line.item.part is not None:
            yield Breach("/container", "field_not_applicable", "parts are counted in pieces")
        elif line.container_ml <= 0:
            yield Breach("/container", "volume_out_of_range", "a container holds more than 0")
