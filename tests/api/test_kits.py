"""Kits over HTTP: merged over the services of one visit, and the parts of many visits in all."""

from __future__ import annotations

from typing import Any

import pytest

from domain.sheet import Meter, PartLine, Service, SpecSheet, Task
from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.small_fleet import SmallFleet, every, small_fleet


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    """Two vans, 12 of a year's and 24 of two years' age on 1 May 2031, nothing done on either.

    Due on 5 May 2031 are the oil service and the inspection of both, and the large service of van 24.
    """
    made = small_fleet(client.app.state.store)
    made.add_vehicle("12")
    made.add_vehicle("24", depot="south", in_service_on="2029-05-01")
    made.read("12", ("2030-11-01T12:00", 7_000), ("2031-05-01T12:00", 14_000))
    made.read("24", ("2030-11-01T12:00", 20_000), ("2031-05-01T12:00", 26_000))
    return made


def quantities(parts: list[dict[str, Any]]) -> dict[str, int]:
    """How many of each part."""
    return {part["part"]: part["quantity"] for part in parts}


@pytest.mark.usefixtures("fleet")
def test_services_inside_services_take_each_task_part_and_litre_once(client: CheckedClient) -> None:
    # The large service includes the oil service, and both are due.
    answer = client.get("/v1/vehicles/24/kit").json()
    assert (answer["unit"], answer["depot"], answer["as_of"]) == ("24", "south", "2031-05-05")
    kit = answer["kit"]
    assert (kit["spec_sheet"], kit["spec_sheet_version"]) == ("van", 1)
    assert [s["service"] for s in kit["services"]] == ["oil", "large", "inspection"]
    assert [t["task"] for t in kit["tasks"]] == ["renew-oil", "air-filter", "belts", "inspect"]
    assert quantities(kit["parts"]) == {"F-1B": 1, "S-17": 1, "F-2": 1}
    assert [(t["name"], t["size"] and t["size"]["value"]) for t in kit["tools"]] == [
        ("filter wrench", 76.0),
        ("lamp", None),
        ("wrench or bit", 17.0),
    ]
    assert [(f["task"], f["low"], f["high"]) for f in kit["fluids"]] == [
        ("renew-oil", {"value": 5.7, "unit": "L"}, {"value": 5.7, "unit": "L"})
    ]
    # 1,800 + 600 + 300 + 900 s are one hour; the shown hours add up.
    assert kit["labour"] == {"value": 1.0, "unit": "h"}
    assert [t["labour"]["value"] for t in kit["tasks"]] == [0.5, 0.17, 0.08, 0.25]


@pytest.mark.usefixtures("fleet")
def test_a_service_named_brings_what_it_includes(client: CheckedClient) -> None:
    kit = client.get("/v1/vehicles/12/kit?services=large").json()["kit"]
    assert [(s["service"], s["is_named"]) for s in kit["services"]] == [("oil", False), ("large", True)]
    twice = client.get("/v1/vehicles/12/kit?services=large,oil,large").json()["kit"]
    assert twice["parts"] == kit["parts"]
    assert twice["labour"] == kit["labour"]


@pytest.mark.usefixtures("fleet")
def test_a_part_is_the_one_now_supplied_with_its_alternates(client: CheckedClient) -> None:
    part = client.get("/v1/vehicles/12/kit?services=oil").json()["kit"]["parts"][0]
    assert part == {
        "part": "F-1B",
        "name": "Oil filter, new pattern",
        "unit": "piece",
        "kind": "filter",
        "quantity": 1,
        "in_place_of": ["F-1"],
        "alternates": ["F-1C"],
    }


