"""How readings stand is a function of the readings and of people's decisions, whatever the order and the splits."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import insert, text

from api.services.feed.batch import SentReading
from api.services.feed.judging import judge_decided, rejudge
from api.services.feed.recording import record
from api.store import queries_sources
from api.store.codes import ReadingVerdict
from api.store.facts import CALIBRATIONS, FITTINGS, Owner, add
from api.store.queries_readings import source_keys
from api.store.tables_source import ReadingDecision
from domain.meters import DAY_US
from tests.property.test_standing_properties import SHEET, check
from tests.support.fleets import FLEET, at_us, plant, plant_work

if TYPE_CHECKING:
    from api.store.session import Store, WriteSession
    from tests.support.fleets import Planted

NOW = at_us("2031-05-05")
START = at_us("2030-01-02", 0)
ORDERS = 5

Row = tuple[int, int, int, str]
"""Meter code, instant [us], figure, source."""


def rows_of(chance: random.Random) -> list[Row]:
    """A vehicle's readings: mostly right, in two units, from three sources, some wrong in each way."""
    rows: set[Row] = set()
    for meter, daily in ((1, 100_000), (2, 20_000)):
        for day in sorted(chance.sample(range(460), chance.randrange(8, 40))):
            moment = START + day * DAY_US + chance.randrange(0, 86_400) * 1_000_000
            figure = 60_000_000 + day * daily + chance.randrange(0, daily)
            kind = chance.random()
            if kind < 0.06:
                figure = round(figure / 1.609344)
            elif kind < 0.1:
                figure *= chance.choice([2, 3])
            elif kind < 0.14:
                figure = chance.randrange(0, 40_000)
            elif kind < 0.16:
                moment = NOW + chance.randrange(1, 50) * DAY_US
            source = chance.choice(["driver", "device", "computed"])
            if source == "computed" and meter == 1:
                figure -= 50_000_000
            rows.add((meter, moment, max(0, figure), source))
            if chance.random() < 0.1:
                rows.add((meter, moment, max(0, figure + chance.choice([0, 5_000])), "driver"))
    return sorted(rows)


def decisions_of(chance: random.Random, rows: list[Row]) -> list[tuple[Row, ReadingVerdict]]:
    """What people decide, in this order; some decide twice, some contradict each other."""
    chosen = [chance.choice(rows) for _ in range(chance.randrange(0, 9))]
    return [(row, chance.choice(list(ReadingVerdict))) for row in chosen]


def plant_sources(session: WriteSession, vehicle: int) -> None:
    """The device is on the vehicle for its first half; the computed distance runs 50,000 km behind the dial."""
    keys = source_keys(session, FLEET, ["device", "computed"])
    device, computed = keys["device"].key, keys["computed"].key
    queries_sources.become_device(session, FLEET, device, NOW)
    owner = Owner(FLEET, vehicle)
    fitting = {"source_id": device, "fitted_at_us": START, "removed_at_us": START + 300 * DAY_US}
    add(session, FITTINGS, owner, fitting | {"recorded_at_us": NOW})
    terms = {
        "source_id": computed,
        "meter": 1,
        "from_us": 0,
        "factor_ppb": 10**9,
        "figure_offset": 50_000_000,
    }
    add(session, CALIBRATIONS, owner, terms | {"recorded_at_us": NOW})


def decide(session: WriteSession, vehicle: int, row: Row, verdict: ReadingVerdict) -> None:
    """A person's decision, whatever it is about."""
    meter, moment, figure, code = row
    source = source_keys(session, FLEET, [code])[code].key
    is_converted = verdict is ReadingVerdict.CONVERTED
    session.execute(
        insert(ReadingDecision).values(
            fleet_id=FLEET,
            vehicle_id=vehicle,
            meter=meter,
            at_us=moment,
            source_id=source,
            figure=figure,
            decision=verdict.value,
            meant_figure=round(figure * 1.609344) if is_converted else None,
            decided_by="a person",
            why="for a reason",
            recorded_at_us=NOW,
        )
    )
    judge_decided(session, FLEET, vehicle, (meter, moment, source, figure), now_us=NOW)


def feed(
    store: Store,
    planted: Planted,
    unit: str,
    rows: list[Row],
    decisions: list[tuple[Row, ReadingVerdict]],
    chance: random.Random,
) -> None:
    """All readings in some order, some of them twice, in batches; decisions in between, as soon as they can be."""
    waiting = list(rows) + chance.sample(rows, len(rows) // 4)
    chance.shuffle(waiting)
    there: set[Row] = set()
    left = list(decisions)
    while waiting or left:
        size = chance.choice([1, 1, 3, 20, 200])
        batch, waiting = waiting[:size], waiting[size:]
        sent = [SentReading(i, unit, m, at, figure, code) for i, (m, at, figure, code) in enumerate(batch)]
        with store.writing() as session:
            record(session, FLEET, sent, now_us=NOW)
        there.update(batch)
        while left and left[0][0] in there and (not waiting or chance.random() < 0.7):
            row, verdict = left.pop(0)
            with store.writing() as session:
                decide(session, planted.vehicles[unit], row, verdict)


def state(store: Store, vehicle: int) -> tuple[list[Any], list[Any], list[Any]]:
    """What is stored of a vehicle: readings, standing, due points."""
    with store.reading() as session:
        readings = session.execute(
            text(
                "SELECT r.meter, r.at_us, s.code, r.figure, r.life, r.status, r.reason FROM reading r"
                " JOIN reading_source s ON s.id = r.source_id WHERE r.vehicle_id = :v ORDER BY 1, 2, 3, 4"
            ),
            {"v": vehicle},
        ).all()
        standing = session.execute(
            text(
                "SELECT next_due_on, stale_on, odometer_m, odometer_on, engine_s, engine_on, first_day, last_day"
                " FROM standing WHERE vehicle_id = :v"
            ),
            {"v": vehicle},
        ).all()
        points = session.execute(
            text(
                "SELECT service, due_on, odometer_m, engine_s FROM due_point WHERE vehicle_id = :v ORDER BY 1"
            ),
            {"v": vehicle},
        ).all()
    return [tuple(r) for r in readings], [tuple(r) for r in standing], [tuple(r) for r in points]


@pytest.mark.parametrize("seed", range(8))
def test_any_order_of_readings_and_decisions_ends_in_one_state(store: Store, seed: int) -> None:
    """The same readings and decisions for several vehicles, each in an order of its own: one state, and the whole's."""
    chance = random.Random(seed)  # noqa: S311 - a test's own dice
    units = [f"K-{place}" for place in range(ORDERS)]
    planted = plant(store, SHEET, units)
    with store.writing() as session:
        session.execute(
            text(
                "INSERT INTO reading_source (fleet_id, code, recorded_at_us) VALUES"
                " (:f, 'driver', 0), (:f, 'device', 0), (:f, 'computed', 0)"
            ),
            {"f": FLEET},
        )
        for unit in units:
            plant_sources(session, planted.vehicles[unit])
            plant_work(session, planted, unit, ["oil"], "2030-06-04", odometer_m=75_000_000)
            rejudge(session, FLEET, planted.vehicles[unit], now_us=NOW)
    rows = rows_of(chance)
    decisions = decisions_of(chance, rows)
    for unit in units:
        feed(store, planted, unit, rows, decisions, chance)
    check(store)
    ends = [state(store, planted.vehicles[unit]) for unit in units]
    with store.writing() as session:
        rejudge(session, FLEET, planted.vehicles["K-0"], now_us=NOW)
    assert state(store, planted.vehicles["K-0"]) == ends[0]
    for end in ends[1:]:
        assert end == ends[0]
