"""Forecasts under changed assumptions over HTTP: before, after, and nothing stored."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from domain.sheet import DutyCondition, Limb, SevereCondition
from tests.support.client import codes_at
from tests.support.small_fleet import SHEET, SmallFleet, small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> SmallFleet:
    """Van 1 in the north and 2 in the south, new on 1 May 2030, read each month; both have run 2,500 km a month."""
    made = small_fleet(client.app.state.store)
    for unit, depot in (("1", "north"), ("2", "south")):
        made.add_vehicle(unit, depot=depot)
        months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
        made.read(unit, *((f"{y}-{on:02d}-04T08:00", 0.1 + 2_500 * m) for y, on, m in months))
    return made


def asked(client: CheckedClient, **body: Any) -> dict[str, Any]:
    """The answer to a question."""
    answer = client.post("/v1/forecasts/what-if", json=body)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def item(answer: dict[str, Any], kind: str, code: str) -> dict[str, Any]:
    """One item of a kind."""
    return next(one for one in answer[kind]["items"] if one["item"] == code)


def test_nothing_changed_makes_no_difference(client: CheckedClient) -> None:
    answer = asked(client)
    for kind in ("fluids", "parts", "bay_hours"):
        assert answer[kind]["items"]
        for one in answer[kind]["items"]:
            assert one["before"] == one["after"]
            assert one["difference"] == 0
            assert set(one["periods"]["difference"]) == {0}


def test_a_vehicle_moved_sold_or_added_changes_just_its_part(client: CheckedClient) -> None:
    moved = item(asked(client, moved=[{"unit": "1", "depot": "south"}]), "fluids", "oil-a")
    north, south = moved["depots"]
    assert moved["difference"] == pytest.approx(0, abs=0.01)
    assert (north["after"], south["difference"]) == (0, pytest.approx(north["before"], abs=0.01))

    answer = asked(client, sold=[{"unit": "1", "last_on": "2031-05-05"}])
    sold = item(answer, "fluids", "oil-a")
    # Its oil is overdue: that is still done on its last day, and no more after.
    assert [d["after"] for d in sold["depots"]] == [5.7, sold["depots"][1]["before"]]

    added = asked(
        client,
        depot="north",
        added=[
            {
                "spec_sheet": "van",
                "depot": "north",
                "vehicles": 2,
                "daily_use": [{"meter": "odometer", "per_day": {"value": 100, "unit": "km"}}],
            }
        ],
    )
    assert (added["vehicles_before"], added["vehicles_after"]) == (1, 3)
    # 36,600 km in the year, due every 15,000 km: two oil services each, or a third if they run much more.
    assert item(added, "fluids", "oil-a")["difference"] == pytest.approx(4.4 * 5.7, abs=0.6 * 5.7)
    # They are new: their first inspection is due in a year, after the last day.
    inspections = item(added, "bay_hours", "")
    assert inspections["difference"] > 0


def test_shorter_intervals_and_more_passes_take_more(client: CheckedClient) -> None:
    halved = asked(client, intervals=[{"spec_sheet": "van", "service": "oil", "factor": 0.5}])
    oil = item(halved, "fluids", "oil-a")
    assert 1.4 < oil["after"]["expected"] / oil["before"]["expected"] < 2.2
    assert item(halved, "fluids", "fluid-b")["difference"] == 0
    # Three passes of 4.1 L in place of one, and a seal a pass.
    thrice = asked(client, months=36, passes=[{"spec_sheet": "van", "task": "gearbox-fluid", "passes": 3}])
    for kind, code in (("fluids", "fluid-b"), ("parts", "S-19")):
        one = item(thrice, kind, code)
        assert one["after"]["expected"] == pytest.approx(3 * one["before"]["expected"], abs=0.05)
    assert item(thrice, "bay_hours", "")["difference"] == 0


def test_duty_shortens_what_the_sheet_says_it_shortens(client: CheckedClient) -> None:
    towing = asked(client, duty=[{"condition": "towing", "share": 0.6, "unit": "1"}])
    # The van's rules know no severe duty.
    assert item(towing, "fluids", "oil-a")["difference"] == 0
    weighted = asked(client, duty_policies=[{"spec_sheet": "van", "policy": "weighted"}])
    assert item(weighted, "fluids", "oil-a")["difference"] == 0


def test_what_the_fleet_does_not_have_is_refused_in_its_place(client: CheckedClient) -> None:
    answer = client.post(
        "/v1/forecasts/what-if",
        json={
            "duty": [{"condition": "towing", "share": 0.5, "spec_sheet": "lorry"}],
            "intervals": [{"spec_sheet": "van", "service": "wash", "factor": 2}],
            "passes": [
                {"spec_sheet": "van", "task": "wash", "passes": 2},
                {"spec_sheet": "van", "task": "belts", "passes": 2},
            ],
            "moved": [{"unit": "9", "depot": "east"}],
            "sold": [{"unit": "8", "last_on": "2031-06-01"}],
            "added": [
                {
                    "spec_sheet": "van",
                    "depot": "north",
                    "from_on": "2031-05-04",
                    "daily_use": [{"meter": "idle_hours", "per_day": {"value": 1, "unit": "h"}}],
                }
            ],
        },
    )
    assert codes_at(answer) == {
        "#/duty/0/spec_sheet": "spec_sheet_unknown",
        "#/intervals/0/service": "service_unknown",
        "#/passes/0/task": "task_unknown",
        "#/passes/1/task": "task_without_passes",
        "#/moved/0/unit": "vehicle_unknown",
        "#/moved/0/depot": "depot_unknown",
        "#/sold/0/unit": "vehicle_unknown",
        "#/added/0/from_on": "day_out_of_range",
        "#/added/0/daily_use/0/meter": "meter_missing",
    }
    late = client.post(
        "/v1/forecasts/what-if", json={"months": 37, "intervals": [{"spec_sheet": "van", "factor": 0}]}
    )
    assert codes_at(late) == {"#/months": "figure_too_large", "#/intervals/0/factor": "figure_too_small"}


def test_nothing_is_stored(client: CheckedClient) -> None:
    before = client.get("/v1/forecasts/fluids").json()
    asked(client, sold=[{"unit": "1", "last_on": "2031-05-05"}], moved=[{"unit": "2", "depot": "north"}])
    assert client.get("/v1/forecasts/fluids").json() == before


def test_assumed_duty_is_the_duty_that_is_entered_then(client: CheckedClient, fleet: SmallFleet) -> None:
    # The pickup's oil: every 15,000 km or 12 months, half of that under towing from a fifth of use on.
    towing = SevereCondition(DutyCondition.TOWING, 0.5, 0.2, (Limb.ODOMETER, Limb.CALENDAR))
    oil = SHEET.service("oil")
    services = (replace(oil, rules=(replace(oil.rules[0], conditions=(towing,)),)),)
    fleet.add_sheet(replace(SHEET, code="pickup", services=services))
    fleet.add_depot("west")
    fleet.add_vehicle("7", depot="west", sheet="pickup", in_service_on="2031-01-01")
    months = [("2031-01-02", 0), *((f"2031-{m:02d}-01", 1_000 * (m - 1)) for m in range(2, 6))]
    fleet.read("7", *((f"{day}T08:00", km) for day, km in months))
    duty = {"condition": "towing", "share": 0.5}
    assumed = item(asked(client, depot="west", duty=[duty]), "fluids", "oil-a")
    assert assumed["difference"] > 5.7
    entered = client.post("/v1/vehicles/7/duty", json=duty | {"from_on": "2031-01-01"})
    assert entered.status_code == 201
    stands = item(asked(client, depot="west", duty=[{"condition": "towing", "share": 0}]), "fluids", "oil-a")
    # Entered from the first day on, it makes of the forecast what was assumed, and taken away again what was before.
    assert stands["before"]["expected"] == pytest.approx(assumed["after"]["expected"], abs=0.06)
    assert stands["after"]["expected"] == pytest.approx(assumed["before"]["expected"], abs=0.06)
