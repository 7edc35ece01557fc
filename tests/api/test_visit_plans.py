"""A vehicle's visits over HTTP: gathered, explained, within windows and bay time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.sheet_documents import quantity
from tests.support.small_fleet import SmallFleet, small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

TERMS = "/v1/depots/north/visit-terms"
COSTS: dict[str, Any] = {
    "currency": "EUR",
    "visit_cost_minor": 12_000,
    "labour_minor_per_h": 8_000,
    "late_minor_per_day": 1_000,
    "bay_time": quantity(4, "h"),
    "open_days": [0, 1, 2, 3, 4],
}


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> SmallFleet:
    """A van read each month, and one whose papers are missing."""
    made = small_fleet(client.app.state.store)
    made.add_vehicle("1", depot="north")
    months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
    made.read("1", *((f"{y}-{on:02d}-04T08:00", 0.1 + 1_000 * m) for y, on, m in months))
    made.add_vehicle("2", depot="north", is_known_from_new=False)
    return made


def plan(client: CheckedClient, unit: str = "1", days: int = 366) -> dict[str, Any]:
    """The plan of a vehicle."""
    response = client.get(f"/v1/vehicles/{unit}/visit-plan?days={days}")
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def test_services_are_gathered_into_visits_and_told_why(client: CheckedClient) -> None:
    missing = client.get("/v1/vehicles/1/visit-plan")
    assert (missing.status_code, codes_at(missing)) == (409, {"#": "visit_terms_missing"})
    assert client.put(TERMS, json=COSTS).status_code == 201
    due = {line["service"]: line for line in client.get("/v1/vehicles/1/due").json()["lines"]}
    found = plan(client)
    planned = {one["service"]: one for visit in found["visits"] for one in visit["services"]}
    left_out = {one["service"]: one["code"] for one in found["left_out"]}
    assert set(planned) | set(left_out) == set(due)
    for code, one in planned.items():
        assert one["likely_on"] == due[code]["likely_on"]
    # The first visit is today, a Monday: what is overdue risks more each day.
    assert (found["as_of"], found["visits"][0]["on"]) == ("2031-05-05", "2031-05-05")
    assert found["cost_minor"] <= found["cost_apart_minor"]
    assert found["cost_minor"] == pytest.approx(
        sum(visit["cost_minor"] for visit in found["visits"]), abs=0.05
    )
    for visit in found["visits"]:
        parts = sum(one["early_cost_minor"] + one["late_cost_minor"] for one in visit["services"])
        assert visit["cost_minor"] == pytest.approx(12_000 + parts, abs=0.1)
        assert visit["detail"].startswith(("Together on", "On "))
    assert plan(client, "2")["visits"] == []
    assert {one["code"] for one in plan(client, "2")["left_out"]} <= {"baseline_needed", "not_dated"}


# The statements are the same; both databases are held to the story above.
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_dear_visits_are_few_and_cheap_ones_many(client: CheckedClient) -> None:
    client.put(TERMS, json=COSTS | {"visit_cost_minor": 10_000_000, "bay_time": quantity(24, "h")})
    assert len(plan(client)["visits"]) == 1
    free = COSTS | {"visit_cost_minor": 0, "late_minor_per_day": 500_000}
    assert client.put(TERMS, json=free, headers={"If-Match": '"1"'}).json()["version"] == 2
    apart = plan(client)
    assert len(apart["visits"]) >= 2
    assert all(one["late_days"] < 1 for visit in apart["visits"][1:] for one in visit["services"])


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_terms_are_checked_and_replaced_from_their_version(client: CheckedClient) -> None:
    assert client.get(TERMS).status_code == 404
    wrong = COSTS | {
        "open_days": [7],
        "bay_time": quantity(0, "h"),
        "currency": "eur",
        "visit_cost_minor": -1,
    }
    assert codes_at(client.put(TERMS, json=wrong)) == {
        "#/open_days/0": "figure_too_large",
        "#/bay_time": "duration_out_of_range",
        "#/currency": "text_malformed",
        "#/visit_cost_minor": "figure_too_small",
    }
    assert client.put(TERMS, json=COSTS).headers["etag"] == '"1"'
    assert client.put(TERMS, json=COSTS).status_code == 428
    assert client.get(TERMS).json()["open_days"] == [0, 1, 2, 3, 4]
    # 5 May 2031 is a Monday: a depot that works on Sundays only has no open day in three.
    client.put(TERMS, json=COSTS | {"open_days": [6]}, headers={"If-Match": '"1"'})
    closed = client.get("/v1/vehicles/1/visit-plan?days=3")
    assert (closed.status_code, set(codes_at(closed).values())) == (422, {"no_open_day"})
    assert client.get("/v1/vehicles/1/visit-plan?days=0").status_code == 422
    assert client.get("/v1/vehicles/9/visit-plan").status_code == 404


def test_a_depot_places_its_vehicles_in_the_bay_time_of_its_days(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    for unit in ("3", "4"):
        fleet.add_vehicle(unit, depot="north")
        months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
        fleet.read(unit, *((f"{y}-{on:02d}-04T08:00", 0.1 + 1_000 * m) for y, on, m in months))
    assert codes_at(client.get("/v1/depots/north/visit-plan")) == {"#": "visit_terms_missing"}
    client.put(TERMS, json=COSTS)
    alone = client.get("/v1/vehicles/1/visit-plan?days=28").json()
    wide = client.get("/v1/depots/north/visit-plan").json()
    assert [one["unit"] for one in wide["vehicles"] if one["visits"]] == ["1", "3", "4"]
    by_unit = {one["unit"]: one for one in wide["vehicles"]}
    assert by_unit["1"]["visits"] == alone["visits"]
    assert (wide["is_complete"], len(wide["days"])) == (True, 20)
    taken = alone["visits"][0]["bay_time"]["value"]
    assert wide["days"][0]["left"]["value"] == pytest.approx(max(4 - 3 * taken, 0), abs=0.05)
    # Bay time for one vehicle a day: they come in one after the other.
    narrow = COSTS | {"bay_time": quantity(taken, "h")}
    assert client.put(TERMS, json=narrow, headers={"If-Match": '"1"'}).status_code == 200
    tight = client.get("/v1/depots/north/visit-plan").json()
    first = [one["visits"][0]["on"] for one in tight["vehicles"] if one["visits"]]
    assert first == ["2031-05-05", "2031-05-06", "2031-05-07"]
    assert tight["cost_minor"] > wide["cost_minor"]
    one_day = client.get("/v1/depots/north/visit-plan?days=1").json()
    assert [one["is_placed"] for one in one_day["vehicles"]].count(False) == 2
    assert client.get("/v1/depots/east/visit-plan").status_code == 404
