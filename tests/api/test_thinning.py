"""Thinning to the last reading of each day: fewer rows, the same answers, and the same verdicts later on."""

from __future__ import annotations

import random
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.feed.batch import SentReading
from api.services.feed.judging import rejudge
from api.services.feed.recording import record
from api.services.feed.thinning import Thinned, thin
from api.services.history import load_histories
from api.services.standing import recompute
from domain.meters import DAY_US
from tests.property.test_standing_properties import SHEET, check
from tests.support.fleets import FLEET, at_us, plant, plant_duty, plant_work

if TYPE_CHECKING:
    from api.store.session import Store
    from tests.support.client import CheckedClient

NOW = at_us("2031-05-05")
FIRST = at_us("2030-06-01", 0)
UNITS = ["K-0", "K-1", "K-2"]
HORIZON = NOW // DAY_US - 30


def fed(store: Store, seed: int, *, wrong: float) -> dict[str, int]:
    """A year of readings, several a day, some wrong; work and duty; the vehicles' keys."""
    chance = random.Random(seed)  # noqa: S311 - a test's own dice
    planted = plant(store, SHEET, UNITS)
    rows = []
    for unit in UNITS:
        for day in range(330):
            for hour in sorted(chance.sample(range(24), chance.randrange(0, 6))):
                moment = FIRST + day * DAY_US + hour * 3_600_000_000
                figure = 50_000_000 + day * 150_000 + hour * 6_000
                if chance.random() < wrong:
                    figure = chance.choice(
                        [figure // 2, figure + 700_000, figure + 60_000_000, figure - 2_000]
                    )
                rows.append(SentReading(0, unit, 1, moment, figure, chance.choice(["gateway", "driver"])))
                rows.append(SentReading(0, unit, 2, moment, figure // 20, "gateway"))
    for day in range(0, 340, 5):
        some = [row for row in rows if day <= (row.at_us - FIRST) // DAY_US < day + 5]
        with store.writing() as session:
            # Recorded on the days themselves, as a gateway does.
            record(session, FLEET, some, now_us=FIRST + (day + 5) * DAY_US)
    with store.writing() as session:
        for unit, key in planted.vehicles.items():
            plant_work(session, planted, unit, ["oil"], "2030-09-04", odometer_m=60_000_000)
            plant_duty(session, key, "towing", 0.6, date(2030, 7, 5), date(2030, 11, 2))
            recompute(session, FLEET, [key], now_us=NOW)
    return planted.vehicles


def thinned(store: Store) -> Thinned:
    """Thin everything older than 30 days."""
    total = Thinned()
    for some in thin(store, FLEET, before_day=HORIZON):
        total.add(some)
    return total


def conclusions(store: Store, vehicles: dict[str, int]) -> list[Any]:
    """What is stored of due services, how vehicles stand, and the timelines that all answers rest on."""
    with store.reading() as session:
        points = session.execute(text("SELECT * FROM due_point ORDER BY vehicle_id, service")).all()
        standings = session.execute(
            text(
                "SELECT vehicle_id, next_due_on, stale_on, odometer_m, odometer_m_per_day, engine_s, engine_s_per_day"
                " FROM standing ORDER BY 1"
            )
        ).all()
        lines = {
            key: vehicle.history.timelines
            for key, vehicle in load_histories(session, FLEET, list(vehicles.values())).items()
        }
        known = {
            (key, day): vehicle.history.timelines
            for day in ("2030-07-01", "2030-10-01", "2031-02-01")
            for key, vehicle in load_histories(
                session, FLEET, list(vehicles.values()), known_at_us=at_us(day, 0)
            ).items()
        }
    return [[tuple(row) for row in points], [tuple(row) for row in standings], lines, known]


def held(store: Store) -> list[Any]:
    """Every held reading."""
    with store.reading() as session:
        found = session.execute(
            text(
                "SELECT vehicle_id, meter, at_us, figure, reason FROM reading WHERE status = 2 ORDER BY 1, 2, 3, 4"
            )
        ).all()
    return [tuple(row) for row in found]


def rows_stored(store: Store) -> int:
    with store.reading() as session:
        return int(session.execute(text("SELECT count(*) FROM reading")).scalar_one())


@pytest.mark.parametrize("wrong", [0.0, 0.05])
def test_no_answer_changes(store: Store, wrong: float) -> None:
    """Due points, rates and timelines, now and as known on earlier days: the same, also when all is computed anew."""
    vehicles = fed(store, 3, wrong=wrong)
    before, was_held, count = conclusions(store, vehicles), held(store), rows_stored(store)
    gone = thinned(store)
    removed = sum(gone.removed.values())
    assert rows_stored(store) == count - removed
    assert removed > (count // 3 if wrong == 0.0 else count // 5)
    assert gone.vehicles == len(UNITS)
    assert conclusions(store, vehicles) == before
    with store.writing() as session:
        for key in vehicles.values():
            rejudge(session, FLEET, key, now_us=NOW)
    assert conclusions(store, vehicles) == before
    assert held(store) == was_held
    check(store)
    again = thinned(store)
    assert sum(again.removed.values()) == 0


def test_the_last_of_each_old_day_stays_and_young_days_stay_whole(store: Store) -> None:
    vehicles = fed(store, 5, wrong=0.0)
    query = text(
        "SELECT vehicle_id, meter, day, MAX(at_us) AS at_us, count(*) AS readings FROM reading"
        " GROUP BY vehicle_id, meter, day ORDER BY 1, 2, 3"
    )
    with store.reading() as session:
        before = session.execute(query).all()
    thinned(store)
    with store.reading() as session:
        after = session.execute(query).all()
    assert [row[:4] for row in after] == [row[:4] for row in before]
    assert {row.readings for row in after if row.day < HORIZON} == {1}
    young = [row for row in before if row.day >= HORIZON]
    assert young
    assert [row for row in after if row.day >= HORIZON] == young
    assert len(vehicles) == 3


def test_many_late_wrong_readings_do_not_outvote_a_thinned_past(store: Store) -> None:
    """300 readings of another vehicle on one day in the past: more than the days they contradict, and still held."""
    vehicles = fed(store, 7, wrong=0.0)
    before = conclusions(store, vehicles)[:3]
    thinned(store)
    start = FIRST + 100 * DAY_US
    sent = [SentReading(i, "K-0", 1, start + i * 1_000_000, 5_000_000 + i, "driver") for i in range(300)]
    with store.writing() as session:
        assert record(session, FLEET, sent, now_us=NOW).held == 300
    assert conclusions(store, vehicles)[:3] == before
    check(store)


def test_a_decided_reading_and_a_noted_one_stay(client: CheckedClient) -> None:
    """Of one day's readings one was released by a person and one noted with work: both stay beside the last."""
    planted = plant(client.store, SHEET, ["K-1"])
    rows = [
        SentReading(i, "K-1", 1, FIRST + i * 3_600_000_000, 50_000_000 + i * 1000, "gateway")
        for i in range(6)
    ]
    noted = SentReading(6, "K-1", 1, FIRST + 90 * 60_000_000, 50_001_500, "work-done")
    with client.store.writing() as session:
        record(session, FLEET, [*rows, noted], now_us=FIRST + DAY_US)
        source = session.execute(text("SELECT id FROM reading_source WHERE code = 'gateway'")).scalar_one()
    name = f"{planted.vehicles['K-1']}.1.{rows[2].at_us}.{source}.{rows[2].figure}"
    body = {"decision": "released", "decided_by": "manager", "reason": "seen"}
    assert client.post(f"/v1/readings/{name}/decisions", json=body).status_code == 201
    thinned(client.store)
    with client.store.reading() as session:
        left = session.execute(text("SELECT at_us FROM reading ORDER BY 1")).scalars().all()
    assert left == [noted.at_us, rows[2].at_us, rows[5].at_us]
