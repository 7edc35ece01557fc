"""The rows of parts as they are stored: the part, what supersedes it, and its alternates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, delete, insert, update
from sqlmodel import col

from api.store.base import Row
from api.store.tables_fleet import Part, PartAlternate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.store.session import WriteSession

_PARTS = Row.metadata.tables[str(Part.__tablename__)]
_BY_STATEMENT = {"synchronize_session": False}


def change_part(
    session: WriteSession, fleet: int, key: int, *, version: int, values: Mapping[str, Any]
) -> bool:
    """Whether the part still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(Part)
        .where(col(Part.fleet_id) == fleet, col(Part.id) == key, col(Part.version) == version)
        .values(**values, version=version + 1)
        .returning(col(Part.id)),
        execution_options=_BY_STATEMENT,
    )
    return changed.first() is not None


def link_supersessions(session: WriteSession, fleet: int, links: Mapping[int, int]) -> None:
    """Let parts be supplied in the place of others, by their keys."""
    if links:
        session.connection().execute(
            update(_PARTS)
            .where(_PARTS.c.fleet_id == fleet, _PARTS.c.id == bindparam("part"))
            .values(superseded_by_id=bindparam("next")),
            [{"part": key, "next": other} for key, other in sorted(links.items())],
        )


def replace_alternates(session: WriteSession, fleet: int, key: int, alternates: Sequence[int]) -> None:
    """Let these parts, best first, and no others do as well as the part of that key."""
    session.execute(
        delete(PartAlternate).where(col(PartAlternate.fleet_id) == fleet, col(PartAlternate.part_id) == key),
        execution_options=_BY_STATEMENT,
    )
    add_alternates(session, fleet, [(key, other, rank) for rank, other in enumerate(alternates)])


def add_alternates(session: WriteSession, fleet: int, lines: Sequence[tuple[int, int, int]]) -> None:
    """Store alternates: the part, the one that does as well, and its rank."""
    if lines:
        session.execute(
            insert(PartAlternate),
            [
                {"fleet_id": fleet, "part_id": part, "alternate_id": other, "rank": rank}
                for part, other, rank in lines
            ],
        )
