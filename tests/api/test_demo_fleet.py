"""The demo's fleet, loaded through the service: facts of it worked by hand, and what became of the dirt in its readings.

Every figure below follows from the fixtures: the sheet's interval, the visit's figure, the course's last figure.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from api.cli.demo.courses import stray_readings
from api.cli.demo.loading import Loaded, answer, load
from api.cli.demo.scenario import Call, Scenario
from tests.conftest import BACKENDS
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI

    from tests.support.databases import PostgresServer, SqliteTemplates

TODAY = date(2031, 5, 5)
MILE_KM = 1.609344


@dataclass(frozen=True, slots=True)
class LoadedFleet:
    """The fleet as it stands after loading."""

    client: CheckedClient
    loaded: Loaded
    strays: dict[str, Any]

    def line(self, unit: str, service: str) -> dict[str, Any]:
        """How a service of a vehicle stands."""
        found = answer(self.client, Call("GET", f"/v1/vehicles/{unit}/due"))
        return next(dict(line) for line in found["lines"] if line["service"] == service)

    def limb(self, unit: str, service: str, limb: str) -> dict[str, Any]:
        """The same on one limb."""
        return next(dict(found) for found in self.line(unit, service)["limbs"] if found["limb"] == limb)


@pytest.fixture(scope="module", params=BACKENDS)
def fleet(request: pytest.FixtureRequest, built_app: FastAPI) -> Iterator[LoadedFleet]:
    """The demo's fleet on each kind of database, loaded once for all tests that only look at it."""
    with contextlib.ExitStack() as stack:
        if request.param == "sqlite":
            templates: SqliteTemplates = request.getfixturevalue("sqlite_templates")
            url = stack.enter_context(templates.database())
        else:
            server: PostgresServer = request.getfixturevalue("postgres")
            url = stack.enter_context(server.database())
        clock = SetClock(datetime(TODAY.year, TODAY.month, TODAY.day, 8, tzinfo=UTC))
        client = stack.enter_context(CheckedClient(set_on(built_app, url, clock)))
        *calls, strays = Scenario(TODAY).calls()
        loaded = load(client, calls, lambda _: None)
        yield LoadedFleet(client, loaded, answer(client, strays))


def test_the_whole_fleet_comes_in(fleet: LoadedFleet) -> None:
    rows = fleet.loaded.rows
    assert (rows["vehicles"], rows["spec sheets"], rows["depots"]) == (32, 10, 4)
    # A week of workdays that a gateway sends again is all that is not accepted.
    assert fleet.loaded.verdicts["duplicate"] == 5
    assert fleet.loaded.verdicts["accepted"] == rows["readings"] - 5


def test_each_wrong_reading_gets_the_verdict_that_the_fixtures_name(fleet: LoadedFleet) -> None:
    expected = [(verdict, code) for _, verdict, code in stray_readings(Scenario(TODAY).folder, TODAY)]
    assert [(row["verdict"], row["code"]) for row in fleet.strays["rows"]] == expected


def test_town_traffic_halves_the_fluid_interval_and_it_is_overdue(fleet: LoadedFleet) -> None:
    # 48 195 km + 60 000 mi / 2; read 100 215 km; tolerance 1 500 mi.
    limb = fleet.limb("CV-11", "cvt-fluid", "odometer")
    due = 48_195 + 30_000 * MILE_KM
    assert limb["due"] == {"value": round(due, 1), "unit": "km"}
    assert limb["remaining"]["value"] == pytest.approx(due - 100_215, abs=0.06)
    assert 100_215 - due > 1_500 * MILE_KM
    assert fleet.line("CV-11", "cvt-fluid")["state"] == "overdue"


