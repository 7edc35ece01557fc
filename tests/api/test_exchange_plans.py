"""Exchange plans over HTTP: shares, targets, ranges, two fluids, containers, machines, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest

from domain.units import CANONICAL
from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity, van_document

PLANS = "/v1/exchange-plans"


def litres(value: float) -> dict[str, Any]:
    """A volume in litres."""
    return quantity(value, "L")


def both(value: Any) -> dict[str, Any]:
    """A range whose ends are equal."""
    return {"low": value, "high": value}


def price(minor: int) -> dict[str, Any]:
    """A price a litre."""
    return {"price": {"minor": minor, "per": litres(1)}}


def planned(client: CheckedClient, query: str = "", **question: Any) -> dict[str, Any]:
    """The plan asked about."""
    response = client.post(PLANS + query, json=question)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def refused(client: CheckedClient, **question: Any) -> dict[str, str]:
    """What is refused, by its place."""
    return codes_at(client.post(PLANS, json=question))


def test_two_passes_by_hand(client: CheckedClient) -> None:
    # 4 of 8 L: a half stays each time, so a quarter after two passes; without asking any database.
    with counted_queries(client.store) as counted:
        found = planned(client, capacity=litres(8), drained_volume=litres(4), passes=2, margin_share=0.1)
    assert counted.count == 0
    assert [one["old_share"] for one in found["passes"]] == [both(0.5), both(0.25)]
    result = found["result"]
    assert (result["old"], result["last"]) == (both(litres(2.0)), both(litres(6.0)))
    assert (result["fresh_share"], result["first"]) == (both(0.75), both(litres(0.0)))
    (fluid,) = found["fluids"]
    # From the drained 2 x 4 L up to 2 x 8 L, each with a tenth more.
    assert fluid["buy"] == {"low": litres(8.8), "high": litres(17.6)}
    assert (fluid["poured"], fluid["cost"], found["cost"], found["target"]) == (
        both(litres(8.0)),
        None,
        None,
        None,
    )
    assert [n["code"] for n in found["notices"]] == [
        "makers_manual_governs",
        "final_level_check",
        "dark_after_change",
    ]
    assert [step["name"] for step in found["working"]] == [
        "old_share", "old_share", "last_share", "buy_at_least", "buy_at_most",
    ]  # fmt: skip
    second = found["working"][1]
    assert (second["formula"], second["result"], second["case"]) == ("S1 * (1 - d/C)", 0.25, None)
    assert [(f["symbol"], f["value"], f["unit"]) for f in second["figures"]] == [
        ("S1", 0.5, None),
        ("d", 4.0, "L"),
        ("C", 8.0, "L"),
    ]
    assert "dilution" in second["source"]
    assert second["valid_range"].startswith("0 < d <= C")


def test_units_are_those_asked_for(client: CheckedClient) -> None:
    # 8 US quarts are 7.571 L (0.946352946 L each, NIST SP 811); a step carries three places more.
    question: dict[str, Any] = {
        "capacity": quantity(8, "qt_us"),
        "drained_volume": quantity(4, "qt_us"),
        "passes": 1,
    }
    found = planned(client, "?units=us", **question)
    assert (found["capacity"], found["result"]["old"]) == (
        quantity(8.0, "qt_us"),
        both(quantity(4.0, "qt_us")),
    )
    assert planned(client, **question)["capacity"] == litres(7.571)
    drained = found["working"][0]["figures"][1]
    # 3,785 mL (4 quarts are 3,785.4 mL, kept in whole millilitres) are 3.99956 quarts.
    assert (drained["value"], drained["unit"], drained["measures"]) == (3.99956, "qt_us", "volume")


def test_every_figure_of_the_working_has_its_unit_or_says_what_it_is(client: CheckedClient) -> None:
    found = planned(
        client,
        capacity=litres(8),
        compartment_kind="automatic_transmission",
        passes=2,
        currency="EUR",
        first_fluid=price(700),
        last_fluid={"containers": [{"size": litres(1), "price_minor": 1200}]},
        machine={"mixing_factor": 2},
    )
    dimensions = {dimension.value for dimension in CANONICAL}
    for step in found["working"]:
        for part in (step, *step["figures"]):
            assert (part["unit"] is None) == (part["measures"] not in dimensions)
        assert step["source"]
        assert step["valid_range"]


def test_measured_volumes_and_a_pass_without_running(client: CheckedClient) -> None:
    # 4 of 8 L leave a half; without running the second 4 L are the fresh ones, and the half stays.
    found = planned(client, capacity=litres(8), drained_volumes=[litres(4), litres(4)], is_run_between=False)
    assert [(one["is_run_before"], one["old_share"]["high"]) for one in found["passes"]] == [
        (True, 0.5),
        (False, 0.5),
    ]
    assert "pass_without_running" in [n["code"] for n in found["notices"]]
    # Measured 4 and 2 L with running: 0.5 x 0.75.
    run = planned(client, capacity=litres(8), drained_volumes=[litres(4), litres(2)], is_run_between=[True])
    assert run["result"]["old_share"] == both(0.375)
    assert run["drained"]["basis"] == "measured"


def test_passes_for_a_share(client: CheckedClient) -> None:
    # ln 0.05/ln 0.6 = 5.86449, so six passes of 4 of 10 L.
    found = planned(client, capacity=litres(10), drained_volume=litres(4), fresh_share=0.95)
    assert found["target"]["passes"] == both(6)
    assert found["target"]["exact_passes"] == pytest.approx(5.86449, abs=5e-6)
    assert found["target"]["poured"] == both(litres(24.0))
    assert len(found["passes"]) == 6
    assert [step["name"] for step in found["working"]][:2] == ["passes", "new_share"]


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    # Common practice, no source.
    [
        ("engine_sump", 0.9, 0.95),
        ("manual_gearbox", 0.9, 0.95),
        ("automatic_transmission", 0.3, 0.5),
        ("continuously_variable_transmission", 0.4, 0.85),
        ("coolant_circuit", 0.5, 0.7),
        ("hydraulic_tank", 0.4, 0.7),
    ],
)
def test_a_share_of_practice_is_a_range_throughout(
    client: CheckedClient, kind: str, low: float, high: float
) -> None:
    found = planned(client, capacity=litres(10), compartment_kind=kind, passes=2)
    drained = found["drained"]
    assert (drained["basis"], drained["is_range"]) == ("common_practice", True)
    assert drained["share"] == {"low": low, "high": high}
    assert drained["source"] == "common practice, no source"
    assert "drained_range_assumed" in [n["code"] for n in found["notices"]]
    old = found["result"]["old_share"]
    assert old["low"] == pytest.approx((1 - high) ** 2, abs=1e-12)
    assert old["high"] == pytest.approx((1 - low) ** 2, abs=1e-12)
    for one in (drained["volume"], found["result"]["old"], found["fluids"][0]["poured"]):
        assert one["low"]["value"] < one["high"]["value"]
    assert {step["case"] for step in found["working"]} == {"least_drained", "most_drained"}


def test_a_share_wanted_of_a_range_is_reached_at_its_least(client: CheckedClient) -> None:
    # 0.9 takes two passes of 0.85 and five of 0.4: 0.15^2 = 0.0225; 0.6^4 = 0.13, 0.6^5 = 0.078.
    found = planned(
        client, capacity=litres(10), compartment_kind="continuously_variable_transmission", fresh_share=0.9
    )
    assert found["target"]["passes"] == {"low": 2, "high": 5}
    assert found["target"]["exact_passes"] is None
    assert found["result"]["fresh_share"]["low"] >= 0.9
    codes = [n["code"] for n in found["notices"]]
    assert "variable_transmission_limit" in codes
    assert "buy_practice" in codes


def test_a_given_range(client: CheckedClient) -> None:
    ends = {"low": litres(3), "high": litres(5)}
    found = planned(client, capacity=litres(10), drained_range=ends, passes=2)
    assert found["result"]["old_share"] == {"low": 0.25, "high": pytest.approx(0.49, abs=1e-12)}
    assert (found["drained"]["basis"], found["drained"]["volume"]) == ("given", ends)
    one_figure = planned(client, capacity=litres(10), drained_range=both(litres(3)), passes=1)
    assert one_figure["drained"]["is_range"] is False


def test_two_fluids_their_shares_and_cost(client: CheckedClient) -> None:
    # 4 of 8 L: a quarter old, a quarter of the first fluid, a half of the last. 4 L at 9.00 and 4 L at 15.00,
    # two passes at 25.00.
    found = planned(
        client,
        capacity=litres(8),
        drained_volume=litres(4),
        passes=2,
        currency="EUR",
        first_fluid=price(900),
        last_fluid=price(1500),
        pass_price_minor=2500,
    )
    result = found["result"]
    assert [result[name] for name in ("old_share", "first_share", "last_share")] == [
        both(0.25),
        both(0.25),
        both(0.5),
    ]
    assert [one["cost"]["low_minor"] for one in found["fluids"]] == [3600, 6000]
    assert (found["passes_cost_minor"], found["cost"], found["currency"]) == (
        5000,
        {"low_minor": 14_600, "high_minor": 14_600},
        "EUR",
    )
    assert [one["fluid"] for one in found["passes"]] == ["first", "last"]
    assert "first_fluid_stays" in [n["code"] for n in found["notices"]]


def test_the_cheapest_plan_by_hand(client: CheckedClient) -> None:
    # 4 of 10 L: 0.8 fresh takes 4 passes (0.6^4 = 0.1296), 0.3 of the last fluid one of them. The first fluid
    # costs less, so three passes take it: 3 x 4 x 5.00 + 4 x 9.00 = 96.00.
    question: dict[str, Any] = {
        "capacity": litres(10),
        "drained_volume": litres(4),
        "fresh_share": 0.8,
        "last_share": 0.3,
        "currency": "EUR",
        "first_fluid": price(500),
        "last_fluid": price(900),
    }
    found = planned(client, **question)
    assert found["is_cheapest"] is True
    assert [one["fluid"] for one in found["passes"]] == ["first", "first", "first", "last"]
    assert found["cost"] == {"low_minor": 9600, "high_minor": 9600}
    # In drums of 20 L at 30.00 the first fluid is no saving over 16 L of the last at 1.00.
    drums = {"containers": [{"size": litres(20), "price_minor": 3000}]}
    dear = planned(client, **{**question, "first_fluid": drums, "last_fluid": price(100)})
    assert [one["fluid"] for one in dear["passes"]] == ["last"] * 4
    assert len(dear["fluids"]) == 1


def test_real_containers_hold_the_pour_and_the_margin(client: CheckedClient) -> None:
    # 2 x 4 L and a tenth are 8.8 L: one of 5 L at 38 and four of 1 L at 9 make 74; two of 5 L would be 76.
    shelf = [{"size": litres(5), "price_minor": 38}, {"size": litres(1), "price_minor": 9}]
    found = planned(
        client,
        capacity=litres(8),
        drained_volume=litres(4),
        passes=2,
        margin_share=0.1,
        currency="EUR",
        last_fluid={"containers": shelf},
    )
    enough, full = found["fluids"][0]["containers"]
    assert (enough["case"], enough["need"], enough["cost_minor"]) == ("drained_volume", litres(8.8), 74)
    assert [(c["size"], c["count"]) for c in enough["containers"]] == [(litres(5.0), 1), (litres(1.0), 4)]
    assert (enough["bought"], enough["left_over"]) == (litres(9.0), litres(0.2))
    assert (full["case"], full["need"]) == ("full_capacity", litres(17.6))
    assert found["cost"] == {"low_minor": 74, "high_minor": 74}
    step = next(s for s in found["working"] if s["name"] == "last_fluid_containers")
    assert (step["formula"], step["result"], step["case"]) == ("n1 * p1 + n2 * p2", 74, "drained_volume")


def test_a_machine_beside_the_plan(client: CheckedClient) -> None:
    # 0.64 fresh of 10 L: plug flow 6.4 L; perfect mixing 10 ln(1/0.36) = 10.217 L; a factor of 2 twice that.
    # With 8 L: 0.8; 1 - e^-0.8 = 0.5507; 1 - e^-0.4 = 0.3297. 6.4 L at 10.00 and the machine 50.00.
    found = planned(
        client,
        capacity=litres(10),
        drained_volume=litres(4),
        passes=2,
        currency="EUR",
        last_fluid=price(1000),
        machine={"mixing_factor": 2, "price_minor": 5000},
    )
    plug, mixed, bypassing = found["machine"]["models"]
    assert [m["for_same_share"] for m in (plug, mixed, bypassing)] == [
        both(litres(6.4)),
        both(litres(10.217)),
        both(litres(20.434)),
    ]
    assert plug["share_with_same_fluid"] == both(0.8)
    assert mixed["share_with_same_fluid"]["low"] == pytest.approx(0.5506710359, abs=1e-10)
    assert bypassing["share_with_same_fluid"]["low"] == pytest.approx(0.3296799540, abs=1e-10)
    assert plug["cost"] == {"low_minor": 11_400, "high_minor": 11_400}
    assert "machine_share" in [n["code"] for n in found["notices"]]


@pytest.fixture
def stocked(client: CheckedClient) -> CheckedClient:
    """A van's sheet with a transmission of 8 US quarts that drains 3.5 L to 4 quarts, and two fluids for it."""
    document = van_document()
    document["fluid_requirements"][1]["service_class"] = "Family N"
    assert client.post("/v1/spec-sheets", json=document).status_code == 201
    for code, family, minor in (
        ("plain", "Family N", 800),
        ("fine", "Family N", 1500),
        ("other", "B 2", 500),
    ):
        product = {
            "name": code.title(),
            "kind": "continuously_variable_fluid",
            "currency": "EUR",
            "containers": [{"size": litres(1), "price_minor": minor}],
            "meets": [{"standard": "maker", "service_class": family}],
        }
        assert client.put(f"/v1/fluid-products/{code}", json=product).status_code == 201
    return client


