"""What to order, as answered: orders by supplier with the reasons of each line, and how every item stands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.quantities import UnitSystem
from api.schemas.stock_amounts import PartCode, ProductCode, ShownAmount, shown_amount
from api.schemas.times import Day
from api.services.order_proposals import (
    ItemPlan,
    OrderLine,
    Proposals,
    ProposedOrder,
    Reason,
    Unplanned,
    UnplannedDemand,
    Why,
)
from domain.stock import StockItem

_UNPLANNED = {
    Unplanned.NO_POLICY: "The depot has no stock policy for it, so nobody is known to order it from.",
    Unplanned.NO_PRODUCT: "No product of the catalogue is known to meet the requirement.",
    Unplanned.REQUIREMENT_NOT_KEPT: "The fleet keeps no requirement of this code, so nothing can be judged by it.",
    Unplanned.REQUIREMENT_NOT_JUDGED: (
        "The requirement names no class that products are judged by; no match is assumed."
    ),
    Unplanned.MAKER_DECIDES: "The vehicle's maker decides whether a product meets it; none is proposed.",
    Unplanned.NO_CONTAINERS: "Products meet the requirement, but none has containers to buy.",
    Unplanned.CURRENCY_DIFFERS: "The product's prices are in another currency than its supplier's.",
}
_FLUID = "Code of the fluid requirement; null for a part."
_LEAD = "Mean lead time [d]."
_REVIEW = "Review period [d]."


class OrderReason(Answer):
    """Why a line stands as it does."""

    code: Annotated[Reason, Field(description="Short stable code.")]
    detail: Annotated[str, Field(description="The reason in a sentence, with its figures.")]


class PacksBought(Answer):
    """So many of one container or pack."""

    size: Annotated[ShownAmount, Field(description="What one holds.")]
    count: Annotated[int, Field(description="How many.")]
    price_minor: Annotated[int, Field(description="Price of one, in the minor unit of the currency.")]


class ProposedLine(Answer):
    """What to buy of an item; an order is placed by an entry of stock of the kind `order`."""

    part: PartCode
    fluid_product: ProductCode
    need: Annotated[ShownAmount, Field(description="What is needed now.")]
    packs: Annotated[list[PacksBought], Field(description="What to buy.")]
    amount: Annotated[ShownAmount, Field(description="What they hold.")]
    left_over: Annotated[ShownAmount, Field(description="What they hold beyond the need.")]
    left_over_value_minor: Annotated[
        int, Field(description="What is left over is worth, in the minor unit of the currency.")
    ]
    missing: Annotated[ShownAmount, Field(description="What stays open of the need for lack of room.")]
    cost_minor: Annotated[int, Field(description="What they cost, in the minor unit of the currency.")]
    reasons: Annotated[
        list[OrderReason], Field(description="Why the line is there, and is as large as it is.")
    ]


class OrderProposed(Answer):
    """An order to one supplier."""

    supplier: Annotated[str, Field(description="Code of the supplier.")]
    name: Annotated[str, Field(description="In words.")]
    currency: Annotated[str, Field(description="Currency of its prices, ISO 4217.")]
    expected_on: Annotated[Day, Field(description="When it is expected, if it is placed today.")]
    lines: Annotated[list[ProposedLine], Field(description="What to buy.")]
    cost_minor: Annotated[int, Field(description="What all of it costs, in the minor unit of the currency.")]
    least_order_minor: Annotated[int, Field(description="Least amount of money that an order comes to.")]
    is_least_order_met: Annotated[
        bool, Field(description="Whether it comes to that; where not, not even filling up would reach it.")
    ]


class ItemStanding(Answer):
    """How an item of a stock policy stands."""

    part: PartCode
    fluid_product: ProductCode
    fluid_requirements: Annotated[
        list[str], Field(description="Codes of the requirements that it is to cover; empty for a part.")
    ]
    supplier: Annotated[str, Field(description="Code of who delivers it.")]
    usable: Annotated[ShownAmount, Field(description="On hand and not past its date.")]
    past_date: Annotated[ShownAmount, Field(description="On hand and past its date.")]
    reserved: Annotated[
        ShownAmount, Field(description="Reserved for jobs, whose services the expected demand counts too.")
    ]
    on_order: Annotated[ShownAmount, Field(description="Ordered and not received.")]
    position: Annotated[ShownAmount, Field(description="Usable, on order, and of products that do as well.")]
    lead_days: Annotated[float, Field(description=_LEAD)]
    review_days: Annotated[int, Field(description=_REVIEW)]
    cover_days: Annotated[float, Field(description="How long one order is to last beyond both [d].")]
    service_level: Annotated[
        float, Field(description="Chance asked for that a review period ends without a shortage [1].")
    ]
    expected_demand: Annotated[ShownAmount, Field(description="Expected over lead time and review period.")]
    safety_stock: Annotated[ShownAmount, Field(description="The reorder point less the expected demand.")]
    reorder_point: Annotated[ShownAmount, Field(description="Least position at which nothing is needed.")]
    order_up_to: Annotated[ShownAmount, Field(description="Position that an order fills up to.")]
    expected_short: Annotated[ShownAmount, Field(description="Expected shortage from the reorder point.")]
    need: Annotated[ShownAmount, Field(description="What is needed now.")]


class NotPlanned(Answer):
    """What is asked for and can't be ordered."""

    fluid_requirement: Annotated[str | None, Field(description=_FLUID)]
    part: PartCode
    expected_in_a_year: Annotated[ShownAmount, Field(description="Expected demand over a year.")]
    code: Annotated[Unplanned, Field(description="Short stable code of the reason.")]
    detail: Annotated[str, Field(description="The reason in a sentence.")]
    fluid_products: Annotated[list[str], Field(description="Products that the reason is about.")]


