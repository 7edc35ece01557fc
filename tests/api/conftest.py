"""Fixtures for tests of what holds for every route."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from api.app import create_app
from api.settings import Settings
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.probe import create_tables, routes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI

    from api.store.session import Store


@pytest.fixture(scope="session")
def built_probe_app() -> FastAPI:
    """The service with the probe's routes, put together once."""
    app = create_app(Settings())
    routes.include_in(app, prefix="/v1")
    return app


@pytest.fixture
def probe_app(built_probe_app: FastAPI, database_url: str, clock: SetClock, store: Store) -> FastAPI:
    """The service with the probe's routes and tables, on a fresh database."""
    create_tables(store)
    return set_on(built_probe_app, database_url, clock)


@pytest.fixture
def probes(probe_app: FastAPI) -> Iterator[CheckedClient]:
    """A client of the service with the probe's routes."""
    with CheckedClient(probe_app) as made:
        yield made


@pytest.fixture
def faulty_probes(probe_app: FastAPI) -> Iterator[CheckedClient]:
    """The same for tests that expect faults."""
    with CheckedClient(probe_app, expects_faults=True) as made:
        yield made
