"""What a depot should order now: levels from the law of its demand, bought in the cheapest containers, with reasons.

Invariants: an item is ordered only where a policy of the depot says from whom; a fluid requirement is covered only by a
product that is found to meet it, and where the maker decides or none does, the answer says so and orders nothing. What
is reserved is reserved for services that the forecast counts too, so it is no further demand; but never less is kept
up than is reserved. Every line tells its reasons, with their figures.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from api.services.errors import NotFoundError
from api.services.fluid_products import products_of
from api.services.fluid_supplies import SupplyNote, fluid_shelf
from api.services.stock import BalanceShown, StockFilter, balances_after
from api.services.stock_booking import day_at
from api.services.supply import depot_policies, depot_suppliers
from api.store import queries_stock
from domain.calendar import add_months
from domain.order_levels import (
    NOTHING,
    Law,
    Levels,
    StepLaw,
    economic_quantity,
    law_mean,
    lead_nodes,
    levels,
    needed_days,
    over_lead_time,
    together,
)
from domain.purchase import Bought, Need, Pack, Purchase, cheapest_purchase
from domain.requirements import FluidKind
from domain.stock import StockItem

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.services.fluid_products import ProductState
    from api.services.fluid_supplies import Shelf
    from api.services.supply import PolicyState, SupplierTerms
    from api.store.session import ReadSession
    from domain.order_levels import LeadNode

RATE_DAYS = 365
"""Days over which the rate of demand is taken."""

_MOST_BALANCES = 100_000
_FILL_DAYS = 91


class Reason(StrEnum):
    """Why a line stands as it does."""

    DEMAND = "demand"
    RESERVED = "reserved"
    POSITION = "position"
    SUBSTITUTE_COUNTED = "substitute_counted"
    CHOSEN_PRODUCT = "chosen_product"
    CHEAPEST_PACKS = "cheapest_packs"
    LEFT_OVER = "left_over"
    ROOM = "room"
    SHELF_LIFE = "shelf_life"
    OPENED_LIFE = "opened_life"
    FILLS_UP = "fills_up"
    LONGER_COVER = "longer_cover"


class Unplanned(StrEnum):
    """Why something that is asked for can't be ordered."""

    NO_POLICY = "no_policy"
    NO_PRODUCT = "no_product"
    REQUIREMENT_NOT_KEPT = "requirement_not_kept"
    REQUIREMENT_NOT_JUDGED = "requirement_not_judged"
    MAKER_DECIDES = "maker_decides"
    NO_CONTAINERS = "no_containers"
    CURRENCY_DIFFERS = "currency_differs"


@dataclass(frozen=True, slots=True)
class Why:
    """A reason with its figures: amounts of the item [piece or mL], days, shares or names."""

    reason: Reason
    amounts: tuple[float, ...] = ()
    days: float = 0.0
    share: float = 0.0
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ItemPlan:
    """How an item stands, and what is needed of it [piece or mL].

    Attributes:
        item: The item.
        requirements: Codes of the fluid requirements that it is to cover; empty for a part.
        supplier: Code of who delivers it.
        service_level: The chance asked for.
        usable: On hand and not past its date.
        past_date: On hand and past it.
        reserved: Reserved for jobs.
        on_order: Ordered and not received.
        substitutes: What of other products counts too, by code.
        position: Usable, on order and substitutes.
        lead_days: Mean lead time [d].
        review_days: Review period [d].
        cover_days: How long one order is to last beyond [d].
        levels: The levels.
        need: What is needed now.
        whys: The reasons of the need.
    """

    item: StockItem
    requirements: tuple[str, ...]
    supplier: str
    service_level: float
    usable: int
    past_date: int
    reserved: int
    on_order: int
    substitutes: tuple[tuple[str, int], ...]
    position: int
    lead_days: float
    review_days: int
    cover_days: float
    levels: Levels
    need: int
    whys: tuple[Why, ...]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """What to buy of an item."""

    plan: ItemPlan
    packs: tuple[Pack, ...]
    bought: Bought
    whys: tuple[Why, ...]


@dataclass(frozen=True, slots=True)
class ProposedOrder:
    """An order to one supplier."""

    terms: SupplierTerms
    expected_on: date
    lines: tuple[OrderLine, ...]
    purchase: Purchase


