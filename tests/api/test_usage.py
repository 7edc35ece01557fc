"""How a vehicle's meters run and what they will show, over HTTP on both databases."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.standing import recompute
from api.services.use_learning import learn
from domain.calendar import add_months
from tests.support.client import codes_at
from tests.support.fleets import FLEET, at_us, km_row, plant, service, sheet

if TYPE_CHECKING:
    from api.store.session import ReadSession
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000, months=12))


def read(client: CheckedClient, *rows: tuple[str, str, float]) -> None:
    body = {"readings": [km_row(unit, f"{day}T07:00:00Z", km) for unit, day, km in rows]}
    answer = client.post("/v1/readings", json=body).json()
    assert answer["accepted"] == len(rows), answer


def odometer(client: CheckedClient, unit: str, query: str = "") -> dict[str, Any]:
    answer = client.get(f"/v1/vehicles/{unit}/usage?{query}")
    assert answer.status_code == 200, answer.text
    return next(meter for meter in answer.json()["meters"] if meter["meter"] == "odometer")


def test_what_is_said_of_little_and_of_none(client: CheckedClient) -> None:
    """No reading; one; a steady rate; a meter that stands."""
    plant(client.app.state.store, SHEET, ["K-01", "K-02", "K-03"])
    none = odometer(client, "K-01")
    assert (none["basis"], none["reading"], none["per_day"], none["expected"]) == ("none", None, None, [])
    read(client, ("K-01", "2031-05-01", 900), ("K-02", "2031-04-05", 1_000), ("K-02", "2031-05-05", 4_000))
    one = odometer(client, "K-01")
    assert (one["basis"], one["reading"]["value"], one["per_day"], one["expected"]) == (
        "none",
        900.0,
        None,
        [],
    )
    steady = odometer(client, "K-02", "on=2031-05-05,2031-06-04")
    assert (steady["basis"], steady["learned_on"]) == ("own", None)
    assert steady["per_day"] == {"value": 100.0, "unit": "km"}
    now, later = steady["expected"]
    assert now["low"] == now["middle"] == now["high"] == {"value": 4_000.0, "unit": "km"}
    assert later["mean"]["value"] == 7_000.0
    assert 4_000 < later["low"]["value"] < later["middle"]["value"] < 7_000 < later["high"]["value"]
    read(client, ("K-03", "2031-04-05", 500), ("K-03", "2031-05-05", 500))
    stands = odometer(client, "K-03")
    assert (stands["basis"], stands["per_day"]["value"]) == ("own", 0.0)
    assert {(e["low"]["value"], e["high"]["value"]) for e in stands["expected"]} == {(500.0, 500.0)}
    assert [e["on"] for e in stands["expected"]] == ["2031-06-05", "2031-08-05", "2031-11-05", "2032-05-05"]


def test_days_asked_for_are_days_from_the_day_asked_about(client: CheckedClient) -> None:
    plant(client.app.state.store, SHEET, ["K-01"])
    for on, code in (
        ("2031-05-04", "day_past"),
        ("2031-02-30", "day_malformed"),
        ("2041-05-20", "day_too_far"),
        ("tomorrow", "text_malformed"),
    ):
        answer = client.get(f"/v1/vehicles/K-01/usage?on={on}")
        assert answer.status_code == 422
        assert codes_at(answer) == {"#/on": code}
    assert client.get("/v1/vehicles/K-99/usage").status_code == 404


def monthly(unit: str, per_day: list[int]) -> list[tuple[str, str, float]]:
    """Readings on the first of each month from 2029 on, at so many kilometres a day in each."""
    start = on = date(2029, 1, 1)
    rows, km = [], 0
    for month, daily in enumerate([0, *per_day]):
        following = add_months(start, month)
        km += daily * (following - on).days
        on = following
        rows.append((unit, on.isoformat(), float(km)))
    return rows


def levels(session: ReadSession) -> dict[int, bytes]:
    """What is kept of each vehicle's level."""
    rows = session.execute(
        text("SELECT vehicle_id, odometer_use FROM standing WHERE odometer_use IS NOT NULL")
    )
    return {row.vehicle_id: bytes(row.odometer_use) for row in rows}


