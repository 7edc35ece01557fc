"""Rows that are inserted unless another writer was first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from api.store.base import Row

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Table

    from api.store.session import WriteSession

# Rows in one statement; ten columns each stay far below the parameters that either database takes.
_ROWS = 500


def insert_new(session: WriteSession, table_class: type[Row], rows: Sequence[Mapping[str, Any]]) -> set[str]:
    """The codes of the rows that were inserted; a row whose code the fleet has already is left out.

    Args:
        session: The unit of work.
        table_class: A table with a unique key over ``fleet_id`` and ``code``.
        rows: Columns of the new rows, all the same.
    """
    table = Row.metadata.tables[str(table_class.__tablename__)]
    make = _insert_of(session)
    inserted: set[str] = set()
    # In the order of their codes, so that two writers never wait for each other.
    ordered = sorted(rows, key=lambda row: str(row["code"]))
    for start in range(0, len(ordered), _ROWS):
        statement = (
            make(table)
            .values([dict(row) for row in ordered[start : start + _ROWS]])
            .on_conflict_do_nothing(index_elements=["fleet_id", "code"])
            .returning(table.c.code)
        )
        inserted.update(session.execute(statement).scalars())
    return inserted


def insert_unless_there(
    session: WriteSession, table: Table, rows: Sequence[Mapping[str, Any]], key: Sequence[str]
) -> Any | None:
    """The first column of the primary key of a row that was inserted; None where every key is there already.

    Args:
        session: The unit of work.
        table: A table with a unique key over the columns of ``key``.
        rows: Columns of the new rows, all the same, in an order that every writer keeps.
        key: Names of the columns of the unique key.
    """
    if not rows:
        return None
    statement = _insert_of(session)(table).values([dict(row) for row in rows])
    first, *_ = table.primary_key.columns
    made = session.execute(statement.on_conflict_do_nothing(index_elements=list(key)).returning(first))
    return made.scalars().first()


def _insert_of(session: WriteSession) -> Any:
    make: Any
    if session.get_bind().dialect.name == "sqlite":
        from sqlalchemy.dialects.sqlite import insert as make
    else:
        from sqlalchemy.dialects.postgresql import insert as make
    return make
