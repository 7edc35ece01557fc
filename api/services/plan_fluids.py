"""The fluids of an exchange plan: what they cost, in which containers to buy them, and whether they suit.

Invariants: a price a litre is for what is poured; containers hold what is poured and the margin beside it. A
product that does not meet the requirement is refused, and so are two that are never mixed; where the maker
decides, the answer says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from api.services.fluid_products import ProductState, products_named
from api.services.fluid_terms import stored_requirement
from api.services.places import placed
from api.services.suitability import requirement_named
from api.store import queries_fluids
from domain.containers import Container, ContainerSet, Tries, cheapest_containers
from domain.errors import Breach
from domain.exchange import with_margin_ml
from domain.fluids import Judgement, mixing, suitability
from domain.requirements import FluidRequirement, Verdict
from domain.units import Dimension
from domain.working import Figure, Notice, Plain, Step, volume

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from api.store.session import ReadSession

NOT_JUDGED = Notice(
    "suitability_not_judged",
    "No requirement is given that the products could be judged by: whether they suit is not told here.",
    "the request",
)
_ML_PER_L = 1000


class Role(StrEnum):
    """Which passes use a fluid."""

    FIRST = "first"
    LAST = "last"


class BuyingCase(StrEnum):
    """What a set of containers is enough for."""

    DRAINED_VOLUME = "drained_volume"
    LEAST_DRAINED = "least_drained"
    MOST_DRAINED = "most_drained"
    FULL_CAPACITY = "full_capacity"


@dataclass(frozen=True, slots=True)
class FluidAsk:
    """A fluid of the plan as asked about; at most one of its price and containers is given.

    Attributes:
        product: Code of a product of the catalogue.
        minor_per_l: Price a litre [minor unit].
        containers: What it is sold in.
    """

    product: str | None = None
    minor_per_l: float | None = None
    containers: tuple[Container, ...] = ()


@dataclass(frozen=True, slots=True)
class Offer:
    """A fluid that can be bought.

    Attributes:
        role: Which passes use it.
        product: The product, where it is one of the catalogue.
        minor_per_l: Price a litre [minor unit]; None where it is sold in containers, or has no price.
        containers: What it is sold in; empty where it has a price a litre, or none.
        margin_share: Bought beyond what is poured, as a share of it.
    """

    role: Role
    product: ProductState | None
    minor_per_l: float | None
    containers: tuple[Container, ...]
    margin_share: float

    @property
    def is_priced(self) -> bool:
        """Whether it has a price."""
        return self.minor_per_l is not None or bool(self.containers)

    def cost(self, poured_ml: int, tries: Tries | None = None) -> int:
        """What so much of it costs [minor unit]; it has a price."""
        if self.minor_per_l is not None:
            return math.floor(poured_ml * self.minor_per_l / _ML_PER_L + 0.5)
        return self.bought(with_margin_ml(poured_ml, self.margin_share), tries).cost_minor

    def bought(self, need_ml: int, tries: Tries | None = None) -> ContainerSet:
        """The cheapest of its containers that hold so much."""
        fluid = f"/{self.role.value}_fluid"
        with placed({"/containers": f"{fluid}/containers" if self.product is None else f"{fluid}/product"}):
            if tries is not None:
                return cheapest_containers(need_ml, self.containers, tries=tries)
            return cheapest_set(need_ml, self.containers)


@dataclass(frozen=True, slots=True)
class Bought:
    """A set of containers.

    Attributes:
        case: What it is enough for.
        need_ml: What it has to hold [mL].
        containers: The set.
    """

    case: BuyingCase
    need_ml: int
    containers: ContainerSet


@dataclass(frozen=True, slots=True)
class Fluids:
    """The fluids of a plan, resolved.

    Attributes:
        first: The first fluid; None where all passes use the last one.
        last: The last fluid.
        currency: Currency of the prices; None where there are none.
        requirement: What they are judged by; None where nothing is.
        judgements: Whether each product suits, by its role.
        mixing: Whether both products may be mixed; None where it was not judged.
        notices: What to know beside that.
    """

    first: Offer | None
    last: Offer
    currency: str | None
    requirement: FluidRequirement | None
    judgements: dict[Role, Judgement]
    mixing: Judgement | None
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class FluidsAsk:
    """The fluids of a plan as asked about.

    Attributes:
        first: The first fluid; None where all passes use the last one.
        last: The last fluid; None where nothing is said of it.
        currency: Currency of the prices given.
        fluid_requirement: Code of the requirement that they have to meet.
        margin_share: Bought beyond what is poured, as a share of it.
        has_price: Whether the request gives another price, so that a currency is needed.
    """

    first: FluidAsk | None
    last: FluidAsk | None
    currency: str | None
    fluid_requirement: str | None
    margin_share: float
    has_price: bool

    @property
    def is_stored(self) -> bool:
        """Whether it names anything that is stored."""
        named = [ask.product for ask in (self.first, self.last) if ask is not None]
        return self.fluid_requirement is not None or any(code is not None for code in named)


# A pure function of whole numbers, asked for the same needs again and again.
cheapest_set = lru_cache(maxsize=4096)(cheapest_containers)


def plain_fluids(ask: FluidsAsk) -> Fluids:
    """The fluids of a request that names nothing stored.

    Raises:
        RefusedError: Prices without a currency, or a currency without prices.
    """
    return _resolved(ask, {}, None, ())


def stored_fluids(
    session: ReadSession, fleet_key: int, ask: FluidsAsk, compartment_requirement: str | None
) -> Fluids:
    """The fluids of a request that names products, a requirement or a compartment.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The fluids as asked about.
        compartment_requirement: Code of the requirement of the compartment named, if any.

    Raises:
        RefusedError: A product or requirement is unknown, withdrawn or cannot be judged by, a product does
            not suit or may not be mixed with the other, currencies differ or are missing.
    """
    places = {
        f"/{role.value}_fluid/product": fluid.product
        for role, fluid in ((Role.FIRST, ask.first), (Role.LAST, ask.last))
        if fluid is not None and fluid.product is not None
    }
    products = products_named(session, fleet_key, places)
    requirement, notices = None, ()
    if ask.fluid_requirement is not None:
        requirement = requirement_named(session, fleet_key, ask.fluid_requirement, "/fluid_requirement")
    elif compartment_requirement is not None:
        requirement = _of_compartment(session, fleet_key, compartment_requirement)
    return _resolved(ask, products, requirement, notices)


def bought(offer: Offer, needs: Sequence[tuple[BuyingCase, int]]) -> tuple[Bought, ...]:
    """The cheapest containers for each need; none where the fluid is not sold in containers."""
    if not offer.containers:
        return ()
    return tuple(Bought(case, need_ml, offer.bought(need_ml)) for case, need_ml in needs)


def buying_steps(offer: Offer, sets: Sequence[Bought]) -> Iterator[tuple[BuyingCase, Step]]:
    """The sum of each set of containers."""
    for one in sets:
        figures = [volume("V", one.need_ml)]
        terms = []
        numbered = zip(offer.containers, one.containers.counts, strict=True)
        for place, (container, count) in enumerate(numbered, start=1):
            if count:
                terms.append(f"n{place} * p{place}")
                figures += [
                    Figure(f"n{place}", count, Plain.COUNT),
                    Figure(f"v{place}", container.size_ml, Dimension.VOLUME),
                    Figure(f"p{place}", container.price_minor, Plain.MINOR_MONEY),
                ]
        yield (
            one.case,
            Step(
                f"{offer.role.value}_fluid_containers",
                " + ".join(terms) or "0",
                tuple(figures),
                one.containers.cost_minor,
                Plain.MINOR_MONEY,
                valid_range="the cheapest set with sum(n * v) >= V; then the least left over, then the fewest",
            ),
        )


def _of_compartment(session: ReadSession, fleet_key: int, code: str) -> FluidRequirement | None:
    row = queries_fluids.fluid_requirement(session, fleet_key, code)
    return None if row is None else stored_requirement(row.standard, row.service_class, row.grade)[0]


def _resolved(
    ask: FluidsAsk,
    products: dict[str, ProductState],
    requirement: FluidRequirement | None,
    notices: tuple[Notice, ...],
) -> Fluids:
    first = _offer(Role.FIRST, ask.first, products, ask.margin_share)
    last = _offer(Role.LAST, ask.last or FluidAsk(), products, ask.margin_share)
    assert last is not None  # noqa: S101 - it was asked about
    judgements = _judgements(products, requirement)
    mixed = _mixing(first, last, requirement)
    if products and requirement is None:
        notices = (*notices, NOT_JUDGED)
    return Fluids(first, last, _currency(ask, products), requirement, judgements, mixed, notices)


def _offer(
    role: Role, ask: FluidAsk | None, products: dict[str, ProductState], margin_share: float
) -> Offer | None:
    if ask is None:
        return None
    product = products.get(f"/{role.value}_fluid/product")
    containers = ask.containers if product is None else product.terms.containers
    return Offer(role, product, ask.minor_per_l, containers, margin_share)


def _judgements(
    products: dict[str, ProductState], requirement: FluidRequirement | None
) -> dict[Role, Judgement]:
    if requirement is None:
        return {}
    found = {}
    breaches = []
    for place, state in products.items():
        judgement = suitability(state.terms.product, (requirement,))
        found[Role.FIRST if place.startswith("/first") else Role.LAST] = judgement
        if judgement.verdict is Verdict.NO:
            breaches.append(Breach(place, "product_not_suitable", _reason(judgement)))
    if breaches:
        raise RefusedError(*breaches)
    return found


def _mixing(first: Offer | None, last: Offer, requirement: FluidRequirement | None) -> Judgement | None:
    if first is None or first.product is None or last.product is None:
        return None
    required = () if requirement is None else (requirement,)
    found = mixing(first.product.terms.product, last.product.terms.product, required=required)
    if found.verdict is Verdict.NO:
        raise RefusedError(Breach("/last_fluid/product", "products_never_mixed", _reason(found)))
    return found


def _reason(judgement: Judgement) -> str:
    return "; ".join(
        one.ruling.detail for one in judgement.rulings if one.ruling.verdict is judgement.verdict
    )


def _currency(ask: FluidsAsk, products: dict[str, ProductState]) -> str | None:
    given = [one for one in (ask.first, ask.last) if one is not None]
    has_price = ask.has_price or any(one.minor_per_l is not None or one.containers for one in given)
    currencies = {state.terms.currency for state in products.values() if state.terms.containers}
    if ask.currency is not None:
        currencies.add(ask.currency)
    if len(currencies) > 1:
        detail = "prices of several currencies are never added together"
        raise RefusedError(Breach("/currency", "currencies_differ", detail))
    if has_price and not currencies:
        raise RefusedError(Breach("/currency", "currency_missing", "a price needs its currency"))
    return next(iter(currencies), None)
