"""Carrying a SQLite database over to PostgreSQL whole, verified by counts and checksums of each table.

Invariants: nobody writes to the source meanwhile; the target takes everything in one transaction or nothing; a
target that holds anything is refused. A checksum is the sum of a digest of each row, so that it does not depend
on the order in which a database sorts text.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import msgspec
import psycopg
from sqlalchemy import delete, func, select, text

from api.store.base import all_tables
from api.store.driver_errors import of_postgresql
from api.store.engine import migration_connection
from api.store.errors import StoreMoveError
from api.store.migrate import migrate
from api.store.session import Store

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sqlalchemy import Connection, Table

_ROWS = 10_000
_MODULUS = 1 << 128


class NotEmptyError(StoreMoveError):
    """The target holds rows already."""


@dataclass(frozen=True, slots=True)
class Sum:
    """How many rows a table has, and their checksum."""

    rows: int
    checksum: int

    @property
    def digits(self) -> str:
        """The checksum as hexadecimal digits."""
        return f"{self.checksum:032x}"


class _Summing:
    def __init__(self) -> None:
        self.rows = 0
        self.total = 0

    def add(self, row: tuple[Any, ...]) -> None:
        digest = hashlib.blake2b(msgspec.json.encode(row), digest_size=16).digest()
        self.total = (self.total + int.from_bytes(digest)) % _MODULUS
        self.rows += 1

    def sum(self) -> Sum:
        return Sum(self.rows, self.total)


def move(
    source_url: str, target_url: str, *, tell: Callable[[str, Sum], None], wait_s: float = 120.0
) -> dict[str, Sum]:
    """Rows and checksum of each table, equal on both sides.

    Args:
        source_url: ``sqlite:///FILE``; brought to the newest revision.
        target_url: ``postgresql+psycopg://...``; brought to the newest revision.
        tell: Called with each table that has been carried over and found equal.
        wait_s: Longest wait for a migration or a writer of another process [s].

    Raises:
        NotEmptyError: The target holds rows.
        StoreMoveError: A table is not equal afterwards.
        StoreError: A database does not answer, or is full.
    """
    migrate(source_url, wait_s=wait_s)
    migrate(target_url, wait_s=wait_s)
    found: dict[str, Sum] = {}
    store = Store.at(source_url)
    try:
        # A unit of work that writes nothing: it keeps the turn to write until the end.
        with store.writing() as session, migration_connection(target_url, wait_s=wait_s) as target:
            source = session.connection()
            tables = all_tables().sorted_tables
            _refuse_rows(target, tables)
            for table in tables:
                sent = _copied(source, target, table)
                stored = _summed(target, table)
                if stored != sent:
                    msg = f"{table.name}: {sent.rows} rows were sent and {stored.rows} are there, or they differ"
                    raise StoreMoveError(msg)
                found[table.name] = sent
                tell(table.name, sent)
            _set_sequences(target, tables)
    finally:
        store.close()
    return found


def _refuse_rows(target: Connection, tables: list[Table]) -> None:
    for table in tables:
        count = target.execute(
            select(func.count()).select_from(select(table.c[0]).limit(2).subquery())
        ).scalar_one()
        # A migration makes the default fleet; it gives way to the source's.
        if count > (1 if table.name == "fleet" else 0):
            msg = f"the target is not empty: {table.name} has rows"
            raise NotEmptyError(msg)
    target.execute(delete(next(table for table in tables if table.name == "fleet")))


def _copied(source: Connection, target: Connection, table: Table) -> Sum:
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    driver: Any = target.connection.driver_connection
    summing = _Summing()
    try:
        # One statement a table, so that rows of it may name each other whatever their order.
        with driver.cursor() as cursor, cursor.copy(f"COPY {table.name} ({names}) FROM STDIN") as copy:
            for row in _rows(source, table):
                summing.add(row)
                copy.write_row(row)
    except psycopg.Error as error:
        raise of_postgresql(error) or error from error
    return summing.sum()


def _summed(connection: Connection, table: Table) -> Sum:
    summing = _Summing()
    for row in _rows(connection, table):
        summing.add(row)
    return summing.sum()


def _rows(connection: Connection, table: Table) -> Iterator[tuple[Any, ...]]:
    query = select(table).order_by(*table.primary_key.columns).execution_options(yield_per=_ROWS)
    with connection.execute(query) as result:
        for rows in result.partitions():
            for row in rows:
                yield tuple(row)


def _set_sequences(target: Connection, tables: list[Table]) -> None:
    """Let new rows be numbered after those carried over."""
    for table in tables:
        if "id" in table.columns:
            sequence = target.execute(
                text("SELECT pg_get_serial_sequence(:table, 'id')"), {"table": table.name}
            ).scalar_one()
            last = target.execute(select(func.max(table.c.id))).scalar_one()
            if sequence is not None and last is not None:
                target.execute(text("SELECT setval(:sequence, :last)"), {"sequence": sequence, "last": last})
