"""The record of a vehicle over HTTP: complete, corrected openly, kept long enough, on screen and on paper."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.vehicles import read_km, register, set_up

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

RECORD = "/v1/vehicles/T-104/record"


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """Van T-104 of make Norvik, new on 1 May 2030, 9,000 km on 1 May 2031."""
    set_up(client)
    register(client, make="Norvik", tyre_size="215/75 R 16 C", model_year=2030, serial_number="N<b>7</b>")
    read_km(client, "T-104", ("2030-05-02T12:00:00Z", 0), ("2031-05-01T12:00:00Z", 9_000))


def oil(client: CheckedClient, at: str, **more: Any) -> int:
    body = {"unit": "T-104", "done_at": at, "services": [{"service": "oil"}]} | more
    answer = client.post("/v1/work-done", json=body)
    assert answer.status_code == 201, answer.text
    return int(answer.json()["id"])


def record(client: CheckedClient, query: str = "") -> dict[str, Any]:
    answer = client.get(f"{RECORD}{query}")
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_the_record_holds_who_what_is_coming_and_all_that_happened(client: CheckedClient) -> None:
    """The contents that 49 CFR 396.3(b) names, with corrections beside what they correct."""
    wrong = oil(client, "2030-10-01T12:00:00Z")
    right = oil(
        client,
        "2030-10-02T12:00:00Z",
        note="<script>alert(1)</script>",
        corrects={"entry": wrong, "by": "foreman", "why": "It was a day later"},
    )
    oil(client, "2031-04-02T12:00:00Z", reference="W-9")
    exchange = {"compartment": "sump", "exchanged_at": "2030-07-01T12:00:00Z", "serial_number": "E-2"}
    made = client.post("/v1/vehicles/T-104/component-exchanges", json=exchange)
    assert made.status_code == 201, made.text
    put_off = {
        "service": "oil",
        "authority": "manager",
        "reason": "No bay",
        "granted_on": "2031-05-02",
        "limits": [{"limb": "calendar", "on": "2032-06-01"}],
    }
    made = client.post("/v1/vehicles/T-104/deferrals", json=put_off)
    assert made.status_code == 201, made.text
    defect = {
        "unit": "T-104",
        "what": "Wet at the sump",
        "is_off_road": True,
        "found_by": "driver",
        "found_at": "2031-05-03T06:00:00Z",
    }
    assert client.post("/v1/defects", json=defect).status_code == 201
    sample = {
        "compartment": "sump",
        "taken_at": "2031-05-04T06:00:00Z",
        "taken_by": "mechanic",
        "taking": "pan",
        "is_bottle_clean": True,
        "measures": {"water_mg_kg": 10},
    }
    assert client.post("/v1/vehicles/T-104/fluid-samples", json=sample).status_code == 201

    found = record(client)
    identity = found["identity"]
    assert (identity["make"], identity["serial_number"], identity["tyre_size"], identity["model_year"]) == (
        "Norvik",
        "N<b>7</b>",
        "215/75 R 16 C",
        2030,
    )
    assert found["is_off_road"]
    coming = {line["service"]: line["due_on"] for line in found["coming"]}
    assert coming == {"oil": "2032-06-01", "roadworthiness": "2032-05-01"}
    lines = [(line["kind"], line["on"], line["kept_until"]) for line in found["entries"]]
    assert lines == [
        ("component_exchange", "2030-07-01", "2032-05-05"),
        ("work_done", "2030-10-01", "2032-05-05"),
        ("work_done", "2030-10-02", "2032-05-05"),
        ("work_done", "2031-04-02", None),
        ("defect", "2031-05-03", None),
        ("fluid_sample", "2031-05-04", "2032-05-05"),
        ("deferral", "2031-05-02", "2032-05-05"),
    ]
    first, second = found["entries"][1], found["entries"][2]
    ended = {name: first["withdrawn"][name] for name in ("entry", "by", "why")}
    assert ended == {"entry": right, "by": "foreman", "why": "It was a day later"}
    assert second["corrects"]["entry"] == wrong
    bounded = record(client, "?from_on=2031-04-01&through_on=2031-05-03")["entries"]
    assert [line["kind"] for line in bounded] == ["work_done", "defect", "deferral"]

    answer = client.get(RECORD, headers={"Accept": "text/csv"})
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["kind"] for row in rows] == ["coming"] * 2 + [line["kind"] for line in found["entries"]]
    assert (rows[3]["withdrawn_by"], rows[4]["corrects_entry"]) == ("foreman", str(wrong))

    browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
    page = client.get(RECORD, headers={"Accept": browser})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["content-security-policy"].startswith("default-src 'none'")
    assert "N&lt;b&gt;7&lt;/b&gt;" in page.text
    assert "<script" not in page.text
    assert "Withdrawn by foreman, entry 2 stands in its place: It was a day later" in page.text


def test_the_record_of_a_vehicle_that_left_is_kept_half_a_year_longer_and_rounded_up(
    client: CheckedClient,
) -> None:
    oil(client, "2030-10-01T12:00:00Z")
    left = client.patch("/v1/vehicles/T-104", json={"retired_on": "2031-08-31"}, headers={"If-Match": '"1"'})
    assert left.status_code == 200, left.text
    answer = client.get(f"{RECORD}?valid_on=2031-05-01").json()
    assert answer["coming"] == []
    assert [line["kept_until"] for line in answer["entries"]] == ["2032-05-05"]
    assert client.get("/v1/vehicles/T-999/record").status_code == 404
    assert codes_at(client.get(f"{RECORD}?from_on=2031-02-30")) == {"#/from_on": "day_malformed"}
