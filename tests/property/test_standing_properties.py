"""The stored conclusions equal a full recomputation, whatever was done in whatever order."""

from __future__ import annotations

import random
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import insert, text

from api.services.feed.batch import SentReading
from api.services.feed.judging import rejudge
from api.services.feed.recording import record
from api.services.history import load_histories
from api.services.standing import concluded, decode_usage, newest_of, recompute
from api.services.use_patterns import patterns_known, stored_pattern
from api.store.tables_use import UsePattern as UsePatternRow
from domain.sheet import Amount, DutyCondition, DutyPolicy, IntervalRule, Limb, Service, SevereCondition, Task
from domain.use_level import LevelTerms, UsePattern
from tests.support.fleets import FLEET, Planted, at_us, plant, plant_duty, plant_work, service, sheet

if TYPE_CHECKING:
    from api.store.session import Store

TOWING = (SevereCondition(DutyCondition.TOWING, 0.5, 0.25, (Limb.ODOMETER,)),)
SHEET = sheet(
    service("oil", km=10_000, months=12),
    Service(
        "gearbox",
        "gearbox",
        (Task("g", "g"),),
        (IntervalRule((Amount(Limb.ODOMETER, 60_000_000),), conditions=TOWING),),
    ),
    Service(
        "axle",
        "axle",
        (Task("a", "a"),),
        (IntervalRule((Amount(Limb.ODOMETER, 40_000_000),), policy=DutyPolicy.WEIGHTED, conditions=TOWING),),
    ),
    service("belt", hours=500),
)
UNITS = [f"K-{place}" for place in range(6)]
NOW = at_us("2031-05-05")


@pytest.mark.parametrize("seed", range(8))
def test_stored_conclusions_equal_recomputation(store: Store, seed: int) -> None:
    """Readings early, late, twice and wrong, of two meters; work; duty past and future: after each step they agree."""
    chance = random.Random(seed)  # noqa: S311 - a test's own dice
    planted = plant(store, SHEET, UNITS)
    if seed % 2:
        plant_patterns(store, planted)
    places = dict.fromkeys(UNITS, 0.0)
    for step in range(25):
        with store.writing() as session:
            kind = chance.random()
            unit = chance.choice(UNITS)
            if kind < 0.8:
                sent = []
                for place in range(chance.randrange(1, 12)):
                    one = chance.choice(UNITS)
                    day = chance.randrange(0, 1200) if chance.random() < 0.2 else step * 40 + place
                    moment = (
                        at_us("2030-01-02", 0)
                        + day * 86_400_000_000
                        + chance.randrange(0, 86_400) * 1_000_000
                    )
                    places[one] = max(places[one], day * 100_000.0)
                    figure = round(
                        day * 100_000 * (1 if chance.random() < 0.9 else chance.choice([0.5, 1.6, 30]))
                    )
                    meter, figure = (1, figure) if chance.random() < 0.7 else (2, round(figure * 0.036))
                    sent.append(
                        SentReading(place, one, meter, moment, figure, chance.choice(["gateway", "driver"]))
                    )
                record(session, FLEET, sent, now_us=NOW)
            elif kind < 0.87:
                plant_work(
                    session, planted, unit, ["oil"], f"203{chance.randrange(0, 2)}-03-04", odometer_m=1_000
                )
                recompute(session, FLEET, [planted.vehicles[unit]], now_us=NOW)
            elif kind < 0.95:
                start = date(2030 + chance.randrange(0, 3), chance.randrange(1, 13), 5)
                end = None if chance.random() < 0.5 else date(start.year, 12, 28)
                plant_duty(
                    session, planted.vehicles[unit], "towing", chance.choice([0.2, 0.6, 1.0]), start, end
                )
                recompute(session, FLEET, [planted.vehicles[unit]], now_us=NOW)
            else:
                rejudge(session, FLEET, planted.vehicles[unit], now_us=NOW)
        check(store)


def plant_patterns(store: Store, planted: Planted) -> None:
    """Patterns of use of both meters, so that levels are kept as well."""
    patterns = {
        1: UsePattern(LevelTerms(90_000.0, 80_000.0, 120.0)),
        2: UsePattern(LevelTerms(3_000.0, 3_000.0, 60.0, own_days=None)),
    }
    with store.writing() as session:
        sheet_key = session.execute(text("SELECT spec_sheet_id FROM spec_sheet_version")).scalar_one()
        session.connection().execute(
            insert(UsePatternRow),
            [
                {
                    "fleet_id": FLEET,
                    "spec_sheet_id": sheet_key,
                    "meter": meter,
                    "version": 1,
                    "vehicles": 6,
                    "forecasts": 0,
                    "pattern": stored_pattern(pattern),
                    "learned_at_us": NOW,
                }
                for meter, pattern in patterns.items()
            ],
        )
        recompute(session, FLEET, planted.vehicles.values(), now_us=NOW)


def check(store: Store) -> None:
    """Hold every stored row against what the facts lead to now."""
    with store.reading() as session:
        standings = {
            row["vehicle_id"]: dict(row) for row in session.execute(text("SELECT * FROM standing")).mappings()
        }
        points: dict[int, dict[str, dict[str, Any]]] = {}
        for row in session.execute(text("SELECT * FROM due_point")).mappings():
            points.setdefault(row["vehicle_id"], {})[row["service"]] = dict(row)
        patterns = patterns_known(session, FLEET)
        for key, vehicle in load_histories(session, FLEET, list(standings)).items():
            stored = standings[key]
            newest = newest_of(decode_usage(stored["usage"]))
            fresh, rows = concluded(session, vehicle, FLEET, newest, patterns=patterns)
            for name, value in fresh.items():
                if name not in {"version", "usage"}:
                    is_real = isinstance(value, float)
                    assert stored[name] == (pytest.approx(value, rel=1e-12) if is_real else value), name
            assert _usage(stored["usage"]) == pytest.approx(_usage(fresh["usage"]), rel=1e-12)
            assert {row["service"]: row for row in rows} == points.get(key, {})


def _usage(stored: str) -> dict[str, float]:
    found: dict[str, float] = {}
    usage = decode_usage(stored)
    for code, now in usage.meters.items():
        for name in now.__struct_fields__:
            value = getattr(now, name)
            if isinstance(value, int | float):
                found[f"{code}.{name}"] = value
    for least in usage.least:
        found[f"least.{least.meter}.{least.idle_m_per_h}"] = least.due
    found["due_on"], found["unknown"] = usage.least_due_on, usage.is_unknown
    return found
