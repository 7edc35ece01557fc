"""Refills over HTTP: warm out and cold in, levels, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.client import CheckedClient, codes_at
from tests.support.sheet_documents import quantity, van_document

REFILLS = "/v1/refills"
MARKS = {
    "mark_to_mark": quantity(400, "mL"),
    "mark_distance": quantity(10, "mm"),
    "window": {"low": quantity(50, "degC"), "high": quantity(80, "degC")},
}


def refill(client: CheckedClient, query: str = "", **question: Any) -> dict[str, Any]:
    """What to pour."""
    response = client.post(REFILLS + query, json=question)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def litres(value: float) -> dict[str, Any]:
    """A volume in litres."""
    return quantity(value, "L")


def test_drained_warm_poured_cold(client: CheckedClient) -> None:
    # API MPMS 11.1 / ASTM D1250: 10 L at 80 degC of 870 kg/m3 at 15 degC are 9.55953 L at 20 degC.
    found = refill(
        client,
        fluid_kind="gear_oil",
        drained_volume=litres(10),
        drained_at=quantity(80, "degC"),
        poured_at=quantity(20, "degC"),
        density_15c=quantity(870, "kg/m3"),
    )
    assert (found["pour"], found["temperature_change"]) == (litres(9.56), litres(-0.44))
    assert (found["is_temperature_corrected"], found["level"]) == (True, None)
    assert [n["code"] for n in found["notices"]][:3] == [
        "makers_manual_governs",
        "final_level_check",
        "pour_what_came_out",
    ]
    factor = found["working"][0]
    assert factor["result"] == pytest.approx(0.9525005155424, abs=1e-12)
    assert "-50 to 150 degC" in factor["valid_range"]
    assert factor["source"].startswith("API MPMS 11.1 / ASTM D1250")


def test_the_density_may_be_observed_warm(client: CheckedClient) -> None:
    # 850 kg/m3 at 80 degC are 891.31349 at 15 degC, by the same procedure.
    found = refill(
        client,
        "?units=us",
        fluid_kind="gear_oil",
        drained_volume=quantity(4, "qt_us"),
        drained_at=quantity(176, "degF"),
        poured_at=quantity(59, "degF"),
        density_observed={"density": quantity(850, "kg/m3"), "temperature": quantity(80, "degC")},
    )
    step = next(s for s in found["working"] if s["name"] == "base_density")
    assert step["result"] == pytest.approx(891.31349, abs=1e-4)
    # 850/891.31349 = 0.953649 of 4 quarts.
    assert found["pour"] == quantity(3.81, "qt_us")


def test_a_level_short_of_its_mark_asks_for_more(client: CheckedClient) -> None:
    # A quarter up at 60 degC: 300 mL short; with 870 kg/m3 at 20 degC they are 291 mL.
    found = refill(
        client,
        fluid_kind="transmission_fluid",
        drained_volume=litres(0),
        poured_at=quantity(20, "degC"),
        density_15c=quantity(870, "kg/m3"),
        level={"mark_share": 0.25, "temperature": quantity(60, "degC")},
        sheet=MARKS,
    )
    assert found["level"] == {"verdict": "judged", "missing": litres(0.3), "valid_at": quantity(60.0, "degC")}
    assert (found["level_volume"], found["pour"]) == (litres(0.291), litres(0.291))
    codes = [n["code"] for n in found["notices"]]
    assert "level_falls_after_filling" in codes
    assert "level_window" in codes


def test_an_overfull_level_is_taken_out(client: CheckedClient) -> None:
    # 10 mm too high at 40 mL a millimetre, after nothing was drained.
    found = refill(
        client,
        fluid_kind="engine_oil",
        drained_volume=litres(0),
        level={"above_full": quantity(10, "mm")},
        sheet={"volume_per_length": {"volume": quantity(80, "mL"), "length": quantity(2, "mm")}},
    )
    assert (found["pour"], found["take_out"], found["level_volume"]) == (
        litres(0.0),
        litres(0.4),
        litres(-0.4),
    )


def test_a_cold_level_is_converted_where_the_sheet_allows_it(client: CheckedClient) -> None:
    # At 30 degC a quarter up; 20 degrees more raise it by 4 of 10 mm: 0.65 up, 0.35 x 400 = 140 mL short.
    level = {"mark_share": 0.25, "temperature": quantity(30, "degC")}
    rise = {"length": quantity(2, "mm"), "kelvins": 10}
    question: dict[str, Any] = {
        "fluid_kind": "transmission_fluid",
        "drained_volume": litres(0),
        "level": level,
    }
    found = refill(client, **question, sheet=MARKS | {"rise": rise})
    assert found["level"] == {
        "verdict": "converted",
        "missing": litres(0.14),
        "valid_at": quantity(50.0, "degC"),
    }
    # Without the rise, or outside what may be converted, it is too cold to judge.
    for sheet in (MARKS, MARKS | {"rise": rise, "convertible": {"low": quantity(40, "degC")}}):
        cold = refill(client, **question, sheet=sheet)
        assert cold["level"] == {"verdict": "too_cold_to_judge", "missing": None, "valid_at": None}
        assert cold["pour"] == litres(0.0)
    hot = level | {"temperature": quantity(200, "degF")}
    assert refill(client, **question | {"level": hot}, sheet=MARKS)["level"]["verdict"] == "too_hot_to_judge"


def test_a_level_below_the_mark_in_inches(client: CheckedClient) -> None:
    # Half an inch, 12.7 mm, at 40 mL a millimetre.
    found = refill(
        client,
        fluid_kind="engine_oil",
        drained_volume=litres(0),
        level={"below_full": quantity(0.5, "in")},
        sheet={"volume_per_length": {"volume": quantity(40, "mL"), "length": quantity(1, "mm")}},
    )
    assert found["pour"] == litres(0.508)


@pytest.mark.parametrize("kind", ["coolant", "brake_fluid", "aus_32", "compressor_oil", "mineral_brake_oil"])
def test_other_fluids_are_never_corrected(client: CheckedClient, kind: str) -> None:
    found = refill(
        client,
        fluid_kind=kind,
        drained_volume=litres(5),
        drained_at=quantity(90, "degC"),
        poured_at=quantity(20, "degC"),
        density_15c=quantity(1070, "kg/m3"),
    )
    assert (found["pour"], found["is_temperature_corrected"]) == (litres(5.0), False)
    assert "volume_factor_not_applied" in [n["code"] for n in found["notices"]]
    observed = {"density": quantity(1050, "kg/m3"), "temperature": quantity(60, "degC")}
    question = {"fluid_kind": kind, "drained_volume": litres(5), "density_observed": observed}
    assert codes_at(client.post(REFILLS, json=question)) == {"#/density_observed": "not_a_lubricating_oil"}


def test_product_and_compartment_are_read_where_named(client: CheckedClient) -> None:
    assert client.post("/v1/spec-sheets", json=van_document()).status_code == 201
    oil = {
        "name": "Oil",
        "kind": "engine_oil",
        "currency": "EUR",
        "meets": [{"standard": "acea", "service_class": "C3"}],
        "density_15c": quantity(870, "kg/m3"),
    }
    assert client.put("/v1/fluid-products/oil", json=oil).status_code == 201
    # The sheet's sump: a US quart (946 mL) from mark to mark, judged from 20 to 80 degC.
    found = refill(
        client,
        product="oil",
        compartment={"spec_sheet": "van", "code": "sump"},
        drained_volume=litres(10),
        drained_at=quantity(80, "degC"),
        poured_at=quantity(20, "degC"),
        level={"mark_share": 0.5, "temperature": quantity(20, "degC")},
    )
    assert (found["fluid_kind"], found["level"]["missing"]) == ("engine_oil", litres(0.473))
    # 9.560 L of what was drained, and 0.473 L of level, both at 20 degC
    assert found["pour"] == litres(10.033)
    cold = refill(
        client,
        product="oil",
        compartment={"spec_sheet": "van", "code": "sump"},
        drained_volume=litres(0),
        level={"mark_share": 0.5, "temperature": quantity(10, "degC")},
    )
    assert cold["level"]["verdict"] == "too_cold_to_judge"


WARM: dict[str, Any] = {
    "fluid_kind": "gear_oil",
    "drained_volume": litres(10),
    "drained_at": quantity(80, "degC"),
    "poured_at": quantity(20, "degC"),
    "density_15c": quantity(870, "kg/m3"),
}


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"drained_at": quantity(151, "degC")}, {"#/drained_at": "temperature_outside_table"}),
        ({"poured_at": quantity(-60, "degF")}, {"#/poured_at": "temperature_outside_table"}),
        ({"poured_at": quantity(-400, "degC")}, {"#/poured_at": "figure_too_small"}),
        ({"density_15c": quantity(750, "kg/m3")}, {"#/density_15c": "density_outside_group"}),
        ({"density_15c": None}, {"#/density_15c": "density_missing"}),
        ({"density_15c": quantity(870, "L")}, {"#/density_15c/unit": "unit_of_wrong_dimension"}),
        ({"drained_volume": litres(5e6)}, {"#/drained_volume": "volume_out_of_range"}),
        ({"fluid_kind": None}, {"#/fluid_kind": "fluid_not_one_way"}),
        ({"fluid_kind": "butter"}, {"#/fluid_kind": "value_not_listed"}),
        ({"product": "none", "fluid_kind": None}, {"#/product": "product_unknown"}),
        (
            {"density_observed": {"density": quantity(850, "kg/m3"), "temperature": quantity(80, "degC")}},
            {"#/density_observed": "density_given_twice"},
        ),
        (
            {
                "density_15c": None,
                "density_observed": {
                    "density": quantity(850, "kg/m3"),
                    "temperature": quantity(180, "degC"),
                },
            },
            {"#/density_observed/temperature": "temperature_outside_table"},
        ),
        ({"level": {"temperature": quantity(60, "degC")}}, {"#/level": "level_not_one_reading"}),
        (
            {"level": {"mark_share": 0.5, "above_full": quantity(1, "mm")}},
            {"#/level": "level_not_one_reading"},
        ),
        ({"level": {"mark_share": 0.5}}, {"#/sheet/mark_to_mark": "level_volume_missing"}),
        (
            {"level": {"mark_share": 0.5}, "sheet": MARKS},
            {"#/level/temperature": "level_temperature_missing"},
        ),
        (
            {"level": {"below_full": quantity(1, "mm")}},
            {"#/sheet/volume_per_length": "level_volume_missing"},
        ),
        (
            {
                "level": {"mark_share": 0.5, "temperature": quantity(60, "degC")},
                "sheet": MARKS | {"window": {"low": quantity(80, "degC"), "high": quantity(50, "degC")}},
            },
            {"#/sheet/window": "range_reversed"},
        ),
    ],
)
def test_bad_refills_are_one_clear_problem(
    client: CheckedClient, changes: dict[str, Any], expected: dict[str, str]
) -> None:
    question = {name: value for name, value in (WARM | changes).items() if value is not None}
    assert codes_at(client.post(REFILLS, json=question)) == expected
