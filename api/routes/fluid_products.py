"""The fleet's catalogue of fluid products, and whether a product suits."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Query, Response

from api.deps import ExpectedVersion, Fleet, Now, Page, Precondition, ReadSession, Units, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.entries import EntryWithdrawal
from api.schemas.fluid_products import (
    FluidProduct,
    FluidProductList,
    FluidProductReplacement,
    Suitability,
    SuitabilityQuestion,
)
from api.services import fluid_products, suitability
from api.store.facts import Withdrawal

routes = router("/fluid-products", tag="fluid products")

Code = Annotated[Key, Path(description="The fleet's code of the product.")]


@routes.get("", operation_id="list_fluid_products", summary="The fleet's fluid products")
def list_fluid_products(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    page: Page,
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    response: Response,
    has_withdrawn: Annotated[bool, Query(description="Whether withdrawn products are listed too.")] = False,  # noqa: FBT002 - a query parameter
) -> FluidProductList:
    """Products in the order of their codes."""
    after = page.after(str)
    found = fluid_products.products_after(
        session,
        fleet.fleet_key,
        None if after is None else str(after[0]),
        page.limit + 1,
        has_withdrawn=has_withdrawn,
    )
    more = page.cursor(found[page.limit - 1].terms.product.code) if len(found) > page.limit else None
    return FluidProductList(
        fluid_products=[FluidProduct.of(state, units) for state in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get("/{code}", operation_id="show_fluid_product", summary="One fluid product")
def show_fluid_product(
    code: Code, fleet: Fleet, session: ReadSession, units: Units, response: Response
) -> FluidProduct:
    """What it is sold in and what it meets; a withdrawn product is still shown, with its withdrawal."""
    found = fluid_products.product_state(session, fleet.fleet_key, code)
    tag(response, found.version)
    return FluidProduct.of(found, units)


@routes.put(
    "/{code}",
    operation_id="put_fluid_product",
    summary="Create or replace a fluid product",
    responses={201: {"description": "Created", "model": FluidProduct}, **documented(409, 412, 428)},
)
def put_fluid_product(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: FluidProductReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> FluidProduct:
    """Creates the product, or replaces the version that If-Match names; a withdrawn one is offered again."""
    found, is_created = fluid_products.put_product(
        session, fleet.fleet_key, body.terms_of(code), condition, now_us=now_us
    )
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/fluid-products/{code}"
    return FluidProduct.of(found, units)


@routes.post(
    "/{code}/withdrawal",
    operation_id="withdraw_fluid_product",
    summary="Withdraw a fluid product",
    responses=documented(410, 412, 428),
)
def withdraw_fluid_product(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: EntryWithdrawal,
    version: ExpectedVersion,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> FluidProduct:
    """The product stays, with the reason, and is offered no longer."""
    found = fluid_products.withdraw_product(
        session, fleet.fleet_key, code, version, Withdrawal(now_us, body.reason)
    )
    tag(response, found.version)
    return FluidProduct.of(found, units)


@routes.post(
    "/{code}/suitability",
    operation_id="judge_fluid_product",
    summary="Ask whether a product suits",
    responses=documented(410),
)
def judge_fluid_product(
    code: Code, body: SuitabilityQuestion, fleet: Fleet, session: ReadSession, units: Units
) -> Suitability:
    """Yes, no or maker decides, each with its reason: against requirements, and beside another product.

    Nothing is stored. No match is ever assumed; for AUS 32 the storage temperature gives its shelf life.
    """
    return Suitability.of(suitability.judged(session, fleet.fleet_key, body.ask_of(code)), units)
