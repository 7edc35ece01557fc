"""How depots are supplied: suppliers with their terms, and how the stock of an item is kept up."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Response

from api.deps import Fleet, Now, Page, Precondition, ReadSession, Units, WriteSession, tag
from api.intake import router
from api.problems import FieldError, RequestRefusedError, documented
from api.schemas.base import Key
from api.schemas.supply import (
    ItemPath,
    StockPolicy,
    StockPolicyList,
    StockPolicyReplacement,
    Supplier,
    SupplierList,
    SupplierReplacement,
)
from api.services import supply

routes = router("/depots/{depot}", tag="stock")

Depot = Annotated[Key, Path(description="The fleet's code of the depot.")]
SupplierCode = Annotated[Key, Path(description="The fleet's code of the supplier.")]
Kind = Annotated[ItemPath, Path(description="What the item is.")]
ItemCode = Annotated[Key, Path(description="Code of the part or fluid product.")]


@routes.get("/suppliers", operation_id="list_suppliers", summary="A depot's suppliers")
def list_suppliers(
    depot: Depot, page: Page, fleet: Fleet, session: ReadSession, response: Response
) -> SupplierList:
    """Suppliers in the order of their codes."""
    after = page.after(str)
    found = supply.suppliers_after(
        session, fleet.fleet_key, depot, None if after is None else str(after[0]), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].terms.code) if len(found) > page.limit else None
    return SupplierList(
        suppliers=[Supplier.of(state) for state in found[: page.limit]], next=page.link(response, more)
    )


@routes.get("/suppliers/{code}", operation_id="show_supplier", summary="One supplier of a depot")
def show_supplier(
    depot: Depot, code: SupplierCode, fleet: Fleet, session: ReadSession, response: Response
) -> Supplier:
    """Its lead time with its spread, and what an order has to come to."""
    found = supply.supplier_state(session, fleet.fleet_key, depot, code)
    tag(response, found.version)
    return Supplier.of(found)


@routes.put(
    "/suppliers/{code}",
    operation_id="put_supplier",
    summary="Create or replace a supplier of a depot",
    responses={201: {"description": "Created", "model": Supplier}, **documented(409, 412, 428)},
)
def put_supplier(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot,
    code: SupplierCode,
    body: SupplierReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> Supplier:
    """Creates the supplier, or replaces the version that If-Match names."""
    found, is_created = supply.put_supplier(
        session, fleet.fleet_key, depot, body.terms_of(code), condition, now_us=now_us
    )
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/depots/{depot}/suppliers/{code}"
    return Supplier.of(found)


@routes.get("/stock-policies", operation_id="list_stock_policies", summary="A depot's stock policies")
def list_stock_policies(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot, page: Page, fleet: Fleet, session: ReadSession, units: Units, response: Response
) -> StockPolicyList:
    """Policies in the order in which they were first stored."""
    after = page.after(int)
    found = supply.policies_after(
        session, fleet.fleet_key, depot, None if after is None else int(after[0] or 0), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    return StockPolicyList(
        stock_policies=[StockPolicy.of(state, units) for state in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get(
    "/stock-policies/{kind}/{code}",
    operation_id="show_stock_policy",
    summary="How an item's stock is kept up",
)
def show_stock_policy(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot,
    kind: Kind,
    code: ItemCode,
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    response: Response,
) -> StockPolicy:
    """The service level asked for, who delivers, and the room there is."""
    found = supply.policy_state(session, fleet.fleet_key, depot, kind.item(code))
    tag(response, found.version)
    return StockPolicy.of(found, units)


@routes.put(
    "/stock-policies/{kind}/{code}",
    operation_id="put_stock_policy",
    summary="Create or replace a stock policy",
    responses={201: {"description": "Created", "model": StockPolicy}, **documented(409, 412, 428)},
)
def put_stock_policy(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    depot: Depot,
    kind: Kind,
    code: ItemCode,
    body: StockPolicyReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> StockPolicy:
    """Creates the policy, or replaces the version that If-Match names; a service level of 0 or 1 is refused."""
    item = kind.item(code)
    wrong = body.wrong_units(item)
    if wrong:
        detail = "Parts are counted in pieces, fluids in a unit of volume."
        raise RequestRefusedError(
            [FieldError("body", f"/{name}/unit", "unit_of_wrong_dimension", detail) for name in wrong]
        )
    found, is_created = supply.put_policy(
        session, fleet.fleet_key, depot, body.terms_of(item), condition, now_us=now_us
    )
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/depots/{depot}/stock-policies/{kind.value}/{code}"
    return StockPolicy.of(found, units)
