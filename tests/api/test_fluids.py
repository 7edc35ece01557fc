"""Fluid needs over HTTP: per vehicle, and in totals whose shown parts add up."""

from __future__ import annotations

from typing import Any

import pytest

from api.services import fluid_totals
from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.small_fleet import SmallFleet, small_fleet


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    """Vans 1 and 2 in the north, 3 in the south: new on 1 May 2030, so oil and inspection are due."""
    made = small_fleet(client.app.state.store)
    made.add_vehicle("1")
    made.add_vehicle("2")
    made.add_vehicle("3", depot="south")
    return made


def litres(value: float) -> dict[str, Any]:
    """A volume as shown in litres."""
    return {"value": value, "unit": "L"}


def by_code(fluids: list[dict[str, Any]]) -> dict[tuple[str, bool], dict[str, Any]]:
    """The fluids by requirement and whether they wait for a baseline."""
    return {(f["fluid_requirement"]["code"], f["is_baseline_needed"]): f for f in fluids}


@pytest.mark.usefixtures("fleet")
def test_litres_of_three_vehicles_in_rounded_quarts_add_up(client: CheckedClient) -> None:
    # 5.7 L are 6.0232 US quarts (0.946352946 L each, NIST SP 811): 6.02 alone, but three are 18.0695: 18.07.
    # The missing hundredth goes to the first of the equal remainders.
    (oil,) = client.get("/v1/fluids?units=us&by_vehicle=true").json()["fluids"]
    assert oil["low"] == oil["high"] == {"value": 18.07, "unit": "qt_us"}
    # 12.0463 quarts in the north and 6.0232 in the south: 12.05 and 6.02.
    north, south = oil["depots"]
    assert (north["depot"], north["high"]["value"]) == ("north", 12.05)
    assert (south["depot"], south["high"]["value"]) == ("south", 6.02)
    (sumps,) = north["compartment_kinds"]
    assert sumps["compartment_kind"] == "engine_sump"
    assert [(v["unit"], v["compartment"], v["high"]["value"]) for v in sumps["vehicles"]] == [
        ("1", "sump", 6.03),
        ("2", "sump", 6.02),
    ]
    # A margin of a tenth, of 5,700 mL each: 570 mL are 0.6023 quarts, three are 1.8070.
    assert [d["margin"]["value"] for d in oil["depots"]] == [1.21, 0.6]
    assert oil["margin"]["value"] == 1.81


@pytest.mark.usefixtures("fleet")
def test_imperial_quarts_are_others_than_us_quarts(client: CheckedClient) -> None:
    # 17.1 L / 1.1365225 L = 15.0459 imperial quarts (4.54609 L to the gallon, NIST SP 811).
    (oil,) = client.get("/v1/fluids?units=imperial").json()["fluids"]
    assert oil["high"] == {"value": 15.05, "unit": "qt_imp"}
    assert [d["high"]["value"] for d in oil["depots"]] == [10.03, 5.02]
    assert oil["depots"][0]["compartment_kinds"][0]["vehicles"] is None


@pytest.mark.usefixtures("fleet")
def test_totals_name_the_requirement_and_what_governs(client: CheckedClient) -> None:
    answer = client.get("/v1/fluids").json()
    (oil,) = answer["fluids"]
    assert oil["fluid_requirement"] == {
        "code": "oil-a",
        "name": "Engine oil",
        "standard": "ACEA",
        "service_class": "C3",
        "grade": "5W-30",
    }
    assert (oil["low"], oil["margin"], oil["is_baseline_needed"]) == (litres(17.1), litres(1.71), False)
    assert (answer["vehicles"], answer["as_of"], answer["through"]) == (3, "2031-05-05", "2031-05-05")
    assert "the vehicle maker's manual governs" in answer["governed_by"]


