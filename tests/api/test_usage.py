"""How a vehicle's meters run and what they will show, over HTTP on both databases."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000, months=12))
MONDAY = date(2031, 5, 5)


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
