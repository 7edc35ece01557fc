"""The statements of fluid samples: those of a vehicle, what is known of fresh products, adding and withdrawing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import and_, insert, select, update
from sqlmodel import col

from api.store.tables_condition import FluidSample
from api.store.tables_product import FluidProduct

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Row, Select

    from api.store.facts import Owner, Window
    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]


def samples(session: ReadSession, owner: Owner, window: Window, *, compartment: str | None = None) -> Rows:
    """Samples of a vehicle with their product's code, in the order in which they were recorded.

    Args:
        session: Any unit of work.
        owner: The vehicle.
        window: Which of them.
        compartment: Only of this compartment.
    """
    query = _of(owner).order_by(col(FluidSample.id))
    if not window.has_withdrawn:
        query = query.where(col(FluidSample.withdrawn_at_us).is_(None))
    if window.after is not None:
        query = query.where(col(FluidSample.id) > window.after)
    if window.limit is not None:
        query = query.limit(window.limit)
    if compartment is not None:
        query = query.where(col(FluidSample.compartment) == compartment)
    return session.execute(query).all()


def sample(session: ReadSession, owner: Owner, key: int) -> Row[Any] | None:
    """One sample of a vehicle, withdrawn or not; None where it has none of that key."""
    return session.execute(_of(owner).where(col(FluidSample.id) == key)).first()


def fresh_products(session: ReadSession, fleet: int, products: Sequence[int]) -> dict[int, str]:
    """What was last measured on each of these products when fresh, by the product's key."""
    if not products:
        return {}
    rows = session.execute(
        select(col(FluidSample.fluid_product_id), col(FluidSample.fresh))
        .where(
            col(FluidSample.fleet_id) == fleet,
            col(FluidSample.fluid_product_id).in_(products),
            col(FluidSample.fresh).is_not(None),
            col(FluidSample.withdrawn_at_us).is_(None),
        )
        .order_by(col(FluidSample.taken_at_us), col(FluidSample.id))
    )
    return {row.fluid_product_id: row.fresh for row in rows}


def add(session: WriteSession, owner: Owner, values: Mapping[str, Any]) -> int:
    """The key of a new sample with these columns."""
    statement = insert(FluidSample).values(fleet_id=owner.fleet, vehicle_id=owner.vehicle, **values)
    return int(session.execute(statement.returning(col(FluidSample.id))).scalar_one() or 0)


def withdraw(session: WriteSession, owner: Owner, key: int, values: Mapping[str, Any]) -> bool:
    """Whether the sample was there, not withdrawn, and has these columns of its withdrawal now."""
    changed = session.execute(
        update(FluidSample)
        .where(
            col(FluidSample.fleet_id) == owner.fleet,
            col(FluidSample.vehicle_id) == owner.vehicle,
            col(FluidSample.id) == key,
            col(FluidSample.withdrawn_at_us).is_(None),
        )
        .values(**values)
        .returning(col(FluidSample.id)),
        execution_options={"synchronize_session": False},
    )
    return changed.first() is not None


def _of(owner: Owner) -> Select[Any]:
    table = FluidSample.__table__.c  # type: ignore[attr-defined]
    return (
        select(*table, col(FluidProduct.code).label("fluid_product"))
        .outerjoin(
            FluidProduct,
            and_(
                col(FluidProduct.fleet_id) == col(FluidSample.fleet_id),
                col(FluidProduct.id) == col(FluidSample.fluid_product_id),
            ),
        )
        .where(col(FluidSample.fleet_id) == owner.fleet, col(FluidSample.vehicle_id) == owner.vehicle)
    )
