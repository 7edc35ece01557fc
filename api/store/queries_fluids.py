"""The SELECTs of fluid requirements, and the rows as they are stored."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select, update
from sqlmodel import col

from api.store.tables_fleet import FluidRequirement
from api.store.text_lists import among

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import sqlalchemy
    from sqlalchemy import Select

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]


def fluid_requirement(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The requirement of that code."""
    return session.execute(_requirements(fleet).where(col(FluidRequirement.code) == code)).first()


def fluid_requirements(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """The requirements of these codes."""
    return session.execute(
        _requirements(fleet).where(among(session, col(FluidRequirement.code), codes))
    ).all()


def listed_fluid_requirements(
    session: ReadSession, fleet: int, *, after: str | None, limit: int
) -> Sequence[Found]:
    """Requirements in the order of their codes, from the one after ``after`` on."""
    query = _requirements(fleet).order_by(col(FluidRequirement.code)).limit(limit)
    if after is not None:
        query = query.where(col(FluidRequirement.code) > after)
    return session.execute(query).all()


def change_fluid_requirement(
    session: WriteSession, fleet: int, code: str, *, version: int, values: Mapping[str, Any]
) -> bool:
    """Whether the requirement still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(FluidRequirement)
        .where(
            col(FluidRequirement.fleet_id) == fleet,
            col(FluidRequirement.code) == code,
            col(FluidRequirement.version) == version,
        )
        .values(**values, version=version + 1)
        .returning(col(FluidRequirement.id)),
        execution_options={"synchronize_session": False},
    )
    return changed.first() is not None


def _requirements(fleet: int) -> Select[*tuple[Any, ...]]:
    return select(
        col(FluidRequirement.id),
        col(FluidRequirement.code),
        col(FluidRequirement.name),
        col(FluidRequirement.standard),
        col(FluidRequirement.service_class),
        col(FluidRequirement.grade),
        col(FluidRequirement.version),
        col(FluidRequirement.recorded_at_us),
    ).where(col(FluidRequirement.fleet_id) == fleet)
