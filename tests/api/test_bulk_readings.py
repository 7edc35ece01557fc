"""Large batches: stored by another way on PostgreSQL, to the same end."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.feed.batch import SentReading
from api.services.feed.recording import record
from api.store import bulk
from api.store.errors import StoreConflictError, StoreConstraintError
from api.store.writes_readings import add_readings
from tests.support.fleets import FLEET, at_us, plant, service, sheet
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from api.store.session import Store

SHEET = sheet(service("oil", km=10_000), service("belt", hours=500))
NOW = at_us("2031-05-05")
VEHICLES = 150


def sent(units: list[str], day: int) -> list[SentReading]:
    """An odometer and an hour meter figure of each vehicle."""
    rows = []
    for place, unit in enumerate(units):
        moment = at_us("2031-04-01") + day * 86_400_000_000 + place
        rows.append(SentReading(2 * place, unit, 1, moment, 1_000_000 + day * 90_000 + place, "gateway"))
        rows.append(SentReading(2 * place + 1, unit, 2, moment, 9_000 + day * 3_600, "gateway"))
    return rows


def states(store: Store, vehicles: list[int]) -> list[Any]:
    """Readings and standings of vehicles, each without its key."""
    with store.reading() as session:
        readings = session.execute(
            text("SELECT vehicle_id, meter, at_us, figure, life, status FROM reading ORDER BY 1, 2, 3")
        ).all()
        standings = session.execute(
            text(
                "SELECT vehicle_id, odometer_m, odometer_on, odometer_m_per_day, engine_s, engine_on, first_day,"
                " last_day, next_due_on, stale_on, usage FROM standing ORDER BY 1"
            )
        ).all()
    return [
        (
            [tuple(row[1:]) for row in readings if row[0] == vehicle],
            next(tuple(row[1:]) for row in standings if row[0] == vehicle),
        )
        for vehicle in vehicles
    ]


def test_a_large_batch_ends_as_its_rows_one_by_one(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same rows of as many vehicles: in batches of 300, and in batches that never go the way of large ones."""
    large, small = ([f"{kind}-{place}" for place in range(VEHICLES)] for kind in "LS")
    planted = plant(store, SHEET, [*large, *small])
    for day in range(4):
        for units in (large, small):
            with monkeypatch.context() as patch:
                if units is small:
                    patch.setattr(bulk, "LEAST_ROWS", 10**9)
                with store.writing() as session:
                    assert record(session, FLEET, sent(units, day), now_us=NOW).accepted == 2 * VEHICLES
    one, other = (states(store, [planted.vehicles[unit] for unit in units]) for units in (large, small))
    assert one == other


def test_a_large_batch_takes_a_number_of_statements_that_does_not_grow(store: Store) -> None:
    """300 newest readings: sources, vehicles, the rows, and one update for each kind of change."""
    units = [f"L-{place}" for place in range(VEHICLES)]
    plant(store, SHEET, units)
    with store.writing() as session:
        record(session, FLEET, sent(units, 0), now_us=NOW)
    with counted_queries(store) as counted, store.writing() as session:
        record(session, FLEET, sent(units, 1), now_us=NOW)
    assert counted.count <= 20


def test_what_another_writer_stored_meanwhile_is_never_counted_twice(store: Store) -> None:
    """Rows that are there already end the unit of work; nothing of it is kept."""
    rows = [(FLEET, 22_000, 1, 1, 22_000 * 86_400_000_000 + i, 1, i, i, 1, 0, NOW) for i in range(200)]
    with store.writing() as session:
        add_readings(session, list(rows[100:]))
    with pytest.raises((StoreConflictError, StoreConstraintError)), store.writing() as session:
        add_readings(session, list(rows))
    with store.reading() as session:
        assert session.execute(text("SELECT count(*) FROM reading")).scalar_one() == 100
