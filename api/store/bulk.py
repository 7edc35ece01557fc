"""Many rows at once on PostgreSQL: a binary COPY into a temporary table, then one statement that merges it.

Invariant: a staging table belongs to its connection and is empty whenever a transaction begins, so that two
writers never meet in one. SQLite takes many rows through ``executemany``, which is its fastest way.

Sources: the PostgreSQL manual, chapters COPY (binary format) and CREATE TABLE (ON COMMIT DELETE ROWS).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Boolean, Float, Integer, LargeBinary

from api.store.base import Row
from api.store.driver_errors import of_postgresql

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from api.store.session import WriteSession

LEAST_ROWS = 100
"""Fewer rows than this go faster one by one: staging costs about three statements."""

_TYPES = (
    (BigInteger, "int8"),
    (Integer, "int4"),
    (Float, "float8"),
    (Boolean, "bool"),
    (LargeBinary, "bytea"),
)


def is_worth_it(session: WriteSession, rows: int) -> bool:
    """Whether so many rows go faster by ``stage`` and a merge than one by one."""
    return rows >= LEAST_ROWS and session.get_bind().dialect.name == "postgresql"


def stage(session: WriteSession, table: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """The name of a temporary table that holds these rows, and nothing else, until the transaction ends.

    Args:
        session: The unit of work, on PostgreSQL.
        table: The table whose columns it has; a name of the program's own, as are the columns.
        columns: Columns that the rows give, in their order.
        rows: The rows.
    """
    # Imported here: a process on SQLite never needs the driver.
    import psycopg

    staged = f"staged_{table}"
    connection = session.connection()
    create = f"CREATE TEMPORARY TABLE IF NOT EXISTS {staged} ON COMMIT DELETE ROWS AS SELECT * FROM {table} LIMIT 0"  # noqa: S608 - names of the program's own
    connection.exec_driver_sql(create)
    connection.exec_driver_sql(f"DELETE FROM {staged}")  # noqa: S608 - as above
    driver: Any = connection.connection.driver_connection
    copying = f"COPY {staged} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"
    try:
        with driver.cursor() as cursor, cursor.copy(copying) as copy:
            copy.set_types([_type_of(table, column) for column in columns])
            for row in rows:
                copy.write_row(row)
    except psycopg.Error as error:
        raise of_postgresql(error) or error from error
    return staged


def _type_of(table: str, column: str) -> str:
    kind = Row.metadata.tables[table].columns[column].type
    return next((name for base, name in _TYPES if isinstance(kind, base)), "text")
