"""Fluid samples over HTTP: judged by the sheet's limits, followed over fills, withdrawn, and what is refused."""

from __future__ import annotations

from copy import deepcopy
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.vehicles import VAN, read_km, register

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SAMPLES = "/v1/vehicles/T-104/fluid-samples"
FRESH = {
    "kinematic_40_mm2_s": 70.0,
    "kinematic_100_mm2_s": 12.0,
    "base_number": {"mg_g": 9.0, "method": "D2896"},
}
LIMITS = {
    "cleanliness_worst": "20/18/15",
    "viscosity_fall_max_share": 0.25,
    "base_number_min": {"mg_g": 3.0, "method": "D2896"},
}


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """Van T-104, new on 1 May 2030, with 36,500 km in its first year, its oil changed at 18,250 km."""
    van = deepcopy(VAN)
    van["compartments"][0]["condition_limits"] = LIMITS
    van["services"][0]["tasks"][0] |= {
        "compartment": "sump",
        "fluid_action": "exchange",
        "fill_basis": "service_fill_with_filter",
    }
    zone = {"code": "north", "name": "North", "time_zone": "UTC"}
    assert client.post("/v1/depots", json=zone).status_code == 201
    assert client.post("/v1/spec-sheets", json=van).status_code == 201
    register(client)
    read_km(client, "T-104", ("2030-05-01T12:00:00Z", 0), ("2030-10-30T12:00:00Z", 18_200))
    read_km(client, "T-104", ("2031-04-30T12:00:00Z", 36_400), ("2031-05-01T12:00:00Z", 36_500))
    done = {"unit": "T-104", "done_at": "2030-10-31T12:00:00Z", "services": [{"service": "oil"}]}
    assert client.post("/v1/work-done", json=done).status_code == 201


def sample(at: str, **changes: Any) -> dict[str, Any]:
    return {
        "compartment": "sump",
        "taken_at": at,
        "taken_by": "mechanic",
        "taking": "live_mid_stream",
        "is_bottle_clean": True,
        "measures": {"base_number": {"mg_g": 8.0, "method": "D2896"}},
    } | changes


def entered(client: CheckedClient, at: str, base: float, **changes: Any) -> dict[str, Any]:
    measures = {"base_number": {"mg_g": base, "method": "D2896"}} | changes.pop("more", {})
    answer = client.post(SAMPLES, json=sample(at, measures=measures, **changes))
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


def condition(client: CheckedClient, query: str = "") -> dict[str, Any]:
    answer = client.get(f"/v1/vehicles/T-104/fluid-condition{query}")
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_a_trend_over_two_fills_warns_before_the_limit_is_crossed(client: CheckedClient) -> None:
    """By hand: 1 mg/g in 3,000 km on either fill, from 9 at each change, so 3 at 18,000 km after the second."""
    assert condition(client)["compartments"] == []
    for at, base in (
        ("2030-05-31T12:00:00Z", 8.0),
        ("2030-07-30T12:00:00Z", 6.0),
        ("2030-11-30T12:00:00Z", 8.0),
        ("2031-04-30T12:00:00Z", 2.9666667),
    ):
        last = entered(client, at, base, fresh=FRESH)
    assert [one["verdict"] for one in last["judgements"]] == ["beyond"]
    (defect,) = client.get("/v1/defects?unit=T-104").json()["defects"]
    assert (defect["reference"], defect["is_off_road"], defect["compartment"]) == (
        f"fluid sample {last['id']}",
        False,
        "sump",
    )
    assert defect["what"].startswith("Fluid of sump: base number beyond its limit (at least 3 mg/g by D2896)")
    withdrawal = {"by": "foreman", "reason": "Bottles swapped"}
    assert client.post(f"{SAMPLES}/4/withdrawal", json=withdrawal).json()["withdrawal"]["by"] == "foreman"
    gone = client.get(f"/v1/defects/{defect['id']}").json()["withdrawal"]
    assert (gone["by"], gone["reason"]) == ("foreman", "Bottles swapped")

    (sump,) = condition(client)["compartments"]
    assert (sump["filled_on"], sump["samples"], sump["sampled_on"]) == ("2030-10-31", 3, "2030-11-30")
    (trend,) = sump["trends"]
    assert (trend["runs_in"], trend["samples"], trend["limit"]) == ("odometer", 3, 3.0)
    assert trend["slope"] == pytest.approx(-1 / 3, rel=1e-3)
    there = trend["reaches_limit"]
    assert there["life_to_date"]["value"] == pytest.approx(18_300 + 18_000, abs=20)
    assert there["on"] == "2031-04-29"
    assert trend["is_warning"]
    (us,) = condition(client, "?units=us")["compartments"]
    assert us["trends"][0]["per"] == {"value": 1000, "unit": "mi"}
    assert us["trends"][0]["slope"] == pytest.approx(-1.609344 / 3, rel=1e-3)


