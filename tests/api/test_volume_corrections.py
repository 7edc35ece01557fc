"""Volume corrections over HTTP: published figures, both editions and bases, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity

CORRECTIONS = "/v1/volume-corrections"
OIL: dict[str, Any] = {
    "fluid_kind": "engine_oil",
    "volume": quantity(10, "L"),
    "temperature": quantity(80, "degC"),
    "density": quantity(870, "kg/m3"),
}


def corrected(client: CheckedClient, query: str = "", **question: Any) -> dict[str, Any]:
    """The volume corrected."""
    response = client.post(CORRECTIONS + query, json=question)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def test_the_published_factor_and_both_volumes(client: CheckedClient) -> None:
    # ASTM D1250-80, lubricating oils: 870 kg/m3 at 80 degC 0.95250; 10 L are 9.525 L at 15 degC and 9.560 at 20.
    with counted_queries(client.store) as counted:
        found = corrected(client, **OIL, to_temperature=quantity(20, "degC"))
    assert counted.count == 0
    assert found["factor"] == pytest.approx(0.9525005155424, abs=1e-12)
    assert (found["factor_5"], found["at_base"]) == (0.9525, quantity(9.525, "L"))
    assert found["at_temperature"]["volume"] == quantity(9.56, "L")
    assert found["at_temperature"]["ratio"] == pytest.approx(0.9525005155424 / 0.9963880783650, abs=1e-12)
    assert (found["edition"], found["base"]) == ("astm_d1250_1980", "15_degC")
    assert (found["density_at_base"], found["density_observed"]) == (
        quantity(870.0, "kg/m3"),
        quantity(828.7, "kg/m3"),
    )
    assert found["notices"][0]["code"] == "makers_manual_governs"


@pytest.mark.parametrize(
    ("edition", "factor_5"),
    # Four public implementations of the procedure: 28 degrees API at 180 degF.
    [("astm_d1250_2004", 0.95216), ("astm_d1250_1980", 0.95217)],
)
def test_a_gravity_on_the_base_of_60_degf(client: CheckedClient, edition: str, factor_5: float) -> None:
    found = corrected(
        client,
        "?units=us",
        fluid_kind="gear_oil",
        volume=quantity(4, "qt_us"),
        temperature=quantity(180, "degF"),
        api_gravity=28,
        edition=edition,
        base="60_degF",
    )
    assert found["factor_5"] == factor_5
    assert found["density_at_base"] == quantity(886.3, "kg/m3")
    assert found["at_base"] == quantity(3.81, "qt_us")


def test_a_density_observed_warm(client: CheckedClient) -> None:
    # 840 kg/m3 at 68.5 degC are 873.94322 at 15 degC, by fixed-point iteration of the same procedure.
    question = {name: value for name, value in OIL.items() if name != "density"}
    observed = {"density": quantity(840, "kg/m3"), "temperature": quantity(68.5, "degC")}
    found = corrected(client, **question, density_observed=observed)
    step = next(s for s in found["working"] if s["name"] == "base_density")
    assert step["result"] == pytest.approx(873.94322, abs=1e-4)
    assert "no_hydrometer_correction" in [n["code"] for n in found["notices"]]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"fluid_kind": "coolant"}, {"#/fluid_kind": "not_a_lubricating_oil"}),
        ({"fluid_kind": "aus_32"}, {"#/fluid_kind": "not_a_lubricating_oil"}),
        ({"fluid_kind": "brake_fluid"}, {"#/fluid_kind": "not_a_lubricating_oil"}),
        ({"temperature": quantity(151, "degC")}, {"#/temperature": "temperature_outside_table"}),
        ({"to_temperature": quantity(-51, "degC")}, {"#/to_temperature": "temperature_outside_table"}),
        ({"density": quantity(799, "kg/m3")}, {"#/density": "density_outside_group"}),
        ({"density": None}, {"#": "density_not_one_way"}),
        ({"api_gravity": 28}, {"#": "density_not_one_way"}),
        ({"density": None, "api_gravity": 28}, {"#/api_gravity": "gravity_at_60_degf"}),
        (
            {"density": None, "api_gravity": 80, "base": "60_degF"},
            {"#/api_gravity": "density_outside_group"},
        ),
        ({"volume": quantity(2e6, "L")}, {"#/volume": "volume_out_of_range"}),
        ({"volume": quantity(20, "degC")}, {"#/volume/unit": "unit_of_wrong_dimension"}),
        (
            {
                "density": None,
                "density_observed": {"density": quantity(600, "kg/m3"), "temperature": quantity(20, "degC")},
            },
            {"#/density_observed/density": "density_outside_group"},
        ),
        ({"edition": "astm_d1250_1952"}, {"#/edition": "value_not_listed"}),
    ],
)
def test_bad_corrections_are_one_clear_problem(
    client: CheckedClient, changes: dict[str, Any], expected: dict[str, str]
) -> None:
    question = {name: value for name, value in (OIL | changes).items() if value is not None}
    assert codes_at(client.post(CORRECTIONS, json=question)) == expected
