"""The fleet's catalogue of fluid products: what can be bought, in which containers, and what it meets.

Invariants: a stored product agrees with itself (``domain.fluids.check_product``); sizes are different; a
product is withdrawn, never deleted, and comes back when it is put again.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import GoneError, NotFoundError, RefusedError, StaleVersionError
from api.services.fluid_terms import requirement_places
from api.store import queries_products, writes_products
from api.store.new_rows import insert_new
from api.store.tables_product import FluidProduct
from domain.containers import Container, container_breaches
from domain.errors import Breach, ExchangeError
from domain.fluids import Product, check_product
from domain.requirements import FluidKind, FluidRequirement, Standard

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from api.services.preconditions import PutCondition
    from api.store.facts import Withdrawal
    from api.store.queries_products import Found
    from api.store.session import ReadSession, WriteSession

_KIND = "fluid product"


@dataclass(frozen=True, slots=True)
class ProductTerms:
    """A product, and how it is sold.

    Attributes:
        name: In words.
        currency: Currency of its prices, ISO 4217.
        containers: What it is sold in, the smallest first.
        product: What it is and what it meets.
    """

    name: str
    currency: str
    containers: tuple[Container, ...]
    product: Product


@dataclass(frozen=True, slots=True)
class ProductState:
    """A product as it is stored.

    Attributes:
        key: Its key.
        terms: The product.
        version: Grows by one with each change.
        recorded_at_us: When it was first recorded [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
    """

    key: int
    terms: ProductTerms
    version: int
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def product_state(session: ReadSession, fleet_key: int, code: str) -> ProductState:
    """The product of that code, also a withdrawn one.

    Raises:
        NotFoundError: The fleet has none.
    """
    row = queries_products.product(session, fleet_key, code)
    if row is None:
        raise NotFoundError(_KIND)
    return _states(session, fleet_key, [row])[0]


def standing_product(session: ReadSession, fleet_key: int, code: str) -> ProductState:
    """The product of that code.

    Raises:
        NotFoundError: The fleet has none.
        GoneError: It was withdrawn.
    """
    found = product_state(session, fleet_key, code)
    if found.withdrawn_at_us is not None:
        raise GoneError(_KIND)
    return found


def products_named(session: ReadSession, fleet_key: int, named: dict[str, str]) -> dict[str, ProductState]:
    """Products that a request names, by the places that name them.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        named: Code of the product, by the JSON Pointer that names it.

    Raises:
        RefusedError: The fleet has no product of a code, or it was withdrawn.
    """
    if not named:
        return {}
    rows = queries_products.products(session, fleet_key, set(named.values()))
    known = {state.terms.product.code: state for state in _states(session, fleet_key, rows)}
    breaches = []
    for place, code in named.items():
        if code not in known:
            breaches.append(Breach(place, "product_unknown", "the fleet has no fluid product of this code"))
        elif known[code].withdrawn_at_us is not None:
            breaches.append(Breach(place, "product_withdrawn", "the fluid product of this code is withdrawn"))
    if breaches:
        raise RefusedError(*breaches)
    return {place: known[code] for place, code in named.items()}


def products_of(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> dict[str, ProductState]:
    """Products by their codes, withdrawn ones too; a code that the fleet has no product of is left out."""
    rows = queries_products.products(session, fleet_key, set(codes))
    return {state.terms.product.code: state for state in _states(session, fleet_key, rows)}


def products_after(
    session: ReadSession, fleet_key: int, after: str | None, limit: int, *, has_withdrawn: bool
) -> list[ProductState]:
    """Products in the order of their codes, from the one after ``after`` on."""
    rows = queries_products.listed_products(
        session, fleet_key, after=after, limit=limit, has_withdrawn=has_withdrawn
    )
    return _states(session, fleet_key, rows)


def products_stating(
    session: ReadSession, fleet_key: int, standards: Iterable[Standard]
) -> list[ProductState]:
    """Products, none withdrawn, that state to meet something of these standards, in the order of their codes."""
    wanted = sorted({standard.value for standard in standards})
    if not wanted:
        return []
    rows = queries_products.products_stating(session, fleet_key, wanted)
    return _states(session, fleet_key, rows)


def put_product(
    session: WriteSession, fleet_key: int, terms: ProductTerms, condition: PutCondition, *, now_us: int
) -> tuple[ProductState, bool]:
    """The product as it is now, and whether it was created; one that was withdrawn is back.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        terms: All of the product.
        condition: What the replacement expects to find.
        now_us: The instant of the request [us UTC].

    Raises:
        RefusedError: The product contradicts itself or meets nothing, or two containers have the same size.
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The product is there, and the request names no version.
    """
    code = terms.product.code
    _check(terms)
    row = queries_products.product(session, fleet_key, code)
    condition.check(_KIND, None if row is None else row.version)
    if row is None:
        new = {
            "fleet_id": fleet_key,
            "code": code,
            **_columns(terms),
            "version": 1,
            "recorded_at_us": now_us,
        }
        is_created = bool(insert_new(session, FluidProduct, [new]))
        found = product_state(session, fleet_key, code)
        if not is_created:
            raise StaleVersionError(_KIND, stored_version=found.version)
        _add_lists(session, fleet_key, found.key, terms)
        return product_state(session, fleet_key, code), True
    stored = _states(session, fleet_key, [row])[0]
    if stored.terms == terms and stored.withdrawn_at_us is None:
        return stored, False
    values = {**_columns(terms), "withdrawn_at_us": None, "withdrawn_reason": None}
    if writes_products.change_product(session, fleet_key, stored.key, version=stored.version, values=values):
        writes_products.clear_lists(session, fleet_key, stored.key)
        _add_lists(session, fleet_key, stored.key, terms)
        return product_state(session, fleet_key, code), False
    raise StaleVersionError(_KIND, stored_version=product_state(session, fleet_key, code).version)


def withdraw_product(
    session: WriteSession, fleet_key: int, code: str, version: int, withdrawal: Withdrawal
) -> ProductState:
    """The product, withdrawn: it is offered no longer, and stays.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        code: The product.
        version: The version that the change starts from.
        withdrawal: When, and why.

    Raises:
        NotFoundError: The fleet has none.
        GoneError: It was withdrawn before.
        StaleVersionError: Another version is stored by now.
    """
    found = standing_product(session, fleet_key, code)
    if found.version != version:
        raise StaleVersionError(_KIND, stored_version=found.version)
    values = {"withdrawn_at_us": withdrawal.at_us, "withdrawn_reason": withdrawal.reason}
    if not writes_products.change_product(session, fleet_key, found.key, version=version, values=values):
        raise StaleVersionError(_KIND, stored_version=product_state(session, fleet_key, code).version)
    return product_state(session, fleet_key, code)


def _check(terms: ProductTerms) -> None:
    breaches = [*container_breaches(terms.containers), *_repeated_sizes(terms.containers)]
    try:
        check_product(terms.product)
    except ExchangeError as error:
        breaches += requirement_places(error.breaches)
    if breaches:
        raise RefusedError(*breaches)


def _repeated_sizes(containers: Sequence[Container]) -> Iterator[Breach]:
    seen: set[int] = set()
    for index, container in enumerate(containers):
        if container.size_ml in seen:
            detail = "a product has one price for each size"
            yield Breach(f"/containers/{index}/size", "size_repeated", detail)
        seen.add(container.size_ml)


def _add_lists(session: WriteSession, fleet_key: int, key: int, terms: ProductTerms) -> None:
    writes_products.add_lists(
        session,
        fleet_key,
        key,
        containers=[(one.size_ml, one.price_minor) for one in terms.containers],
        statements=[(one.standard.value, one.class_, one.grade) for one in terms.product.meets],
    )


def _columns(terms: ProductTerms) -> dict[str, Any]:
    product = terms.product
    return {
        "name": terms.name,
        "kind": product.kind.value,
        "currency": terms.currency,
        "density_15c_kg_m3": product.density_15c_kg_m3,
        "shelf_unopened_months": product.shelf_unopened_months,
        "shelf_opened_months": product.shelf_opened_months,
    }


def _states(session: ReadSession, fleet_key: int, rows: Sequence[Found]) -> list[ProductState]:
    if not rows:
        return []
    codes = [row.code for row in rows]
    meets: defaultdict[int, list[FluidRequirement]] = defaultdict(list)
    for line in queries_products.statements(session, fleet_key, codes):
        meets[line.product].append(FluidRequirement(Standard(line.standard), line.service_class, line.grade))
    containers: defaultdict[int, list[Container]] = defaultdict(list)
    for line in queries_products.containers(session, fleet_key, codes):
        containers[line.product].append(Container(line.size_ml, line.price_minor))
    return [
        ProductState(
            int(row.id),
            ProductTerms(
                row.name,
                row.currency,
                tuple(containers[row.id]),
                Product(
                    row.code,
                    FluidKind(row.kind),
                    tuple(meets[row.id]),
                    row.density_15c_kg_m3,
                    row.shelf_unopened_months,
                    row.shelf_opened_months,
                ),
            ),
            row.version,
            row.recorded_at_us,
            row.withdrawn_at_us,
            row.withdrawn_reason,
        )
        for row in rows
    ]