def test_a_compartment_of_a_stored_sheet(stocked: CheckedClient) -> None:
    found = planned(
        stocked,
        compartment={"spec_sheet": "van", "code": "cvt"},
        passes=2,
        first_fluid={"product": "plain"},
        last_fluid={"product": "fine"},
    )
    assert (found["capacity"], found["compartment_kind"]) == (
        litres(7.571),
        "continuously_variable_transmission",
    )
    assert (found["drained"]["basis"], found["drained"]["volume"]) == (
        "spec_sheet",
        {"low": litres(3.5), "high": litres(3.785)},
    )
    # Both are of the family that the compartment's requirement names.
    assert [one["suitability"]["verdict"] for one in found["fluids"]] == ["yes", "yes"]
    assert found["mixing"]["verdict"] == "yes"
    # Four litres of each at the least drained volume (3.5 L), and at the most (3.785 L).
    assert found["cost"] == {"low_minor": 4 * 800 + 4 * 1500, "high_minor": 4 * 800 + 4 * 1500}
    cases = [one["case"] for one in found["fluids"][0]["containers"]]
    assert cases == ["least_drained", "most_drained", "full_capacity"]


def test_measured_volumes_go_before_the_sheets(stocked: CheckedClient) -> None:
    found = planned(
        stocked, compartment={"spec_sheet": "van", "code": "cvt"}, drained_volumes=[litres(3.6), litres(3.7)]
    )
    assert (found["drained"]["basis"], found["drained"]["is_range"]) == ("measured", False)


