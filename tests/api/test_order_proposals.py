"""From the fleet to an order in containers with its reasons, over HTTP."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.support.client import codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity
from tests.support.small_fleet import SmallFleet, small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

NORTH = "/v1/depots/north"


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> SmallFleet:
    """Two vans in the north, new on 1 May 2030 and read each month; two oils, the first one dearer."""
    made = small_fleet(client.app.state.store)
    for unit, km_a_month in (("1", 1_000), ("2", 2_500)):
        made.add_vehicle(unit, depot="north")
        months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
        made.read(unit, *((f"{y}-{on:02d}-04T08:00", 0.1 + km_a_month * m) for y, on, m in months))
    required = {"name": "Engine oil", "standard": "acea", "service_class": "C3", "grade": "5W-30"}
    path = "/v1/fluid-requirements/oil-a"
    assert client.put(path, json=required, headers={"If-Match": '"1"'}).status_code == 200
    for code, price in (("dear", 4_900), ("plain", 3_250)):
        oil = {
            "name": f"Engine oil, {code}",
            "kind": "engine_oil",
            "currency": "EUR",
            "containers": [
                {"size": quantity(1, "L"), "price_minor": 890},
                {"size": quantity(5, "L"), "price_minor": price},
                {"size": quantity(60, "L"), "price_minor": 29_900},
            ],
            "meets": [{"standard": "acea", "service_class": "C3", "grade": "5W-30"}],
            "shelf_unopened": quantity(48, "month"),
            "shelf_opened": quantity(6, "month"),
        }
        assert client.put(f"/v1/fluid-products/{code}", json=oil).status_code == 201
    return made


def put(client: CheckedClient, path: str, body: dict[str, Any], status: int = 201) -> Any:
    """The answer to a replacement below the northern depot."""
    response = client.put(f"{NORTH}/{path}", json=body)
    assert response.status_code == status, response.text
    return response.json() if status < 400 else codes_at(response)


def supplied(client: CheckedClient, **changes: Any) -> None:
    """A supplier a week away, of both oils and the filter."""
    terms = {"name": "Wholesale", "currency": "EUR", "lead_mean_days": 7, "lead_sd_days": 2} | changes
    put(client, "suppliers/w-1", terms)
    for code in ("dear", "plain"):
        put(client, f"stock-policies/fluid-products/{code}", {"supplier": "w-1", "service_level": 0.95})
    filters = {"pack": quantity(10, "piece"), "pack_price_minor": 4_500, "service_level": 0.9}
    put(client, "stock-policies/parts/F-1B", filters | {"supplier": "w-1"})


def proposed(client: CheckedClient) -> dict[str, Any]:
    """What the northern depot should order."""
    response = client.get("/v1/order-proposals?depot=north")
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def test_from_the_fleet_to_an_order_in_containers(client: CheckedClient) -> None:
    nothing = proposed(client)
    assert (nothing["orders"], nothing["items"]) == ([], [])
    missing = {one["fluid_requirement"] or one["part"]: one["code"] for one in nothing["not_planned"]}
    assert (missing["oil-a"], missing["F-1B"]) == ("no_policy", "no_policy")
    assert missing["fluid-b"] in {"no_product", "requirement_not_judged"}

    supplied(client)
    with counted_queries(client.store) as counted:
        answer = proposed(client)
    assert counted.count <= 30
    (order,) = answer["orders"]
    assert (order["supplier"], order["expected_on"], order["is_least_order_met"]) == (
        "w-1",
        "2031-05-12",
        True,
    )
    lines = {line["fluid_product"] or line["part"]: line for line in order["lines"]}
    # Both vans' oil has been overdue since 1 May: 11.4 L for certain, and a filter each.
    assert set(lines) == {"plain", "F-1B"}
    oil = lines["plain"]
    assert oil["need"] == quantity(11.4, "L")
    # Two of 5 L and two of 1 L: 82.80; three of 5 L are 97.50, less 3.6 L at half of 6.50 a litre.
    assert [(pack["size"]["value"], pack["count"]) for pack in oil["packs"]] == [(1.0, 2), (5.0, 2)]
    assert (oil["cost_minor"], oil["left_over"]) == (8_280, quantity(0.6, "L"))
    assert [reason["code"] for reason in oil["reasons"]] == [
        "demand",
        "chosen_product",
        "position",
        "opened_life",
        "cheapest_packs",
        "left_over",
    ]
    assert oil["reasons"][0]["detail"] == (
        "Expected over 14 days of lead time and review: 11.4 L; not exceeded with a chance of 0.95: 11.4 L; an order"
        " fills up to 11.4 L."
    )
    assert (
        oil["reasons"][1]["detail"]
        == "A year of oil-a costs no more in it than in dear, which would do as well."
    )
    assert (lines["F-1B"]["need"], lines["F-1B"]["amount"]) == (
        quantity(2.0, "piece"),
        quantity(10.0, "piece"),
    )
    assert order["cost_minor"] == 8_280 + 4_500

    entry = {
        "key": "PO-1",
        "kind": "order",
        "depot": "north",
        "supplier": order["name"],
        "expected_on": order["expected_on"],
        "lines": [
            {"part": line["part"], "fluid_product": line["fluid_product"], "amount": line["amount"]}
            for line in order["lines"]
        ],
    }
    assert client.post("/v1/stock-entries", json=entry).status_code == 201
    after = proposed(client)
    assert after["orders"] == []
    standing = {one["fluid_product"] or one["part"]: one for one in after["items"]}
    assert (standing["plain"]["on_order"], standing["plain"]["need"]) == (
        quantity(12.0, "L"),
        quantity(0.0, "L"),
    )
    assert {one["fluid_requirement"] or one["part"] for one in after["not_planned"]} >= {"fluid-b"}


# The statements are the same; both databases are held to the story above.
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_what_is_there_counts_and_what_does_as_well_too(client: CheckedClient) -> None:
    supplied(client, least_order_minor=20_000)
    receipt = {"key": "r", "kind": "receipt", "depot": "north"}
    lines = [
        {"fluid_product": "dear", "amount": quantity(5, "L"), "container": quantity(5, "L")},
        {"fluid_product": "plain", "amount": quantity(3, "L"), "best_before": "2031-05-04"},
    ]
    assert client.post("/v1/stock-entries", json=receipt | {"lines": lines}).status_code == 201
    answer = proposed(client)
    (order,) = answer["orders"]
    line = next(one for one in order["lines"] if one["fluid_product"] == "plain")
    assert line["need"] == quantity(6.4, "L")
    assert "Of dear, which meets every requirement concerned, counts too: 5 L." in "".join(
        reason["detail"] for reason in line["reasons"]
    )
    (oil,) = [one for one in answer["items"] if one["fluid_product"] == "plain"]
    assert (oil["usable"], oil["past_date"], oil["position"]) == (
        quantity(0.0, "L"),
        quantity(3.0, "L"),
        quantity(5.0, "L"),
    )
    # The order has to come to 200.00, and oil that keeps fills it up.
    assert [reason["code"] for reason in line["reasons"]][-1] == "fills_up"
    assert order["is_least_order_met"] is True
    assert order["cost_minor"] >= 20_000


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_room_and_reservations_bound_an_order(client: CheckedClient) -> None:
    supplied(client)
    policy = {"supplier": "w-1", "service_level": 0.95, "room": quantity(8, "L")}
    path = f"{NORTH}/stock-policies/fluid-products/plain"
    assert client.put(path, json=policy, headers={"If-Match": '"1"'}).status_code == 200
    dear = policy | {"is_ordered": False, "room": None}
    other = f"{NORTH}/stock-policies/fluid-products/dear"
    assert client.put(other, json=dear, headers={"If-Match": '"1"'}).status_code == 200
    reservation = {"key": "s", "kind": "reservation", "depot": "north", "job": "J-1"}
    lines = [{"fluid_product": "plain", "amount": quantity(20, "L")}]
    assert client.post("/v1/stock-entries", json=reservation | {"lines": lines}).status_code == 201
    (order,) = proposed(client)["orders"]
    line = next(one for one in order["lines"] if one["fluid_product"] == "plain")
    assert (line["need"], line["amount"], line["missing"]) == (
        quantity(20.0, "L"),
        quantity(8.0, "L"),
        quantity(12.0, "L"),
    )
    assert {"reserved", "room"} <= {reason["code"] for reason in line["reasons"]}


def oil_expected(client: CheckedClient) -> float:
    """Expected over lead time and review period of both oils, whichever covers the demand [L]."""
    items = proposed(client)["items"]
    return sum(float(one["expected_demand"]["value"]) for one in items if one["fluid_product"] is not None)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_top_ups_between_services_are_ordered_too(client: CheckedClient) -> None:
    supplied(client)
    before = oil_expected(client)
    for day in range(1, 29, 3):
        body = {
            "compartment": "sump",
            "volume": quantity(3, "L"),
            "topped_up_at": f"2031-04-{day:02d}T09:00:00Z",
        }
        assert client.post("/v1/vehicles/1/top-ups", json=body).status_code == 201
    # About a litre a day over 14 days, beside the services that are due.
    assert 5 < oil_expected(client) - before < 20


def test_terms_are_replaced_from_their_version_and_checked(client: CheckedClient) -> None:
    supplied(client)
    shown = client.get(f"{NORTH}/suppliers/w-1")
    assert (shown.headers["etag"], shown.json()["lead_sd_days"]) == ('"1"', 2.0)
    terms = {"name": "Wholesale", "currency": "USD", "lead_mean_days": 3}
    put(client, "suppliers/w-1", terms, 428)
    assert (
        client.put(f"{NORTH}/suppliers/w-1", json=terms, headers={"If-Match": '"1"'}).json()["version"] == 2
    )
    assert client.put(f"{NORTH}/suppliers/w-1", json=terms, headers={"If-Match": '"1"'}).status_code == 412
    differing = {one["fluid_requirement"]: one for one in proposed(client)["not_planned"]}["oil-a"]
    assert (differing["code"], differing["fluid_products"]) == ("currency_differs", ["plain", "w-1"])
    assert [one["code"] for one in client.get(f"{NORTH}/suppliers").json()["suppliers"]] == ["w-1"]
    first = client.get(f"{NORTH}/stock-policies?limit=2").json()
    last = client.get(f"{NORTH}/stock-policies?limit=2&cursor={first['next']}").json()
    assert [one["fluid_product"] for one in first["stock_policies"]] == ["dear", "plain"]
    assert [one["part"] for one in last["stock_policies"]] == ["F-1B"]
    assert client.get(f"{NORTH}/stock-policies/parts/F-1B").headers["etag"] == '"1"'
    policy = {"supplier": "w-1", "service_level": 0.9}
    for level in (0, 1, -0.5, 1.5):
        answer = put(client, "stock-policies/fluid-products/dear", policy | {"service_level": level}, 422)
        assert set(answer) == {"#/service_level"}
    assert put(client, "stock-policies/parts/S-14", policy, 422) == {
        "#/pack": "field_missing",
        "#/pack_price_minor": "field_missing",
    }
    assert put(client, "stock-policies/fluid-products/dear", policy | {"pack_price_minor": 5}, 422) == {
        "#/pack_price_minor": "field_not_applicable"
    }
    assert put(client, "stock-policies/fluid-products/dear", policy | {"supplier": "x"}, 422) == {
        "#/supplier": "supplier_unknown"
    }
    room = {"room": quantity(3, "piece")}
    assert put(client, "stock-policies/fluid-products/dear", policy | room, 422) == {
        "#/room/unit": "unit_of_wrong_dimension"
    }
    pack = {"pack": quantity(10, "piece"), "pack_price_minor": 4_500}
    put(client, "stock-policies/parts/X-1", policy | pack, 404)
    assert client.get(f"{NORTH}/stock-policies/parts/S-14").status_code == 404
    assert client.get("/v1/depots/east/suppliers").status_code == 404
    assert client.get("/v1/order-proposals?depot=east").status_code == 404
    assert client.get("/v1/order-proposals").status_code == 422