class OrderProposals(Answer):
    """What a depot should order now."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    as_of: Annotated[Day, Field(description="Today, in the depot's time zone.")]
    orders: Annotated[list[OrderProposed], Field(description="Orders to place, by supplier.")]
    items: Annotated[list[ItemStanding], Field(description="How each item with a stock policy stands.")]
    not_planned: Annotated[
        list[NotPlanned], Field(description="What services are expected to take and nothing is ordered of.")
    ]

    @classmethod
    def of(cls, found: Proposals, units: UnitSystem) -> OrderProposals:
        """The answer, in a system's units."""
        return cls(
            depot=found.depot,
            as_of=found.as_of,
            orders=[_order(order, units) for order in found.orders],
            items=[_standing(plan, units) for plan in found.items],
            not_planned=[_unplanned(one, units) for one in found.unplanned],
        )


def _order(order: ProposedOrder, units: UnitSystem) -> OrderProposed:
    terms = order.terms
    return OrderProposed(
        supplier=terms.code,
        name=terms.name,
        currency=terms.currency,
        expected_on=order.expected_on,
        lines=[_line(line, units) for line in order.lines],
        cost_minor=order.purchase.cost_minor,
        least_order_minor=terms.least_order_minor,
        is_least_order_met=order.purchase.is_minimum_met,
    )


def _line(line: OrderLine, units: UnitSystem) -> ProposedLine:
    item, bought = line.plan.item, line.bought
    return ProposedLine(
        part=item.part,
        fluid_product=item.fluid_product,
        need=shown_amount(item, line.plan.need, units),
        packs=[
            PacksBought(size=shown_amount(item, pack.size, units), count=count, price_minor=pack.price_minor)
            for pack, count in zip(line.packs, bought.counts, strict=True)
            if count
        ],
        amount=shown_amount(item, bought.amount, units),
        left_over=shown_amount(item, bought.left_over, units),
        left_over_value_minor=bought.kept_value_minor,
        missing=shown_amount(item, bought.missing, units),
        cost_minor=bought.cost_minor,
        reasons=[OrderReason(code=why.reason, detail=_said(why, item, units)) for why in line.whys],
    )


