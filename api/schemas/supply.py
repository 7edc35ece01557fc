"""Suppliers of depots and stock policies in requests and answers."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Key, Request, Text
from api.schemas.fluid_products import Currency
from api.schemas.quantities import UnitSystem
from api.schemas.stock_amounts import PIECE, PartCode, ProductCode, ShownAmount, StockAmount, shown_amount
from api.schemas.times import ShownInstant
from api.services.supply import PolicyState, PolicyTerms, SupplierState, SupplierTerms
from domain.containers import MAX_PRICE_MINOR
from domain.stock import StockItem

MOST_DAYS = 366
Money = Annotated[int, Field(ge=0, le=MAX_PRICE_MINOR)]
"""Money in whole minor units of a currency."""

_CURRENCY = "Currency of its prices, ISO 4217."
_LEAD_MEAN = "Mean time from an order to its delivery [d]."
_LEAD_SD = "Standard deviation of that time [d]; 0: it is always the same."
_REVIEW = "How often is looked at what to order [d]."
_LEAST = "Least amount of money that an order comes to, in the minor unit of the currency; 0: none."
_ORDER_COST = "What an order costs beside its goods, in the minor unit of the currency; null: not known."
_SERVICE_LEVEL = "Chance that a review period ends without a shortage, above 0 and below 1 [1]."
_COVER = "How long one order is to last beyond lead time and review period [d]."
_ROOM = "Most of it that the depot has room for, as its tank or its shelf; null: no matter."
_PACK = "What a part is sold in; null for a fluid, whose containers the catalogue has."
_PACK_PRICE = "Price of a pack, in the minor unit of the supplier's currency; null for a fluid."
_KEPT = "Share of the lowest unit price that what is left over is worth [1]."
_HOLDING = (
    "What holding it for a year costs, as a share of its price [1]; with the order's cost it gives the cover."
)
_IS_ORDERED = "Whether it is still ordered."


class ItemPath(StrEnum):
    """What an item is, as a path names it."""

    PARTS = "parts"
    FLUID_PRODUCTS = "fluid-products"

    def item(self, code: str) -> StockItem:
        """The item of a code."""
        return StockItem(part=code) if self is ItemPath.PARTS else StockItem(fluid_product=code)


class SupplierReplacement(Request):
    """All of a supplier but its code."""

    name: Annotated[Text, Field(description="In words.")]
    currency: Annotated[Currency, Field(description=_CURRENCY)]
    lead_mean_days: Annotated[float, Field(ge=0, le=MOST_DAYS, description=_LEAD_MEAN)]
    lead_sd_days: Annotated[float, Field(ge=0, le=MOST_DAYS, description=_LEAD_SD)] = 0.0
    review_days: Annotated[int, Field(ge=1, le=MOST_DAYS, description=_REVIEW)] = 7
    least_order_minor: Annotated[Money, Field(description=_LEAST)] = 0
    order_cost_minor: Annotated[Money | None, Field(description=_ORDER_COST)] = None

    def terms_of(self, code: str) -> SupplierTerms:
        """The supplier of that code."""
        return SupplierTerms(
            code=code,
            name=self.name,
            currency=self.currency,
            lead_mean_days=self.lead_mean_days,
            lead_sd_days=self.lead_sd_days,
            review_days=self.review_days,
            least_order_minor=self.least_order_minor,
            order_cost_minor=self.order_cost_minor,
        )


class Supplier(Answer):
    """Who delivers to a depot, and on which terms."""

    code: Annotated[str, Field(description="The fleet's code of it.")]
    name: Annotated[str, Field(description="In words.")]
    currency: Annotated[str, Field(description=_CURRENCY)]
    lead_mean_days: Annotated[float, Field(description=_LEAD_MEAN)]
    lead_sd_days: Annotated[float, Field(description=_LEAD_SD)]
    review_days: Annotated[int, Field(description=_REVIEW)]
    least_order_minor: Annotated[int, Field(description=_LEAST)]
    order_cost_minor: Annotated[int | None, Field(description=_ORDER_COST)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]

    @classmethod
    def of(cls, state: SupplierState) -> Supplier:
        """The answer for a stored supplier."""
        terms = state.terms
        return cls(
            code=terms.code,
            name=terms.name,
            currency=terms.currency,
            lead_mean_days=terms.lead_mean_days,
            lead_sd_days=terms.lead_sd_days,
            review_days=terms.review_days,
            least_order_minor=terms.least_order_minor,
            order_cost_minor=terms.order_cost_minor,
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class SupplierList(Answer):
    """A page of suppliers of a depot, by code."""

    suppliers: Annotated[list[Supplier], Field(description="The suppliers, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class StockPolicyReplacement(Request):
    """All of a stock policy but its item."""

    supplier: Annotated[Key, Field(description="Code of who delivers it to the depot.")]
    service_level: Annotated[float, Field(gt=0, lt=1, description=_SERVICE_LEVEL)]
    cover_days: Annotated[int, Field(ge=0, le=MOST_DAYS, description=_COVER)] = 0
    room: Annotated[StockAmount | None, Field(description=_ROOM)] = None
    pack: Annotated[StockAmount | None, Field(description=_PACK)] = None
    pack_price_minor: Annotated[Money | None, Field(description=_PACK_PRICE)] = None
    kept_share: Annotated[float, Field(ge=0, le=0.95, description=_KEPT)] = 0.5
    holding_share: Annotated[float | None, Field(gt=0, le=1, description=_HOLDING)] = None
    is_ordered: Annotated[bool, Field(description=_IS_ORDERED)] = True

    def terms_of(self, item: StockItem) -> PolicyTerms:
        """The policy of an item."""
        return PolicyTerms(
            item=item,
            supplier=self.supplier,
            service_level=self.service_level,
            cover_days=self.cover_days,
            room=None if self.room is None else self.room.canonical(),
            pack_size=None if self.pack is None else self.pack.canonical(),
            pack_price_minor=self.pack_price_minor,
            kept_share=self.kept_share,
            holding_share=self.holding_share,
            is_ordered=self.is_ordered,
        )

    def wrong_units(self, item: StockItem) -> list[str]:
        """Members whose unit is not one of the item's."""
        members = {"room": self.room, "pack": self.pack}
        return [
            name
            for name, amount in members.items()
            if amount is not None and (amount.unit == PIECE) != (item.part is not None)
        ]


