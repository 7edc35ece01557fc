"""The stock ledger in requests and answers: entries with their movements, balances with their lots, open orders."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.entries import Reason
from api.schemas.quantities import ShownVolume, UnitSystem, Volume, shown_quantity
from api.schemas.stock_amounts import PIECE, PartCode, ProductCode, ShownAmount, StockAmount, shown_amount
from api.schemas.times import Day, Instant, ShownInstant
from api.schemas.work import Remark
from api.services import stock
from domain.stock import Cause, EntryKind, LotTerms, Measure, StockItem, StockLine
from domain.units import Dimension

MOST_LINES = 200
_KEY = "The sender's own key of the entry; sent again with the same content it books nothing more."
_KIND = "What the entry tells; the other members depend on it."
_BEST_BEFORE = "Last day on which the lot keeps unopened."
_OPENED_ON = "Day on which the container was opened; without it the lot is sealed."
_CONTAINER = "What one container of the lot holds; without it the fluid is in bulk."
_JOB = "The job that it is for."
_ORDER = "Key of the order that it is about."
_EXPECTED = "Day on which the order is expected."
_SUPPLIER = "Who delivers."


class StockLineGiven(Request):
    """So much of one item."""

    part: PartCode = None
    fluid_product: ProductCode = None
    amount: Annotated[StockAmount, Field(description="How much; of a count what is really there.")]
    lot: Annotated[Key | None, Field(description="Its maker's lot code.")] = None
    best_before: Annotated[Day | None, Field(description=_BEST_BEFORE)] = None
    made_on: Annotated[
        Day | None,
        Field(
            description="Day of manufacture, from which the product's shelf life counts; else the delivery's."
        ),
    ] = None
    opened_on: Annotated[Day | None, Field(description=_OPENED_ON)] = None
    container: Annotated[Volume | None, Field(description=_CONTAINER)] = None

    @model_validator(mode="after")
    def _one_item(self) -> StockLineGiven:
        if (self.part is None) == (self.fluid_product is None):
            rule, text = "item_not_told", "A line names a part or a fluid product, and not both"
            raise PydanticCustomError(rule, text)
        if (self.part is not None) != (self.amount.unit == PIECE):
            rule, text = "unit_of_wrong_dimension", "Parts are counted in pieces, fluids in a unit of volume"
            raise PydanticCustomError(rule, text)
        return self

    def value(self) -> StockLine:
        """The line in canonical units."""
        return StockLine(
            StockItem(self.part, self.fluid_product),
            self.amount.canonical(),
            self.lot,
            self.best_before,
            self.made_on,
            self.opened_on,
            None if self.container is None else self.container.canonical(),
        )


class StockEntryGiven(Request):
    """An entry of the ledger as it is sent. Which members it takes depends on `kind`.

    receipt: depot, lines; order, supplier. count: depot, lines. issue: depot, lines; job. return: depot, lines; job.
    transfer: depot, to_depot, lines. scrap: depot, reason, lines; job. order: depot, lines; supplier, expected_on.
    order_closing: order, reason. reservation: depot, job, lines. release: job. correction: corrects, reason.
    """

    key: Annotated[Key, Field(description=_KEY)]
    kind: Annotated[Choice[EntryKind], Field(description=_KIND)]
    depot: Annotated[Key | None, Field(description="Code of the depot.")] = None
    to_depot: Annotated[Key | None, Field(description="Code of the depot that a transfer goes to.")] = None
    at: Annotated[Instant | None, Field(description="When it happened; now unless given.")] = None
    lines: Annotated[
        list[StockLineGiven],
        Field(default_factory=list, max_length=MOST_LINES, description="The items, one after the other."),
    ]
    job: Annotated[Key | None, Field(description=_JOB)] = None
    order: Annotated[Key | None, Field(description=_ORDER)] = None
    expected_on: Annotated[Day | None, Field(description=_EXPECTED)] = None
    supplier: Annotated[Text | None, Field(description=_SUPPLIER)] = None
    entered_by: Annotated[Text | None, Field(description="Who says so.")] = None
    reason: Annotated[Reason | None, Field(description="Why, in a sentence.")] = None
    note: Annotated[Remark | None, Field(description="Free text.")] = None
    corrects: Annotated[
        int | None,
        Field(ge=1, le=2**53 - 1, description="The entry that is taken back, movement by movement."),
    ] = None

    def value(self) -> stock.EntryGiven:
        """The entry in canonical units."""
        return stock.EntryGiven(
            key=self.key,
            kind=self.kind,
            lines=tuple(line.value() for line in self.lines),
            depot=self.depot,
            to_depot=self.to_depot,
            at_us=self.at,
            job=self.job,
            order=self.order,
            expected_on=self.expected_on,
            supplier=self.supplier,
            entered_by=self.entered_by,
            reason=self.reason,
            note=self.note,
            corrects=self.corrects,
        )


class ShownLot(Answer):
    """What tells a lot from another one."""

    code: Annotated[str | None, Field(description="Its maker's code; null where none was noted.")]
    best_before: Annotated[Day | None, Field(description=_BEST_BEFORE)]
    opened_on: Annotated[Day | None, Field(description="Day of its opening; null while it is sealed.")]
    container: Annotated[ShownVolume | None, Field(description=_CONTAINER)]


class StockMovement(Answer):
    """A figure of a balance that an entry moved."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    part: PartCode
    fluid_product: ProductCode
    measure: Annotated[Measure, Field(description="Which figure moved.")]
    cause: Annotated[Cause, Field(description="Why it moved; opening: the rest of a container opened.")]
    amount: Annotated[ShownAmount, Field(description="By how much; negative where it went down.")]
    after: Annotated[ShownAmount, Field(description="The figure afterwards, over all lots.")]
    lot: Annotated[ShownLot | None, Field(description="The lot, for what is on hand; else null.")]