def test_a_product_in_doubt_is_named_and_never_assumed(stocked: CheckedClient) -> None:
    cvt = {"spec_sheet": "van", "code": "cvt"}
    found = planned(stocked, compartment=cvt, passes=1, last_fluid={"product": "other"})
    assert found["fluids"][0]["suitability"]["verdict"] == "maker_decides"
    unjudged = planned(
        stocked, capacity=litres(8), drained_volume=litres(4), passes=1, last_fluid={"product": "other"}
    )
    assert unjudged["fluids"][0]["suitability"] is None
    assert "suitability_not_judged" in [n["code"] for n in unjudged["notices"]]


def test_products_that_do_not_belong_are_refused(stocked: CheckedClient) -> None:
    brake = {
        "name": "Brake fluid",
        "kind": "brake_fluid",
        "currency": "GBP",
        "containers": [{"size": litres(1), "price_minor": 900}],
        "meets": [{"standard": "fmvss_116", "service_class": "DOT 4"}],
    }
    stocked.put("/v1/fluid-products/brake", json=brake)
    oil = {"name": "Oil", "standard": "acea", "service_class": "C3"}
    stocked.put("/v1/fluid-requirements/oil", json=oil)
    plain = {"capacity": litres(8), "drained_volume": litres(4), "passes": 2}
    assert refused(stocked, **plain, last_fluid={"product": "fine"}, fluid_requirement="oil") == {
        "#/last_fluid/product": "product_not_suitable"
    }
    assert refused(stocked, **plain, first_fluid={"product": "plain"}, last_fluid={"product": "brake"}) == {
        "#/last_fluid/product": "products_never_mixed"
    }
    assert refused(stocked, **plain, last_fluid={"product": "brake"}, currency="EUR") == {
        "#/currency": "currencies_differ"
    }
    assert refused(stocked, **plain, last_fluid={"product": "none"}) == {
        "#/last_fluid/product": "product_unknown"
    }