def _standing(plan: ItemPlan, units: UnitSystem) -> ItemStanding:
    item = plan.item
    return ItemStanding(
        part=item.part,
        fluid_product=item.fluid_product,
        fluid_requirements=list(plan.requirements),
        supplier=plan.supplier,
        usable=shown_amount(item, plan.usable, units),
        past_date=shown_amount(item, plan.past_date, units),
        reserved=shown_amount(item, plan.reserved, units),
        on_order=shown_amount(item, plan.on_order, units),
        position=shown_amount(item, plan.position, units),
        lead_days=plan.lead_days,
        review_days=plan.review_days,
        cover_days=round(plan.cover_days, 1),
        service_level=plan.service_level,
        expected_demand=_part_amount(item, plan.levels.expected, units),
        safety_stock=_part_amount(item, plan.levels.safety, units),
        reorder_point=shown_amount(item, plan.levels.reorder_point, units),
        order_up_to=shown_amount(item, plan.levels.order_up_to, units),
        expected_short=_part_amount(item, plan.levels.expected_short, units),
        need=shown_amount(item, plan.need, units),
    )


def _unplanned(one: UnplannedDemand, units: UnitSystem) -> NotPlanned:
    item = StockItem(part=one.part, fluid_product=one.fluid_requirement)
    return NotPlanned(
        fluid_requirement=one.fluid_requirement,
        part=one.part,
        expected_in_a_year=_part_amount(item, one.expected, units),
        code=one.reason,
        detail=_UNPLANNED[one.reason],
        fluid_products=list(one.names),
    )


def _part_amount(item: StockItem, amount: float, units: UnitSystem) -> ShownAmount:
    """An expected amount: parts of a piece count too."""
    if item.part is not None:
        return ShownAmount(value=round(amount, 2), unit="piece")
    return shown_amount(item, round(amount), units)


def _said(why: Why, item: StockItem, units: UnitSystem) -> str:
    def much(place: int) -> str:
        shown = _part_amount(item, why.amounts[place], units)
        plural = "" if shown.value == 1 or shown.unit != "piece" else "s"
        return f"{shown.value:g} {shown.unit}{plural}"

    names = ", ".join(why.names)
    said: dict[Reason, Callable[[], str]] = {
        Reason.DEMAND: lambda: (
            f"Expected over {why.days:g} days of lead time and review: {much(0)}; not exceeded with a chance of"
            f" {why.share:g}: {much(1)}; an order fills up to {much(2)}."
        ),
        Reason.RESERVED: lambda: f"Reserved for jobs, which is more than that: {much(0)}.",
        Reason.POSITION: lambda: (
            f"On hand and not past its date: {much(0)}; on order: {much(1)}; needed now: {much(2)}."
        ),
        Reason.SUBSTITUTE_COUNTED: lambda: (
            f"Of {names}, which meets every requirement concerned, counts too: {much(0)}."
        ),
        Reason.CHOSEN_PRODUCT: lambda: (
            f"A year of {why.names[0]} costs no more in it than in {', '.join(why.names[1:])}, which would do as well."
        ),
        Reason.CHEAPEST_PACKS: lambda: (
            "These containers cost least of all that cover the need, what is left over counted at its worth."
        ),
        Reason.LEFT_OVER: lambda: (
            f"Left over beyond the need: {much(0)}, worth {why.share:g} of the lowest unit price."
        ),
        Reason.ROOM: lambda: f"Room that is left: {much(0)}; needed: {much(1)}.",
        Reason.SHELF_LIFE: lambda: (
            f"Expected to be used in the {why.days:g} days that it keeps unopened: {much(0)}; beyond the need no"
            " more than that is bought."
        ),
        Reason.OPENED_LIFE: lambda: (
            f"Expected to be used while an opened container keeps: {much(0)}; larger ones are left out."
        ),
        Reason.FILLS_UP: lambda: (
            "An order has to come to a least amount of money, and this line helps to fill it up."
        ),
        Reason.LONGER_COVER: lambda: (
            f"An order of {much(0)} lasts {why.days:.0f} days, at which ordering and holding together cost least."
        ),
    }
    return said[why.reason]()
