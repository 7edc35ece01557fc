"""What to buy for a need of fluid: products that meet its requirement, in the cheapest containers.

Invariants: a product is offered only where it is found to meet the requirement; where the maker decides, it is
named apart and never chosen; where there is none, or nothing can be judged, the answer says so. Money of
several currencies is never compared. The statements don't grow with the number of needs or products.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from api.services.fluid_products import ProductState, products_stating
from api.services.fluid_terms import stored_requirement
from api.services.plan_fluids import cheapest_set
from api.store import queries_kits
from domain.errors import ExchangeError
from domain.fluids import Judgement, suitability
from domain.requirements import FluidRequirement, Standard, Verdict, telling_standards

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from api.store.session import ReadSession
    from domain.containers import ContainerSet

MOST_NAMED = 20
"""So many products are named for a need; the cheapest ones come first."""

_SILENT = frozenset({"not_stated"})


class SupplyNote(StrEnum):
    """Why nothing is offered, or not all that could be."""

    REQUIREMENT_NOT_KEPT = "requirement_not_kept"
    REQUIREMENT_NOT_JUDGED = "requirement_not_judged"
    NO_PRODUCT = "no_product"
    NO_CONTAINERS = "no_containers"


@dataclass(frozen=True, slots=True)
class SupplyOffer:
    """A product that meets the requirement.

    Attributes:
        product: The product.
        containers: The cheapest containers for the need; None where it has none, or too many ways to buy.
        is_cheapest: Whether no other offer in its currency costs less.
    """

    product: ProductState
    containers: ContainerSet | None
    is_cheapest: bool


@dataclass(frozen=True, slots=True)
class InDoubt:
    """A product of which the maker decides whether it meets the requirement."""

    product: ProductState
    judgement: Judgement


@dataclass(frozen=True, slots=True)
class Supply:
    """What to buy for a need.

    Attributes:
        need_ml: What is needed [mL].
        offers: Products that meet the requirement; by currency, the cheapest first.
        in_doubt: Products of which the maker decides, by code.
        note: Why nothing is offered; None where something is.
    """

    need_ml: int
    offers: tuple[SupplyOffer, ...]
    in_doubt: tuple[InDoubt, ...]
    note: SupplyNote | None


@dataclass(frozen=True, slots=True)
class Judged:
    """Products held against a requirement.

    Attributes:
        suited: Those that are found to meet it, by code.
        in_doubt: Those of which the maker decides, by code.
        note: Why nothing is offered; None where something is.
    """

    suited: tuple[ProductState, ...]
    in_doubt: tuple[InDoubt, ...]
    note: SupplyNote | None


class Shelf:
    """The products of the catalogue that can meet some requirements, read and judged once."""

    def __init__(self, judged: Mapping[str, Judged]) -> None:
        """Keep what was judged, by the code of the requirement."""
        self._judged = judged

    def judged(self, code: str) -> Judged:
        """The products held against a requirement, by its code."""
        return self._judged.get(code) or Judged((), (), SupplyNote.REQUIREMENT_NOT_KEPT)

    def supply(self, code: str, need_ml: int) -> Supply:
        """What to buy for so much of a fluid.

        Args:
            code: Code of the requirement, one that the shelf was made for.
            need_ml: What is needed [mL].
        """
        judged = self.judged(code)
        priced = [(product, _containers(product, need_ml)) for product in judged.suited]
        lowest: dict[str, int] = {}
        for product, found in priced:
            if found is not None:
                currency = product.terms.currency
                lowest[currency] = min(found.cost_minor, lowest.get(currency, found.cost_minor))
        offers = sorted(
            (
                SupplyOffer(
                    product,
                    found,
                    found is not None and found.cost_minor == lowest[product.terms.currency],
                )
                for product, found in priced
            ),
            key=_place,
        )
        note = judged.note
        if note is None and not lowest:
            note = SupplyNote.NO_CONTAINERS
        return Supply(need_ml, tuple(offers[:MOST_NAMED]), judged.in_doubt[:MOST_NAMED], note)


def fluid_shelf(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> Shelf:
    """The products that can meet stored requirements.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        codes: Codes of the requirements.
    """
    wanted = sorted(set(codes))
    if not wanted:
        return Shelf({})
    judged = {
        row.code: stored_requirement(row.standard, row.service_class, row.grade)[0]
        for row in queries_kits.requirements(session, fleet_key, wanted)
    }
    standards = {
        standard for one in judged.values() if one is not None for standard in telling_standards(one.standard)
    }
    products = products_stating(session, fleet_key, standards)
    return Shelf({code: _judged(required, products) for code, required in judged.items()})


def _judged(required: FluidRequirement | None, products: Iterable[ProductState]) -> Judged:
    if required is None:
        return Judged((), (), SupplyNote.REQUIREMENT_NOT_JUDGED)
    telling = telling_standards(required.standard)
    suited, in_doubt = [], []
    for state in products:
        product = state.terms.product
        if not any(one.standard in telling for one in product.meets):
            continue
        judgement = suitability(product, (required,))
        if judgement.verdict is Verdict.YES:
            suited.append(state)
        elif judgement.verdict is Verdict.MAKER_DECIDES and _is_on_the_matter(state, required, judgement):
            in_doubt.append(InDoubt(state, judgement))
    return Judged(tuple(suited), tuple(in_doubt), None if suited else SupplyNote.NO_PRODUCT)


def _is_on_the_matter(state: ProductState, required: FluidRequirement, judgement: Judgement) -> bool:
    """Whether a product says anything on the matter; if not it is no more in doubt than any other."""
    if not any(one.ruling.rule in _SILENT for one in judgement.rulings):
        return True
    # Another class of the same standard is in doubt; another maker's family is just another fluid.
    return required.standard is not Standard.MAKER and any(
        one.standard is required.standard for one in state.terms.product.meets
    )


def _containers(product: ProductState, need_ml: int) -> ContainerSet | None:
    if not product.terms.containers:
        return None
    try:
        return cheapest_set(need_ml, product.terms.containers)
    except ExchangeError:
        return None


def _place(offer: SupplyOffer) -> tuple[bool, str, int, str]:
    found, terms = offer.containers, offer.product.terms
    return found is None, terms.currency, 0 if found is None else found.cost_minor, terms.product.code