def test_what_is_not_stored_is_refused(stocked: CheckedClient) -> None:
    for sheet, code, expected in (
        ("bus", "cvt", {"#/compartment/spec_sheet": "spec_sheet_unknown"}),
        ("van", "axle", {"#/compartment/code": "compartment_unknown"}),
    ):
        assert refused(stocked, compartment={"spec_sheet": sheet, "code": code}, passes=1) == expected
    cvt = {"spec_sheet": "van", "code": "cvt"}
    assert refused(stocked, compartment=cvt, capacity=litres(8), passes=1) == {
        "#/capacity": "capacity_given_twice"
    }


PLAIN: dict[str, Any] = {"capacity": litres(10), "drained_volume": litres(4), "passes": 2}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"drained_volume": litres(11)}, {"#/drained_volume": "drained_volume_above_capacity"}),
        (
            {"drained_volume": None, "passes": None, "drained_volumes": [litres(4), litres(11)]},
            {"#/drained_volumes/1": "drained_volume_above_capacity"},
        ),
        ({"drained_volume": litres(0)}, {"#/drained_volume": "drained_volume_not_positive"}),
        ({"capacity": litres(0)}, {"#/capacity": "capacity_not_positive"}),
        ({"capacity": quantity(10, "kg")}, {"#/capacity/unit": "unit_of_wrong_dimension"}),
        ({"capacity": 10}, {"#/capacity": "quantity_without_unit"}),
        ({"capacity": None}, {"#/capacity": "capacity_missing"}),
        ({"drained_volume": None}, {"#/drained_volume": "drained_volume_missing"}),
        ({"passes": 10_000}, {"#/passes": "figure_too_large"}),
        ({"passes": 0}, {"#/passes": "figure_too_small"}),
        ({"passes": None}, {"#": "passes_not_one_way"}),
        ({"fresh_share": 0.9}, {"#": "passes_not_one_way"}),
        ({"passes": None, "fresh_share": 0}, {"#/fresh_share": "target_share_out_of_range"}),
        ({"passes": None, "fresh_share": 1}, {"#/fresh_share": "target_share_out_of_range"}),
        (
            {"passes": None, "fresh_share": 0.9, "drained_volume": litres(0.1)},
            {"#/fresh_share": "target_not_reached"},
        ),
        (
            {"passes": None, "fresh_share": 0.9, "is_run_between": False},
            {"#/fresh_share": "target_not_reached"},
        ),
        ({"passes": None, "fresh_share": 0.9, "max_passes": 3}, {"#/fresh_share": "target_not_reached"}),
        ({"margin_share": 1.5}, {"#/margin_share": "figure_too_large"}),
        ({"is_run_between": [True, True]}, {"#/is_run_between": "gaps_do_not_fit"}),
        ({"last_passes": 1}, {"#/last_passes": "first_fluid_missing"}),
        ({"first_fluid": {}, "last_passes": 3}, {"#/last_passes": "last_passes_out_of_range"}),
        ({"last_share": 0.4}, {"#/last_share": "fresh_share_missing"}),
        ({"last_fluid": price(900)}, {"#/currency": "currency_missing"}),
        (
            {"last_fluid": {"price": {"minor": 1, "per": litres(0)}}},
            {"#/last_fluid/price": "figure_too_small"},
        ),
        (
            {"last_fluid": {**price(900), "product": "fine"}},
            {"#/last_fluid": "fluid_given_twice"},
        ),
        (
            {"passes": None, "fresh_share": 0.9, "first_fluid": {}, "currency": "EUR"},
            {"#/first_fluid": "price_missing", "#/last_fluid": "price_missing"},
        ),
        ({"machine": {"mixing_factor": 11}}, {"#/machine/mixing_factor": "figure_too_large"}),
        (
            {"drained_volume": litres(10), "passes": 1, "machine": {}},
            {"#/machine": "target_share_out_of_range"},
        ),
        (
            {"drained_volume": None, "drained_range": {"low": litres(5), "high": litres(3)}},
            {"#/drained_range": "range_reversed"},
        ),
        (
            {"drained_volume": None, "drained_range": {"low": litres(5), "high": litres(13)}},
            {"#/drained_range/high": "drained_volume_above_capacity"},
        ),
        (
            {"drained_range": {"low": litres(3), "high": litres(5)}},
            {"#": "drained_given_twice"},
        ),
        (
            {"drained_volume": None, "compartment_kind": "brake_circuit"},
            {"#/compartment_kind": "drained_range_unknown"},
        ),
        (
            {"drained_volume": None, "compartment_kind": "axle", "is_run_between": False},
            {"#/is_run_between": "drained_volume_not_one_figure"},
        ),
        ({"colour": "red"}, {"#/colour": "field_unknown"}),
    ],
)
def test_bad_plans_are_one_clear_problem(
    client: CheckedClient, changes: dict[str, Any], expected: dict[str, str]
) -> None:
    question = {name: value for name, value in (PLAIN | changes).items() if value is not None}
    assert refused(client, **question) == expected


def test_containers_with_too_many_ways_to_buy_are_refused(client: CheckedClient) -> None:
    sizes = (101, 103, 107, 109, 113, 127, 131, 137, 139, 149, 151, 157)
    containers = [{"size": quantity(size, "mL"), "price_minor": size} for size in sizes]
    found = refused(
        client,
        capacity=litres(100),
        drained_volume=litres(50),
        passes=2,
        currency="EUR",
        last_fluid={"containers": containers},
    )
    assert found == {"#/last_fluid/containers": "containers_too_many_ways"}


def test_hostile_figures_are_refused(client: CheckedClient) -> None:
    for text in ("NaN", "1e999", "-1", "1e308", "true", '"4"'):
        body = (
            f'{{"capacity": {{"value": {text}, "unit": "L"}}, "drained_volume": {{"value": 4, "unit": "L"}}}}'
        )
        response = client.post(PLANS, content=body, headers={"Content-Type": "application/json"})
        assert response.status_code == 422, text