class StockPolicy(Answer):
    """How a depot keeps up its stock of an item."""

    part: PartCode
    fluid_product: ProductCode
    supplier: Annotated[str, Field(description="Code of who delivers it to the depot.")]
    service_level: Annotated[float, Field(description=_SERVICE_LEVEL)]
    cover_days: Annotated[int, Field(description=_COVER)]
    room: Annotated[ShownAmount | None, Field(description=_ROOM)]
    pack: Annotated[ShownAmount | None, Field(description=_PACK)]
    pack_price_minor: Annotated[int | None, Field(description=_PACK_PRICE)]
    kept_share: Annotated[float, Field(description=_KEPT)]
    holding_share: Annotated[float | None, Field(description=_HOLDING)]
    is_ordered: Annotated[bool, Field(description=_IS_ORDERED)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]

    @classmethod
    def of(cls, state: PolicyState, units: UnitSystem) -> StockPolicy:
        """The answer for a stored policy."""
        terms = state.terms
        return cls(
            part=terms.item.part,
            fluid_product=terms.item.fluid_product,
            supplier=terms.supplier,
            service_level=terms.service_level,
            cover_days=terms.cover_days,
            room=None if terms.room is None else shown_amount(terms.item, terms.room, units),
            pack=None if terms.pack_size is None else shown_amount(terms.item, terms.pack_size, units),
            pack_price_minor=terms.pack_price_minor,
            kept_share=terms.kept_share,
            holding_share=terms.holding_share,
            is_ordered=terms.is_ordered,
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class StockPolicyList(Answer):
    """A page of stock policies of a depot, in the order in which they were first stored."""

    stock_policies: Annotated[list[StockPolicy], Field(description="The policies.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]
