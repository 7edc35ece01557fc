"""What to buy for a need of fluid, as answered with fluid totals and kits."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.exchange_plans import ContainerBought
from api.schemas.quantities import ShownVolume
from api.services.fluid_supplies import Supply, SupplyNote, SupplyOffer
from domain.units import from_canonical

_NOTES = {
    SupplyNote.REQUIREMENT_NOT_KEPT: "The fleet keeps no requirement of this code, so nothing can be judged by it.",
    SupplyNote.REQUIREMENT_NOT_JUDGED: (
        "The requirement names no class that products are judged by; no match is assumed."
    ),
    SupplyNote.NO_PRODUCT: "No product of the catalogue is known to meet the requirement.",
    SupplyNote.NO_CONTAINERS: "Products meet the requirement, but none has containers to buy.",
}


class ProductOffer(Answer):
    """A product that meets the requirement, in the cheapest containers for the need."""

    product: Annotated[str, Field(description="Code of the product.")]
    name: Annotated[str, Field(description="In words.")]
    currency: Annotated[str, Field(description="Currency of its prices, ISO 4217.")]
    containers: Annotated[
        list[ContainerBought],
        Field(description="What to buy, the smallest first; empty where none are known."),
    ]
    bought: Annotated[ShownVolume | None, Field(description="What they hold; null without containers.")]
    left_over: Annotated[ShownVolume | None, Field(description="What they hold beyond the need.")]
    cost_minor: Annotated[
        int | None, Field(description="What they cost, in the minor unit of the currency; null without them.")
    ]
    is_cheapest: Annotated[bool, Field(description="Whether no other offer in its currency costs less.")]


class ProductInDoubt(Answer):
    """A product of which the maker decides whether it meets the requirement; it is never chosen."""

    product: Annotated[str, Field(description="Code of the product.")]
    name: Annotated[str, Field(description="In words.")]
    reasons: Annotated[list[str], Field(description="Why the maker decides.")]


class SupplyGap(Answer):
    """Why nothing is offered."""

    code: Annotated[SupplyNote, Field(description="Short stable code.")]
    detail: Annotated[str, Field(description="The reason in a sentence.")]


class FluidSupply(Answer):
    """What to buy of a fluid; products come from the fleet's catalogue."""

    need: Annotated[ShownVolume, Field(description="The most that the work takes, and the margin.")]
    products: Annotated[
        list[ProductOffer],
        Field(description="Up to 20 products that meet the requirement, by currency, the cheapest first."),
    ]
    maker_decides: Annotated[
        list[ProductInDoubt],
        Field(description="Up to 20 products of which the vehicle's maker decides; none of them is chosen."),
    ]
    note: Annotated[SupplyGap | None, Field(description="Why nothing is offered; null where something is.")]


def shown_supply(supply: Supply, code: str) -> FluidSupply:
    """The answer for a need, in a unit of volume."""
    return FluidSupply(
        need=_volume(supply.need_ml, code),
        products=[_offer(one, code) for one in supply.offers],
        maker_decides=[
            ProductInDoubt(
                product=one.product.terms.product.code,
                name=one.product.terms.name,
                reasons=[
                    ruling.ruling.detail
                    for ruling in one.judgement.rulings
                    if ruling.ruling.verdict is one.judgement.verdict
                ],
            )
            for one in supply.in_doubt
        ],
        note=None if supply.note is None else SupplyGap(code=supply.note, detail=_NOTES[supply.note]),
    )


def _offer(offer: SupplyOffer, code: str) -> ProductOffer:
    terms, found = offer.product.terms, offer.containers
    counts = () if found is None else zip(terms.containers, found.counts, strict=True)
    return ProductOffer(
        product=terms.product.code,
        name=terms.name,
        currency=terms.currency,
        containers=[
            ContainerBought(size=_volume(one.size_ml, code), count=count, price_minor=one.price_minor)
            for one, count in counts
            if count
        ],
        bought=None if found is None else _volume(found.bought_ml, code),
        left_over=None if found is None else _volume(found.left_over_ml, code),
        cost_minor=None if found is None else found.cost_minor,
        is_cheapest=offer.is_cheapest,
    )


def _volume(canonical_ml: int, code: str) -> ShownVolume:
    return ShownVolume(value=from_canonical(canonical_ml, code), unit=code)
