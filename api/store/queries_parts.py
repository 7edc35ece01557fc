"""The SELECTs of parts: one by one, in pages, by their codes, and those that are superseded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import aliased
from sqlmodel import col

from api.store.tables_fleet import Fleet, Part, PartAlternate
from api.store.text_lists import among

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import sqlalchemy
    from sqlalchemy import Select

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]

_Next = aliased(Part, name="next_part")
_Other = aliased(Part, name="other_part")


def part(session: ReadSession, fleet: int, code: str) -> Found | None:
    """The part of that code, with the code of the one that supersedes it."""
    return session.execute(_parts(fleet).where(col(Part.code) == code)).first()


def parts(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """The parts of these codes."""
    return session.execute(_parts(fleet).where(among(session, col(Part.code), codes))).all()


def listed_parts(session: ReadSession, fleet: int, *, after: str | None, limit: int) -> Sequence[Found]:
    """Parts in the order of their codes, from the one after ``after`` on."""
    query = _parts(fleet).order_by(col(Part.code)).limit(limit)
    if after is not None:
        query = query.where(col(Part.code) > after)
    return session.execute(query).all()


def alternates(session: ReadSession, fleet: int, codes: Iterable[str]) -> Sequence[Found]:
    """Codes of parts that do as well as those of ``codes`` (``part`` and ``alternate``), best first."""
    return session.execute(
        select(col(Part.code).label("part"), col(_Other.code).label("alternate"))
        .join(
            PartAlternate,
            (col(PartAlternate.fleet_id) == col(Part.fleet_id))
            & (col(PartAlternate.part_id) == col(Part.id)),
        )
        .join(
            _Other,
            (col(_Other.fleet_id) == col(Part.fleet_id))
            & (col(_Other.id) == col(PartAlternate.alternate_id)),
        )
        .where(col(Part.fleet_id) == fleet, among(session, col(Part.code), codes))
        .order_by(col(Part.code), col(PartAlternate.rank))
    ).all()


def supersessions(session: ReadSession, fleet: int) -> Sequence[Found]:
    """Every part that is superseded (``code``) with the one that is supplied (``superseded_by``)."""
    return session.execute(_parts(fleet).where(col(Part.superseded_by_id).is_not(None))).all()


def lock_parts(session: WriteSession, fleet: int) -> None:
    """Keep other writers from changing the fleet's supersessions until the unit of work ends."""
    session.execute(select(col(Fleet.id)).where(col(Fleet.id) == fleet).with_for_update(key_share=True))


def _parts(fleet: int) -> Select[*tuple[Any, ...]]:
    return (
        select(
            col(Part.id),
            col(Part.code),
            col(Part.name),
            col(Part.unit),
            col(Part.kind),
            col(_Next.code).label("superseded_by"),
            col(Part.version),
            col(Part.recorded_at_us),
        )
        .outerjoin(
            _Next,
            (col(_Next.fleet_id) == col(Part.fleet_id)) & (col(_Next.id) == col(Part.superseded_by_id)),
        )
        .where(col(Part.fleet_id) == fleet)
    )