def test_without_readings_a_trend_runs_in_days_and_a_far_limit_has_no_date(client: CheckedClient) -> None:
    """A vehicle bought used, its meter never read: 1 mg/g in 100 days, then hardly anything at all."""
    register(client, "T-9", is_known_from_new=False)
    path = "/v1/vehicles/T-9"

    def trend(*samples: tuple[str, float]) -> dict[str, Any]:
        for at, base in samples:
            measures = {"base_number": {"mg_g": base, "method": "D2896"}}
            made = client.post(f"{path}/fluid-samples", json=sample(at, measures=measures))
            assert made.status_code == 201, made.text
        return dict(client.get(f"{path}/fluid-condition").json()["compartments"][0]["trends"][0])

    falling = trend(("2030-06-01T12:00:00Z", 8.0), ("2030-09-09T12:00:00Z", 7.0))
    assert (falling["runs_in"], falling["per"]) == ("calendar", {"value": 30, "unit": "d"})
    assert falling["slope"] == pytest.approx(-0.3)
    assert falling["reaches_limit"] == {"life_to_date": None, "on": "2031-10-14"}
    level = trend(("2030-09-10T12:00:00Z", 7.99999), ("2030-09-11T12:00:00Z", 7.99998))
    assert level["samples"] == 4
    assert level["earliest"] is None or level["earliest"]["life_to_date"] is None


def test_the_fresh_fluid_is_remembered_of_the_product(client: CheckedClient) -> None:
    product = {
        "name": "Oil A",
        "kind": "engine_oil",
        "currency": "EUR",
        "meets": [{"standard": "acea", "service_class": "C3"}],
    }
    made = client.put("/v1/fluid-products/oil-a", json=product, headers={"If-None-Match": "*"})
    assert made.status_code == 201, made.text
    thin = {"kinematic_100_mm2_s": 9.3}
    lone = entered(client, "2030-06-01T12:00:00Z", 8.0, fluid_product="oil-a", more=thin)
    assert (lone["fresh"], lone["viscosity_100_change"]) == (None, None)
    entered(client, "2030-06-02T12:00:00Z", 8.0, fluid_product="oil-a", fresh=FRESH)
    later = client.get(f"{SAMPLES}/1").json()
    assert later["is_fresh_of_product"]
    assert later["fresh"]["viscosity_index"] == 169
    assert later["viscosity_100_change"] == pytest.approx(-0.225)
    verdicts = {one["measure"]: (one["verdict"], one["used_share"]) for one in later["judgements"]}
    assert verdicts == {
        "viscosity_100": ("near", pytest.approx(0.9)),
        "base_number": ("within", pytest.approx(1 / 6, rel=1e-5)),
    }


def test_pan_drainings_are_no_basis_for_a_code_and_marked_so(client: CheckedClient) -> None:
    counts = {"from_4um_per_ml": 90_000, "from_6um_per_ml": 30_000, "from_14um_per_ml": 3_000}
    pan = entered(client, "2030-06-01T12:00:00Z", 8.0, taking="pan", more={"counts": counts})
    live = entered(client, "2030-06-01T13:00:00Z", 8.0, more={"counts": counts})
    assert pan["measures"]["cleanliness_code"] == live["measures"]["cleanliness_code"] == "24/22/19"
    assert "pan" in pan["no_code_because"]
    assert live["no_code_because"] is None
    verdicts = [
        next(one["verdict"] for one in answer["judgements"] if one["measure"] == "cleanliness")
        for answer in (pan, live)
    ]
    assert verdicts == ["not_judged", "beyond"]
    entered(client, "2030-06-01T14:00:00Z", 8.0, more={"counts": counts}, assigned_to="foreman")
    (defect,) = client.get("/v1/defects?unit=T-104").json()["defects"]
    assert defect["reference"] == f"fluid sample {live['id']}", "the second one adds nothing to the first"
    listed = client.get(SAMPLES, params={"limit": 1}).json()
    rest = client.get(SAMPLES, params={"limit": 2, "cursor": listed["next"]}).json()
    assert [one["id"] for one in (*listed["samples"], *rest["samples"])][:2] == [pan["id"], live["id"]]


BAD: list[tuple[dict[str, Any], dict[str, str]]] = [
    ({"measures": {}}, {"#/measures": "sample_without_measure"}),
    ({"compartment": "axle"}, {"#/compartment": "compartment_unknown"}),
    ({"taken_at": "2031-05-06T12:00:00Z"}, {"#/taken_at": "in_future"}),
    ({"taken_at": "2030-04-01T12:00:00Z"}, {"#/taken_at": "before_first_day"}),
    ({"fluid_product": "none"}, {"#/fluid_product": "fluid_product_unknown"}),
    (
        {"measures": {"colour": {"is_dyed": True, "astm_number": "3.0"}}},
        {"#/measures/colour/number": "colour_number_of_dyed_fluid"},
    ),
    (
        {"fresh": {"cleanliness_code": "13/16/18"}},
        {"#/fresh/cleanliness_code": "cleanliness_code_malformed"},
    ),
    (
        {"figures": [{"meter": "odometer", "figure": {"value": 1, "unit": "km"}}]},
        {"#/figures/0/figure/value": "figure_contradicts_reading"},
    ),
]


def test_a_sample_that_cannot_be_is_refused_whole(client: CheckedClient) -> None:
    for changes, rules in BAD:
        answer = client.post(SAMPLES, json=sample("2030-12-01T12:00:00Z") | changes)
        assert (answer.status_code, codes_at(answer)) == (422, rules)
    assert client.get(SAMPLES).json()["samples"] == []