def test_normal_duty_leaves_the_fluid_interval_whole(fleet: LoadedFleet) -> None:
    # 60 000 mi from new; read 94 886 km, inside the early window of 3 000 mi.
    limb = fleet.limb("CV-12", "cvt-fluid", "odometer")
    assert limb["due"]["value"] == round(60_000 * MILE_KM, 1)
    assert 0 < 60_000 * MILE_KM - 94_886 < 3_000 * MILE_KM
    assert fleet.line("CV-12", "cvt-fluid")["state"] == "in_window"


def test_an_authority_puts_an_oil_change_off(fleet: LoadedFleet) -> None:
    # Short trips halve 15 000 km from 29 700 km: 37 200 km, read 38 445 km; put off to 39 800 km.
    line = fleet.line("CV-13", "oil")
    assert (line["state"], line["deferral"]["authority"]) == ("deferred", "Workshop manager, Kelp Quay")


def test_a_silent_vehicle_does_not_stay_not_due(fleet: LoadedFleet) -> None:
    lines = {"oil", "cvt-fluid", "cabin-filter", "air-filter", "spark-plugs", "main-service", "coolant"}
    assert {fleet.line("CV-14", service)["state"] for service in lines} == {"reading_stale"}
    read_on = fleet.limb("CV-14", "oil", "odometer")["read_on"]
    assert read_on == str(TODAY - timedelta(days=40))


def test_a_vehicle_without_a_reading_has_a_state_of_its_own(fleet: LoadedFleet) -> None:
    assert fleet.line("CV-15", "oil")["state"] == "no_reading"
    # Only the calendar governs brake fluid, and that is known.
    assert fleet.line("CV-15", "brake-fluid")["state"] == "not_due"


def test_a_single_reading_tells_what_remains_but_not_when(fleet: LoadedFleet) -> None:
    limb = fleet.limb("EV-43", "reducer-oil", "odometer")
    assert limb["remaining"] == {"value": 30_000 - 240, "unit": "km"}
    assert (limb["state"], limb["due_on"]) == ("not_due", None)


def test_the_dial_in_kilometres_counts_on_from_the_one_in_miles(fleet: LoadedFleet) -> None:
    # Taken out at 64 312 mi, the new one showing 4 km; read 13 414 km on it.
    (odometer,) = (
        meter
        for meter in answer(fleet.client, Call("GET", "/v1/vehicles/PV-23"))["meters"]
        if meter["meter"] == "odometer"
    )
    found = answer(fleet.client, Call("GET", "/v1/vehicles/PV-23/meters"))
    states = {meter["meter"]: meter for meter in found["meters"]}
    assert odometer["unit"] == "km"
    assert states["odometer"]["figure"] == {"value": 13_414, "unit": "km"}
    assert states["odometer"]["life_to_date"]["value"] == round(64_312 * MILE_KM - 4 + 13_414, 1)
    # Filled up at 4 864 km on the new dial, every 10 000 km.
    assert fleet.limb("PV-23", "urea", "odometer")["due_on_dial"] == {"value": 14_864, "unit": "km"}


def test_a_second_engine_counts_on_over_its_new_hour_meter(fleet: LoadedFleet) -> None:
    # Dust at 0.4 of use halves: 0.4 / 0.5 + 0.6 = 1.4; 2 988.6 h + 500 h / 1.4; the old meter came out at 3 026 h.
    limb = fleet.limb("SW-71", "second-oil", "second_engine_hours")
    due = 2_988.6 + 500 / 1.4
    assert limb["due"]["value"] == pytest.approx(due, abs=0.006)
    assert limb["due_on_dial"]["value"] == pytest.approx(due - 3_026, abs=0.006)
    assert fleet.line("SW-71", "second-oil")["state"] == "in_window"


def test_a_task_left_undone_keeps_its_service_open_and_no_other(fleet: LoadedFleet) -> None:
    # Set point 6 500 h, read 6 594.5 h, tolerance 25 h. The oil was changed at 6 490 h: 0.8 / 0.6 + 0.2 of 500 h.
    assert fleet.line("WL-01", "hours-500")["state"] == "overdue"
    assert fleet.limb("WL-01", "hours-500", "engine_hours")["remaining"] == {"value": -94.5, "unit": "h"}
    oil = fleet.limb("WL-01", "oil", "engine_hours")["due"]["value"]
    assert oil == pytest.approx(6_490 + 500 / (0.8 / 0.6 + 0.2), abs=0.006)


