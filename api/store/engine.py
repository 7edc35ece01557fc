"""Engines for reading and for writing, on a SQLite file or on PostgreSQL.

Invariants: the read engine refuses writes and gives one request one snapshot; on SQLite every write
transaction begins IMMEDIATE while holding the ``WriterLock``, and a commit is on the disk before it
returns (``synchronous=FULL``). Driver errors leave here as ``api.store.errors``.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy
from sqlalchemy import event
from sqlalchemy.engine import make_url

from api.store.driver_errors import translated
from api.store.errors import StoreBusyError, StoreSchemaError
from api.store.writer_lock import WriterLock

try:
    from pysqlite3 import dbapi2 as _sqlite
except ImportError:
    import sqlite3 as _sqlite

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection, Engine
    from sqlalchemy.engine import URL, ExceptionContext

# The SQLite driver in use.
sqlite_module: Any = _sqlite
# A write-ahead log above this is started anew by the next reader, before it takes its snapshot, and its file is cut
# back to this [byte].
JOURNAL_LIMIT_BYTES = 16 << 20
# Above this even a writer waits for readers, so that the log can start anew [byte], but no longer than [ms].
JOURNAL_WAIT_BYTES = 48 << 20
JOURNAL_WAIT_MS = 1000
# Growth after which a writer waits again, if a reader outlasted it [byte].
_JOURNAL_STEP_BYTES = 4 << 20
# Longest that a reader waits for its turn to start the log anew [s]; without it, it reads all the same. Where a writer
# waits for readers, those that come meanwhile wait for the writer.
_READER_WAIT_S = 0.1
_READER_YIELD_S = 1.5 * JOURNAL_WAIT_MS / 1000
BUSY_TIMEOUT_MS = 5000
# SQLite 3.7.0 to 3.51.2 can corrupt a WAL database that several connections write; mended in 3.51.3 and in
# these two backports (sqlite.org/wal.html#walresetbug). The writer lock keeps commits and checkpoints apart
# on those versions.
_MENDED = (3, 51, 3)
_BACKPORTS = ((3, 50, 7), (3, 44, 6))


@dataclass(frozen=True, slots=True)
class Engines:
    """The two engines of one database.

    Attributes:
        read: For reading; refuses writes.
        write: For writing; on SQLite one transaction at a time.
        writer_lock: The turn to write, on SQLite only.
        writers: How many write transactions can run at once.
    """

    read: Engine
    write: Engine
    writer_lock: WriterLock | None
    writers: int

    def dispose(self) -> None:
        """Close every pooled connection."""
        self.read.dispose()
        self.write.dispose()


def make_engines(
    database_url: str, *, threads: int = 4, writer_wait_s: float = 5.0, statement_timeout_s: float = 30.0
) -> Engines:
    """Both engines of the database; nothing is opened yet.

    Args:
        database_url: ``sqlite:///FILE`` or ``postgresql+psycopg://...``.
        threads: Sessions in use at once in this process.
        writer_wait_s: Longest wait for the turn to write, a lock or a connection [s].
        statement_timeout_s: Longest run of one statement, on PostgreSQL [s].
    """
    url = make_url(database_url)
    if url.get_backend_name() == "sqlite":
        return _sqlite_engines(url, threads=threads, writer_wait_s=writer_wait_s)
    return _postgresql_engines(
        url, threads=threads, writer_wait_s=writer_wait_s, statement_timeout_s=statement_timeout_s
    )


def sqlite_version() -> tuple[int, ...]:
    """The version of the SQLite library in use."""
    return tuple(int(part) for part in sqlite_module.sqlite_version.split("."))


def is_wal_reset_mended(version: tuple[int, ...]) -> bool:
    """Whether that SQLite version is free of the WAL-reset corruption bug."""
    return version >= _MENDED or any(version[:2] == fix[:2] and version >= fix for fix in _BACKPORTS)


def sqlite_path(url: URL) -> Path:
    """The absolute path of the file that a SQLite URL names."""
    return Path(url.database or "").absolute()


@contextlib.contextmanager
def migration_connection(database_url: str, *, wait_s: float) -> Iterator[Connection]:
    """A connection inside one transaction that changes the schema: all of it is kept, or nothing.

    One migration runs at a time over every process. On SQLite foreign keys are not enforced meanwhile
    (re-creating a parent table would cascade into its children), and are checked before the end.

    Args:
        database_url: As for ``make_engines``.
        wait_s: Longest wait for a migration of another process [s].

    Raises:
        StoreBusyError: Another process did not finish in time.
        StoreSchemaError: The migration leaves rows whose parent is missing.
    """
    url = make_url(database_url)
    migrating = _sqlite_migration if url.get_backend_name() == "sqlite" else _postgresql_migration
    with migrating(url, wait_s) as connection:
        yield connection


def _sqlite_engines(url: URL, *, threads: int, writer_wait_s: float) -> Engines:
    path = sqlite_path(url)
    lock = WriterLock(path)
    read = _sqlite_engine(path, pool_size=2 * threads, wait_s=writer_wait_s)
    write = _sqlite_engine(path, pool_size=threads, wait_s=writer_wait_s)

    @event.listens_for(read, "connect")
    def _on_read_connect(connection: Any, _record: object) -> None:
        connection.execute("PRAGMA query_only = ON")

    log = path.with_name(f"{path.name}-wal")

    @event.listens_for(read, "begin")
    def _on_read_begin(connection: Connection) -> None:
        if (size := _size(log)) > JOURNAL_LIMIT_BYTES:
            wait_s = _READER_YIELD_S if size > JOURNAL_WAIT_BYTES else _READER_WAIT_S
            _begin_on_new_log(connection, lock, wait_s)
        else:
            connection.exec_driver_sql("BEGIN")

    @event.listens_for(write, "connect")
    def _on_write_connect(connection: Any, _record: object) -> None:
        connection.execute("PRAGMA journal_mode = WAL")

    _hold_lock_while_writing(write, lock, writer_wait_s, log)
    return Engines(read=read, write=write, writer_lock=lock, writers=1)


def _sqlite_engine(path: Path, *, pool_size: int, wait_s: float) -> Engine:
    engine = sqlalchemy.create_engine(
        sqlalchemy.URL.create("sqlite", database=str(path)),
        module=sqlite_module,
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=wait_s,
    )

    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # BEGIN is ours, see the begin events
        for pragma in (
            f"busy_timeout = {BUSY_TIMEOUT_MS}",
            "synchronous = FULL",
            "foreign_keys = ON",
            f"journal_size_limit = {JOURNAL_LIMIT_BYTES}",
            "trusted_schema = OFF",
        ):
            connection.execute(f"PRAGMA {pragma}")

    _translate_errors(engine)
    return engine


def _size(log: Path) -> int:
    try:
        return log.stat().st_size
    except FileNotFoundError:
        return 0


def _begin_on_new_log(connection: Connection, lock: WriterLock, wait_s: float) -> None:
    """Begin to read while nobody writes and the log is empty.

    A log starts anew only at a moment when no reader rests on it. Where reader follows reader there is none, and it
    grows for as long as they come; a reader that begins on an empty log hinders nobody from starting it anew.
    """
    try:
        lock.acquire(wait_s)
    except StoreBusyError:
        connection.exec_driver_sql("BEGIN")
        return
    try:
        _start_log_anew(connection, wait_ms=0)
        connection.exec_driver_sql("BEGIN")
        connection.exec_driver_sql("SELECT 1 FROM sqlite_schema LIMIT 1").fetchall()  # takes the snapshot
    finally:
        lock.release()


def _start_log_anew(connection: Connection, *, wait_ms: int) -> None:
    connection.exec_driver_sql(f"PRAGMA busy_timeout = {wait_ms}")
    try:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    finally:
        connection.exec_driver_sql(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")


def _hold_lock_while_writing(engine: Engine, lock: WriterLock, wait_s: float, log: Path) -> None:
    """Take the lock before BEGIN; let it go when the connection is back in the pool, thus after COMMIT."""
    holder: list[object] = []
    waits_above = [JOURNAL_WAIT_BYTES]

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        lock.acquire(wait_s)
        holder.append(connection.connection.dbapi_connection)
        if (size := _size(log)) > waits_above[0]:
            _start_log_anew(connection, wait_ms=JOURNAL_WAIT_MS)
            waits_above[0] = max(JOURNAL_WAIT_BYTES, min(size, _size(log)) + _JOURNAL_STEP_BYTES)
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    def _let_go(connection: object, *_: object) -> None:
        if holder and holder[0] is connection:
            holder.clear()
            lock.release()

    for name in ("checkin", "invalidate", "close", "close_detached"):
        event.listen(engine, name, _let_go)


def _postgresql_engines(
    url: URL, *, threads: int, writer_wait_s: float, statement_timeout_s: float
) -> Engines:
    shared = {
        "statement_timeout": f"{statement_timeout_s * 1000:.0f}",
        "lock_timeout": f"{writer_wait_s * 1000:.0f}",
        "idle_in_transaction_session_timeout": "60000",
    }
    read_only = {"default_transaction_read_only": "on", "default_transaction_isolation": r"repeatable\ read"}
    return Engines(
        read=_postgresql_engine(url, shared | read_only, pool_size=2 * threads, wait_s=writer_wait_s),
        write=_postgresql_engine(url, shared, pool_size=threads, wait_s=writer_wait_s),
        writer_lock=None,
        writers=threads,
    )


def _postgresql_engine(url: URL, parameters: dict[str, str], *, pool_size: int, wait_s: float) -> Engine:
    options = " ".join(f"-c {name}={value}" for name, value in ({"timezone": "UTC"} | parameters).items())
    engine = sqlalchemy.create_engine(
        url,
        pool_size=pool_size,
        max_overflow=0,
        pool_timeout=wait_s,
        pool_pre_ping=True,
        connect_args={"options": options, "connect_timeout": 5, "application_name": "fillmark"},
    )
    _translate_errors(engine)
    return engine


def _translate_errors(engine: Engine) -> None:
    @event.listens_for(engine, "handle_error")
    def _on_error(context: ExceptionContext) -> None:
        error = translated(context)
        if error is not None:
            raise error from context.original_exception


@contextlib.contextmanager
def _sqlite_migration(url: URL, wait_s: float) -> Iterator[Connection]:
    path = sqlite_path(url)
    lock = WriterLock(path)
    lock.acquire(wait_s)
    try:
        engine = _sqlite_engine(path, pool_size=1, wait_s=wait_s)
        try:
            with engine.connect() as connection:
                # The pragma does nothing inside a transaction, so it comes before BEGIN.
                driver: Any = connection.connection.dbapi_connection
                driver.execute("PRAGMA journal_mode = WAL")
                driver.execute("PRAGMA foreign_keys = OFF")
                event.listen(connection, "begin", _begin_immediate)
                with connection.begin():
                    yield connection
                    _check_foreign_keys(connection)
        finally:
            engine.dispose()
    finally:
        lock.release()


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _check_foreign_keys(connection: Connection) -> None:
    orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
    if orphans:
        tables = ", ".join(sorted({str(row[0]) for row in orphans}))
        msg = f"the migration leaves {len(orphans)} rows without their parent, in: {tables}"
        raise StoreSchemaError(msg)


# Any fixed number; it names the migration lock among the advisory locks of the database.
_ADVISORY_KEY = 0x46494C4C


@contextlib.contextmanager
def _postgresql_migration(url: URL, wait_s: float) -> Iterator[Connection]:
    engine = _postgresql_engine(url, {"lock_timeout": f"{wait_s * 1000:.0f}"}, pool_size=1, wait_s=wait_s)
    try:
        with engine.begin() as connection:
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_ADVISORY_KEY})")
            connection.exec_driver_sql("SET LOCAL lock_timeout = '10s'")
            yield connection
    finally:
        engine.dispose()
