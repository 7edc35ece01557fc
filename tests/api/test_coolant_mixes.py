"""Coolant mixtures over HTTP: freezing points by table and basis, textbook mixing problems, and refusals."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity

MIXES = "/v1/coolant-mixes"
FROM: dict[str, Any] = {"glycol": "ethylene", "basis": "volume", "found_share": 0.3}
MIX: dict[str, Any] = FROM | {
    "system_volume": quantity(10, "L"),
    "poured_share": 1.0,
    "target_share": 0.5,
}


def mixed(client: CheckedClient, query: str = "", **question: Any) -> dict[str, Any]:
    """The mixture asked about."""
    asked = {"glycol": "ethylene", "basis": "volume"} | question
    response = client.post(MIXES + query, json=asked)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def test_a_freezing_point_with_its_guard_band(client: CheckedClient) -> None:
    # CoolProp 8.0, 50 % by volume: AEG -37.12 degC; the same mixture is 52.7 % by mass of MEG.
    with counted_queries(client.store) as counted:
        found = mixed(client, found_share=0.5)
    assert counted.count == 0
    assert found["found"]["share_by_mass"] == pytest.approx(0.52723, abs=5e-6)
    freezing = found["found"]["freezing"]
    assert freezing["freezing_point"] == quantity(-37.1, "degC")
    assert [(one["table"], one["basis"]) for one in freezing["tables"]] == [
        ("ashrae_2001", "volume"),
        ("melinder_2010", "mass"),
    ]
    assert freezing["guard_k"] >= 3
    assert freezing["guard_k"] >= freezing["spread_k"]
    assert freezing["protected_to"]["value"] == pytest.approx(-37.1 + freezing["guard_k"], abs=0.06)
    assert "inhibitor_state_needed" in [n["code"] for n in found["notices"]]
    assert (found["result"], found["passes"], found["fill"]) == (None, [], None)
    assert {step["case"] for step in found["working"]} == {"found"}


def test_the_table_and_the_basis_are_named(client: CheckedClient) -> None:
    # Lange's Handbook, 15th edition, Table 5.13: propylene glycol, 40 % by volume -20.6 degC.
    lange = mixed(client, glycol="propylene", found_share=0.4, table="lange_15", inhibitor="good")
    assert lange["found"]["freezing"]["freezing_point"] == quantity(-20.6, "degC")
    assert [n["code"] for n in lange["notices"]] == ["makers_manual_governs"]
    # CoolProp 8.0, 50 % by mass: MEG -35.99 degC, here in degrees Fahrenheit.
    mass = mixed(client, "?units=us", basis="mass", found_share=0.5, table="melinder_2010", inhibitor="spent")
    assert mass["found"]["freezing"]["freezing_point"] == quantity(-32.8, "degF")
    assert mass["found"]["share_by_volume"] == pytest.approx(0.47277, abs=5e-6)
    assert "inhibitor_spent" in [n["code"] for n in mass["notices"]]


@pytest.mark.parametrize(
    ("system", "found", "poured", "target", "drain"),
    [
        # Stewart, Redlin, Watson, Precalculus 6e, section 1.6, exercise 57
        (quantity(3.6, "L"), 0.6, 0.0, 0.5, quantity(0.6, "L")),
        # Elementary Technical Mathematics, section 6.6, exercise 23
        (quantity(12, "qt_us"), 0.4, 1.0, 0.6, quantity(4.0, "qt_us")),
        # CliffsNotes Algebra II, mixture example 1: 16/7 gallons, that is 9.14 quarts
        (quantity(16, "gal_us"), 0.4, 0.75, 0.45, quantity(9.14, "qt_us")),
        # algebra.com 559646
        (quantity(16, "qt_us"), 0.25, 1.0, 0.4, quantity(3.2, "qt_us")),
    ],
)
def test_textbook_problems(
    client: CheckedClient,
    system: dict[str, Any],
    found: float,
    poured: float,
    target: float,
    drain: dict[str, Any],
) -> None:
    query = "" if system["unit"] == "L" else "?units=us"
    answer = mixed(
        client, query, found_share=found, system_volume=system, poured_share=poured, target_share=target
    )
    assert answer["drain_needed"] == drain
    assert [one["drained"] for one in answer["passes"]] == [drain]
    assert answer["result"]["share_by_volume"] == pytest.approx(target, abs=2e-4)


def test_a_textbook_mixture_above_the_table_is_refused(client: CheckedClient) -> None:
    # algebra.com 418175, 20 quarts from 55 to 70 % with 80 %: sound algebra, and no coolant to drive with.
    question = MIX | {"found_share": 0.55, "poured_share": 0.8, "target_share": 0.7}
    response = client.post(MIXES, json=question | {"system_volume": quantity(20, "qt_us")})
    assert codes_at(response) == {"#/target_share": "glycol_share_above_table"}


def test_a_drain_and_replace_fills_the_circuit(client: CheckedClient) -> None:
    # 4 of 10 L at 30 % replaced by concentrate: 0.3 + 0.4 x 0.7 = 0.58.
    found = mixed(
        client,
        found_share=0.3,
        system_volume=quantity(10, "L"),
        poured_share=1,
        drained_volume=quantity(4, "L"),
        inhibitor="good",
    )
    assert found["result"]["share_by_volume"] == pytest.approx(0.58, abs=1e-12)
    assert found["fill"] == {
        "system": quantity(10.0, "L"),
        "glycol": quantity(5.8, "L"),
        "water": quantity(4.2, "L"),
    }
    assert (found["poured"], found["drain_needed"]) == (quantity(4.0, "L"), None)
    assert {step["case"] for step in found["working"]} == {"found", None, "result"}
    codes = [n["code"] for n in found["notices"]]
    assert "volume_factor_not_applied" in codes
    assert "final_level_check" in codes


def test_a_small_drain_takes_several_passes(client: CheckedClient) -> None:
    # 2 of 10 L with concentrate: 0.3, 0.44, then (0.5 - 0.44)/(1 - 0.44) x 10 = 1.071 L.
    found = mixed(
        client,
        found_share=0.3,
        system_volume=quantity(10, "L"),
        poured_share=1,
        target_share=0.5,
        drainable_volume=quantity(2, "L"),
    )
    assert [one["drained"] for one in found["passes"]] == [quantity(2.0, "L"), quantity(1.071, "L")]
    assert found["poured"] == quantity(3.071, "L")


def test_protection_down_to_a_temperature_counts_the_guard_band(client: CheckedClient) -> None:
    found = mixed(
        client,
        found_share=0.3,
        system_volume=quantity(10, "L"),
        poured_share=1,
        protect_to=quantity(-25, "degC"),
    )
    assert found["result"]["freezing"]["protected_to"] == quantity(-25.0, "degC")
    assert found["result"]["freezing"]["freezing_point"]["value"] <= -28


def test_shares_by_mass_are_mixed_by_volume(client: CheckedClient) -> None:
    # 30 % by mass are 27.761 % by volume (ideal mixing at 20 degC); 5 of 10 L replaced by water halve it.
    found = mixed(
        client,
        basis="mass",
        found_share=0.3,
        system_volume=quantity(10, "L"),
        poured_share=0,
        drained_volume=quantity(5, "L"),
    )
    assert found["found"]["share_by_volume"] == pytest.approx(0.27761, abs=5e-6)
    assert found["result"]["share_by_volume"] == pytest.approx(0.27761 / 2, abs=5e-6)
    assert "share_by_volume" in [step["name"] for step in found["working"]]


def test_a_circuit_outside_the_table_can_be_mended(client: CheckedClient) -> None:
    # 70 % is above the table: a half replaced by water makes 35 %.
    strong = mixed(
        client,
        found_share=0.7,
        system_volume=quantity(10, "L"),
        poured_share=0,
        drained_volume=quantity(5, "L"),
    )
    assert (strong["found"]["freezing"], strong["result"]["share_by_volume"]) == (None, 0.35)
    assert "found_outside_table" in [n["code"] for n in strong["notices"]]
    weak = mixed(
        client,
        found_share=0.1,
        system_volume=quantity(10, "L"),
        poured_share=0,
        drained_volume=quantity(5, "L"),
    )
    assert weak["result"]["freezing"] is None
    assert "result_below_table" in [n["code"] for n in weak["notices"]]


@pytest.mark.parametrize(
    ("question", "expected"),
    [
        (FROM | {"found_share": 0}, {"#/found_share": "glycol_share_out_of_range"}),
        (FROM | {"found_share": 1}, {"#/found_share": "glycol_share_out_of_range"}),
        (FROM | {"found_share": 0.65}, {"#/found_share": "glycol_share_above_table"}),
        (FROM | {"found_share": 0.05}, {"#/found_share": "glycol_share_below_table"}),
        (FROM | {"found_share": 1.2}, {"#/found_share": "figure_too_large"}),
        (FROM | {"table": "lange_15"}, {"#/table": "glycol_not_in_table"}),
        (FROM | {"is_low_conductivity": True}, {"#/is_low_conductivity": "low_conductivity_by_sheet_only"}),
        (FROM | {"poured_share": 1.0}, {"#/poured_share": "system_volume_missing"}),
        (MIX | {"is_low_conductivity": True}, {"#/is_low_conductivity": "low_conductivity_by_sheet_only"}),
        (MIX | {"poured_share": 0.4}, {"#/poured_share": "concentrate_weaker_than_target"}),
        (
            MIX | {"target_share": 0.2, "poured_share": 0.25},
            {"#/poured_share": "poured_stronger_than_target"},
        ),
        (MIX | {"target_share": 0}, {"#/target_share": "glycol_share_out_of_range"}),
        (MIX | {"target_share": 1}, {"#/target_share": "glycol_share_out_of_range"}),
        (MIX | {"target_share": 0.8}, {"#/target_share": "glycol_share_above_table"}),
        (
            MIX | {"drainable_volume": quantity(1, "mL")},
            {"#/target_share": "target_not_reached"},
        ),
        (
            MIX | {"drainable_volume": quantity(11, "L")},
            {"#/drainable_volume": "drainable_volume_out_of_range"},
        ),
        (MIX | {"drained_volume": quantity(4, "L")}, {"#": "exchange_not_one_way"}),
        (
            {name: value for name, value in MIX.items() if name != "poured_share"},
            {"#/poured_share": "poured_share_missing"},
        ),
        (MIX | {"system_volume": quantity(0, "L")}, {"#/system_volume": "capacity_not_positive"}),
        (
            FROM
            | {
                "system_volume": quantity(10, "L"),
                "poured_share": 1.0,
                "drained_volume": quantity(11, "L"),
            },
            {"#/drained_volume": "drained_volume_above_capacity"},
        ),
        (
            FROM
            | {"system_volume": quantity(10, "L"), "poured_share": 1.0, "drained_volume": quantity(10, "L")},
            {"#/poured_share": "glycol_share_out_of_range"},
        ),
        (
            FROM
            | {
                "system_volume": quantity(10, "L"),
                "poured_share": 1.0,
                "protect_to": quantity(-70, "degC"),
            },
            {"#/protect_to": "temperature_outside_table"},
        ),
        (FROM | {"glycol": "glycerin"}, {"#/glycol": "value_not_listed"}),
        (FROM | {"system_volume": quantity(10, "degC")}, {"#/system_volume/unit": "unit_of_wrong_dimension"}),
    ],
)
def test_bad_mixtures_are_one_clear_problem(
    client: CheckedClient, question: dict[str, Any], expected: dict[str, str]
) -> None:
    assert codes_at(client.post(MIXES, json=question)) == expected