def test_another_gearbox_starts_its_own_clock(fleet: LoadedFleet) -> None:
    # Fitted at 60 180 km, oil every 240 000 km.
    assert fleet.limb("TP-62", "gearbox-oil", "odometer")["due"] == {"value": 300_180, "unit": "km"}


def test_a_tolerance_parts_due_from_overdue(fleet: LoadedFleet) -> None:
    # 238 590 + 25 000 km, read 263 670 km, tolerance 2 500 km; 480 + 250 h, read 745 h, no tolerance.
    assert fleet.line("RT-81", "chassis-grease")["state"] == "due"
    assert fleet.line("TP-63", "chassis-grease")["state"] == "overdue"


def test_used_vehicles_know_what_their_papers_say(fleet: LoadedFleet) -> None:
    without = answer(fleet.client, Call("GET", "/v1/vehicles/PV-25/due"))["lines"]
    assert {line["state"] for line in without} == {"baseline_needed"}
    assert fleet.line("PU-52", "coolant")["state"] == "baseline_needed"
    # Read at 54 358 mi at the last visit, 55 140 mi now.
    assert fleet.line("PU-52", "brake-fluid")["state"] == "not_due"


def test_a_withdrawn_entry_moves_no_due_point(fleet: LoadedFleet) -> None:
    entries = answer(fleet.client, Call("GET", "/v1/work-done?unit=HE-31&service=oil"))["work_done"]
    withdrawn = [entry for entry in entries if entry["withdrawal"] is not None]
    assert [entry["done_on"] for entry in withdrawn] == [str(TODAY - timedelta(days=45))]
    # Last changed at 59 520 km, 160 days ago: every 15 000 km.
    assert fleet.limb("HE-31", "oil", "odometer")["due"] == {"value": 74_520, "unit": "km"}


def test_a_retired_vehicle_is_gone_from_what_is_due(fleet: LoadedFleet) -> None:
    assert fleet.client.get("/v1/vehicles/PU-54/due").status_code == 410
    lines = answer(fleet.client, Call("GET", "/v1/due?window_days=366&limit=1000"))["lines"]
    assert "PU-54" not in {line["unit"] for line in lines}


def test_what_is_due_today_is_what_the_fixtures_were_made_for(fleet: LoadedFleet) -> None:
    lines = answer(fleet.client, Call("GET", "/v1/due?limit=1000"))["lines"]
    now = {(line["unit"], line["service"]) for line in lines if line["state"] in {"due", "overdue"}}
    assert now == {
        ("CV-11", "cvt-fluid"),
        ("EB-92", "doors"),
        ("PV-22", "oil"),
        ("PV-24", "air-filter"),
        ("RT-81", "chassis-grease"),
        ("TP-63", "chassis-grease"),
        ("WL-01", "hours-500"),
    }


def test_fluids_of_what_is_due_add_up_by_hand(fleet: LoadedFleet) -> None:
    # CV-11 takes one drain of its transmission, PV-22 an oil change with filter; WL-01's service includes one.
    fluids = answer(fleet.client, Call("GET", "/v1/fluids"))["fluids"]
    due = {
        fluid["fluid_requirement"]["code"]: (fluid["low"]["value"], fluid["high"]["value"])
        for fluid in fluids
        if not fluid["is_baseline_needed"]
    }
    assert due["cvt-fluid"] == (3.5, 3.9)
    assert due["oil-5w30-low-ash"] == (6.6, 6.6)
    assert due["oil-15w40-plant"] == (22, 22)


