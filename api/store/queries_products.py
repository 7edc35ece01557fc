"""The SELECTs of the catalogue: products, what they state to meet, and the containers that they are sold in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlmodel import col

from api.store.tables_product import FluidContainer, FluidProduct, FluidStatement
from api.store.text_lists import among

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import sqlalchemy
    from sqlalchemy import Select

    from api.store.session import ReadSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]


def product(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The product of that code, also a withdrawn one."""
    return session.execute(_products(fleet).where(col(FluidProduct.code) == code)).first()


def products(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """The products of these codes, also withdrawn ones."""
    return session.execute(_products(fleet).where(among(session, col(FluidProduct.code), codes))).all()


def listed_products(
    session: ReadSession, fleet: int, *, after: str | None, limit: int, has_withdrawn: bool
) -> Sequence[Found]:
    """Products in the order of their codes, from the one after ``after`` on."""
    query = _products(fleet).order_by(col(FluidProduct.code)).limit(limit)
    if not has_withdrawn:
        query = query.where(col(FluidProduct.withdrawn_at_us).is_(None))
    if after is not None:
        query = query.where(col(FluidProduct.code) > after)
    return session.execute(query).all()


def products_stating(session: ReadSession, fleet: int, standards: Iterable[str]) -> Sequence[Found]:
    """Products, none withdrawn, that state to meet something of these standards, in the order of their codes."""
    stating = select(col(FluidStatement.fluid_product_id)).where(
        col(FluidStatement.fleet_id) == fleet, among(session, col(FluidStatement.standard), standards)
    )
    return session.execute(
        _products(fleet)
        .where(col(FluidProduct.withdrawn_at_us).is_(None), col(FluidProduct.id).in_(stating))
        .order_by(col(FluidProduct.code))
    ).all()


def statements(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """What products of these codes state to meet (``product`` is the key), in their order."""
    return session.execute(
        select(
            col(FluidStatement.fluid_product_id).label("product"),
            col(FluidStatement.standard),
            col(FluidStatement.service_class),
            col(FluidStatement.grade),
        )
        .join(
            FluidProduct,
            (col(FluidProduct.fleet_id) == col(FluidStatement.fleet_id))
            & (col(FluidProduct.id) == col(FluidStatement.fluid_product_id)),
        )
        .where(col(FluidProduct.fleet_id) == fleet, among(session, col(FluidProduct.code), codes))
        .order_by(col(FluidStatement.fluid_product_id), col(FluidStatement.rank))
    ).all()


def containers(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """Containers of products of these codes (``product`` is the key), the smallest first."""
    return session.execute(
        select(
            col(FluidContainer.fluid_product_id).label("product"),
            col(FluidContainer.size_ml),
            col(FluidContainer.price_minor),
        )
        .join(
            FluidProduct,
            (col(FluidProduct.fleet_id) == col(FluidContainer.fleet_id))
            & (col(FluidProduct.id) == col(FluidContainer.fluid_product_id)),
        )
        .where(col(FluidProduct.fleet_id) == fleet, among(session, col(FluidProduct.code), codes))
        .order_by(col(FluidContainer.fluid_product_id), col(FluidContainer.size_ml))
    ).all()


def _products(fleet: int) -> Select[*tuple[Any, ...]]:
    return select(
        col(FluidProduct.id),
        col(FluidProduct.code),
        col(FluidProduct.name),
        col(FluidProduct.kind),
        col(FluidProduct.currency),
        col(FluidProduct.density_15c_kg_m3),
        col(FluidProduct.shelf_unopened_months),
        col(FluidProduct.shelf_opened_months),
        col(FluidProduct.version),
        col(FluidProduct.recorded_at_us),
        col(FluidProduct.withdrawn_at_us),
        col(FluidProduct.withdrawn_reason),
    ).where(col(FluidProduct.fleet_id) == fleet)
