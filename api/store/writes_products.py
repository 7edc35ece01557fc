"""The rows of the catalogue as they are stored: a product, its containers and its statements."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, insert, update
from sqlmodel import col

from api.store.tables_product import FluidContainer, FluidProduct, FluidStatement

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.store.session import WriteSession

_BY_STATEMENT = {"synchronize_session": False}


def change_product(
    session: WriteSession, fleet: int, key: int, *, version: int, values: Mapping[str, Any]
) -> bool:
    """Whether the product still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(FluidProduct)
        .where(
            col(FluidProduct.fleet_id) == fleet,
            col(FluidProduct.id) == key,
            col(FluidProduct.version) == version,
        )
        .values(**values, version=version + 1)
        .returning(col(FluidProduct.id)),
        execution_options=_BY_STATEMENT,
    )
    return changed.first() is not None


def clear_lists(session: WriteSession, fleet: int, key: int) -> None:
    """Take away the containers and statements of a product."""
    for table in (FluidContainer, FluidStatement):
        session.execute(
            delete(table).where(col(table.fleet_id) == fleet, col(table.fluid_product_id) == key),
            execution_options=_BY_STATEMENT,
        )


def add_lists(
    session: WriteSession,
    fleet: int,
    key: int,
    *,
    containers: Sequence[tuple[int, int]],
    statements: Sequence[tuple[str, str, str | None]],
) -> None:
    """Store the containers and statements of a product that has none.

    Args:
        session: The unit of work.
        fleet: The fleet.
        key: The product.
        containers: Size [mL] and price [minor unit] of each.
        statements: Standard, class and grade of each, in their order.
    """
    owner = {"fleet_id": fleet, "fluid_product_id": key}
    if containers:
        session.execute(
            insert(FluidContainer),
            [{**owner, "size_ml": size, "price_minor": price} for size, price in containers],
        )
    if statements:
        session.execute(
            insert(FluidStatement),
            [
                {**owner, "rank": rank, "standard": standard, "service_class": class_, "grade": grade}
                for rank, (standard, class_, grade) in enumerate(statements)
            ],
        )