def container(litres: float, price_minor: int) -> dict[str, Any]:
    """A container of a fluid product."""
    return {"size": {"value": litres, "unit": "L"}, "price_minor": price_minor}


def test_a_manager_orders_what_a_depot_needs_in_containers(fleet: LoadedFleet) -> None:
    """From the demand ahead to stock on the shelf; no other test looks at the products and terms that it adds."""
    client = fleet.client
    at = "/v1/depots/stonefold"
    ahead = answer(client, Call("GET", "/v1/forecasts/fluids?months=1&depot=stonefold"))
    expected = {one["fluid_requirement"]["code"]: one["total"]["expected"] for one in ahead["fluids"]}
    supplier = {"name": "Fluids wholesale", "currency": "EUR", "lead_mean_days": 10, "lead_sd_days": 3}
    answer(client, Call("PUT", f"{at}/suppliers/fluids", supplier | {"least_order_minor": 20_000}))
    bought = ("oil-5w30-heavy", "oil-15w40-plant", "hydraulic-46")
    for code in bought:
        required = answer(client, Call("GET", f"/v1/fluid-requirements/{code}"))
        product = {
            "name": required["name"],
            "kind": "hydraulic_oil" if code.startswith("hydraulic") else "engine_oil",
            "currency": "EUR",
            "containers": [container(1, 1_190), container(5, 4_990), container(20, 17_900)],
            "meets": [{member: required[member] for member in ("standard", "service_class", "grade")}],
            "shelf_unopened": {"value": 4, "unit": "year"},
        }
        answer(client, Call("PUT", f"/v1/fluid-products/p-{code}", product))
        policy = {"supplier": "fluids", "service_level": 0.95}
        answer(client, Call("PUT", f"{at}/stock-policies/fluid-products/p-{code}", policy))

    proposals = answer(client, Call("GET", "/v1/order-proposals?depot=stonefold"))
    (order,) = proposals["orders"]
    items = {one["fluid_product"]: one for one in proposals["items"]}
    assert set(items) == {f"p-{code}" for code in bought}
    for code in bought:
        # Lead time and review period last 17 days, less than the month of the forecast.
        item = items[f"p-{code}"]
        assert 0 < item["expected_demand"]["value"] <= expected[code]
        assert item["order_up_to"]["value"] >= item["reorder_point"]["value"] > 0
    for line in order["lines"]:
        held = sum(pack["count"] * pack["size"]["value"] for pack in line["packs"])
        assert line["amount"]["value"] == held >= line["need"]["value"] > 0
        assert line["reasons"][0]["code"] == "demand"
    assert order["cost_minor"] == sum(line["cost_minor"] for line in order["lines"]) >= 20_000
    # Nothing of the catalogue meets what the trucks' urea tanks take.
    assert {one["fluid_requirement"]: one["code"] for one in proposals["not_planned"]}[
        "aus-32"
    ] == "no_product"

    lines = [{"fluid_product": line["fluid_product"], "amount": line["amount"]} for line in order["lines"]]
    placed = {"key": "PO-1", "kind": "order", "depot": "stonefold", "expected_on": order["expected_on"]}
    answer(client, Call("POST", "/v1/stock-entries", placed | {"lines": lines}))
    assert answer(client, Call("GET", "/v1/order-proposals?depot=stonefold"))["orders"] == []
    delivery = {"key": "DN-1", "kind": "receipt", "depot": "stonefold", "order": "PO-1", "lines": lines}
    answer(client, Call("POST", "/v1/stock-entries", delivery))
    stock = answer(client, Call("GET", "/v1/stock?depot=stonefold"))["stock"]
    on_hand = {one["fluid_product"]: (one["on_hand"], one["on_order"]["value"]) for one in stock}
    assert on_hand == {line["fluid_product"]: (line["amount"], 0.0) for line in order["lines"]}
    assert answer(client, Call("GET", "/v1/order-proposals?depot=stonefold"))["orders"] == []
