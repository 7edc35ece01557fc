"""How a depot is supplied: who delivers on which terms, and how the stock of an item is kept up.

Invariants: a policy names a supplier of its depot; parts are bought in packs that the policy prices, fluids in the
containers of the catalogue. Each change names the version that it starts from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import NotFoundError, RefusedError, StaleVersionError
from api.services.stock import depot_key_of
from api.services.stock_booking import item_key
from api.store import queries_supply
from api.store.queries_supply import POLICIES, SUPPLIERS
from domain.errors import Breach
from domain.stock import StockItem

if TYPE_CHECKING:
    from sqlalchemy import Table

    from api.services.preconditions import PutCondition
    from api.store.queries_supply import Found
    from api.store.session import ReadSession, WriteSession

_SUPPLIER, _POLICY = "supplier", "stock policy"


@dataclass(frozen=True, slots=True)
class SupplierTerms:
    """Who delivers to a depot.

    Attributes:
        code: The fleet's code of it.
        name: In words.
        currency: Currency of its prices, ISO 4217.
        lead_mean_days: Mean time from an order to its delivery [d].
        lead_sd_days: Its standard deviation [d].
        review_days: How often is looked at what to order, at least 1 [d].
        least_order_minor: Least amount of money of an order, in minor units; 0: none.
        order_cost_minor: What an order costs beside its goods, in minor units; None: not known.
    """

    code: str
    name: str
    currency: str
    lead_mean_days: float
    lead_sd_days: float
    review_days: int
    least_order_minor: int
    order_cost_minor: int | None


@dataclass(frozen=True, slots=True)
class SupplierState:
    """A supplier as it is stored."""

    key: int
    terms: SupplierTerms
    version: int
    recorded_at_us: int


@dataclass(frozen=True, slots=True)
class PolicyTerms:
    """How a depot keeps up its stock of an item.

    Attributes:
        item: The item.
        supplier: Code of who delivers it.
        service_level: Chance that a review period ends without a shortage, above 0 and below 1.
        cover_days: How long one order is to last beyond lead time and review period [d].
        room: Most that the depot has room for [piece or mL]; None: no matter.
        pack_size: What a part is sold in [piece]; None for fluids.
        pack_price_minor: Price of a pack, in minor units; None for fluids.
        kept_share: Share of the lowest unit price that what is left over is worth [1].
        holding_share: What holding costs a year, as a share of the price [1]; None: not counted.
        is_ordered: Whether it is still ordered.
    """

    item: StockItem
    supplier: str
    service_level: float
    cover_days: int
    room: int | None
    pack_size: int | None
    pack_price_minor: int | None
    kept_share: float
    holding_share: float | None
    is_ordered: bool


@dataclass(frozen=True, slots=True)
class PolicyState:
    """A policy as it is stored."""

    key: int
    item_key: int
    terms: PolicyTerms
    version: int
    recorded_at_us: int


def supplier_state(session: ReadSession, fleet_key: int, depot: str, code: str) -> SupplierState:
    """The supplier of that code to a depot.

    Raises:
        NotFoundError: The fleet has no such depot, or the depot no such supplier.
    """
    row = queries_supply.supplier(session, fleet_key, depot_key_of(session, fleet_key, depot), code)
    if row is None:
        raise NotFoundError(_SUPPLIER)
    return _supplier(row)


def suppliers_after(
    session: ReadSession, fleet_key: int, depot: str, after: str | None, limit: int
) -> list[SupplierState]:
    """Suppliers of a depot in the order of their codes, from the one after ``after`` on.

    Raises:
        NotFoundError: The fleet has no such depot.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    rows = queries_supply.suppliers(session, fleet_key, depot_key, after=after, limit=limit)
    return [_supplier(row) for row in rows]


def put_supplier(  # noqa: PLR0913 - a place, terms and a condition
    session: WriteSession,
    fleet_key: int,
    depot: str,
    terms: SupplierTerms,
    condition: PutCondition,
    *,
    now_us: int,
) -> tuple[SupplierState, bool]:
    """The supplier as it is now, and whether it was created.

    Raises:
        NotFoundError: The fleet has no such depot.
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The supplier is there, and the request names no version.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    row = queries_supply.supplier(session, fleet_key, depot_key, terms.code)
    key = {"fleet_id": fleet_key, "depot_id": depot_key, "code": terms.code}
    values = {
        "name": terms.name,
        "currency": terms.currency,
        "lead_mean_days": terms.lead_mean_days,
        "lead_sd_days": terms.lead_sd_days,
        "review_days": terms.review_days,
        "least_order_minor": terms.least_order_minor,
        "order_cost_minor": terms.order_cost_minor,
    }
    is_created = put_row(session, SUPPLIERS, row, RowPut(_SUPPLIER, key, values, condition, now_us))
    return supplier_state(session, fleet_key, depot, terms.code), is_created


def policy_state(session: ReadSession, fleet_key: int, depot: str, item: StockItem) -> PolicyState:
    """The policy of a depot for an item.

    Raises:
        NotFoundError: The fleet has no such depot, part or product, or the depot no policy for it.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    known = item_key(session, fleet_key, item)
    row = None if known is None else queries_supply.policy(session, fleet_key, depot_key, known)
    if row is None:
        raise NotFoundError(_POLICY)
    return _policy(row)


