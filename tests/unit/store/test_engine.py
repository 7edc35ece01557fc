"""Engines: what each may do, how they are set, and what they make of the driver's errors."""

from __future__ import annotations

import importlib.util
import threading
from typing import TYPE_CHECKING

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from api.store.base import NAMING_CONVENTION
from api.store.engine import is_wal_reset_mended, make_engines, sqlite_version
from api.store.errors import (
    StoreBusyError,
    StoreConflictError,
    StoreConstraintError,
    StoreSchemaError,
    StoreUnavailableError,
)
from api.store.session import ReadSession, Store, WriteSession

if TYPE_CHECKING:
    from pathlib import Path

NOTE = sa.Table(
    "note",
    sa.MetaData(naming_convention=NAMING_CONVENTION),
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("fleet_id", sa.Integer),
    sa.Column("words", sa.String(20)),
    sa.UniqueConstraint("fleet_id", "words"),
    sa.CheckConstraint("id < 1000", name="small"),
)


@pytest.fixture
def notes(store: Store) -> Store:
    """A store with a table of notes."""
    with store.writing() as session:
        NOTE.metadata.create_all(session.connection())
        session.execute(NOTE.insert(), [{"id": 1, "fleet_id": 1, "words": "a"}])
    return store


def ids(session: ReadSession) -> list[int]:
    """The notes' keys."""
    return list(session.execute(sa.select(NOTE.c.id).order_by(NOTE.c.id)).scalars())


def test_the_read_engine_refuses_writes(notes: Store) -> None:
    with pytest.raises(DBAPIError, match=r"readonly|read-only"), notes.reading() as session:
        session.execute(NOTE.insert().values(id=2))


def test_a_reading_unit_of_work_sees_one_snapshot(notes: Store) -> None:
    with notes.reading() as session:
        assert ids(session) == [1]
        with notes.writing() as writer:
            writer.execute(NOTE.insert().values(id=2))
        assert ids(session) == [1]
    with notes.reading() as session:
        assert ids(session) == [1, 2]


def test_an_error_inside_a_writing_unit_of_work_leaves_no_trace(notes: Store) -> None:
    def fail(session: WriteSession) -> None:
        session.execute(NOTE.insert().values(id=2))
        message = "on purpose"
        raise LookupError(message)

    with pytest.raises(LookupError), notes.writing() as failing:
        fail(failing)
    with notes.reading() as session:
        assert ids(session) == [1]
    with notes.writing() as writer:
        writer.execute(NOTE.insert().values(id=3))


def test_a_unit_of_work_that_sends_nothing_takes_no_turn(notes: Store) -> None:
    other = Store(make_engines(str_url(notes), writer_wait_s=0.2))
    with notes.writing(), other.writing() as second:
        second.execute(NOTE.insert().values(id=2))
    other.close()


def test_a_key_taken_is_named_as_in_the_schema(notes: Store) -> None:
    with pytest.raises(StoreConstraintError) as caught, notes.writing() as session:
        session.execute(NOTE.insert().values(id=2, fleet_id=1, words="a"))
    assert (caught.value.name, caught.value.is_unique) == ("uq_note_fleet_id_words", True)


def test_a_check_that_fails_is_named_as_in_the_schema(notes: Store) -> None:
    with pytest.raises(StoreConstraintError) as caught, notes.writing() as session:
        session.execute(NOTE.insert().values(id=1000))
    assert (caught.value.name, caught.value.is_unique) == ("ck_note_small", False)


def test_a_missing_table_is_a_matter_of_the_schema(notes: Store) -> None:
    with pytest.raises(StoreSchemaError), notes.reading() as session:
        session.execute(sa.text("SELECT * FROM no_such_table"))


def test_a_writer_in_the_way_is_reported_and_the_next_one_gets_through(notes: Store) -> None:
    other = Store(make_engines(str_url(notes), writer_wait_s=0.2))
    with notes.writing() as session:
        session.execute(NOTE.insert().values(id=2))
        with pytest.raises(StoreBusyError), other.writing() as second:
            second.execute(NOTE.insert().values(id=2))
    with other.writing() as second:
        second.execute(NOTE.insert().values(id=3))
    other.close()
    with notes.reading() as session:
        assert ids(session) == [1, 2, 3]


def test_work_that_lost_is_tried_again(notes: Store) -> None:
    tries: list[int] = []

    def work(session: WriteSession) -> int:
        session.execute(NOTE.insert().values(id=10 + len(tries)))
        tries.append(1)
        if len(tries) < 3:
            raise StoreConflictError
        return len(tries)

    assert notes.write(work) == 3
    with notes.reading() as session:
        assert ids(session) == [1, 12]


