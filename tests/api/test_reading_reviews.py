"""Readings that wait for a person: listed, released, discarded, converted, and what follows at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.feed.batch import Why
from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000), service("belt", hours=500))


def post(client: CheckedClient, *rows: dict[str, Any]) -> dict[str, Any]:
    answer = client.post("/v1/readings", json={"readings": list(rows)})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def held(client: CheckedClient, **filters: str) -> list[dict[str, Any]]:
    answer = client.get("/v1/held-readings", params=filters)
    assert answer.status_code == 200, answer.text
    return list(answer.json()["readings"])


def decide(client: CheckedClient, reading: dict[str, Any], decision: str) -> dict[str, Any]:
    answer = client.post(
        f"/v1/readings/{reading['id']}/decisions",
        json={"decision": decision, "decided_by": "fleet manager", "reason": "seen on the dial"},
    )
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def standing(client: CheckedClient) -> list[tuple[Any, ...]]:
    with client.store.reading() as session:
        rows = session.execute(
            text("SELECT vehicle_id, odometer_m, odometer_on, odometer_m_per_day FROM standing ORDER BY 1")
        ).all()
    return [tuple(row) for row in rows]


def statuses(client: CheckedClient, unit: str = "K-01") -> list[tuple[float, str, str | None]]:
    listed = client.get(f"/v1/vehicles/{unit}/readings?limit=1000").json()["readings"]
    return [(row["figure"]["value"], row["status"], row["code"]) for row in listed]


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.store, SHEET, ["K-01", "K-02"])
    return client


def test_held_readings_of_vehicles_and_of_unknown_numbers_are_listed(planted: CheckedClient) -> None:
    post(
        planted,
        km_row("K-01", "2031-05-01T08:00:00Z", 1000),
        km_row("K-01", "2031-05-02T08:00:00Z", 900),
        km_row("K-02", "2031-05-02T08:00:00Z", 10, "driver"),
        {
            **km_row("K-02", "2031-05-02T08:00:00Z", 5),
            "meter": "idle_hours",
            "figure": {"value": 5, "unit": "h"},
        },
        km_row("X-9", "2031-05-02T08:00:00Z", 77),
        km_row("K-02", "2029-05-02T08:00:00Z", 1),
    )
    assert [(row["unit"], row["depot"], row["meter"], row["code"]) for row in held(planted)] == [
        ("K-01", "north", "odometer", "goes_back"),
        ("K-02", "north", "idle_hours", "meter_not_fitted"),
        ("K-02", None, "odometer", "unit_not_valid_then"),
        ("X-9", None, "odometer", "unit_unknown"),
    ]
    assert {row["status"] for row in held(planted)} == {"held"}
    assert [row["unit"] for row in held(planted, unit="K-02")] == ["K-02", "K-02"]
    assert [row["code"] for row in held(planted, depot="north")] == ["goes_back", "meter_not_fitted"]
    assert held(planted, depot="south") == held(planted, unit="K-03") == []
    assert [row["unit"] for row in held(planted, meter="odometer")] == ["K-01", "K-02", "X-9"]
    assert [row["unit"] for row in held(planted, code="unit_unknown")] == ["X-9"]
    assert [row["unit"] for row in held(planted, code="goes_back")] == ["K-01"]
    assert held(planted, code="too_fast") == []


def test_the_list_pages_over_both_kinds(planted: CheckedClient) -> None:
    good = [
        km_row(unit, f"2031-04-0{day}T08:00:00Z", 1000) for unit in ("K-01", "K-02") for day in range(1, 6)
    ]
    low = [
        km_row(unit, f"2031-05-02T0{hour}:00:00Z", hour)
        for unit in ("K-01", "K-02", "X-1", "X-2")
        for hour in (1, 2)
    ]
    post(planted, *good, *low)
    whole = [row["id"] for row in held(planted)]
    assert len(whole) == len(set(whole)) == 8
    for limit in (1, 3, 4, 5):
        url: str | None = f"/v1/held-readings?limit={limit}"
        seen: list[str] = []
        while url:
            page = planted.get(url)
            seen += [row["id"] for row in page.json()["readings"]]
            url = page.links.get("next", {}).get("url")
        assert seen == whole
    lines = planted.get("/v1/held-readings.csv?limit=3")
    assert lines.headers["content-type"].startswith("text/csv")
    assert [line.split(",")[0] for line in lines.text.splitlines()] == ["id", *whole[:3]]
    assert "next" in lines.links


def test_a_released_reading_holds_and_what_contradicts_it_is_held(planted: CheckedClient) -> None:
    """Three low figures outvote 9,000 km; the manager has seen the dial: the others are held from then on."""
    post(planted, *(km_row("K-01", f"2031-05-0{day}T08:00:00Z", 990 + 10 * day) for day in (1, 3, 4)))
    post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 9000))
    (wrong,) = held(planted)
    answer = decide(planted, wrong, "released")
    assert (answer["status"], answer["code"]) == ("accepted", None)
    assert [(one["decision"], one["decided_by"], one["reason"]) for one in answer["decisions"]] == [
        ("released", "fleet manager", "seen on the dial")
    ]
    assert statuses(planted) == [
        (1000.0, "held", "too_fast"),
        (9000.0, "accepted", None),
        (1020.0, "held", "goes_back"),
        (1030.0, "held", "goes_back"),
    ]
    assert standing(planted)[0][1] == 9_000_000
    answer = decide(planted, wrong, "reopened")
    assert (answer["status"], answer["code"]) == ("held", "goes_back")
    assert [one["decision"] for one in answer["decisions"]] == ["released", "reopened"]
    assert standing(planted)[0][1] == 1_030_000


def test_a_discarded_reading_leaves_and_what_follows_is_as_if_it_never_came(client: CheckedClient) -> None:
    plant(client.store, SHEET, ["K-01", "K-02"])
    good = [("2031-04-01", 1000), ("2031-04-20", 2000), ("2031-05-01", 2500)]
    for unit in ("K-01", "K-02"):
        post(client, *(km_row(unit, f"{day}T08:00:00Z", km) for day, km in good))
    post(client, km_row("K-01", "2031-05-02T08:00:00Z", 5000))
    listed = client.get("/v1/vehicles/K-01/readings").json()["readings"]
    assert listed[-1]["status"] == "accepted"
    with client.store.reading() as session:
        row = session.execute(
            text("SELECT vehicle_id, meter, at_us, source_id, figure FROM reading WHERE figure = 5000000")
        ).one()
    answer = decide(client, {"id": ".".join(map(str, row))}, "discarded")
    assert (answer["status"], answer["code"]) == ("discarded", "discarded_by_person")
    one, other = standing(client)
    assert one[1:] == other[1:]
    again = post(client, km_row("K-01", "2031-05-02T08:00:00Z", 5000))
    assert again["duplicate"] == 1
    assert standing(client) == [one, other]


def test_miles_sent_as_kilometres_are_said_and_converted(planted: CheckedClient) -> None:
    """100,000 km, then 62,168.7 sent as km: in miles it is 100,050.8 km, and that is what the offer says."""
    post(planted, *(km_row("K-01", f"2031-04-{day}T08:00:00Z", 99_900) for day in (28, 29)))
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 100_000))
    answer = post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 62_168.7))
    assert [row["code"] for row in answer["rows"]] == ["miles_given_as_km"]
    (mixed,) = held(planted)
    assert mixed["meant_figure"] == {"value": 100_050.8, "unit": "km"}
    answer = decide(planted, mixed, "converted")
    assert (answer["status"], answer["life_to_date"]) == ("accepted", {"value": 100_050.8, "unit": "km"})
    assert answer["decisions"][0]["meant_figure"] == {"value": 100_050.8, "unit": "km"}
    assert post(planted, km_row("K-01", "2031-05-03T08:00:00Z", 100_100))["accepted"] == 1
    assert post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 62_168.7))["duplicate"] == 1


def test_kilometres_sent_as_miles_are_said(planted: CheckedClient) -> None:
    post(planted, *(km_row("K-01", f"2031-04-{day}T08:00:00Z", 99_900) for day in (28, 29)))
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 100_000))
    row = {**km_row("K-01", "2031-05-02T08:00:00Z", 0), "figure": {"value": 100_200, "unit": "mi"}}
    assert [one["code"] for one in post(planted, row)["rows"]] == ["km_given_as_miles"]
    assert held(planted)[0]["meant_figure"] == {"value": 100_200.0, "unit": "km"}


def test_what_is_no_mix_up_cannot_be_converted(planted: CheckedClient) -> None:
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 1000), km_row("K-01", "2031-05-02T08:00:00Z", 900))
    (low,) = held(planted)
    answer = planted.post(
        f"/v1/readings/{low['id']}/decisions",
        json={"decision": "converted", "decided_by": "x", "reason": "y"},
    )
    assert (answer.status_code, codes_at(answer)) == (409, {"#/decision": "no_other_unit"})


def test_a_meter_that_rolled_over_is_said_and_mended_by_a_replacement(planted: CheckedClient) -> None:
    """A five-digit odometer: 99,950 km, then 40 km. A replacement of 100,000 by 0 km makes it 100,040 km."""
    post(planted, *(km_row("K-01", f"2031-04-{day}T08:00:00Z", 99_900) for day in (28, 29)))
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 99_950))
    answer = post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 40))
    assert [row["code"] for row in answer["rows"]] == ["rolled_over"]
    mended = planted.post(
        "/v1/vehicles/K-01/meter-replacements",
        json={
            "meter": "odometer",
            "replaced_at": "2031-05-01T20:00:00Z",
            "old_figure": {"value": 100_000, "unit": "km"},
            "new_figure": {"value": 0, "unit": "km"},
        },
    )
    assert mended.status_code == 201, mended.text
    assert held(planted) == []
    assert standing(planted)[0][1] == 100_040_000


def test_what_waits_under_a_number_is_discarded_and_stays_so_when_the_vehicle_comes(
    planted: CheckedClient,
) -> None:
    post(planted, km_row("K-07", "2031-05-01T08:00:00Z", 5), km_row("K-07", "2031-05-02T08:00:00Z", 6))
    one, other = held(planted, unit="K-07")
    refused = planted.post(
        f"/v1/readings/{one['id']}/decisions", json={"decision": "released", "decided_by": "x", "reason": "y"}
    )
    assert (refused.status_code, codes_at(refused)) == (409, {"#/decision": "reading_not_releasable"})
    assert decide(planted, one, "discarded")["status"] == "discarded"
    assert [row["id"] for row in held(planted, unit="K-07")] == [other["id"]]
    assert planted.get(f"/v1/readings/{one['id']}").json()["status"] == "discarded"
    renumbered = planted.post(
        "/v1/vehicles/K-02/unit-numbers", json={"unit": "K-07", "valid_from": "2031-04-15"}
    )
    assert renumbered.status_code == 201, renumbered.text
    assert statuses(planted, "K-07") == [(5.0, "discarded", "discarded_by_person"), (6.0, "accepted", None)]
    assert held(planted) == []
    assert planted.get(f"/v1/readings/{one['id']}").status_code == 404


@pytest.mark.parametrize(
    "name", ["w99", "w4294967296", "1.1.5.1.5", "9999999999.1.5.1.5", "1.1.999999999999999999.1.5"]
)
def test_what_is_not_there_is_404(planted: CheckedClient, name: str) -> None:
    assert planted.get(f"/v1/readings/{name}").status_code == 404
    body = {"decision": "released", "decided_by": "x", "reason": "y"}
    assert planted.post(f"/v1/readings/{name}/decisions", json=body).status_code == 404


@pytest.mark.parametrize("name", ["w0", "x", "1.2.3", "1.9.5.1.5", "1.1.5.1.-5"])
def test_what_is_no_name_is_refused(planted: CheckedClient, name: str) -> None:
    assert planted.get(f"/v1/readings/{name}").status_code == 422


def test_a_meter_that_was_not_fitted_cannot_be_released(planted: CheckedClient) -> None:
    row = {
        **km_row("K-02", "2031-05-02T08:00:00Z", 5),
        "meter": "idle_hours",
        "figure": {"value": 5, "unit": "h"},
    }
    post(planted, row)
    (reading,) = held(planted)
    answer = planted.post(
        f"/v1/readings/{reading['id']}/decisions",
        json={"decision": "released", "decided_by": "x", "reason": "y"},
    )
    assert (answer.status_code, codes_at(answer)) == (409, {"#/decision": "reading_not_releasable"})


def test_the_later_of_two_decisions_that_contradict_holds(planted: CheckedClient) -> None:
    post(planted, *(km_row("K-01", f"2031-05-0{day}T08:00:00Z", 990 + 10 * day) for day in (1, 3, 4)))
    post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 9000))
    (high,) = held(planted)
    decide(planted, high, "released")
    low = next(row for row in held(planted) if row["figure"]["value"] == 1020.0)
    decide(planted, low, "released")
    assert [row[1] for row in statuses(planted)] == ["accepted", "held", "accepted", "accepted"]
    decide(planted, low, "discarded")
    assert [row[1] for row in statuses(planted)] == ["held", "accepted", "discarded", "held"]


def test_a_future_reading_is_released(planted: CheckedClient) -> None:
    post(planted, km_row("K-01", "2031-05-05T08:20:00Z", 1000))
    (ahead,) = held(planted)
    assert ahead["code"] == "in_future"
    assert decide(planted, ahead, "released")["status"] == "accepted"


def test_every_code_can_be_asked_for(client: CheckedClient) -> None:
    """A code that no held reading has finds nothing, and is no fault."""
    for code in Why:
        answer = client.get("/v1/held-readings", params={"code": code.value})
        assert (answer.status_code, answer.json()["next"]) == (200, None), code