@pytest.mark.usefixtures("fleet")
def test_tools_torques_and_one_more_pass(client: CheckedClient) -> None:
    kit = client.get("/v1/vehicles/12/kit?services=oil,gearbox&units=us").json()["kit"]
    # 19.05 mm is three quarters of an inch; 17 mm is no inch size, whatever the units of the answer.
    assert kit["tools"] == [
        {"name": "filter wrench", "size": {"value": 76.0, "unit": "mm"}},
        {"name": "wrench or bit", "size": {"value": 17.0, "unit": "mm"}},
        {"name": "wrench or bit", "size": {"value": 0.75, "unit": "in"}},
    ]
    # 40 N.m / 1.3558179483 = 29.50 lbf.ft; 34 N.m = 25.08 lbf.ft (NIST SP 811, appendix B.8).
    assert [(t["compartment"], t["torque"]) for t in kit["torques"]] == [
        ("sump", {"value": 29.5, "unit": "lbf.ft"}),
        ("gearbox", {"value": 25.1, "unit": "lbf.ft"}),
    ]
    # The drain plug's seal is renewed at every drain: common practice, no source. The filter is not.
    assert [(p["task"], quantities(p["parts"])) for p in kit["passes"]] == [
        ("renew-oil", {"S-17": 1}),
        ("gearbox-fluid", {"S-19": 1}),
    ]


@pytest.mark.usefixtures("fleet")
def test_cautions_stand_with_the_kit_and_the_makers_manual_governs(client: CheckedClient) -> None:
    cautions = client.get("/v1/vehicles/12/kit?services=oil").json()["kit"]["cautions"]
    assert [c["caution"] for c in cautions] == [
        "makers_manual_governs",
        "hot_fluid_and_exhaust",
        "vehicle_on_stands",
        "skin_contact",
        "spills_and_used_fluid",
    ]
    assert "the vehicle maker's manual governs" in cautions[0]["words"]


@pytest.mark.usefixtures("fleet")
def test_unknown_vehicle_and_service(client: CheckedClient) -> None:
    assert client.get("/v1/vehicles/99/kit").status_code == 404
    response = client.get("/v1/vehicles/12/kit?services=oil,wash")
    assert response.status_code == 422
    assert codes_at(response) == {"#/services": "service_unknown"}
    assert response.json()["errors"][0]["in"] == "query"
    assert client.get("/v1/vehicles/12/kit?services=oil,,gearbox").status_code == 422


