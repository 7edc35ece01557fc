"""Fixtures for every test: a fresh database on both engines, the app on it, a client that checks answers."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import hypothesis
import pytest

from api.app import create_app
from api.settings import Settings
from api.store.session import Store
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.compiled import shared_compilation
from tests.support.databases import PostgresServer, SqliteTemplates, fast_folder, postgres_server

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI

# A busy machine must not fail a property.
hypothesis.settings.register_profile("suite", deadline=None)
hypothesis.settings.load_profile("suite")

BACKENDS = ("sqlite", "postgresql")


@pytest.fixture(scope="session", autouse=True)
def _compilation() -> Iterator[None]:
    """See ``tests.support.compiled``."""
    with shared_compilation():
        yield


@pytest.fixture(scope="session")
def database_folder() -> Iterator[Path]:
    """Where the databases of one test process lie."""
    with fast_folder() as folder:
        yield folder


@pytest.fixture(scope="session")
def sqlite_templates(database_folder: Path) -> SqliteTemplates:
    """Where fresh SQLite files come from."""
    return SqliteTemplates(database_folder)


@pytest.fixture(scope="session")
def postgres(database_folder: Path) -> Iterator[PostgresServer]:
    """The tests' own PostgreSQL server, started once in each test process."""
    with postgres_server(database_folder) as server:
        yield server


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> str:
    """The kind of database; a test that uses it runs on each."""
    return str(request.param)


@pytest.fixture
def database_url(backend: str, request: pytest.FixtureRequest) -> Iterator[str]:
    """The URL of a fresh, migrated database."""
    with contextlib.ExitStack() as stack:
        if backend == "sqlite":
            templates: SqliteTemplates = request.getfixturevalue("sqlite_templates")
            yield stack.enter_context(templates.database())
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


@pytest.fixture(scope="session")
def built_app() -> FastAPI:
    """The service, put together once; ``app`` sets it on a fresh database."""
    return create_app(Settings())


@pytest.fixture
def app(built_app: FastAPI, database_url: str, clock: SetClock) -> FastAPI:
    """The service on a fresh database."""
    return set_on(built_app, database_url, clock)


@pytest.fixture
def client(app: FastAPI) -> Iterator[CheckedClient]:
    """A client of ``app`` that checks every answer; its store is ``client.app.state.store``."""
    with CheckedClient(app) as made:
        yield made