def test_ranges_and_services_whose_last_time_is_unknown_stand_apart(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    # Bought used, no papers: its fluids are not known to be due.
    fleet.add_vehicle("9", is_known_from_new=False)
    fluids = by_code(client.get("/v1/fluids").json()["fluids"])
    assert {key: (f["low"], f["high"]) for key, f in fluids.items()} == {
        ("fluid-b", True): (litres(3.5), litres(4.1)),
        ("oil-a", False): (litres(17.1), litres(17.1)),
        ("oil-a", True): (litres(5.7), litres(5.7)),
    }


def test_a_vehicle_gives_its_compartments(client: CheckedClient, fleet: SmallFleet) -> None:
    answer = client.get("/v1/vehicles/1/fluids?services=large,oil,gearbox&units=us").json()
    assert answer["services"] == ["large", "oil", "gearbox"]
    fluids = by_code(answer["fluids"])
    # The oil service stands in the large one too: its oil counts once. 3.5 L are 3.70, 4.1 L 4.33 US quarts.
    oil, gearbox = fluids["oil-a", False], fluids["fluid-b", False]
    assert (oil["high"]["value"], gearbox["low"]["value"], gearbox["high"]["value"]) == (6.02, 3.7, 4.33)
    assert [(c["task"], c["compartment"], c["passes"]) for c in gearbox["compartments"]] == [
        ("gearbox-fluid", "gearbox", 1)
    ]
    assert gearbox["compartments"][0]["high"] == gearbox["high"]
    assert [c["caution"] for c in answer["cautions"]][:2] == [
        "makers_manual_governs",
        "hot_fluid_and_exhaust",
    ]
    fleet.add_vehicle("9", is_known_from_new=False)
    used = client.get("/v1/vehicles/9/fluids").json()
    assert used["services"] == []
    assert used["baseline_needed"] == ["oil", "large", "gearbox", "inspection"]
    assert set(by_code(used["fluids"])) == {("oil-a", True), ("fluid-b", True)}


@pytest.mark.usefixtures("fleet")
def test_nothing_due_takes_nothing(client: CheckedClient) -> None:
    answer = client.get("/v1/vehicles/1/fluids?as_of=2031-01-01").json()
    assert (answer["services"], answer["fluids"]) == ([], [])
    assert [c["caution"] for c in answer["cautions"]] == ["makers_manual_governs"]
    response = client.get("/v1/vehicles/1/fluids?services=wash")
    assert codes_at(response) == {"#/services": "service_unknown"}
    assert client.get("/v1/vehicles/77/fluids").status_code == 404


def test_totals_follow_the_question(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.add_vehicle("8", in_service_on="2030-05-20", depot="south")

    def total(query: str) -> float:
        return sum(
            float(fluid["high"]["value"]) for fluid in client.get(f"/v1/fluids{query}").json()["fluids"]
        )

    assert total("?depot=south") == 5.7
    assert total("?depot=south&window_days=14") == 5.7
    assert total("?depot=south&window_days=15") == 11.4
    assert total("?service=inspection") == 0
    assert total("?spec_sheet=van") == pytest.approx(17.1)
    assert client.get("/v1/fluids?depot=west").status_code == 404


@pytest.mark.usefixtures("fleet")
def test_an_answer_by_vehicle_has_a_bound(client: CheckedClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fluid_totals, "MOST_VEHICLES", 2)
    response = client.get("/v1/fluids?by_vehicle=true")
    assert codes_at(response) == {"#/by_vehicle": "too_many_vehicles"}
    assert client.get("/v1/fluids").status_code == 200


def test_the_statements_do_not_grow_with_the_fleet(client: CheckedClient, fleet: SmallFleet) -> None:
    counts = []
    for many in (2, 20):
        for number in range(many):
            fleet.add_vehicle(f"n{many}-{number}")
        client.get("/v1/fluids")
        with counted_queries(fleet.store) as counted:
            answer = client.get("/v1/fluids").json()
        counts.append(counted.count)
    assert answer["vehicles"] == 25
    assert counts[0] == counts[1]