def test_work_done_takes_the_service_out_of_the_kit_at_once(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.add_vehicle("40", in_service_on="2030-05-01")
    body = {"unit": "40", "done_at": "2031-05-04T09:00:00Z", "services": [{"service": "oil"}]}
    entry = client.post("/v1/work-done", json=body).json()
    kit = client.get("/v1/vehicles/40/kit").json()["kit"]
    assert [s["service"] for s in kit["services"]] == ["inspection"]
    client.post(f"/v1/work-done/{entry['id']}/withdrawal", json={"reason": "not done"})
    kit = client.get("/v1/vehicles/40/kit").json()["kit"]
    assert [s["service"] for s in kit["services"]] == ["oil", "inspection"]


def test_windows_and_past_days(client: CheckedClient, fleet: SmallFleet) -> None:
    def named(query: str) -> list[str]:
        kit = client.get(f"/v1/vehicles/31/kit{query}").json()["kit"]
        return [] if kit is None else [s["service"] for s in kit["services"] if s["is_named"]]

    # New on 1 June 2030; 14,800 km on 4 May 2031: 200 km and 27 days short of the oil service.
    fleet.add_vehicle("31", in_service_on="2030-06-01")
    fleet.read("31", ("2031-05-03T12:00", 14_790), ("2031-05-04T12:00", 14_800))
    assert named("?as_of=2031-05-04") == []
    assert named("?as_of=2031-05-04&window_distance=199km") == []
    assert named("?as_of=2031-05-04&window_distance=200km") == ["oil"]
    assert named("?as_of=2031-05-04&window_distance=124.3mi") == ["oil"]
    assert named("?as_of=2031-05-04&window_days=28") == ["oil", "inspection"]
    assert named("?as_of=2031-06-01") == ["oil", "inspection"]


def test_what_calls_for_a_reading_or_a_baseline_takes_no_parts(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    # Silent since January, and nothing due; and one bought used without papers.
    fleet.add_vehicle("50", in_service_on="2031-01-01")
    fleet.read("50", ("2031-01-10T12:00", 100), ("2031-01-11T12:00", 120))
    fleet.add_vehicle("60", is_known_from_new=False)
    assert client.get("/v1/vehicles/50/kit").json()["kit"] is None
    used = client.get("/v1/vehicles/60/kit").json()
    assert used["kit"] is None
    assert used["baseline_needed"] == ["oil", "large", "gearbox", "inspection"]
    visits = client.get("/v1/kits").json()["visits"]
    # The oil service of van 24 has been due for a year longer.
    assert [visit["unit"] for visit in visits] == ["24", "12"]


def test_a_one_time_service_takes_parts_once(client: CheckedClient, fleet: SmallFleet) -> None:
    nuts = Task(code="tighten", name="Tighten the wheel nuts", parts=(PartLine("F-2", 1),))
    running_in = Service("running-in", "Running-in check", (nuts,), (every(1_000, 2),), is_one_time=True)
    fleet.add_sheet(SpecSheet("cart", "Cart", (Meter.ODOMETER,), (), (running_in,)))
    fleet.add_vehicle("70", sheet="cart", in_service_on="2031-03-01")
    assert quantities(client.get("/v1/vehicles/70/kit").json()["kit"]["parts"]) == {"F-2": 1}
    body = {"unit": "70", "done_at": "2031-05-04T09:00:00Z", "services": [{"service": "running-in"}]}
    assert client.post("/v1/work-done", json=body).status_code == 201
    assert client.get("/v1/vehicles/70/kit?as_of=2041-01-01").json()["kit"] is None


def test_a_deferred_service_is_called_for_at_its_new_limit(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.defer("12", "oil", granted_on="2031-05-02", until_on="2031-05-20")

    def of_12(query: str) -> list[str]:
        visits = client.get(f"/v1/kits{query}").json()["visits"]
        return next(visit["services"] for visit in visits if visit["unit"] == "12")

    assert of_12("") == ["inspection"]
    assert of_12("?window_days=14") == ["inspection"]
    assert of_12("?window_days=15") == ["inspection", "oil"]


def test_visits_that_take_the_same_share_a_kit_and_parts_are_summed(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    fleet.add_vehicle("13", depot="south")
    answer = client.get("/v1/kits?totals=true").json()
    kit_of = {visit["unit"]: visit["kit"] for visit in answer["visits"]}
    assert kit_of["12"] == kit_of["13"] != kit_of["24"]
    assert len(answer["kits"]) == 2
    assert (answer["as_of"], answer["through"], answer["next"]) == ("2031-05-05", "2031-05-05", None)
    totals = {total["part"]: total for total in answer["totals"]}
    assert quantities(answer["totals"]) == {"F-1B": 3, "F-2": 1, "S-17": 3}
    assert totals["F-1B"]["depots"] == [
        {"depot": "north", "quantity": 1},
        {"depot": "south", "quantity": 2},
    ]
    # Totals are those of all pages, and of the depot asked for.
    first = client.get("/v1/kits?totals=true&limit=1")
    assert [visit["unit"] for visit in first.json()["visits"]] == ["13"]
    assert first.json()["totals"] == answer["totals"]
    south = client.get("/v1/kits?totals=true&depot=south").json()
    assert quantities(south["totals"]) == {"F-1B": 2, "F-2": 1, "S-17": 2}


def test_pages_hold_each_visit_once(client: CheckedClient, fleet: SmallFleet) -> None:
    for number in range(5):
        fleet.add_vehicle(f"p{number}", in_service_on=f"2030-04-0{number + 1}")
    # Without a reading a vehicle comes first, since nobody knows what its meter calls for.
    units, link = [], "/v1/kits?limit=2"
    while link:
        page = client.get(link)
        units += [visit["unit"] for visit in page.json()["visits"]]
        assert {visit["kit"] for visit in page.json()["visits"]} == set(range(len(page.json()["kits"])))
        link = page.links.get("next", {}).get("url", "")
    assert units == ["p0", "p1", "p2", "p3", "p4", "24", "12"]


def test_the_statements_do_not_grow_with_the_fleet(client: CheckedClient, fleet: SmallFleet) -> None:
    counts = []
    for many in (2, 20):
        for number in range(many):
            fleet.add_vehicle(f"n{many}-{number}")
        # Sheets are decoded once a process; the second question is the one that counts.
        client.get("/v1/kits?totals=true&limit=1000")
        with counted_queries(fleet.store) as counted:
            answer = client.get("/v1/kits?totals=true&limit=1000").json()
        counts.append(counted.count)
    assert len(answer["visits"]) == 24
    assert counts[0] == counts[1]
