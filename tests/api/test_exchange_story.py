"""One story over HTTP: a two-pass change of transmission fluid, from the plan to the level.

The hand calculation, which every answer below equals:

Plan. The transmission and all that it circulates through hold 8 L, and the sheet says that one drain takes out
4 L. One pass keeps 1 - 4/8 = 0.5 of the old fluid, two keep 0.5 x 0.5 = 0.25: in the end 2 L old, 6 L fresh.
To buy: from 2 x 4 L = 8 L up to 2 x 8 L = 16 L, each with 5 % more: 8.4 L to 16.8 L. The fluid is sold in
containers of 1 L at 11.90 and of 5 L at 49.90. For 8.4 L: two of 5 L are 99.80, nine of 1 L 107.10, one of
5 L and four of 1 L 49.90 + 4 x 11.90 = 97.50. So 9 L are bought for 97.50.

First pass. Out came 3.95 L at 60 degC; the fresh fluid stands at 20 degC. By the published volume correction
for lubricating oils (API MPMS 11.1 / ASTM D1250, base 15 degC, K1 = 0.6278), with 850 kg/m3 at 15 degC:
K1/850 = 0.000738588 per degC;
at 60 degC x = 45 x 0.000738588 = 0.0332365, factor exp(-x (1 + 0.8 x)) = exp(-0.0341202) = 0.966455;
at 20 degC x = 5 x 0.000738588 = 0.0036929, factor exp(-0.0037039) = 0.996303.
To pour: 3.95 L x 0.966455/0.996303 = 3.95 L x 0.970042 = 3.832 L, 0.118 L less than came out.

Second pass, after a run. Out came 4.05 L at 65 degC: x = 50 x 0.000738588 = 0.0369294, factor
exp(-0.0380204) = 0.962693. To pour: 4.05 L x 0.962693/0.996303 = 4.05 L x 0.966266 = 3.913 L.

Level. The sheet judges it from 50 to 80 degC, and has 0.4 L from mark to mark. At 20 degC it is too cold to
judge. After a drive, at 60 degC, it stands 0.65 of the way up: (1 - 0.65) x 0.4 L = 0.14 L short at 60 degC,
0.14 L x 0.970042 = 0.136 L to pour at 20 degC. The maker's final level check decides.

As it was done: (1 - 3.95/8) x (1 - 4.05/8) = 0.50625 x 0.49375 = 0.24996, a quarter of the old fluid. Poured:
3.832 L + 3.913 L + 0.136 L = 7.881 L of the 9 L bought.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.support.sheet_documents import quantity, van_document

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

README = Path(__file__).parents[2] / "README.md"
GEARBOX = {"spec_sheet": "van", "code": "cvt"}


@pytest.fixture
def workshop(client: CheckedClient) -> CheckedClient:
    """A van whose sheet gives its transmission, and a fluid for it on the shelf."""
    document = van_document()
    document["fluid_requirements"][1]["service_class"] = "Family N"
    document["compartments"][1] |= {
        "dry_capacity": quantity(8, "L"),
        "drained_volume": {"low": quantity(4, "L"), "high": quantity(4, "L")},
        "level_check": {
            "method": "dipstick, engine idling",
            "temperature_low": quantity(50, "degC"),
            "temperature_high": quantity(80, "degC"),
            "mark_to_mark": quantity(0.4, "L"),
        },
    }
    assert client.post("/v1/spec-sheets", json=document).status_code == 201
    product = {
        "name": "Fluid for continuously variable transmissions",
        "kind": "continuously_variable_fluid",
        "currency": "EUR",
        "containers": [
            {"size": quantity(1, "L"), "price_minor": 1190},
            {"size": quantity(5, "L"), "price_minor": 4990},
        ],
        "meets": [{"standard": "maker", "service_class": "Family N"}],
        "density_15c": quantity(850, "kg/m3"),
    }
    assert client.put("/v1/fluid-products/cvt-n", json=product).status_code == 201
    return client


def asked(client: CheckedClient, path: str, **question: Any) -> dict[str, Any]:
    """The answer to a question."""
    response = client.post(path, json=question)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    codes = [notice["code"] for notice in found["notices"]]
    assert codes[:2] == ["makers_manual_governs", "final_level_check"]
    return found


def litres(value: float) -> dict[str, Any]:
    """A volume in litres."""
    return quantity(value, "L")


def test_a_two_pass_change_from_the_plan_to_the_level(workshop: CheckedClient) -> None:
    # Planned and bought.
    plan = asked(
        workshop,
        "/v1/exchange-plans",
        compartment=GEARBOX,
        passes=2,
        margin_share=0.05,
        last_fluid={"product": "cvt-n"},
    )
    assert [one["old_share"]["high"] for one in plan["passes"]] == [0.5, 0.25]
    assert (plan["result"]["old"]["high"], plan["result"]["last"]["high"]) == (litres(2.0), litres(6.0))
    (fluid,) = plan["fluids"]
    assert fluid["suitability"]["verdict"] == "yes"
    assert fluid["buy"] == {"low": litres(8.4), "high": litres(16.8)}
    enough = fluid["containers"][0]
    assert [(one["size"], one["count"]) for one in enough["containers"]] == [
        (litres(1.0), 4),
        (litres(5.0), 1),
    ]
    assert (enough["bought"], enough["cost_minor"], plan["currency"]) == (litres(9.0), 9750, "EUR")

    # Drained warm, refilled cold, twice.
    poured = []
    for drained, at_c, factor, expected in ((3.95, 60, 0.966455, 3.832), (4.05, 65, 0.962693, 3.913)):
        refill = asked(
            workshop,
            "/v1/refills",
            product="cvt-n",
            drained_volume=litres(drained),
            drained_at=quantity(at_c, "degC"),
            poured_at=quantity(20, "degC"),
        )
        assert refill["pour"] == litres(expected)
        assert refill["working"][0]["result"] == pytest.approx(factor, abs=5e-7)
        assert refill["working"][1]["result"] == pytest.approx(0.996303, abs=5e-7)
        poured.append(refill["pour"]["value"])

    # The level: too cold to judge in the workshop, corrected after a drive.
    cold, warm = (
        asked(
            workshop,
            "/v1/refills",
            product="cvt-n",
            compartment=GEARBOX,
            drained_volume=litres(0),
            poured_at=quantity(20, "degC"),
            level={"mark_share": share, "temperature": quantity(at_c, "degC")},
        )
        for share, at_c in ((0.9, 20), (0.65, 60))
    )
    assert (cold["level"]["verdict"], cold["pour"]) == ("too_cold_to_judge", litres(0.0))
    assert (warm["level"]["verdict"], warm["level"]["missing"]) == ("judged", litres(0.14))
    assert warm["pour"] == litres(0.136)
    poured.append(warm["pour"]["value"])
    assert sum(poured) == pytest.approx(7.881, abs=1e-9)

    # As it was done.
    done = asked(
        workshop,
        "/v1/exchange-plans",
        compartment=GEARBOX,
        drained_volumes=[litres(3.95), litres(4.05)],
        last_fluid={"product": "cvt-n"},
    )
    assert done["result"]["old_share"]["high"] == pytest.approx(0.24996, abs=5e-6)
    assert enough["bought"]["value"] >= sum(poured)

    # The README shows the same case: each answer stands in it as it was given.
    shown = README.read_text(encoding="utf-8").partition("## A change of fluid worked by hand")[2]
    shown = shown.partition("\n## ")[0]
    for figure in (
        f"{fluid['buy']['low']['value']} L up to",
        f"{fluid['buy']['high']['value']} L",
        f"{enough['cost_minor'] / 100:.2f} for {enough['bought']['value']:g} L",
        *(f"= {value} L" for value in poured),
        f"{done['result']['old_share']['high']:.5f} old",
        f"{sum(poured):.3f} L poured",
    ):
        assert figure in shown, figure
