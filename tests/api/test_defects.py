"""Defects over HTTP: raised, standing in the due list, seen to, released, and what is refused."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

LEAK = {
    "unit": "K-01",
    "what": "Coolant drips",
    "is_off_road": True,
    "found_by": "driver",
    "found_at": "2031-05-04T06:00:00Z",
    "assigned_to": "foreman",
}


@pytest.fixture
def fleet(client: CheckedClient) -> CheckedClient:
    plant(client.store, sheet(service("oil", km=10_000)), ["K-01", "K-02"])
    return client


def raised(client: CheckedClient, **changes: Any) -> int:
    answer = client.post("/v1/defects", json=LEAK | changes)
    assert answer.status_code == 201, answer.text
    assert answer.headers["Location"] == f"/v1/defects/{answer.json()['id']}"
    return int(answer.json()["id"])


def step(client: CheckedClient, key: int, kind: str, at: str, **more: str) -> dict[str, Any]:
    body = {"step": kind, "by": "mechanic", "at": at} | more
    answer = client.post(f"/v1/defects/{key}/steps", json=body)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def standing(client: CheckedClient, query: str = "") -> tuple[list[str], bool]:
    answer = client.get(f"/v1/vehicles/K-01/due{query}").json()
    return [defect["what"] for defect in answer["defects"]], answer["is_off_road"]


def test_a_defect_stands_in_the_due_list_until_it_is_released(fleet: CheckedClient) -> None:
    rattle = raised(fleet, what="Mirror rattles", is_off_road=False, found_at="2031-05-01T06:00:00Z")
    leak = raised(fleet)
    assert standing(fleet) == (["Mirror rattles", "Coolant drips"], True)
    assert standing(fleet, "?as_of=2031-05-02") == (["Mirror rattles"], False)
    assert standing(fleet, "?as_of=2031-05-02&known_at=2031-05-02T00:00:00Z") == ([], False)

    step(fleet, leak, "seen_to", "2031-05-04T09:00:00Z", note="Hose clamp renewed")
    step(fleet, leak, "reopened", "2031-05-04T10:00:00Z", note="Still wet", assigned_to="night shift")
    step(fleet, leak, "seen_to", "2031-05-04T15:00:00Z", note="Hose renewed")
    assert standing(fleet)[1]
    done = step(fleet, leak, "released", "2031-05-04T16:00:00Z")
    assert [one["step"] for one in done["steps"]] == ["found", "seen_to", "reopened", "seen_to", "released"]
    assert (done["state"], done["assigned_to"]) == ("released", "night shift")
    assert standing(fleet) == (["Mirror rattles"], False)

    withdrawal = {"by": "foreman", "reason": "Another van"}
    gone = fleet.post(f"/v1/defects/{rattle}/withdrawal", json=withdrawal).json()
    assert (gone["withdrawal"]["by"], gone["withdrawal"]["reason"]) == ("foreman", "Another van")
    assert standing(fleet) == ([], False)


def test_the_fleet_list_names_defects_of_its_vehicles_in_one_statement_more(fleet: CheckedClient) -> None:
    fleet.post("/v1/readings", json={"readings": [km_row("K-01", "2031-05-02T08:00:00Z", 11_000)]})
    fleet.get("/v1/due")
    with counted_queries(fleet.store) as bare:
        assert fleet.get("/v1/due").json()["defects"] == []
    raised(fleet)
    raised(fleet, unit="K-02")
    with counted_queries(fleet.store) as counted:
        due = fleet.get("/v1/due").json()
    assert [defect["unit"] for defect in due["defects"]] == ["K-01", "K-02"]
    assert counted.count == bare.count


def test_of_steps_taken_at_once_one_is_made(fleet: CheckedClient) -> None:
    key = raised(fleet)
    body = {"step": "seen_to", "by": "mechanic", "at": "2031-05-04T09:00:00Z", "note": "renewed"}

    def send(_: int) -> int:
        return int(fleet.post(f"/v1/defects/{key}/steps", json=body).status_code)

    with ThreadPoolExecutor(6) as pool:
        statuses = sorted(pool.map(send, range(6)))
    assert statuses == [200, 409, 409, 409, 409, 409]
    assert len(fleet.get(f"/v1/defects/{key}").json()["steps"]) == 2


def test_defects_are_found_by_vehicle_depot_state_person_and_page(fleet: CheckedClient) -> None:
    first = raised(fleet, reference="J-7")
    second = raised(fleet, unit="K-02", is_off_road=False, assigned_to="night shift")
    step(fleet, second, "seen_to", "2031-05-04T09:00:00Z", note="done")

    def found(query: str) -> list[int]:
        return [defect["id"] for defect in fleet.get(f"/v1/defects?{query}").json()["defects"]]

    assert found("") == [second, first]
    assert found("unit=K-01") == found("reference=J-7") == found("is_off_road=true") == [first]
    assert found("state=seen_to") == found("assigned_to=night%20shift") == [second]
    assert found("depot=north&state=open") == [first]
    assert found("depot=south") == found("unit=K-99") == []
    page = fleet.get("/v1/defects?limit=1").json()
    rest = fleet.get("/v1/defects", params={"limit": 1, "cursor": page["next"]}).json()
    assert [one["id"] for one in (*page["defects"], *rest["defects"])] == [second, first]


def test_what_cannot_be_is_refused_and_leaves_nothing(fleet: CheckedClient) -> None:
    bad = LEAK | {"unit": "K-99"}
    assert codes_at(fleet.post("/v1/defects", json=bad)) == {"#/unit": "vehicle_unknown"}
    bad = LEAK | {"found_at": "2031-05-06T06:00:00Z", "compartment": "none"}
    assert codes_at(fleet.post("/v1/defects", json=bad)) == {
        "#/found_at": "in_future",
        "#/compartment": "compartment_unknown",
    }
    assert fleet.get("/v1/defects").json()["defects"] == []

    key = raised(fleet)
    early = {"step": "released", "by": "foreman", "at": "2031-05-04T09:00:00Z"}
    refused = fleet.post(f"/v1/defects/{key}/steps", json=early)
    assert (refused.status_code, codes_at(refused)) == (409, {"#/step": "step_out_of_turn"})
    found = early | {"step": "found"}
    assert fleet.post(f"/v1/defects/{key}/steps", json=found).status_code == 422
    before = {"step": "seen_to", "by": "foreman", "at": "2031-05-03T09:00:00Z"}
    assert codes_at(fleet.post(f"/v1/defects/{key}/steps", json=before)) == {
        "#/at": "before_last_step",
        "#/note": "note_missing",
    }
    withdrawal = {"by": "foreman", "reason": "Another van"}
    assert fleet.post(f"/v1/defects/{key}/withdrawal", json=withdrawal).status_code == 200
    for path, body in (("withdrawal", withdrawal), ("steps", before | {"note": "x"})):
        refused = fleet.post(f"/v1/defects/{key}/{path}", json=body)
        assert (refused.status_code, codes_at(refused)) == (409, {"#": "already_withdrawn"})
    assert [one["id"] for one in fleet.get("/v1/defects?has_withdrawn=true").json()["defects"]] == [key]
