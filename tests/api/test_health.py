"""Health answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.app import create_app
from api.settings import Settings
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient, check_problem

if TYPE_CHECKING:
    from fastapi import FastAPI
    from httpx2 import Response


def test_a_migrated_database_is_ready(client: CheckedClient) -> None:
    assert client.get("/livez").json() == {"status": "alive"}
    assert client.get("/readyz").json() == {"status": "ready"}


def test_a_database_that_was_never_migrated_is_not_ready(
    built_app: FastAPI, empty_database_url: str, clock: SetClock
) -> None:
    with CheckedClient(set_on(built_app, empty_database_url, clock)) as client:
        response: Response = client.get("/readyz")
    assert response.status_code == 503
    assert response.headers["retry-after"] == "1"
    assert check_problem(response)["type"] == "/problems/database-unavailable"


def test_starting_with_migration_makes_it_ready(empty_database_url: str) -> None:
    with CheckedClient(create_app(Settings(database_url=empty_database_url), migrates=True)) as client:
        assert client.get("/readyz").status_code == 200
