"""The due list and a vehicle's own, over HTTP on both databases."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest

from api.services.standing import recompute
from domain.sheet import Amount, DutyCondition, IntervalRule, Limb, Service, SevereCondition, Task
from tests.support.client import codes_at
from tests.support.fleets import FLEET, Planted, at_us, km_row, plant, plant_duty, plant_work, service, sheet
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000, months=12), service("coolant", km=50_000))


def read(client: CheckedClient, *rows: tuple[str, str, float]) -> None:
    """Post odometer readings of (unit, day, km)."""
    body = {"readings": [km_row(unit, f"{day}T07:00:00Z", km) for unit, day, km in rows]}
    answer = client.post("/v1/readings", json=body).json()
    assert answer["accepted"] == len(rows), answer


def due(client: CheckedClient, query: str = "") -> list[dict[str, Any]]:
    """All lines of the due list, following every page."""
    url: str | None = f"/v1/due?{query}"
    lines: list[dict[str, Any]] = []
    while url:
        answer = client.get(url)
        assert answer.status_code == 200, answer.text
        body = answer.json()
        lines += body["lines"]
        assert {line["kit"] for line in body["lines"]} <= set(body["kits"])
        url = answer.links.get("next", {}).get("url")
    return lines


def named(lines: list[dict[str, Any]]) -> list[tuple[str, str, str]]:
    return [(line["unit"], line["service"], line["state"]) for line in lines]


def work(client: CheckedClient, planted: Planted, unit: str, day: str, km: float, *services: str) -> None:
    store = client.app.state.store
    with store.writing() as session:
        plant_work(session, planted, unit, services, day, odometer_m=round(km * 1000))
        recompute(session, FLEET, [planted.vehicles[unit]], now_us=at_us(day))


def test_a_line_tells_all_that_the_bench_needs(client: CheckedClient) -> None:
    """Done at 12,000 km on 1 May 2030; 22,300 km on 5 May 2031: 300 km past by distance, 4 days past by date.

    At the recent 28 km or so a day 300 km take ten days, so the odometer was first.
    """
    planted = plant(client.app.state.store, SHEET, ["K-01"])
    read(client, ("K-01", "2030-05-01", 12_000))
    work(client, planted, "K-01", "2030-05-01", 12_000, "oil", "coolant")
    read(client, ("K-01", "2031-05-04", 22_200), ("K-01", "2031-05-05", 22_300))
    (line,) = due(client)
    assert (line["unit"], line["depot"], line["spec_sheet"], line["service"]) == (
        "K-01",
        "north",
        "van",
        "oil",
    )
    assert (line["state"], line["projected_state"], line["is_statutory"]) == ("overdue", "overdue", False)
    by_limb = {limb["limb"]: limb for limb in line["limbs"]}
    odometer, calendar = by_limb["odometer"], by_limb["calendar"]
    assert odometer["due"] == {"value": 22_000.0, "unit": "km"}
    assert odometer["remaining"] == {"value": -300.0, "unit": "km"}
    assert odometer["reading"] == {"value": 22_300.0, "unit": "km"}
    assert odometer["read_on"] == "2031-05-05"
    assert (calendar["due_on"], calendar["remaining_days"], calendar["state"]) == (
        "2031-05-01",
        -4,
        "overdue",
    )
    assert (line["governed_by"], line["due_on"]) == ("odometer", "2031-04-25")
    assert line["because"] == (
        "Last done 2030-05-01. Odometer: 12 000.0 + 10 000.0 = 22 000.0 km; reading 22 300.0 km, 300.0 km past. "
        "Calendar: 2030-05-01 + 12 months = 2031-05-01, 4 days past."
    )


def test_units_of_the_answer(client: CheckedClient) -> None:
    """The same line in miles: 10,000 km are 6,213.7 mi; the dial keeps its own unit."""
    plant(client.app.state.store, SHEET, ["K-01"])
    read(client, ("K-01", "2031-05-04", 12_000))
    lines = due(client, "units=us")
    oil = next(line for line in lines if line["service"] == "oil")
    odometer = next(limb for limb in oil["limbs"] if limb["limb"] == "odometer")
    assert odometer["due"] == {"value": 6_213.7, "unit": "mi"}
    assert odometer["due_on_dial"] == {"value": 10_000.0, "unit": "km"}


def test_window_in_days_and_in_distance(client: CheckedClient) -> None:
    """At 100 km a day coolant falls due 2,000 km or 20 days ahead: inside wider windows only."""
    planted = plant(client.app.state.store, SHEET, ["K-01"])
    read(client, ("K-01", "2031-04-25", 47_000), ("K-01", "2031-05-05", 48_000))
    work(client, planted, "K-01", "2031-05-05", 48_000, "oil")
    assert due(client) == []
    assert due(client, "window_days=19") == []
    assert named(due(client, "window_days=20")) == [("K-01", "coolant", "not_due")]
    assert due(client, "window_distance=1999km") == []
    assert named(due(client, "window_distance=2000km")) == [("K-01", "coolant", "not_due")]
    assert named(due(client, "window_distance=1243mi")) == [("K-01", "coolant", "not_due")]
    assert named(due(client, "as_of=2031-05-25")) == [
        ("K-01", "coolant", "reading_stale"),
        ("K-01", "oil", "reading_stale"),
    ]
    assert named(due(client, "window_days=20&state=not_due")) == [("K-01", "coolant", "not_due")]
    assert due(client, "window_days=20&state=overdue") == []
    assert due(client, "window_days=20&service=oil") == []


def test_states_of_their_own(client: CheckedClient) -> None:
    """No reading, one reading, old reading, no papers: each is listed as what it is."""
    store = client.app.state.store
    plant(store, SHEET, ["A-none", "A-one", "A-old"], in_service_on=date(2031, 1, 1))
    plant(store, replace(SHEET, code="used"), ["B-used"], is_known_from_new=False, depot="south")
    read(client, ("A-one", "2031-05-05", 100), ("A-old", "2031-04-01", 100), ("A-old", "2031-04-20", 500))
    assert named(due(client)) == [
        ("A-none", "coolant", "no_reading"),
        ("A-none", "oil", "no_reading"),
        ("B-used", "coolant", "baseline_needed"),
        ("B-used", "oil", "baseline_needed"),
        ("A-old", "coolant", "reading_stale"),
        ("A-old", "oil", "reading_stale"),
    ]
    assert named(due(client, "depot=south")) == [
        ("B-used", "coolant", "baseline_needed"),
        ("B-used", "oil", "baseline_needed"),
    ]
    assert named(due(client, "spec_sheet=used&service=oil")) == [("B-used", "oil", "baseline_needed")]
    assert named(due(client, "state=no_reading&depot=north")) == [
        ("A-none", "coolant", "no_reading"),
        ("A-none", "oil", "no_reading"),
    ]
    assert client.get("/v1/due?depot=west").status_code == 404
    assert client.get("/v1/due?spec_sheet=west").status_code == 404


def test_one_reading_past_the_due_point_is_overdue(client: CheckedClient) -> None:
    """A first and only reading beyond the due point needs no rate to be overdue."""
    plant(client.app.state.store, SHEET, ["K-01"], in_service_on=date(2031, 1, 1))
    read(client, ("K-01", "2031-05-05", 10_001))
    assert named(due(client)) == [("K-01", "oil", "overdue")]


def test_due_by_projection_is_listed_without_a_new_reading(client: CheckedClient) -> None:
    """8 days silent at 100 km a day with 500 km left on the last day: not due by reading, due by projection."""
    planted = plant(client.app.state.store, SHEET, ["K-01"])
    read(client, ("K-01", "2031-04-17", 10_500), ("K-01", "2031-04-27", 11_500))
    work(client, planted, "K-01", "2031-04-10", 2_000, "oil")
    (line,) = due(client)
    assert (line["state"], line["projected_state"], line["due_on"]) == ("not_due", "overdue", "2031-05-02")


def test_pages_hold_whole_vehicles_once(client: CheckedClient) -> None:
    """Seven vehicles of two lines each in pages of three: each line once, none split, in a stable order."""
    units = [f"K-{place}" for place in range(7)]
    plant(client.app.state.store, SHEET, units, is_known_from_new=False)
    whole = named(due(client))
    assert len(whole) == 14
    first = client.get("/v1/due?limit=3").json()
    assert len(first["lines"]) == 4
    assert named(due(client, "limit=3")) == whole
    assert named(due(client, "limit=1")) == whole


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ("limit=0", 422, None),
        ("limit=1001", 422, None),
        ("window_days=-1", 422, None),
        ("window_days=99999999999999999999", 422, None),
        ("window_distance=500", 422, None),
        ("window_distance=500qt", 422, None),
        ("as_of=2031-05-04", 422, "day_past"),
        ("as_of=9999-12-31", 422, None),
        ("as_of=soon", 422, None),
        ("state=done", 422, None),
        ("colour=red", 422, "parameter_unknown"),
        ("limit=5&limit=6", 422, "parameter_repeated"),
        ("cursor=nonsense", 400, None),
        ("cursor=WzEsMV0", 400, None),
    ],
)
def test_bad_questions(client: CheckedClient, query: str, status: int, code: str | None) -> None:
    """Each is one problem; none is a fault."""
    answer = client.get(f"/v1/due?{query}")
    assert answer.status_code == status, answer.text
    if code is not None:
        assert code in codes_at(answer).values()


def test_a_cursor_of_another_query_is_refused(client: CheckedClient) -> None:
    """A cursor is bound to the query that gave it."""
    plant(client.app.state.store, SHEET, ["K-1", "K-2", "K-3"], is_known_from_new=False)
    cursor = client.get("/v1/due?limit=2").json()["next"]
    assert client.get(f"/v1/due?limit=2&cursor={cursor}").status_code == 200
    assert client.get(f"/v1/due?limit=2&service=oil&cursor={cursor}").status_code == 400


def test_the_past_is_judged_by_what_was_then(client: CheckedClient) -> None:
    """On 1 June 2030 the oil was not due; on 1 December, before the work of the 10th, it was; now it is not."""
    planted = plant(client.app.state.store, SHEET, ["K-01"])
    read(
        client, ("K-01", "2030-05-31", 5_000), ("K-01", "2030-11-30", 11_000), ("K-01", "2031-05-05", 14_000)
    )
    work(client, planted, "K-01", "2030-12-10", 11_200, "oil")

    def oil(query: str = "") -> dict[str, Any]:
        body = client.get(f"/v1/vehicles/K-01/due{query}").json()
        return next(line for line in body["lines"] if line["service"] == "oil")

    assert oil("?as_of=2030-06-01")["state"] == "not_due"
    past = oil("?as_of=2030-12-01")
    assert (past["state"], past["limbs"][0]["remaining"]["value"]) == ("overdue", -1_000.0)
    assert oil()["state"] == "not_due"
    # As known on 1 December 2030 the readings recorded later did not exist yet: the vehicle had none.
    assert oil("?as_of=2030-12-11&known_at=2030-12-05T00:00:00Z")["state"] == "no_reading"
    assert client.get("/v1/vehicles/K-01/due?as_of=2035-01-01").json()["as_of"] == "2035-01-01"
    assert client.get("/v1/vehicles/K-02/due").status_code == 404


def test_severe_duty_shows_its_sum(client: CheckedClient) -> None:
    """Towing 0.6 of use since last done at 12,000 km halves 10,000 km: due at 17,000, and the line says why."""
    towing = SevereCondition(DutyCondition.TOWING, 0.5, 0.25, (Limb.ODOMETER,))
    rule = IntervalRule((Amount(Limb.ODOMETER, 10_000_000),), conditions=(towing,))
    planted = plant(
        client.app.state.store, sheet(Service("oil", "Oil", (Task("o", "o"),), (rule,))), ["K-01"]
    )
    read(client, ("K-01", "2031-01-01", 12_000), ("K-01", "2031-05-05", 17_050))
    work(client, planted, "K-01", "2031-01-01", 12_000, "oil")
    store = client.app.state.store
    with store.writing() as session:
        plant_duty(session, planted.vehicles["K-01"], "towing", 0.6, date(2030, 1, 1), None)
        recompute(session, FLEET, [planted.vehicles["K-01"]], now_us=at_us("2031-05-05"))
    (line,) = due(client)
    assert line["because"] == (
        "Last done 2031-01-01. Odometer: towing passes 0.25 of use at 12 000.0 km, so 0.5 x 10 000.0 counts from "
        "12 000.0: 17 000.0 km; reading 17 050.0 km, 50.0 km past."
    )


def test_statements_do_not_grow_with_the_fleet(client: CheckedClient) -> None:
    """The list of two vehicles and of forty costs the same number of statements."""
    store = client.app.state.store
    plant(store, SHEET, ["A-1", "A-2"], is_known_from_new=False)
    client.get("/v1/due")
    with counted_queries(store) as few:
        client.get("/v1/due?limit=100")
    plant(
        store,
        replace(SHEET, code="many"),
        [f"B-{n}" for n in range(38)],
        is_known_from_new=False,
        depot="south",
    )
    client.get("/v1/due")
    with counted_queries(store) as many:
        assert len(client.get("/v1/due?limit=100").json()["lines"]) == 80
    assert few.count == many.count <= 8