@dataclass(frozen=True, slots=True)
class UnplannedDemand:
    """What is asked for and can't be ordered.

    Attributes:
        fluid_requirement: Code of the requirement; None for a part.
        part: Number of the part; None for a fluid.
        expected: Expected demand over a year [piece or mL].
        reason: Why.
        names: Products that the reason is about.
    """

    fluid_requirement: str | None
    part: str | None
    expected: float
    reason: Unplanned
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposals:
    """What a depot should order."""

    depot: str
    as_of: date
    orders: tuple[ProposedOrder, ...]
    items: tuple[ItemPlan, ...]
    unplanned: tuple[UnplannedDemand, ...]


@dataclass(slots=True)
class _Asked:
    """An item with a policy, and all that is known about it."""

    policy: PolicyState
    terms: SupplierTerms
    nodes: tuple[LeadNode, ...]
    product: ProductState | None = None
    requirements: list[str] = field(default_factory=list)
    packs: tuple[Pack, ...] = ()
    whys: list[Why] = field(default_factory=list)
    substitutes: list[tuple[str, int]] = field(default_factory=list)


def order_proposals(session: ReadSession, fleet_key: int, depot: str, *, now_us: int) -> Proposals:
    """What a depot should order now, by supplier, with all that led to it.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        depot: Code of the depot.
        now_us: The instant of the request [us UTC].

    Raises:
        NotFoundError: The fleet has no such depot.
    """
    zones = queries_stock.depot_zones(session, fleet_key)
    depot_key = next((key for key, (code, _) in zones.items() if code == depot), None)
    if depot_key is None:
        raise NotFoundError(_DEPOT)
    return _Planner(
        session, fleet_key, depot_key, depot, day_at(now_us, zones[depot_key][1]), now_us
    ).proposals()


