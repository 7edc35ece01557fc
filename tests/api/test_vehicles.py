"""Vehicles over HTTP: registered, listed, changed, retired, renumbered."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from api.services.units import vehicle_keys_of
from tests.support.client import CheckedClient, check_problem, codes_at
from tests.support.queries import counted_queries
from tests.support.vehicles import km, read_km, register, registration, set_up

if TYPE_CHECKING:
    from httpx2 import Response

    from api.store.session import Store
    from tests.support.apps import SetClock

# The first is 49 CFR 565's own example of a check digit; the second is European in form and needs none.
NORTH_AMERICAN_VIN = "1M8GDM9AXKP042788"
OTHER_VIN = "WZZ00000000000001"

REFUSED: list[tuple[dict[str, Any], str, str]] = [
    ({"vin": "1M8GDM9A_KP042788"}, "#/vin", "vin_character"),
    ({"vin": "1M8GDM9AXKP04278"}, "#/vin", "vin_length"),
    ({"vin": "1M8GDM9A0KP042788"}, "#/vin", "vin_check_digit"),
    ({"spec_sheet": "lorry"}, "#/spec_sheet", "spec_sheet_unknown"),
    ({"depot": "east"}, "#/depot", "depot_unknown"),
    ({"in_service_on": "2032-05-20"}, "#/in_service_on", "date_too_far_ahead"),
    ({"in_service_on": "9999-12-31"}, "#/in_service_on", "day_malformed"),
    ({"valid_from": "2030-04-30"}, "#/valid_from", "before_first_day"),
    ({"valid_from": "2199-12-31"}, "#/valid_from", "date_too_far_ahead"),
    ({"model_year": 1899}, "#/model_year", "figure_too_small"),
    ({"unit": "T 104"}, "#/unit", "text_malformed"),
    ({"colour": "red"}, "#/colour", "field_unknown"),
    ({"meters": [{"meter": "idle_hours"}]}, "#/meters/0/meter", "meter_unknown"),
    (
        {"meters": [{"meter": "odometer"}, {"meter": "odometer"}]},
        "#/meters/1/meter",
        "meter_repeated",
    ),
    ({"meters": [{"meter": "odometer", "unit": "h"}]}, "#/meters/0/unit", "unit_of_wrong_dimension"),
    ({"meters": [{"meter": "odometer", "unit": "mile"}]}, "#/meters/0/unit", "unit_unknown"),
    (
        {"meters": [{"meter": "odometer", "figure": km(1)}]},
        "#/meters/0/life_to_date",
        "figure_half_given",
    ),
    (
        {"meters": [{"meter": "odometer", "figure": {"value": 1, "unit": "h"}, "life_to_date": km(1)}]},
        "#/meters/0/figure/unit",
        "unit_of_wrong_dimension",
    ),
    (
        {"meters": [{"meter": "odometer", "fitted_at": "2030-04-30T23:59:59Z"}]},
        "#/meters/0/fitted_at",
        "before_first_day",
    ),
    (
        {"meters": [{"meter": "odometer", "fitted_at": "2031-05-06T00:00:00Z"}]},
        "#/meters/0/fitted_at",
        "in_future",
    ),
]

REFUSED_CHANGES: list[tuple[dict[str, Any], str, str]] = [
    ({"depot": "east"}, "#/depot", "depot_unknown"),
    ({"depot": None}, "#/depot", "text_expected"),
    ({"vin": "X"}, "#/vin", "vin_length"),
    ({"retired_on": "2030-04-30"}, "#/retired_on", "before_first_day"),
    ({"unit": "T-105"}, "#/unit", "field_unknown"),
]
REFUSED_NUMBERS: list[tuple[dict[str, Any], str, str]] = [
    ({"unit": "T-104", "valid_from": "2031-05-03"}, "#/unit", "unit_unchanged"),
    ({"unit": "V-7", "valid_from": "2030-05-01"}, "#/valid_from", "label_out_of_order"),
    ({"unit": "V-7", "valid_from": "2033-01-01"}, "#/valid_from", "date_too_far_ahead"),
    ({"unit": "../x", "valid_from": "2031-05-03"}, "#/unit", "text_malformed"),
]


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """Two depots and a type."""
    set_up(client)


def patch(client: CheckedClient, unit: str, version: int, body: dict[str, Any], on: str = "") -> Response:
    """The answer to a change."""
    query = f"?valid_on={on}" if on else ""
    return client.patch(f"/v1/vehicles/{unit}{query}", json=body, headers={"If-Match": f'"{version}"'})


def test_a_registered_vehicle_has_its_types_meters_and_is_found_under_its_number(
    client: CheckedClient,
) -> None:
    made = register(
        client, vin=NORTH_AMERICAN_VIN.lower(), model_year=2030, engine="D2", tyre_size="215/75 R 16 C"
    )
    assert made.status_code == 201
    assert made.headers["location"] == "/v1/vehicles/T-104"
    assert made.headers["etag"] == '"1"'
    shown = client.get(made.headers["location"])
    assert shown.headers["etag"] == '"1"'
    assert shown.json() == made.json()
    assert made.json() == {
        "unit": "T-104",
        "valid_from": "2030-05-01",
        "valid_through": None,
        "spec_sheet": "van",
        "depot": "north",
        "vin": NORTH_AMERICAN_VIN,
        "vin_check": "valid",
        "serial_number": None,
        "model_year": 2030,
        "engine": "D2",
        "make": None,
        "tyre_size": "215/75 R 16 C",
        "supplied_by": None,
        "in_service_on": "2030-05-01",
        "is_known_from_new": True,
        "retired_on": None,
        "version": 1,
        "meters": [
            {"meter": "odometer", "unit": "km", "fitted_at": "2030-05-01T00:00:00Z"},
            {"meter": "engine_hours", "unit": "h", "fitted_at": "2030-05-01T00:00:00Z"},
        ],
    }


def test_registering_draws_what_is_due(client: CheckedClient) -> None:
    register(client)
    lines = client.get("/v1/vehicles/T-104/due").json()
    assert "roadworthiness" in str(lines)


def test_a_meter_fitted_on_the_other_side_of_the_world_counts_from_the_earlier_midnight(
    client: CheckedClient,
) -> None:
    made = register(client, depot="south").json()
    assert {meter["fitted_at"] for meter in made["meters"]} == {"2030-04-30T12:00:00Z"}


def test_readings_that_waited_are_taken_in(client: CheckedClient) -> None:
    assert read_km(client, "T-104", ("2031-05-01T12:00:00Z", 9_000))["held"] == 1
    register(client)
    (odometer, hours) = client.get("/v1/vehicles/T-104/meters").json()["meters"]
    assert odometer["life_to_date"] == km(9_000)
    assert odometer["figure"] == km(9_000)
    assert odometer["read_on"] == "2031-05-01"
    assert (hours["life_to_date"], hours["figure"], hours["read_on"]) == (None, None, None)


def test_a_used_cluster_states_what_it_showed_and_what_the_vehicle_had_run(client: CheckedClient) -> None:
    fitted = {
        "meter": "odometer",
        "unit": "mi",
        "fitted_at": "2031-05-01T09:00:00+02:00",
        "figure": {"value": 100, "unit": "mi"},
        "life_to_date": km(50_000),
    }
    assert register(client, is_known_from_new=False, meters=[fitted]).status_code == 201
    found = client.get("/v1/vehicles/T-104/meters?units=us").json()
    (odometer, _) = found["meters"]
    assert odometer["unit"] == "mi"
    assert odometer["fitted_at"] == "2031-05-01T07:00:00Z"
    assert odometer["figure"] == {"value": 100.0, "unit": "mi"}
    assert odometer["life_to_date"] == {"value": 31068.6, "unit": "mi"}
    assert odometer["read_on"] == "2031-05-01"


def test_a_registration_that_breaks_a_rule_is_refused_with_its_place(client: CheckedClient) -> None:
    for changes, pointer, code in REFUSED:
        refused = register(client, **changes)
        assert refused.status_code == 422, changes
        assert codes_at(refused) == {pointer: code}
    assert client.get("/v1/vehicles").json()["vehicles"] == []


def test_every_broken_rule_of_a_registration_is_named_at_once(client: CheckedClient) -> None:
    refused = register(client, vin="X", spec_sheet="lorry", in_service_on="2040-01-01")
    assert codes_at(refused) == {
        "#/vin": "vin_length",
        "#/spec_sheet": "spec_sheet_unknown",
        "#/in_service_on": "date_too_far_ahead",
    }
    refused = register(client, depot="east", meters=[{"meter": "idle_hours"}])
    assert codes_at(refused) == {"#/depot": "depot_unknown", "#/meters/0/meter": "meter_unknown"}


def test_a_check_digit_that_fails_where_none_is_required_cannot_be_verified(client: CheckedClient) -> None:
    assert register(client, vin=OTHER_VIN).json()["vin_check"] == "not_verifiable"
    plant = register(client, "P-1", serial_number="EX-0042 B").json()
    assert (plant["vin"], plant["vin_check"], plant["serial_number"]) == (None, None, "EX-0042 B")


def test_a_unit_number_that_a_vehicle_carries_is_not_given_to_another(client: CheckedClient) -> None:
    register(client)
    refused = register(client)
    assert refused.status_code == 409
    assert codes_at(refused) == {"#/unit": "unit_taken"}
    later = register(client, valid_from="2031-05-01")
    assert later.status_code == 409


def test_only_one_of_many_at_once_gets_a_unit_number(client: CheckedClient) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: register(client).status_code, range(8)))
    assert sorted(answers) == [201] + [409] * 7
    assert len(client.get("/v1/vehicles").json()["vehicles"]) == 1


def test_an_unknown_unit_number_is_not_found(client: CheckedClient) -> None:
    for path in ("", "/meters", "/unit-numbers", "/duty", "/duty/1", "/component-exchanges", "/deferrals"):
        assert client.get(f"/v1/vehicles/X-1{path}").status_code == 404


def test_a_vehicle_that_comes_later_is_found_from_its_first_day_on(client: CheckedClient) -> None:
    made = register(client, in_service_on="2031-06-01")
    assert made.headers["location"] == "/v1/vehicles/T-104?valid_on=2031-06-01"
    assert client.get(made.headers["location"]).status_code == 200
    assert client.get("/v1/vehicles/T-104").status_code == 404


def test_vehicles_are_listed_page_by_page_with_what_their_meters_show(client: CheckedClient) -> None:
    for number in range(5):
        register(client, f"T-{number}", depot="south" if number == 3 else "north")
    read_km(client, "T-0", ("2031-05-01T12:00:00Z", 100))
    seen: list[str] = []
    path: str | None = "/v1/vehicles?limit=2"
    while path:
        answer = client.get(path)
        seen += [vehicle["unit"] for vehicle in answer.json()["vehicles"]]
        assert len(answer.json()["vehicles"]) <= 2
        cursor = answer.json()["next"]
        path = f"/v1/vehicles?limit=2&cursor={cursor}" if cursor else None
    assert seen == ["T-0", "T-1", "T-2", "T-3", "T-4"]
    first = client.get("/v1/vehicles?units=imperial").json()["vehicles"][0]
    assert first["meters"][0]["life_to_date"] == {"value": 62.1, "unit": "mi"}
    south = client.get("/v1/vehicles?depot=south").json()["vehicles"]
    assert [vehicle["unit"] for vehicle in south] == ["T-3"]
    assert client.get("/v1/vehicles?spec_sheet=lorry").json() == {"vehicles": [], "next": None}
    other = client.get("/v1/vehicles?limit=2").json()["next"]
    assert client.get(f"/v1/vehicles?depot=south&cursor={other}").status_code == 400


def test_a_list_takes_as_many_queries_for_many_vehicles_as_for_one(client: CheckedClient) -> None:
    store: Store = client.app.state.store
    counts = []
    for number in range(2):
        for place in range(1 + 9 * number):
            register(client, f"T-{number}-{place}")
        with counted_queries(store) as counted:
            client.get("/v1/vehicles?units=metric")
        counts.append(counted.count)
    assert counts == [3, 3]


def test_a_change_needs_the_version_that_it_starts_from(client: CheckedClient) -> None:
    register(client)
    assert client.patch("/v1/vehicles/T-104", json={"engine": "D3"}).status_code == 428
    assert patch(client, "T-104", 2, {"engine": "D3"}).status_code == 412
    assert client.get("/v1/vehicles/T-104").json()["engine"] is None
    changed = patch(client, "T-104", 1, {"engine": "D3", "depot": "south"})
    assert changed.status_code == 200
    assert changed.headers["etag"] == '"2"'
    assert (changed.json()["engine"], changed.json()["depot"]) == ("D3", "south")
    assert client.get("/v1/vehicles/T-104").json() == changed.json()
    emptied = patch(client, "T-104", 2, {"engine": None, "make": "Norvik", "supplied_by": "a lessor"})
    assert (emptied.json()["make"], emptied.json()["supplied_by"]) == ("Norvik", "a lessor")
    assert emptied.json()["engine"] is None


def test_one_of_many_changes_from_one_version_wins(client: CheckedClient) -> None:
    register(client)
    with ThreadPoolExecutor(8) as pool:
        answers = list(
            pool.map(
                lambda number: patch(client, "T-104", 1, {"engine": f"D{number}"}).status_code, range(20)
            )
        )
    assert sorted(answers) == [200] + [412] * 19
    assert client.get("/v1/vehicles/T-104").json()["version"] == 2


def test_a_change_that_breaks_a_rule_is_refused(client: CheckedClient) -> None:
    register(client)
    for body, pointer, code in REFUSED_CHANGES:
        refused = patch(client, "T-104", 1, body)
        assert refused.status_code == 422
        assert codes_at(refused) == {pointer: code}
    assert client.get("/v1/vehicles/T-104").json()["version"] == 1


def test_a_retired_vehicle_leaves_its_number_and_can_still_be_addressed(client: CheckedClient) -> None:
    register(client)
    retired = patch(client, "T-104", 1, {"retired_on": "2031-04-30"})
    assert retired.status_code == 200
    assert (retired.json()["retired_on"], retired.json()["valid_through"]) == ("2031-04-30", "2031-04-30")
    gone = client.get("/v1/vehicles/T-104")
    assert gone.status_code == 410
    assert check_problem(gone)["type"] == "/problems/gone"
    assert client.get("/v1/vehicles/T-104?valid_on=2031-04-30").json() == retired.json()
    assert client.get("/v1/vehicles").json()["vehicles"] == []
    assert client.get("/v1/vehicles?valid_on=2031-04-30").json()["vehicles"][0]["unit"] == "T-104"
    assert register(client, in_service_on="2031-05-01").status_code == 201
    assert client.get("/v1/vehicles/T-104").json()["in_service_on"] == "2031-05-01"


def test_a_retirement_is_taken_back_unless_the_number_has_gone_to_another(client: CheckedClient) -> None:
    register(client)
    patch(client, "T-104", 1, {"retired_on": "2031-04-30"})
    back = patch(client, "T-104", 2, {"retired_on": None}, on="2031-04-30")
    assert (back.json()["retired_on"], back.json()["valid_through"]) == (None, None)
    assert client.get("/v1/vehicles/T-104").status_code == 200
    patch(client, "T-104", 3, {"retired_on": "2031-04-30"})
    register(client, in_service_on="2031-05-02")
    later = patch(client, "T-104", 4, {"retired_on": "2031-05-01"}, on="2031-04-30")
    assert later.status_code == 200
    refused = patch(client, "T-104", 5, {"retired_on": None}, on="2031-04-30")
    assert refused.status_code == 409
    assert codes_at(refused) == {"#/retired_on": "unit_taken"}
    assert client.get("/v1/vehicles/T-104?valid_on=2031-04-30").json()["version"] == 5


def test_a_vehicle_does_not_leave_before_work_that_was_done_on_it(client: CheckedClient) -> None:
    register(client)
    client.post(
        "/v1/work-done",
        json={"unit": "T-104", "done_at": "2031-05-01T10:00:00Z", "services": [{"service": "oil"}]},
    )
    refused = patch(client, "T-104", 1, {"retired_on": "2031-04-30"})
    assert codes_at(refused) == {"#/retired_on": "work_after_retirement"}
    assert patch(client, "T-104", 1, {"retired_on": "2031-05-01"}).status_code == 200


def test_a_new_number_ends_the_one_before_and_takes_in_what_waited_for_it(client: CheckedClient) -> None:
    register(client)
    read_km(client, "V-7", ("2031-05-03T12:00:00Z", 9_500))
    given = client.post("/v1/vehicles/T-104/unit-numbers", json={"unit": "V-7", "valid_from": "2031-05-03"})
    assert given.status_code == 201
    assert given.json() == {"unit": "V-7", "valid_from": "2031-05-03", "valid_through": None}
    assert client.get(given.headers["location"]).status_code == 410
    shown = client.get("/v1/vehicles/V-7/unit-numbers").json()["unit_numbers"]
    assert shown == [
        {"unit": "T-104", "valid_from": "2030-05-01", "valid_through": "2031-05-02"},
        {"unit": "V-7", "valid_from": "2031-05-03", "valid_through": None},
    ]
    assert client.get("/v1/vehicles/V-7").json()["version"] == 2
    assert client.get("/v1/vehicles/V-7/meters").json()["meters"][0]["life_to_date"] == km(9_500)
    assert register(client, in_service_on="2031-05-03").status_code == 201
    back = client.post("/v1/vehicles/V-7/unit-numbers", json={"unit": "T-104", "valid_from": "2031-05-04"})
    assert back.status_code == 409


def test_a_number_that_does_not_follow_is_refused(client: CheckedClient) -> None:
    register(client)
    for body, pointer, code in REFUSED_NUMBERS:
        refused = client.post("/v1/vehicles/T-104/unit-numbers", json=body)
        assert refused.status_code == 422
        assert codes_at(refused) == {pointer: code}


def test_a_number_given_ahead_holds_until_its_day(client: CheckedClient, clock: SetClock) -> None:
    register(client)
    client.post("/v1/vehicles/T-104/unit-numbers", json={"unit": "V-7", "valid_from": "2031-05-10"})
    assert client.get("/v1/vehicles/T-104").json()["valid_through"] == "2031-05-09"
    assert client.get("/v1/vehicles/V-7").status_code == 404
    clock.forward(days=5)
    assert client.get("/v1/vehicles/T-104").status_code == 410
    assert client.get("/v1/vehicles/V-7").status_code == 200
    refused = patch(client, "V-7", 2, {"retired_on": "2031-05-09"})
    assert codes_at(refused) == {"#/retired_on": "label_out_of_order"}


def test_thousands_of_unit_numbers_are_resolved_by_one_statement(client: CheckedClient) -> None:
    register(client)
    client.post("/v1/vehicles/T-104/unit-numbers", json={"unit": "V-7", "valid_from": "2031-05-01"})
    store: Store = client.app.state.store
    first = date(2031, 4, 30)
    pairs = [(f"X-{number}", first) for number in range(3_000)]
    pairs += [(unit, first + timedelta(days=day)) for unit in ("T-104", "V-7") for day in range(2)]
    pairs += [('"];--', first), ("\N{SNOWMAN}", first)]
    with store.reading() as session, counted_queries(store) as counted:
        found = vehicle_keys_of(session, 1, pairs)
        assert vehicle_keys_of(session, 2, pairs)["V-7", date(2031, 5, 1)] is None
    assert counted.count == 2
    assert {pair for pair, key in found.items() if key is not None} == {
        ("T-104", date(2031, 4, 30)),
        ("V-7", date(2031, 5, 1)),
    }
    assert len(found) == len(set(pairs))


def test_the_registration_that_the_tests_change_is_accepted(client: CheckedClient) -> None:
    assert client.post("/v1/vehicles", json=registration()).status_code == 201
