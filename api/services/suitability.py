"""Whether a product of the catalogue suits a requirement, and whether it may be mixed with another one.

Invariant: an answer is yes, no or maker decides, with its reasons; no match is ever assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import NotFoundError, RefusedError
from api.services.fluid_products import ProductState, products_named, standing_product
from api.services.fluid_requirements import fluid_state
from api.services.fluid_terms import requirement_places, stored_requirement
from domain.errors import Breach, ExchangeError
from domain.fluids import Judgement, ShelfLife, aus_32_shelf_life, mixing, suitability
from domain.requirements import FluidKind, FluidRequirement

if TYPE_CHECKING:
    from api.store.session import ReadSession


@dataclass(frozen=True, slots=True)
class SuitabilityAsk:
    """What is asked about a product.

    Attributes:
        code: The product.
        requirements: What the fluid has to meet, all together.
        fluid_requirement: Code of a stored requirement instead.
        fluid_kind: What the fluid has to be; None where the requirements say it.
        mixed_with: Code of the product that is in the compartment.
        storage_c: Temperature at which it is stored [degC].
    """

    code: str
    requirements: tuple[FluidRequirement, ...] = ()
    fluid_requirement: str | None = None
    fluid_kind: FluidKind | None = None
    mixed_with: str | None = None
    storage_c: float | None = None


@dataclass(frozen=True, slots=True)
class Suitability:
    """The answer.

    Attributes:
        product: The product.
        judgement: Whether it suits; None where no requirement was asked about.
        other: The product that it is mixed with; None where none was asked about.
        mixing: Whether both may be mixed; None where that was not asked.
        shelf_life: How long it keeps in store; None where that was not asked.
    """

    product: ProductState
    judgement: Judgement | None
    other: ProductState | None
    mixing: Judgement | None
    shelf_life: ShelfLife | None


def judged(session: ReadSession, fleet_key: int, ask: SuitabilityAsk) -> Suitability:
    """Whether the product suits, whether it may be mixed, and how long it keeps.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.

    Raises:
        NotFoundError: The fleet has no such product.
        GoneError: It was withdrawn.
        RefusedError: Nothing is asked, a requirement is given twice or is not one to judge by, another
            product is unknown, or the shelf life of anything but AUS 32 is asked by temperature.
    """
    product = standing_product(session, fleet_key, ask.code)
    required = _required(session, fleet_key, ask)
    named = {} if ask.mixed_with is None else {"/mixed_with": ask.mixed_with}
    other = products_named(session, fleet_key, named).get("/mixed_with")
    if not required and other is None and ask.storage_c is None:
        detail = "give requirements, fluid_requirement, mixed_with or storage_temperature"
        raise RefusedError(Breach("", "question_missing", detail))
    try:
        return Suitability(
            product=product,
            judgement=suitability(product.terms.product, required, kind=ask.fluid_kind) if required else None,
            other=other,
            mixing=None
            if other is None
            else mixing(other.terms.product, product.terms.product, required=required, kind=ask.fluid_kind),
            shelf_life=None if ask.storage_c is None else _shelf_life(product, ask.storage_c),
        )
    except ExchangeError as error:
        raise RefusedError(*requirement_places(error.breaches)) from error


def requirement_named(session: ReadSession, fleet_key: int, code: str, place: str) -> FluidRequirement:
    """The stored requirement of a code, as what products are judged by.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        code: Its code.
        place: JSON Pointer to what names it.

    Raises:
        RefusedError: The fleet has none of that code, or products cannot be judged by it.
    """
    try:
        terms = fluid_state(session, fleet_key, code).terms
    except NotFoundError as error:
        detail = "the fleet has no fluid requirement of this code"
        raise RefusedError(Breach(place, "fluid_requirement_unknown", detail)) from error
    found, breaches = stored_requirement(terms.standard, terms.service_class, terms.grade)
    if found is None:
        reasons = "; ".join(breach.detail for breach in breaches)
        raise RefusedError(Breach(place, "requirement_not_judged", f"nothing can be judged by it: {reasons}"))
    return found


def _required(session: ReadSession, fleet_key: int, ask: SuitabilityAsk) -> tuple[FluidRequirement, ...]:
    if ask.fluid_requirement is None:
        return ask.requirements
    if ask.requirements:
        detail = "the requirement is given, or named by its code, not both"
        raise RefusedError(Breach("/fluid_requirement", "requirement_given_twice", detail))
    return (requirement_named(session, fleet_key, ask.fluid_requirement, "/fluid_requirement"),)


def _shelf_life(product: ProductState, storage_c: float) -> ShelfLife:
    if product.terms.product.kind is not FluidKind.AUS_32:
        detail = "a shelf life by storage temperature is published for AUS 32 only"
        raise RefusedError(Breach("/storage_temperature", "shelf_life_not_published", detail))
    return aus_32_shelf_life(storage_c)