class StockEntry(Answer):
    """An entry of the ledger. It never changes; a wrong one is taken back by a correction."""

    id: Annotated[int, Field(description="Identifies the entry.")]
    key: Annotated[str, Field(description=_KEY)]
    kind: Annotated[EntryKind, Field(description="What the entry tells.")]
    at: Annotated[ShownInstant, Field(description="When it happened.")]
    movements: Annotated[list[StockMovement], Field(description="What it moved, in its order.")]
    job: Annotated[str | None, Field(description=_JOB)]
    order: Annotated[str | None, Field(description="Key of the order; an order's own key.")]
    expected_on: Annotated[Day | None, Field(description=_EXPECTED)]
    supplier: Annotated[str | None, Field(description=_SUPPLIER)]
    entered_by: Annotated[str | None, Field(description="Who says so.")]
    reason: Annotated[str | None, Field(description="Why.")]
    note: Annotated[str | None, Field(description="Free text.")]
    corrects: Annotated[int | None, Field(description="The entry that it takes back.")]
    corrected_by: Annotated[int | None, Field(description="The entry that takes it back.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]

    @classmethod
    def of(cls, entry: stock.EntryShown, units: UnitSystem) -> StockEntry:
        """The answer for an entry."""
        return cls(
            id=entry.id,
            key=entry.key,
            kind=entry.kind,
            at=entry.at_us,
            movements=[
                StockMovement(
                    depot=one.depot,
                    part=one.item.part,
                    fluid_product=one.item.fluid_product,
                    measure=one.measure,
                    cause=one.cause,
                    amount=shown_amount(one.item, one.amount, units),
                    after=shown_amount(one.item, one.after, units),
                    lot=None if one.lot is None else _lot(one.lot, units),
                )
                for one in entry.movements
            ],
            job=entry.job,
            order=entry.order,
            expected_on=entry.expected_on,
            supplier=entry.supplier,
            entered_by=entry.entered_by,
            reason=entry.reason,
            note=entry.note,
            corrects=entry.corrects,
            corrected_by=entry.corrected_by,
            recorded_at=entry.recorded_at_us,
        )


class StockEntryList(Answer):
    """A page of entries, the newest recorded first."""

    stock_entries: Annotated[list[StockEntry], Field(description="The entries, the newest recorded first.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class LotHeld(ShownLot):
    """A lot of which something is on hand."""

    on_hand: Annotated[ShownAmount, Field(description="How much of it; below zero where the book is wrong.")]
    keeps_through: Annotated[Day | None, Field(description="Last day on which it may be used.")]
    is_past_date: Annotated[bool, Field(description="Whether it may only be scrapped.")]


class StockBalance(Answer):
    """What a depot has of an item."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    part: PartCode
    fluid_product: ProductCode
    name: Annotated[str, Field(description="The item in words.")]
    on_hand: Annotated[
        ShownAmount,
        Field(description="On hand, what is past its date too; below zero where the book is wrong."),
    ]
    past_date: Annotated[ShownAmount, Field(description="On hand and past its date.")]
    reserved: Annotated[ShownAmount, Field(description="Reserved for jobs.")]
    free: Annotated[
        ShownAmount,
        Field(description="On hand, not past its date, not reserved; below zero where more is reserved."),
    ]
    on_order: Annotated[ShownAmount, Field(description="Ordered and not received.")]
    is_count_asked: Annotated[
        bool, Field(description="Whether more was taken than the book had, so that a count is asked for.")
    ]
    lots: Annotated[
        list[LotHeld],
        Field(description="Lots in the order in which they are taken, the earliest expiry first."),
    ]
    version: Annotated[int, Field(description="Grows by one with each entry that moves it.")]
    changed_at: Annotated[ShownInstant, Field(description="When it last changed.")]

    @classmethod
    def of(cls, found: stock.BalanceShown, units: UnitSystem) -> StockBalance:
        """The answer for a balance."""
        item = found.item
        return cls(
            depot=found.depot,
            part=item.part,
            fluid_product=item.fluid_product,
            name=found.name,
            on_hand=shown_amount(item, found.on_hand, units),
            past_date=shown_amount(item, found.past_date, units),
            reserved=shown_amount(item, found.reserved, units),
            free=shown_amount(item, found.free, units),
            on_order=shown_amount(item, found.on_order, units),
            is_count_asked=found.is_count_asked,
            lots=[
                LotHeld(
                    code=lot.terms.code,
                    best_before=lot.terms.best_before_on,
                    opened_on=lot.terms.opened_on,
                    container=_container(lot.terms, units),
                    on_hand=shown_amount(item, lot.on_hand, units),
                    keeps_through=lot.keeps_through_on,
                    is_past_date=lot.is_past_date,
                )
                for lot in found.lots
            ],
            version=found.version,
            changed_at=found.changed_at_us,
        )


class StockList(Answer):
    """A page of balances, by depot and item in the order in which they were first in stock."""

    stock: Annotated[list[StockBalance], Field(description="The balances.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class OpenOrderLine(Answer):
    """What an open order still brings of one item."""

    order: Annotated[str, Field(description="Key of the order.")]
    depot: Annotated[str, Field(description="Code of the depot.")]
    part: PartCode
    fluid_product: ProductCode
    amount: Annotated[ShownAmount, Field(description="What is still to come.")]
    placed_at: Annotated[ShownInstant, Field(description="When it was placed.")]
    expected_on: Annotated[Day | None, Field(description=_EXPECTED)]
    supplier: Annotated[str | None, Field(description=_SUPPLIER)]


class OpenOrderList(Answer):
    """A page of what open orders still bring."""

    open_orders: Annotated[list[OpenOrderLine], Field(description="The lines, the oldest order first.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def shown_order_line(line: stock.OrderLine, units: UnitSystem) -> OpenOrderLine:
    """A line of an open order, in a system's units."""
    return OpenOrderLine(
        order=line.order,
        depot=line.depot,
        part=line.item.part,
        fluid_product=line.item.fluid_product,
        amount=shown_amount(line.item, line.amount, units),
        placed_at=line.placed_at_us,
        expected_on=line.expected_on,
        supplier=line.supplier,
    )


def _lot(terms: LotTerms, units: UnitSystem) -> ShownLot:
    return ShownLot(
        code=terms.code,
        best_before=terms.best_before_on,
        opened_on=terms.opened_on,
        container=_container(terms, units),
    )


def _container(terms: LotTerms, units: UnitSystem) -> ShownVolume | None:
    if terms.container_ml is None:
        return None
    return ShownVolume(**shown_quantity(terms.container_ml, Dimension.VOLUME, units))
