"""Fluid totals and kits with products, containers and cost: what meets the requirement, and what it costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity
from tests.support.small_fleet import SmallFleet, small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

OIL = {"standard": "acea", "service_class": "C3", "grade": "5W-30"}


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    """Two vans in the north, new on 1 May 2030: their oil is due, 5.7 L each and a tenth as margin."""
    made = small_fleet(client.app.state.store)
    made.add_vehicle("1")
    made.add_vehicle("2")
    requirement = {"name": "Engine oil", **OIL}
    changed = client.put("/v1/fluid-requirements/oil-a", json=requirement, headers={"If-Match": '"1"'})
    assert changed.status_code == 200
    return made


def put(client: CheckedClient, code: str, prices: dict[float, int], **changes: Any) -> None:
    """Store an engine oil in containers of so many litres at these prices."""
    body = {
        "name": f"Oil {code}",
        "kind": "engine_oil",
        "currency": "EUR",
        "containers": [{"size": quantity(size, "L"), "price_minor": minor} for size, minor in prices.items()],
        "meets": [OIL],
    } | changes
    assert client.put(f"/v1/fluid-products/{code}", json=body).status_code == 201


def supply(client: CheckedClient, query: str = "") -> dict[str, Any]:
    """What to buy of the one fluid that is due."""
    (fluid,) = client.get(f"/v1/fluids{query}").json()["fluids"]
    found: dict[str, Any] = fluid["supply"]
    return found


@pytest.mark.usefixtures("fleet")
def test_products_that_meet_the_requirement_in_their_cheapest_containers(client: CheckedClient) -> None:
    # 2 x 5.7 L and a tenth are 12.54 L. In 5 and 1 L: two and three, 2 x 32.00 + 3 x 8.00 = 88.00 (three of 5 L
    # would be 96.00). A drum of 20 L at 85.00 holds more and costs less.
    put(client, "small", {5: 3200, 1: 800})
    put(client, "drum", {20: 8500})
    found = supply(client)
    assert (found["need"], found["note"]) == (quantity(12.54, "L"), None)
    drum, small = found["products"]
    assert (drum["product"], drum["cost_minor"], drum["is_cheapest"]) == ("drum", 8500, True)
    assert (drum["bought"], drum["left_over"]) == (quantity(20.0, "L"), quantity(7.46, "L"))
    assert (small["product"], small["cost_minor"], small["is_cheapest"]) == ("small", 8800, False)
    assert [(c["size"], c["count"]) for c in small["containers"]] == [
        (quantity(1.0, "L"), 3),
        (quantity(5.0, "L"), 2),
    ]
    # 12.54 L are 13.25 US quarts (0.946352946 L each, NIST SP 811).
    assert supply(client, "?units=us")["need"] == quantity(13.25, "qt_us")


@pytest.mark.usefixtures("fleet")
def test_money_of_two_currencies_is_never_compared(client: CheckedClient) -> None:
    put(client, "euro", {20: 8500})
    put(client, "pound", {20: 9900}, currency="GBP")
    found = supply(client)
    assert [(p["product"], p["currency"], p["is_cheapest"]) for p in found["products"]] == [
        ("euro", "EUR", True),
        ("pound", "GBP", True),
    ]


@pytest.mark.usefixtures("fleet")
def test_where_the_maker_decides_nothing_is_chosen(client: CheckedClient) -> None:
    thinner = {**OIL, "grade": "0W-30"}
    put(client, "thinner", {1: 1}, meets=[thinner])
    put(client, "other-class", {1: 1}, meets=[{**OIL, "service_class": "C2"}])
    put(client, "other-grade", {1: 1}, meets=[{**OIL, "grade": "5W-40"}])
    put(client, "silent", {1: 1}, meets=[{"standard": "ilsac", "service_class": "GF-6A"}])
    found = supply(client)
    assert (found["products"], found["note"]["code"]) == ([], "no_product")
    assert [one["product"] for one in found["maker_decides"]] == ["other-class", "thinner"]
    assert "maker's manual" in found["maker_decides"][1]["reasons"][0]


@pytest.mark.usefixtures("fleet")
def test_another_class_of_the_same_standard_is_in_doubt(client: CheckedClient) -> None:
    # ISO 4925: no rule at hand says that class 6 stands in for class 4, and DOT 4 alone proves no class.
    brake = {"name": "Brake fluid", "standard": "iso_4925", "service_class": "4"}
    client.put("/v1/fluid-requirements/oil-a", json=brake, headers={"If-Match": '"2"'})
    for code, standard, service_class in (
        ("class-6", "iso_4925", "6"),
        ("dot-4", "fmvss_116", "DOT 4"),
        ("silicone", "fmvss_116", "DOT 5"),
    ):
        meets = [{"standard": standard, "service_class": service_class}]
        put(client, code, {1: 900}, kind="brake_fluid", meets=meets)
    found = supply(client)
    assert (found["products"], found["note"]["code"]) == ([], "no_product")
    assert [one["product"] for one in found["maker_decides"]] == ["class-6", "dot-4"]


def test_what_cannot_be_bought_is_said(client: CheckedClient, fleet: SmallFleet) -> None:
    assert supply(client)["note"]["code"] == "no_product"
    put(client, "bulk", {})
    bulk = supply(client)
    assert (bulk["note"]["code"], bulk["products"][0]["cost_minor"]) == ("no_containers", None)
    put(client, "drum", {20: 8500})
    withdrawn = client.post(
        "/v1/fluid-products/drum/withdrawal", json={"reason": "Sold out."}, headers={"If-Match": '"1"'}
    )
    assert withdrawn.status_code == 200
    assert [one["product"] for one in supply(client)["products"]] == ["bulk"]
    # The maker's own fluid of the gearbox names no class: nothing can be judged by it.
    fleet.add_vehicle("9", is_known_from_new=False)
    fluids = client.get("/v1/fluids").json()["fluids"]
    notes = {f["fluid_requirement"]["code"]: f["supply"]["note"]["code"] for f in fluids}
    assert notes["fluid-b"] == "requirement_not_judged"


@pytest.mark.usefixtures("fleet")
def test_a_vehicles_fluids_and_kit_say_what_to_buy(client: CheckedClient) -> None:
    put(client, "small", {5: 3200, 1: 800})
    # 5.7 L and a tenth are 6.27 L: one of 5 L and two of 1 L, 32.00 + 16.00.
    vehicle = client.get("/v1/vehicles/1/fluids").json()["fluids"][0]["supply"]
    assert (vehicle["need"], vehicle["products"][0]["cost_minor"]) == (quantity(6.27, "L"), 4800)
    kit = client.get("/v1/vehicles/1/kit?services=oil,gearbox").json()["kit"]
    by_code = {one["fluid_requirement"]: one["supply"] for one in kit["supplies"]}
    assert by_code["oil-a"] == vehicle
    assert by_code["fluid-b"]["need"] == quantity(4.1, "L")
    assert by_code["fluid-b"]["note"]["code"] == "requirement_not_judged"
    (listed,) = client.get("/v1/kits").json()["kits"]
    assert [one["fluid_requirement"] for one in listed["supplies"]] == ["oil-a"]


@pytest.mark.usefixtures("fleet")
def test_the_due_lists_kits_follow_the_catalogue(client: CheckedClient) -> None:
    def offered() -> set[str]:
        kits = client.get("/v1/due").json()["kits"].values()
        return {
            one["product"] for kit in kits for entry in kit["supplies"] for one in entry["supply"]["products"]
        }

    assert offered() == set()
    put(client, "drum", {20: 8500})
    assert offered() == {"drum"}
    body = {"name": "Other oil", **OIL, "service_class": "C2"}
    client.put("/v1/fluid-requirements/oil-a", json=body, headers={"If-Match": '"2"'})
    assert offered() == set()


def test_the_statements_grow_neither_with_the_fleet_nor_with_the_catalogue(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    put(client, "first", {5: 3200})
    counts = []
    for many in (2, 12):
        for number in range(many):
            fleet.add_vehicle(f"n{many}-{number}")
            put(client, f"p{many}-{number}", {5: 3200 + number})
        for path in ("/v1/fluids", "/v1/kits?limit=1000"):
            client.get(path)
            with counted_queries(fleet.store) as counted:
                client.get(path)
            counts.append(counted.count)
    assert counts[:2] == counts[2:]