def learned_fleet(client: CheckedClient) -> None:
    """Twelve vans at about 100 km a day, one of them at 60 and one parked for the last year; patterns learned."""
    plant(
        client.app.state.store,
        SHEET,
        [f"K-{place:02}" for place in range(13)],
        in_service_on=date(2029, 1, 1),
    )
    rows: list[tuple[str, str, float]] = []
    for place in range(12):
        usual = 60 if place == 1 else 100
        steps = [usual + (7 * place + 11 * month) % 31 - 15 for month in range(28)]
        rows += monthly(f"K-{place:02}", steps if place != 2 else [*steps[:16], *([0] * 12)])
    read(client, *rows)
    learn(client.app.state.store, FLEET, now_us=at_us("2031-05-02"))


def test_a_type_s_pattern_stands_behind_each_of_its_vehicles(client: CheckedClient) -> None:
    """One that runs less, one that is parked, and one read once only: each by type, and each in its own way."""
    learned_fleet(client)
    read(client, ("K-12", "2031-05-01", 500))
    usual, less, parked, new = (
        odometer(client, f"K-{place:02}", "on=2031-08-01,2032-05-01") for place in (0, 1, 2, 12)
    )
    for meter in (usual, less, parked, new):
        assert (meter["basis"], meter["learned_on"]) == ("type", "2031-05-02")
        for expected in meter["expected"]:
            figures = [expected[name]["value"] for name in ("low", "middle", "high")]
            assert figures == sorted(figures)
            assert figures[0] >= meter["reading"]["value"]
    assert 90 < usual["per_day"]["value"] < 110
    assert 50 < less["per_day"]["value"] < 85
    assert parked["per_day"]["value"] < 40
    assert new["per_day"]["value"] > 60
    assert new["spread_per_day"]["value"] > usual["spread_per_day"]["value"]
    assert new["expected"][0]["low"]["value"] < new["expected"][0]["middle"]["value"] - 2_000


def test_levels_stay_those_of_the_whole_history_while_readings_come_in(client: CheckedClient) -> None:
    """Read day by day, several times a day, and late: what the list's columns give equals what a replay gives."""
    learned_fleet(client)
    for day in range(2, 5):
        read(
            client,
            ("K-00", f"2031-05-{day:02}", 84_100 + 90 * day),
            ("K-01", f"2031-05-{day:02}", 51_000 + 60 * day),
        )
    store = client.app.state.store
    with store.reading() as session:
        kept = levels(session)
    with store.writing() as session:
        recompute(session, FLEET, list(kept), now_us=at_us("2031-05-05"))
    with store.reading() as session:
        again = levels(session)
    assert again == kept
    lines = client.get("/v1/due?window_days=3000&window_distance=99999km&dates=true").json()["lines"]
    assert lines
    for line in lines:
        (mine,) = client.get(f"/v1/vehicles/{line['unit']}/due").json()["lines"]
        assert {n: mine[n] for n in ("early_on", "likely_on", "late_on")} == {
            n: line[n] for n in ("early_on", "likely_on", "late_on")
        }


def test_a_past_day_knows_nothing_of_what_came_later(client: CheckedClient) -> None:
    """Neither the readings after it nor the pattern learned after it; nor what was entered later, if so asked.

    With 16 months of twelve vehicles the type had told enough by then; after four months it had not.
    """
    learned_fleet(client)
    past = odometer(client, "K-02", "as_of=2030-05-01&on=2031-05-01")
    assert (past["basis"], past["read_on"], past["learned_on"]) == ("type", "2030-05-01", "2030-05-01")
    early = odometer(client, "K-02", "as_of=2029-04-01")
    assert (early["basis"], early["read_on"], early["learned_on"]) == ("own", "2029-04-01", None)
    assert past["per_day"]["value"] > 80
    (expected,) = past["expected"]
    assert expected["low"]["value"] > odometer(client, "K-02")["reading"]["value"]
    unknown = odometer(client, "K-02", "as_of=2030-05-01&known_at=2030-05-02T00:00:00Z")
    assert (unknown["basis"], unknown["reading"]) == ("none", None)