def test_work_that_always_loses_says_so(notes: Store) -> None:
    def work(_: WriteSession) -> None:
        raise StoreConflictError

    with pytest.raises(StoreConflictError):
        notes.write(work, attempts=2)


def test_a_deadlock_is_a_conflict(notes: Store, backend: str) -> None:
    """PostgreSQL ends one of two transactions that wait for each other; on SQLite there is one at a time."""
    if backend == "sqlite":
        assert notes.engines.writers == 1
        return
    with notes.writing() as session:
        session.execute(NOTE.insert().values(id=2))
    step, lost = threading.Barrier(2), []

    def change(first: int, second: int) -> None:
        try:
            with notes.writing() as session:
                session.execute(NOTE.update().where(NOTE.c.id == first).values(words="x"))
                step.wait(5)
                session.execute(NOTE.update().where(NOTE.c.id == second).values(words="y"))
        except StoreConflictError:
            lost.append(first)

    threads = [threading.Thread(target=change, args=pair) for pair in ((1, 2), (2, 1))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(lost) == 1


def test_sqlite_is_set_to_keep_what_it_confirms(database_url: str, backend: str) -> None:
    if backend != "sqlite":
        return
    made = make_engines(database_url)
    expected = {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": 5000,
        "journal_size_limit": 16 << 20,
        "trusted_schema": 0,
    }
    for engine, query_only in ((made.read, 1), (made.write, 0)):
        with engine.connect() as connection:
            for name, value in (expected | {"query_only": query_only}).items():
                assert connection.exec_driver_sql(f"PRAGMA {name}").scalar() == value, name
    made.dispose()


def test_postgresql_is_set_to_end_what_lasts_too_long(database_url: str, backend: str) -> None:
    if backend != "postgresql":
        return
    made = make_engines(database_url, writer_wait_s=2.0, statement_timeout_s=0.2)
    expected = {"lock_timeout": "2s", "statement_timeout": "200ms", "TimeZone": "UTC"}
    for engine, read_only in ((made.read, "on"), (made.write, "off")):
        with engine.connect() as connection:
            for name, value in (expected | {"transaction_read_only": read_only}).items():
                assert connection.exec_driver_sql(f"SHOW {name}").scalar() == value
            with pytest.raises(StoreBusyError):
                connection.exec_driver_sql("SELECT pg_sleep(5)")
    made.dispose()


def test_a_connection_that_died_is_replaced(notes: Store, backend: str) -> None:
    if backend != "postgresql":
        return
    with notes.writing() as session:
        assert ids(session) == [1]
        session.execute(
            sa.text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()")
        )
    with notes.reading() as session:
        assert ids(session) == [1]
    with pytest.raises(StoreUnavailableError), notes.writing() as session:
        session.execute(sa.text("SELECT pg_terminate_backend(pg_backend_pid()), pg_sleep(1)"))
    with notes.writing() as session:
        assert ids(session) == [1]


@pytest.mark.parametrize("url", ["sqlite:////no/such/folder/x.db", "postgresql+psycopg://127.0.0.1:9/x"])
def test_a_database_that_is_not_there_is_unavailable(url: str) -> None:
    store = Store(make_engines(url))
    with pytest.raises(StoreUnavailableError), store.reading() as session:
        session.execute(sa.text("SELECT 1"))
    with pytest.raises(StoreUnavailableError), store.writing() as session:
        session.execute(sa.text("SELECT 1"))
    store.close()


def test_a_file_that_is_no_database_is_unavailable(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("not a database" * 100, encoding="utf-8")
    store = Store.at(f"sqlite:///{file}")
    with pytest.raises(StoreUnavailableError), store.reading() as session:
        session.execute(sa.text("SELECT * FROM note"))
    store.close()


def test_versions_with_the_wal_bug_are_known() -> None:
    # All from 3.7.0 to 3.51.2 are affected, by the note on the bug at sqlite.org/wal.html#walresetbug.
    mended = [(3, 51, 3), (3, 53, 4), (3, 50, 7), (3, 44, 6)]
    affected = [(3, 51, 2), (3, 50, 6), (3, 49, 9), (3, 44, 5), (3, 40, 1)]
    assert all(map(is_wal_reset_mended, mended))
    assert not any(map(is_wal_reset_mended, affected))


def test_the_library_in_use_is_mended_where_a_bundled_one_is_to_be_had() -> None:
    if importlib.util.find_spec("pysqlite3") is not None:
        assert is_wal_reset_mended(sqlite_version())


def str_url(store: Store) -> str:
    """The URL of the store's database."""
    return store.engines.write.url.render_as_string(hide_password=False)