def policies_after(
    session: ReadSession, fleet_key: int, depot: str, after: int | None, limit: int
) -> list[PolicyState]:
    """Policies of a depot in the order in which they were first stored, from the one after ``after`` on.

    Raises:
        NotFoundError: The fleet has no such depot.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    rows = queries_supply.policies(session, fleet_key, depot_key, after=after, limit=limit)
    return [_policy(row) for row in rows]


def depot_policies(session: ReadSession, fleet_key: int, depot_key: int) -> list[PolicyState]:
    """All policies of a depot."""
    return [_policy(row) for row in queries_supply.policies(session, fleet_key, depot_key)]


def depot_suppliers(session: ReadSession, fleet_key: int, depot_key: int) -> dict[str, SupplierTerms]:
    """All suppliers of a depot, by code."""
    rows = queries_supply.suppliers(session, fleet_key, depot_key)
    return {row.code: _supplier(row).terms for row in rows}


def put_policy(  # noqa: PLR0913 - a place, terms and a condition
    session: WriteSession,
    fleet_key: int,
    depot: str,
    terms: PolicyTerms,
    condition: PutCondition,
    *,
    now_us: int,
) -> tuple[PolicyState, bool]:
    """The policy as it is now, and whether it was created.

    Raises:
        NotFoundError: The fleet has no such depot, part or product.
        RefusedError: The depot has no such supplier, a part without pack and price, or a fluid with them.
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The policy is there, and the request names no version.
    """
    depot_key = depot_key_of(session, fleet_key, depot)
    supplier = queries_supply.supplier(session, fleet_key, depot_key, terms.supplier)
    breaches = _policy_breaches(terms)
    if supplier is None:
        detail = "the depot has no supplier of this code"
        breaches.append(Breach("/supplier", "supplier_unknown", detail))
    if breaches or supplier is None:
        raise RefusedError(*breaches)
    known = item_key(session, fleet_key, terms.item, is_made=True)
    row = queries_supply.policy(session, fleet_key, depot_key, known or 0)
    key = {"fleet_id": fleet_key, "depot_id": depot_key, "stock_item_id": known}
    values = {
        "supplier_id": supplier.id,
        "service_level": terms.service_level,
        "cover_days": terms.cover_days,
        "room": terms.room,
        "pack_size": terms.pack_size,
        "pack_price_minor": terms.pack_price_minor,
        "kept_share": terms.kept_share,
        "holding_share": terms.holding_share,
        "is_ordered": terms.is_ordered,
    }
    is_created = put_row(session, POLICIES, row, RowPut(_POLICY, key, values, condition, now_us))
    return policy_state(session, fleet_key, depot, terms.item), is_created


@dataclass(frozen=True, slots=True)
class RowPut:
    """What a row is to hold: of what kind, under which key, from which version, when [us UTC]."""

    kind: str
    key: dict[str, Any]
    values: dict[str, Any]
    condition: PutCondition
    now_us: int


def put_row(session: WriteSession, table: Table, row: Found | None, put: RowPut) -> bool:
    """Whether the row was created; one that is as it should be keeps its version.

    Raises:
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The row is there, and the request names no version.
    """
    put.condition.check(put.kind, None if row is None else row.version)
    if row is None:
        new = {**put.key, **put.values, "version": 1, "recorded_at_us": put.now_us}
        if not queries_supply.add(session, table, new):
            raise StaleVersionError(put.kind, stored_version=1)
        return True
    if any(getattr(row, name) != value for name, value in put.values.items()) and not queries_supply.change(
        session, table, put.key, version=row.version, values=put.values
    ):
        raise StaleVersionError(put.kind, stored_version=row.version + 1)
    return False


def _policy_breaches(terms: PolicyTerms) -> list[Breach]:
    given = {"pack": terms.pack_size is not None, "pack_price_minor": terms.pack_price_minor is not None}
    if terms.item.part is not None:
        detail = "a part is bought in packs at a price"
        return [Breach(f"/{name}", "field_missing", detail) for name, has in given.items() if not has]
    detail = "a fluid is bought in the containers of the catalogue"
    return [Breach(f"/{name}", "field_not_applicable", detail) for name, has in given.items() if has]


def _supplier(row: Found) -> SupplierState:
    terms = SupplierTerms(
        row.code,
        row.name,
        row.currency,
        row.lead_mean_days,
        row.lead_sd_days,
        row.review_days,
        row.least_order_minor,
        row.order_cost_minor,
    )
    return SupplierState(row.id, terms, row.version, row.recorded_at_us)


def _policy(row: Found) -> PolicyState:
    terms = PolicyTerms(
        StockItem(row.part, row.fluid_product),
        row.supplier,
        row.service_level,
        row.cover_days,
        row.room,
        row.pack_size,
        row.pack_price_minor,
        row.kept_share,
        row.holding_share,
        row.is_ordered,
    )
    return PolicyState(row.id, row.stock_item_id, terms, row.version, row.recorded_at_us)