def test_a_replaced_meter_runs_on_and_a_retired_vehicle_does_not(client: CheckedClient) -> None:
    """Life-to-date goes on over the new dial; after the last day figures stand."""
    learned_fleet(client)
    before = odometer(client, "K-00")
    change = {
        "meter": "odometer",
        "replaced_at": "2031-05-02T06:00:00Z",
        "old_figure": {"value": before["reading"]["value"] + 50, "unit": "km"},
        "new_figure": {"value": 0, "unit": "km"},
    }
    made = client.post("/v1/vehicles/K-00/meter-replacements", json=change)
    assert made.status_code == 201, made.text
    read(client, ("K-00", "2031-05-04", 250))
    after = odometer(client, "K-00", "on=2031-06-04")
    assert after["reading"]["value"] == before["reading"]["value"] + 300
    assert after["per_day"]["value"] == pytest.approx(before["per_day"]["value"], rel=0.1)
    vehicle = client.get("/v1/vehicles/K-03")
    left = client.patch(
        "/v1/vehicles/K-03", json={"retired_on": "2031-05-05"}, headers={"If-Match": vehicle.headers["ETag"]}
    )
    assert left.status_code == 200, left.text
    answer = client.get("/v1/vehicles/K-03/usage?on=2031-05-06,2033-05-05").json()
    assert answer["retired_on"] == "2031-05-05"
    soon, later = answer["meters"][0]["expected"]
    assert soon["high"] == later["high"]


def test_dates_of_due_services_are_read_from_the_law(client: CheckedClient) -> None:
    """Early, likely, late in this order; the chance at the likely day is one half, and it rises with the day."""
    learned_fleet(client)
    (line,) = client.get("/v1/vehicles/K-00/due?chance_by=2031-05-05").json()["lines"]
    assert line["early_on"] <= line["likely_on"] <= line["late_on"]
    assert line["chance_by"] == 1.0  # since the first 10,000 km were over in the first year
    planted = client.get("/v1/vehicles/K-00").json()
    assert planted["unit"] == "K-00"
    done = {
        "unit": "K-00",
        "done_at": "2031-05-01T07:00:00Z",
        "services": [{"service": "oil"}],
        "figures": [{"meter": "odometer", "figure": odometer(client, "K-00")["reading"]}],
    }
    made = client.post("/v1/work-done", json=done)
    assert made.status_code == 201, made.text
    (line,) = client.get("/v1/vehicles/K-00/due").json()["lines"]
    assert "2031-07-01" < line["early_on"] < line["likely_on"] < line["late_on"] < "2031-11-01"
    assert line["chance_by"] is None
    chances = []
    for name, least, most in (("early_on", 0.05, 0.08), ("likely_on", 0.5, 0.53), ("late_on", 0.95, 0.97)):
        (at,) = client.get(f"/v1/vehicles/K-00/due?chance_by={line[name]}").json()["lines"]
        assert least <= at["chance_by"] <= most
        chances.append(at["chance_by"])
    assert chances == sorted(chances)
    page = client.get("/v1/due?window_days=366&chance_by=2032-05-01").json()["lines"]
    mine = next(one for one in page if one["unit"] == "K-00")
    # by then its year is over, whatever it has run
    assert mine["chance_by"] == 1.0
    assert mine["likely_on"] == line["likely_on"]
    plain = client.get("/v1/due?window_days=366").json()["lines"]
    assert {(one["likely_on"], one["chance_by"]) for one in plain} == {(None, None)}


def test_many_levels_move_at_once(client: CheckedClient) -> None:
    """A hundred and twenty vehicles read weekly by one batch: what is kept equals a recomputation."""
    store = client.app.state.store
    units = [f"K-{place:03}" for place in range(120)]
    planted = plant(store, SHEET, units)
    for day in ("2031-02-03", "2031-03-03"):
        read(client, *((unit, day, 1_000 + place + int(day[6]) * 2_500) for place, unit in enumerate(units)))
    assert {one.vehicles for one in learn(store, FLEET, now_us=at_us("2031-03-03"))} == {120}
    for day, km in (("2031-03-20", 9_500), ("2031-04-07", 11_900), ("2031-04-20", 13_000)):
        read(client, *((unit, day, km + place * 3) for place, unit in enumerate(units)))
    with store.writing() as session:
        kept = levels(session)
        recompute(session, FLEET, planted.vehicles.values(), now_us=at_us("2031-05-05"))
    with store.reading() as session:
        assert levels(session) == kept
    assert len(set(kept.values())) == 120