class _Planner:
    def __init__(  # noqa: PLR0913, PLR0917 - a place and a time
        self, session: ReadSession, fleet_key: int, depot_key: int, depot: str, today: date, now_us: int
    ) -> None:
        from api.services.demand import demand_laws

        self.depot = depot
        self.today = today
        suppliers = depot_suppliers(session, fleet_key, depot_key)
        policies = [one for one in depot_policies(session, fleet_key, depot_key) if one.terms.is_ordered]
        self.asked = {
            one.terms.item: _Asked(
                one,
                terms := suppliers[one.terms.supplier],
                lead_nodes(terms.lead_mean_days, terms.lead_sd_days),
            )
            for one in policies
        }
        self.days = sorted(
            {
                RATE_DAYS,
                *(
                    day
                    for one in self.asked.values()
                    for day in needed_days(
                        one.nodes,
                        [
                            one.terms.review_days,
                            one.terms.review_days + one.policy.terms.cover_days,
                        ],
                    )
                ),
            }
        )
        self.laws = demand_laws(session, fleet_key, depot_key=depot_key, as_of=today, days=self.days)
        asked = StockFilter(depot_key)
        found = balances_after(
            session, fleet_key, asked, after=None, limit=_MOST_BALANCES, state=None, now_us=now_us
        )
        self.balances: dict[StockItem, BalanceShown] = {one.item: one for one in found}
        fluids = {item.fluid_product for item in self.asked if item.fluid_product is not None}
        for code, state in products_of(session, fleet_key, fluids).items():
            if state.withdrawn_at_us is None:
                self.asked[StockItem(fluid_product=code)].product = state
        codes = sorted({code for kind, code in self.laws if kind in _OF_FLUIDS})
        self.shelf: Shelf = fluid_shelf(session, fleet_key, codes)
        self.unplanned: list[UnplannedDemand] = []

    def proposals(self) -> Proposals:
        for code in sorted({code for kind, code in self.laws if kind in _OF_FLUIDS}):
            self._assign(code)
        for kind, code in sorted(self.laws):
            if kind == _PART and StockItem(part=code) not in self.asked:
                self._leave(code, Unplanned.NO_POLICY, is_part=True)
        self._count_substitutes()
        by_supplier: defaultdict[str, list[tuple[_Asked, ItemPlan]]] = defaultdict(list)
        for asked in self.asked.values():
            if self._sold_in(asked):
                by_supplier[asked.terms.code].append((asked, self._plan(asked)))
        orders = [
            order for _, plans in sorted(by_supplier.items()) if (order := self._order(plans)) is not None
        ]
        return Proposals(
            self.depot,
            self.today,
            tuple(orders),
            tuple(plan for _, plans in sorted(by_supplier.items()) for _, plan in plans),
            tuple(self.unplanned),
        )

    def _assign(self, code: str) -> None:
        """Let the product that costs least a litre cover a requirement, of those that the depot orders."""
        judged = self.shelf.judged(code)
        suited = [one for one in judged.suited if one.terms.containers]
        ordered = [one for one in suited if _item_of(one) in self.asked]
        if not ordered:
            self._leave(
                code,
                *_why_unplanned(
                    judged.note,
                    judged.suited,
                    suited,
                    [one.product.terms.product.code for one in judged.in_doubt],
                ),
            )
            return
        chosen = ordered[0] if len(ordered) == 1 else min(ordered, key=lambda one: self._year_cost(one, code))
        asked = self.asked[_item_of(chosen)]
        asked.requirements.append(code)
        if len(ordered) > 1:
            names = (code, *(one.terms.product.code for one in ordered if one is not chosen))
            asked.whys.append(Why(Reason.CHOSEN_PRODUCT, names=names))

    def _year_cost(self, state: ProductState, code: str) -> tuple[int, str]:
        """What a year's expected demand of a requirement costs in a product, and its code for what costs the same."""
        expected = sum(law_mean(law) for law in self._laws_of(_OF_FLUIDS, code, RATE_DAYS))
        packs = tuple(Pack(one.size_ml, one.price_minor) for one in state.terms.containers)
        kept, _ = self._used_up(state, packs, expected / RATE_DAYS)
        bought = cheapest_purchase([Need(max(round(expected), 1), None, kept)])
        return bought.cost_minor, state.terms.product.code

    def _count_substitutes(self) -> None:
        """Stock of products that nothing is ordered of counts for those whose every requirement it meets."""
        assigned = {item for item, asked in self.asked.items() if asked.requirements}
        for item, balance in sorted(self.balances.items(), key=lambda pair: pair[0].fluid_product or ""):
            held = balance.on_hand - balance.past_date + balance.on_order
            if item.fluid_product is None or item in assigned or held <= 0:
                continue
            for asked in self.asked.values():
                if asked.requirements and all(
                    item in {_item_of(one) for one in self.shelf.judged(code).suited}
                    for code in asked.requirements
                ):
                    asked.substitutes.append((item.fluid_product, held))
                    asked.whys.append(
                        Why(Reason.SUBSTITUTE_COUNTED, amounts=(held,), names=(item.fluid_product,))
                    )
                    break

    def _sold_in(self, asked: _Asked) -> bool:
        """Whether it can be bought; its packs are noted."""
        terms = asked.policy.terms
        if terms.item.part is not None:
            asked.packs = (Pack(terms.pack_size or 1, terms.pack_price_minor or 0),)
            return True
        if asked.product is None or not asked.product.terms.containers:
            return False
        if asked.product.terms.currency != asked.terms.currency:
            names = (asked.product.terms.product.code, asked.terms.code)
            for code in asked.requirements:
                self._leave(code, Unplanned.CURRENCY_DIFFERS, names)
            return False
        asked.packs = tuple(Pack(one.size_ml, one.price_minor) for one in asked.product.terms.containers)
        return True

    def _plan(self, asked: _Asked) -> ItemPlan:
        terms, item = asked.policy.terms, asked.policy.terms.item
        rate = self._mean(asked, RATE_DAYS) / RATE_DAYS
        cover = self._cover(asked, rate)
        protected = over_lead_time(lambda day: self._law(asked, day), asked.nodes, asked.terms.review_days)
        covered = over_lead_time(
            lambda day: self._law(asked, day), asked.nodes, asked.terms.review_days + terms.cover_days
        )
        found = levels(protected, covered, terms.service_level)
        if cover > terms.cover_days:
            more = math.ceil(rate * (cover - terms.cover_days))
            found = Levels(
                found.expected,
                found.reorder_point,
                found.order_up_to + more,
                found.safety,
                found.expected_short,
            )
        balance = self.balances.get(item)
        usable = 0 if balance is None else balance.on_hand - balance.past_date
        on_order = 0 if balance is None else balance.on_order
        reserved = 0 if balance is None else balance.reserved
        position = usable + on_order + sum(amount for _, amount in asked.substitutes)
        is_below = position < max(found.reorder_point, reserved)
        need = max(max(found.order_up_to, reserved) - position, 0) if is_below else 0
        asked.whys.insert(0, self._why_demand(asked, found))
        if reserved > found.order_up_to:
            asked.whys.append(Why(Reason.RESERVED, amounts=(reserved,)))
        asked.whys.append(Why(Reason.POSITION, amounts=(usable, on_order, need)))
        return ItemPlan(
            item,
            tuple(asked.requirements),
            asked.terms.code,
            terms.service_level,
            usable,
            0 if balance is None else balance.past_date,
            reserved,
            on_order,
            tuple(asked.substitutes),
            position,
            asked.terms.lead_mean_days,
            asked.terms.review_days,
            cover,
            found,
            need,
            tuple(asked.whys),
        )

    def _why_demand(self, asked: _Asked, found: Levels) -> Why:
        days = asked.terms.lead_mean_days + asked.terms.review_days
        amounts = (found.expected, found.reorder_point, found.order_up_to)
        return Why(Reason.DEMAND, amounts, days, asked.policy.terms.service_level)

    def _cover(self, asked: _Asked, rate: float) -> float:
        """How long one order is to last beyond lead time and review [d]."""
        terms, order_cost = asked.policy.terms, asked.terms.order_cost_minor
        if terms.holding_share is None or not order_cost or rate <= 0:
            return terms.cover_days
        unit_price = min(pack.price_minor / pack.size for pack in asked.packs)
        if unit_price <= 0:
            return terms.cover_days
        quantity = economic_quantity(rate * RATE_DAYS, order_cost, terms.holding_share * unit_price)
        days = min(quantity / rate, RATE_DAYS)
        if days <= max(terms.cover_days, asked.terms.review_days):
            return terms.cover_days
        asked.whys.append(Why(Reason.LONGER_COVER, amounts=(quantity,), days=days))
        return days

    def _order(self, plans: list[tuple[_Asked, ItemPlan]]) -> ProposedOrder | None:
        if not any(plan.need for _, plan in plans):
            return None
        terms = plans[0][0].terms
        whys: list[list[Why]] = []
        needs: list[Need] = []
        for asked, plan in plans:
            need, reasons = self._need(asked, plan)
            needs.append(need)
            whys.append(reasons)
        plain = cheapest_purchase(needs)
        is_filled = plain.cost_minor < terms.least_order_minor
        purchase = cheapest_purchase(needs, least_minor=terms.least_order_minor) if is_filled else plain
        lines = []
        for (_, plan), need, bought, least, reasons in zip(
            plans, needs, purchase.items, plain.items, whys, strict=True
        ):
            if not bought.amount and not bought.missing:
                continue
            if bought.amount and len(need.packs) > 1:
                reasons = [*reasons, Why(Reason.CHEAPEST_PACKS)]  # noqa: PLW2901 - this line's own
            if bought.left_over and plan.need:
                kept = Why(Reason.LEFT_OVER, amounts=(bought.left_over,), share=need.kept_share)
                reasons = [*reasons, kept]  # noqa: PLW2901 - this line's own
            if bought.amount > least.amount:
                reasons = [*reasons, Why(Reason.FILLS_UP)]  # noqa: PLW2901 - this line's own
            lines.append(OrderLine(plan, need.packs, bought, (*plan.whys, *reasons)))
        expected = self.today + timedelta(days=math.ceil(terms.lead_mean_days))
        return ProposedOrder(terms, expected, tuple(lines), purchase)

    def _need(self, asked: _Asked, plan: ItemPlan) -> tuple[Need, list[Why]]:
        """What may be bought of an item, and what bounds it."""
        whys: list[Why] = []
        terms = asked.policy.terms
        packs = self._packs_used_up(asked, whys)
        smallest = min(pack.size for pack in packs)
        if plan.need:
            most: int | None = None
            shelf_days = self._shelf_days(asked)
            if shelf_days is not None:
                used = self._mean(asked, RATE_DAYS) / RATE_DAYS * shelf_days
                # The need itself is covered in any case; what goes beyond it has to be used before it expires.
                most = max(plan.need + smallest - 1, math.floor(used) - plan.position)
                if most < plan.need + max(pack.size for pack in packs):
                    whys.append(Why(Reason.SHELF_LIFE, amounts=(used,), days=shelf_days))
        else:
            ahead = self._mean(asked, RATE_DAYS) / RATE_DAYS * _FILL_DAYS
            most = max(plan.levels.order_up_to + math.floor(ahead) - plan.position, 0)
        if terms.room is not None:
            free = max(terms.room - plan.usable - plan.past_date - plan.on_order, 0)
            if most is None or free < most:
                most = free
                if free < plan.need:
                    whys.append(Why(Reason.ROOM, amounts=(free, plan.need)))
        return Need(plan.need, most, packs, terms.kept_share), whys

    def _packs_used_up(self, asked: _Asked, whys: list[Why]) -> tuple[Pack, ...]:
        if asked.product is None:
            return asked.packs
        kept, used = self._used_up(asked.product, asked.packs, self._mean(asked, RATE_DAYS) / RATE_DAYS)
        if len(kept) < len(asked.packs):
            whys.append(Why(Reason.OPENED_LIFE, amounts=(used,)))
        return kept

    def _used_up(
        self, state: ProductState, packs: tuple[Pack, ...], rate: float
    ) -> tuple[tuple[Pack, ...], float]:
        """The packs whose content is used before the open one expires, and what is used meanwhile [mL].

        The smallest one is always among them.
        """
        product = state.terms.product
        if product.kind is FluidKind.BRAKE_FLUID:
            used = 0.0
        elif product.shelf_opened_months is None:
            return packs, math.inf
        else:
            used = rate * self._days_of_months(product.shelf_opened_months)
        smallest = min(packs, key=lambda pack: pack.size)
        return tuple(pack for pack in packs if pack is smallest or pack.size <= used), used

    def _shelf_days(self, asked: _Asked) -> int | None:
        if asked.product is None or asked.product.terms.product.shelf_unopened_months is None:
            return None
        return self._days_of_months(asked.product.terms.product.shelf_unopened_months)

    def _days_of_months(self, months: int) -> int:
        return (add_months(self.today, months) - self.today).days

    def _law(self, asked: _Asked, day: int) -> Law:
        return together(self._laws_at(asked, day))

    def _mean(self, asked: _Asked, day: int) -> float:
        return sum(law_mean(law) for law in self._laws_at(asked, day))

    def _laws_at(self, asked: _Asked, day: int) -> list[StepLaw]:
        item = asked.policy.terms.item
        if item.part is not None:
            return self._laws_of((_PART,), item.part, day) or [NOTHING]
        found = [law for code in asked.requirements for law in self._laws_of(_OF_FLUIDS, code, day)]
        return found or [NOTHING]

    def _laws_of(self, kinds: tuple[str, ...], code: str, day: int) -> list[StepLaw]:
        """What is asked for of a code over so many days: by services, and by top-ups between them."""
        at = self.days.index(day)
        found = [self.laws[kind, code][at] for kind in kinds if (kind, code) in self.laws]
        return [StepLaw(law.step, law.probabilities) for law in found]

    def _leave(
        self, code: str, reason: Unplanned, names: Iterable[str] = (), *, is_part: bool = False
    ) -> None:
        kinds = (_PART,) if is_part else _OF_FLUIDS
        expected = sum(law_mean(law) for law in self._laws_of(kinds, code, RATE_DAYS))
        if expected > 0:
            self.unplanned.append(
                UnplannedDemand(
                    None if is_part else code, code if is_part else None, expected, reason, tuple(names)
                )
            )


def _why_unplanned(
    note: SupplyNote | None,
    suited: Iterable[ProductState],
    sold: Iterable[ProductState],
    in_doubt: list[str],
) -> tuple[Unplanned, tuple[str, ...]]:
    if note is SupplyNote.REQUIREMENT_NOT_KEPT:
        return Unplanned.REQUIREMENT_NOT_KEPT, ()
    if note is SupplyNote.REQUIREMENT_NOT_JUDGED:
        return Unplanned.REQUIREMENT_NOT_JUDGED, ()
    named = tuple(one.terms.product.code for one in suited)
    if not named:
        return (Unplanned.MAKER_DECIDES, tuple(in_doubt)) if in_doubt else (Unplanned.NO_PRODUCT, ())
    with_packs = tuple(one.terms.product.code for one in sold)
    return (Unplanned.NO_POLICY, with_packs) if with_packs else (Unplanned.NO_CONTAINERS, named)


def _item_of(state: ProductState) -> StockItem:
    return StockItem(fluid_product=state.terms.product.code)


_DEPOT, _PART = "depot", "part"
_OF_FLUIDS = ("fluid", "top_up")
