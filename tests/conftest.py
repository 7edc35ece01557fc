"""Fixtures for every test: a fresh database on both engines, the app on it, and a client that checks answers."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from api import deps
from api.app import create_app
from api.settings import Settings
from api.store.session import Store
from tests.support.client import CheckedClient
from tests.support.databases import PostgresServer, SqliteTemplates, postgres_server

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI

BACKENDS = ("sqlite", "postgresql")


class SetClock:
    """A clock that stands where the test puts it."""

    def __init__(self, moment: datetime) -> None:
        """Stand at ``moment``."""
        self.moment = moment

    def now_us(self) -> int:
        """UTC microseconds [us]."""
        return (self.moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)

    def forward(self, **by: float) -> None:
        """Go on by a ``timedelta`` given by its parts."""
        self.moment += timedelta(**by)


@pytest.fixture(scope="session")
def sqlite_templates(tmp_path_factory: pytest.TempPathFactory) -> SqliteTemplates:
    """Where fresh SQLite files come from."""
    return SqliteTemplates(tmp_path_factory.mktemp("sqlite"))


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """The tests' own PostgreSQL server, started once in each test process."""
    with postgres_server() as server:
        yield server


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> str:
    """The kind of database; a test that uses it runs on each."""
    return str(request.param)


@pytest.fixture
def database_url(backend: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a fresh, migrated database."""
    with contextlib.ExitStack() as stack:
        if backend == "sqlite":
            templates: SqliteTemplates = request.getfixturevalue("sqlite_templates")
            yield templates.make(tmp_path)
        else:
            server: PostgresServer = request.getfixturevalue("postgres")
            yield stack.enter_context(server.database())


@pytest.fixture
def empty_database_url(backend: str, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a database that was never migrated."""
    with contextlib.ExitStack() as stack:
        if backend == "sqlite":
            yield f"sqlite:///{tmp_path / 'empty.db'}"
        else:
            server: PostgresServer = request.getfixturevalue("postgres")
            yield stack.enter_context(server.database(is_empty=True))


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    """A store on a fresh database, apart from any app."""
    made = Store.at(database_url)
    yield made
    made.close()


@pytest.fixture
def clock() -> SetClock:
    """The app's clock; it stands at Monday, 5 May 2031, 08:00 UTC."""
    return SetClock(datetime(2031, 5, 5, 8, tzinfo=UTC))


@pytest.fixture
def app(database_url: str, clock: SetClock) -> FastAPI:
    """The service on a fresh database."""
    return create_app(Settings(database_url=database_url), clock=deps.Clock(clock.now_us))


@pytest.fixture
def client(app: FastAPI) -> Iterator[CheckedClient]:
    """A client of ``app`` that checks every answer; its store is ``client.app.state.store``."""
    with CheckedClient(app) as made:
        yield made
