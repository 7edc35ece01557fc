"""Devices fitted to vehicles, calibrated sources, stuck meters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000), service("belt", hours=500))


def post(client: CheckedClient, *rows: dict[str, Any]) -> dict[str, Any]:
    answer = client.post("/v1/readings", json={"readings": list(rows)})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def codes(answer: dict[str, Any]) -> list[str]:
    return [row["code"] for row in answer["rows"]]


def statuses(client: CheckedClient, unit: str = "K-01") -> list[tuple[float, str, str | None]]:
    listed = client.get(f"/v1/vehicles/{unit}/readings?limit=1000").json()["readings"]
    return [(row["life_to_date"]["value"], row["status"], row["code"]) for row in listed]


def fit(client: CheckedClient, unit: str, fitted_at: str, removed_at: str | None = None) -> dict[str, Any]:
    body = {"source": "box-1", "fitted_at": fitted_at, "removed_at": removed_at}
    answer = client.post(f"/v1/vehicles/{unit}/devices", json=body)
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.store, SHEET, ["K-01", "K-02", "K-03"])
    return client


def test_a_device_counts_only_where_it_is_fitted(planted: CheckedClient) -> None:
    """Moved from K-01 to K-02 on 2 May at noon; what it sends under another number or time is held."""
    fit(planted, "K-01", "2031-04-01T00:00:00Z", "2031-05-02T12:00:00Z")
    fit(planted, "K-02", "2031-05-02T12:00:00Z")
    answer = post(
        planted,
        km_row("K-01", "2031-05-02T08:00:00Z", 1000, "box-1"),
        km_row("K-01", "2031-05-02T13:00:00Z", 1010, "box-1"),
        km_row("K-02", "2031-05-02T11:00:00Z", 500, "box-1"),
        km_row("K-02", "2031-05-02T12:00:00Z", 510, "box-1"),
        km_row("K-03", "2031-05-02T13:00:00Z", 20, "box-1"),
        km_row("K-03", "2031-05-02T14:00:00Z", 30, "driver"),
    )
    assert (answer["accepted"], codes(answer)) == (3, ["device_not_fitted"] * 3)
    assert codes(post(planted, km_row("K-01", "2031-05-03T08:00:00Z", 1020, "box-1"))) == [
        "device_not_fitted"
    ]
    assert post(planted, km_row("K-02", "2031-05-03T08:00:00Z", 600, "box-1"))["accepted"] == 1
    (entry,) = planted.get("/v1/vehicles/K-02/devices").json()["devices"]
    moved = planted.post(
        f"/v1/vehicles/K-02/devices/{entry['id']}/removal", json={"removed_at": "2031-05-02T18:00:00Z"}
    )
    assert moved.status_code == 201, moved.text
    assert statuses(planted, "K-02") == [
        (500.0, "held", "device_not_fitted"),
        (510.0, "accepted", None),
        (600.0, "held", "device_not_fitted"),
    ]
    fit(planted, "K-03", "2031-05-02T18:00:00Z")
    assert post(planted, km_row("K-03", "2031-05-03T09:00:00Z", 70, "box-1"))["accepted"] == 1


def test_a_withdrawn_fitting_counts_no_longer(planted: CheckedClient) -> None:
    entry = fit(planted, "K-01", "2031-04-01T00:00:00Z")
    post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 1000, "box-1"))
    path = f"/v1/vehicles/K-01/devices/{entry['id']}/withdrawal"
    answer = planted.post(path, json={"reason": "another vehicle"})
    assert answer.json()["withdrawal"]["reason"] == "another vehicle"
    assert statuses(planted) == [(1000.0, "held", "device_not_fitted")]
    assert codes_at(planted.post(path, json={"reason": "again"})) == {"#": "already_withdrawn"}
    assert planted.get("/v1/vehicles/K-01/devices").json()["devices"] == []


def test_what_a_fitting_cannot_be(planted: CheckedClient) -> None:
    fit(planted, "K-01", "2031-04-01T00:00:00Z")
    post(planted, km_row("K-02", "2031-05-02T08:00:00Z", 5, "gateway"))
    for source, fitted, removed, status, expected in (
        ("box-1", "2031-05-01T00:00:00Z", None, 409, {"#/fitted_at": "device_fitted"}),
        ("box-2", "2031-05-09T00:00:00Z", None, 422, {"#/fitted_at": "in_future"}),
        (
            "box-2",
            "2031-04-02T00:00:00Z",
            "2031-04-01T00:00:00Z",
            422,
            {"#/removed_at": "removed_before_fitted"},
        ),
        ("gateway", "2031-04-02T00:00:00Z", None, 409, {"#/source": "source_is_shared"}),
    ):
        body = {"source": source, "fitted_at": fitted, "removed_at": removed}
        answer = planted.post("/v1/vehicles/K-03/devices", json=body)
        assert (answer.status_code, codes_at(answer)) == (status, expected)
    assert planted.get("/v1/vehicles/K-99/devices").status_code == 404


def test_a_computed_distance_is_calibrated_against_the_dial(planted: CheckedClient) -> None:
    """The gateway counts from 0 since it was fitted, 2 % too little: 100 km of its own are 102 km on the dial."""
    post(planted, km_row("K-01", "2031-04-01T08:00:00Z", 80_000, "driver"))
    post(planted, *(km_row("K-01", f"2031-04-{day:02}T08:00:00Z", 0, "gateway") for day in (2, 3)))
    assert [row[1] for row in statuses(planted)] == ["held", "accepted", "accepted"]
    body = {
        "source": "gateway",
        "meter": "odometer",
        "at": "2031-04-01T08:00:00Z",
        "source_figure": {"value": 0, "unit": "km"},
        "dial_figure": {"value": 80_000, "unit": "km"},
        "factor": 1.02,
    }
    answer = planted.post("/v1/vehicles/K-01/calibrations", json=body)
    assert answer.status_code == 201, answer.text
    assert answer.json()["offset"] == {"value": 80_000.0, "unit": "km"}
    assert post(planted, km_row("K-01", "2031-04-05T08:00:00Z", 100, "gateway"))["accepted"] == 1
    assert post(planted, km_row("K-01", "2031-04-06T08:00:00Z", 80_110, "driver"))["accepted"] == 1
    assert statuses(planted) == [
        (80_000.0, "accepted", None),
        (80_000.0, "accepted", None),
        (80_000.0, "accepted", None),
        (80_102.0, "accepted", None),
        (80_110.0, "accepted", None),
    ]
    (listed,) = planted.get("/v1/vehicles/K-01/calibrations").json()["calibrations"]
    assert (listed["source"], listed["factor"]) == ("gateway", 1.02)
    path = f"/v1/vehicles/K-01/calibrations/{listed['id']}/withdrawal"
    assert planted.post(path, json={"reason": "wrong dial"}).status_code == 200
    assert [row[1] for row in statuses(planted)].count("held") == 2


def test_a_figure_of_another_dimension_is_no_calibration(planted: CheckedClient) -> None:
    body = {
        "source": "gateway",
        "meter": "odometer",
        "at": "2031-04-01T08:00:00Z",
        "source_figure": {"value": 0, "unit": "km"},
        "dial_figure": {"value": 80_000, "unit": "h"},
    }
    assert planted.post("/v1/vehicles/K-01/calibrations", json=body).status_code == 422


def test_an_odometer_that_stands_while_the_engine_runs_is_reported_and_held_by_nobody(
    planted: CheckedClient,
) -> None:
    """300 km and 10 h a day for four days; then the odometer stands for four days of 10 h: 1,200 km are missing."""
    for day in range(1, 10):
        km = 300 * min(day, 5)
        hours = {**km_row("K-01", f"2031-04-{day:02}T18:00:00Z", 0), "meter": "engine_hours"}
        hours["figure"] = {"value": 10 * day, "unit": "h"}
        answer = post(planted, km_row("K-01", f"2031-04-{day:02}T18:00:00Z", km), hours)
        assert answer["accepted"] == 2
    found = planted.get("/v1/vehicles/K-01/meter-notices").json()
    assert found["stuck"] == [
        {
            "meter": "odometer",
            "life_to_date": {"value": 1500.0, "unit": "km"},
            "since": "2031-04-05T18:00:00Z",
            "last_at": "2031-04-09T18:00:00Z",
            "other_meter": "engine_hours",
            "other_gain": {"value": 40.0, "unit": "h"},
            "expected_gain": {"value": 1200.0, "unit": "km"},
        }
    ]
    assert planted.get("/v1/vehicles/K-02/meter-notices").json()["stuck"] == []
    assert planted.get("/v1/vehicles/K-99/meter-notices").status_code == 404
