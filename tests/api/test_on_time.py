"""Whether work was done in time, over HTTP: due, done, late by; a vehicle, a depot, a span, JSON and CSV."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import pytest

from api.services import on_time
from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

YEAR = "from_on=2030-01-01&through_on=2031-05-05"


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """K-01 and K-02 of depot north, S-01 of depot south: oil every 10,000 km or 12 months."""
    plant(client.store, sheet(service("oil", km=10_000, months=12)), ["K-01", "K-02"])
    plant(client.store, sheet(service("oil", km=10_000, months=12), code="bus"), ["S-01"], depot="south")
    rows = [
        km_row(unit, at, km)
        for unit in ("K-01", "K-02", "S-01")
        for at, km in (("2030-01-02T12:00:00Z", 0), ("2031-05-01T12:00:00Z", 24_000))
    ]
    assert client.post("/v1/readings", json={"readings": rows}).status_code == 200


def done(client: CheckedClient, unit: str, at: str, km: float, **more: Any) -> int:
    figures = [{"meter": "odometer", "figure": {"value": km, "unit": "km"}}]
    body = {"unit": unit, "done_at": at, "services": [{"service": "oil"}], "figures": figures} | more
    answer = client.post("/v1/work-done", json=body)
    assert answer.status_code == 201, answer.text
    return int(answer.json()["id"])


def report(client: CheckedClient, query: str) -> list[dict[str, Any]]:
    answer = client.get(f"/v1/on-time?{query}")
    assert answer.status_code == 200, answer.text
    return list(answer.json()["services"])


def test_each_service_is_held_against_its_due_point_just_before(client: CheckedClient) -> None:
    """By hand: due at 10,000 km, done at 9,800; then due at 19,800 km or 10 July 2031, done at 20,100: 300 km late."""
    first = done(client, "K-01", "2030-07-10T12:00:00Z", 9_800)
    second = done(client, "K-01", "2031-02-10T12:00:00Z", 20_100)
    wrong = done(client, "K-02", "2031-02-11T12:00:00Z", 20_000)
    gone = client.post(f"/v1/work-done/{wrong}/withdrawal", json={"reason": "Another van"})
    assert gone.status_code == 200
    done(client, "S-01", "2031-01-12T12:00:00Z", 18_000)
    done(client, "S-01", "2030-03-12T12:00:00Z", 3_000, is_from_papers=True)

    found = report(client, YEAR)
    told = [
        (one["work_done"], one["depot"], one["is_on_time"], [limb["late_by_days"] for limb in one["limbs"]])
        for one in found
    ]
    assert told == [
        (first, "north", True, [None, 0]),
        (second, "north", False, [None, 0]),
        (wrong + 1, "south", False, [None, 0]),
    ]
    late = found[1]["limbs"]
    assert [late[0][name]["value"] for name in ("due", "done", "late_by")] == [19_800, 20_100, 300]
    assert late[1]["due_on"] == "2031-07-10"
    assert [one["work_done"] for one in report(client, f"{YEAR}&unit=K-01")] == [first, second]
    assert [one["work_done"] for one in report(client, f"{YEAR}&depot=south")] == [wrong + 1]
    assert [one["work_done"] for one in report(client, "from_on=2031-02-01&through_on=2031-02-28")] == [
        second
    ]

    page = client.get(f"/v1/on-time?{YEAR}&limit=2").json()
    rest = client.get(f"/v1/on-time?{YEAR}&limit=2&cursor={page['next']}")
    assert [one["work_done"] for one in (*page["services"], *rest.json()["services"])] == [
        one["work_done"] for one in found
    ]
    answer = client.get(f"/v1/on-time?{YEAR}", headers={"Accept": "text/csv"})
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [(row["limb"], row["late_by"]) for row in rows[2:4]] == [("odometer", "300.0"), ("calendar", "0")]

    summary = client.get(f"/v1/on-time/summary?{YEAR}").json()["depots"]
    assert [(one["depot"], one["on_time"], one["late"], one["on_time_share"]) for one in summary] == [
        ("north", 1, 1, 0.5),
        ("south", 0, 1, 0.0),
    ]


def test_spans_that_cannot_be_are_refused(client: CheckedClient) -> None:
    for path in ("/v1/on-time", "/v1/on-time/summary"):
        refused = client.get(f"{path}?from_on=2031-05-01&through_on=2031-04-30")
        assert (refused.status_code, codes_at(refused)) == (422, {"#/through_on": "range_reversed"})
        assert client.get(f"{path}?{YEAR}&unit=X-1").status_code == 404
        assert client.get(f"{path}?from_on=2031-05-01").status_code == 422


def test_a_summary_is_drawn_from_so_many_visits_at_most(
    client: CheckedClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(on_time, "MOST_VISITS", 1)
    done(client, "K-01", "2030-07-10T12:00:00Z", 9_800)
    done(client, "K-02", "2030-07-10T12:00:00Z", 9_800)
    refused = client.get(f"/v1/on-time/summary?{YEAR}")
    assert (refused.status_code, codes_at(refused)) == (422, {"#/through_on": "span_too_wide"})
    assert client.get(f"/v1/on-time/summary?{YEAR}&unit=K-01").status_code == 200
