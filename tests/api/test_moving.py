"""``fillmark move-to``: a SQLite database carried over to PostgreSQL whole."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from api.cli.main import app as command
from api.services.feed.batch import SentReading
from api.services.feed.recording import record
from api.services.standing import recompute
from api.store.base import all_tables
from api.store.moving import NotEmptyError, Sum, move
from api.store.session import Store
from tests.property.test_standing_properties import SHEET, check
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.fleets import FLEET, at_us, km_row, plant, plant_work

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI

    from tests.support.databases import PostgresServer, SqliteTemplates

NOW = at_us("2031-05-05")
UNITS = [f"K-{place}" for place in range(40)]


@pytest.fixture
def source_url(sqlite_templates: SqliteTemplates) -> Iterator[str]:
    """A SQLite database with a fleet, readings of each kind, and work."""
    with sqlite_templates.database() as url:
        with contextlib.closing(Store.at(url)) as store:
            planted = plant(store, SHEET, UNITS)
            rows = [
                SentReading(i, unit, 1, at_us("2031-04-01") + i * 1_000_000, 1_000_000 + 7 * i, "gateway")
                for i, unit in enumerate(UNITS * 20)
            ]
            rows += [SentReading(0, "Ü-9'\"\\", 1, at_us("2031-04-01"), 5, "driver")]
            with store.writing() as session:
                record(session, FLEET, rows, now_us=NOW)
                plant_work(session, planted, "K-1", ["oil"], "2031-04-02", odometer_m=1_000)
                recompute(session, FLEET, [planted.vehicles["K-1"]], now_us=NOW)
        yield url


@pytest.fixture
def target_url(postgres: PostgresServer) -> Iterator[str]:
    """An empty PostgreSQL database."""
    with postgres.database(is_empty=True) as url:
        yield url


def counted(url: str) -> dict[str, int]:
    with contextlib.closing(Store.at(url)) as store, store.reading() as session:
        return {
            table.name: session.execute(text(f"SELECT count(*) FROM {table.name}")).scalar_one()  # noqa: S608 - own names
            for table in all_tables().sorted_tables
        }


def test_every_table_arrives_and_the_service_goes_on(
    built_app: FastAPI, source_url: str, target_url: str
) -> None:
    """Same counts, same due list, and what comes next is numbered after what is there."""
    told: dict[str, Sum] = {}
    found = move(source_url, target_url, tell=told.__setitem__)
    assert found == told
    assert {name: one.rows for name, one in found.items()} == counted(source_url) == counted(target_url)
    assert found["reading"].rows == 800
    answers = []
    for url in (source_url, target_url):
        clock = SetClock(datetime(2031, 5, 5, 8, tzinfo=UTC))
        with CheckedClient(set_on(built_app, url, clock)) as client:
            answers.append(client.get("/v1/due?limit=1000").json())
            new = client.post(
                "/v1/readings", json={"readings": [km_row("K-3", "2031-05-05T07:00:00Z", 1100)]}
            )
            assert new.json()["accepted"] == 1
            opened = client.post("/v1/depots", json={"code": "new", "name": "New", "time_zone": "UTC"})
            assert opened.status_code == 201, opened.text
            check(client.store)
    assert answers[0] == answers[1]
    assert answers[0]["lines"]


def test_a_target_that_holds_something_is_refused_and_stays(
    source_url: str, postgres: PostgresServer
) -> None:
    with postgres.database() as url:
        with contextlib.closing(Store.at(url)) as store:
            plant(store, SHEET, ["X-1"])
        before = counted(url)
        with pytest.raises(NotEmptyError):
            move(source_url, url, tell=lambda *_: None)
        assert counted(url) == before


def test_what_differs_leaves_an_empty_target(
    source_url: str, target_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A checksum that does not match ends the move, and the target has nothing of it."""
    monkeypatch.setattr("api.store.moving._summed", lambda *_: Sum(0, 0))
    with pytest.raises(Exception, match="differ"):
        move(source_url, target_url, tell=lambda *_: None)
    assert sum(counted(target_url).values()) == 1


def test_the_command_says_what_it_carried_over(
    source_url: str, target_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLMARK_DATABASE_URL", source_url)
    shown = target_url.replace("postgresql+psycopg://", "postgresql://")
    done = CliRunner().invoke(command, ["move-to", shown])
    assert done.exit_code == 0, done.output
    assert "reading: 800 rows" in done.output
    assert "equal on both sides" in done.output
    again = CliRunner().invoke(command, ["move-to", shown])
    assert again.exit_code == 2
    assert "not empty" in again.output
    wrong = CliRunner().invoke(command, ["move-to", "sqlite:///other.db"])
    assert (wrong.exit_code, "PostgreSQL" in wrong.output) == (2, True)


def test_the_thinning_command_says_what_it_removed(source_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILLMARK_DATABASE_URL", source_url)
    done = CliRunner().invoke(command, ["thin", "--older-than", "90"])
    assert done.exit_code == 0, done.output
    assert "readings of 0 vehicles removed" in done.output
