"""Spec sheets over HTTP: documents come back as sent, versions never change, and contradictions are told."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.store.sheets import load_sheet
from tests.support.client import CheckedClient, check_problem, codes_at
from tests.support.fleets import at_us, plant, service, sheet
from tests.support.queries import counted_queries
from tests.support.sheet_documents import amount, changed, quantity, van_document

if TYPE_CHECKING:
    from api.store.session import Store
    from domain.sheet import SpecSheet
    from tests.support.apps import SetClock

SHEETS = "/v1/spec-sheets"
EVERY = "/services/0/rules/0/every"
TASK = "/services/0/tasks/0"


def stored(client: CheckedClient, code: str = "van", number: int = 1) -> SpecSheet:
    """A version as the domain reads it."""
    store = client.store
    with store.reading() as session:
        key = session.execute(
            text(
                "SELECT v.id FROM spec_sheet_version v JOIN spec_sheet s ON s.id = v.spec_sheet_id"
                " WHERE s.code = :code AND v.number = :number"
            ),
            {"code": code, "number": number},
        ).scalar_one()
        return load_sheet(session, 1, key)


def test_a_document_comes_back_as_sent_in_its_own_units(client: CheckedClient) -> None:
    response = client.post(SHEETS, json=van_document())
    assert response.status_code == 201
    assert response.headers["location"] == "/v1/spec-sheets/van/versions/1"
    assert response.json() == {
        "code": "van",
        "number": 1,
        "newest_number": 1,
        "recorded_at": "2031-05-05T08:00:00Z",
        "document": van_document(),
    }
    assert client.get(response.headers["location"]).json() == response.json()
    newest = client.get(f"{SHEETS}/van")
    assert newest.json() == response.json()
    assert newest.headers["etag"] == '"1"'


def test_figures_are_kept_in_whole_canonical_units(client: CheckedClient) -> None:
    """By hand: a mile is 1609.344 m, a US quart 946.352946 mL, a pound-force foot 1.3558179483 N.m."""
    client.post(SHEETS, json=van_document())
    sheet = stored(client)
    sump, cvt = sheet.compartments
    assert (sump.dry_capacity_ml, sump.service_fill_with_filter_ml) == (6_500, 5_700)
    assert (cvt.dry_capacity_ml, cvt.drained_low_ml, cvt.drained_high_ml) == (7_571, 3_500, 3_785)
    assert sump.level_check is not None
    assert (sump.level_check.temperature_low_c, sump.level_check.mark_to_mark_ml) == (20.0, 946)
    assert sump.plugs[0].wrench_mm == pytest.approx(19.05)
    assert sump.plugs[0].torque_nm == pytest.approx(40.6745384)
    oil, gearbox = sheet.services[:2]
    assert oil.tasks[0].labour_s == 2_160
    rule = oil.rules[0]
    assert [a.amount for a in rule.every] == [16_093_440, 1_440_000, 12]
    assert [a.amount for a in rule.first] == [8_046_720]
    assert rule.idle_m_per_h == 40_234
    assert rule.applies_to.engines == ("D20",)
    assert [a.amount for a in gearbox.rules[0].every] == [96_560_640, 48]


def test_a_next_version_leaves_the_one_before_as_it_was(client: CheckedClient, clock: SetClock) -> None:
    client.post(SHEETS, json=van_document())
    clock.forward(days=1)
    second = van_document(name="Delivery van, second edition")
    response = client.post(f"{SHEETS}/van/versions", json=second)
    assert response.status_code == 201
    assert response.headers["location"] == "/v1/spec-sheets/van/versions/2"
    assert response.json()["number"] == 2
    first = client.get(f"{SHEETS}/van/versions/1").json()
    assert first["document"] == van_document()
    assert (first["number"], first["newest_number"]) == (1, 2)
    assert first["recorded_at"] == "2031-05-05T08:00:00Z"
    newest = client.get(f"{SHEETS}/van")
    assert newest.json()["document"] == second
    assert newest.headers["etag"] == '"2"'


def test_what_is_left_out_of_a_document_is_not_made_up(client: CheckedClient) -> None:
    small = {"code": "trailer", "name": "Trailer", "meters": []}
    assert client.post(SHEETS, json=small).json()["document"] == small
    assert stored(client, "trailer").services == ()


def test_unknown_sheets_and_versions_are_not_found(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())
    assert client.get(f"{SHEETS}/bus").status_code == 404
    assert client.get(f"{SHEETS}/van/versions/2").status_code == 404
    assert client.get(f"{SHEETS}/bus/versions/1").status_code == 404
    assert client.post(f"{SHEETS}/bus/versions", json=van_document(code="bus")).status_code == 404
    assert client.get(f"{SHEETS}/van/versions/0").status_code == 422
    assert client.get(f"{SHEETS}/van/versions/x").status_code == 422
    assert client.get(f"{SHEETS}/van/versions/{10**30}").status_code == 422


def test_a_code_is_given_once(client: CheckedClient) -> None:
    assert client.post(SHEETS, json=van_document()).status_code == 201
    again = client.post(SHEETS, json=van_document(name="Another"))
    assert again.status_code == 409
    assert codes_at(again) == {"#/code": "code_taken"}
    assert client.get(f"{SHEETS}/van").json()["document"]["name"] == "Delivery van"


def test_a_version_is_of_the_sheet_that_the_path_names(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())
    response = client.post(f"{SHEETS}/van/versions", json=van_document(code="bus"))
    assert response.status_code == 422
    assert codes_at(response) == {"#/code": "code_differs"}
    assert client.get(f"{SHEETS}/van").json()["newest_number"] == 1


def test_sheets_are_listed_by_their_newest_versions_in_pages(client: CheckedClient) -> None:
    for code in ("c", "a", "b"):
        client.post(SHEETS, json={"code": code, "name": f"Type {code}", "meters": []})
    client.post(f"{SHEETS}/b/versions", json={"code": "b", "name": "Type b, new", "meters": []})
    first = client.get(SHEETS, params={"limit": 2}).json()
    assert [s["code"] for s in first["spec_sheets"]] == ["a", "b"]
    assert (first["spec_sheets"][1]["name"], first["spec_sheets"][1]["newest_number"]) == ("Type b, new", 2)
    rest = client.get(SHEETS, params={"limit": 2, "cursor": first["next"]}).json()
    assert [s["code"] for s in rest["spec_sheets"]] == ["c"]
    assert rest["next"] is None
    assert client.get("/v1/parts", params={"cursor": first["next"]}).status_code == 400


def test_lists_take_as_many_statements_for_many_sheets_as_for_one(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())
    with counted_queries(client.store) as few:
        client.get(SHEETS)
    for index in range(20):
        client.post(SHEETS, json={"code": f"t{index}", "name": "Type", "meters": []})
    with counted_queries(client.store) as many:
        client.get(SHEETS)
    assert few.count == many.count == 1


CONTRADICTIONS = [
    (EVERY, [], EVERY, "interval_missing"),
    (EVERY, [amount("power_take_off_hours", 100, "h")], EVERY, "meter_missing"),
    (f"{EVERY}/0/amount", quantity(0, "km"), EVERY, "amount_too_small"),
    ("/services/0/rules/0/first", [amount("idle_hours", 5, "h")], "/services/0/rules/0/first", "limb_unused"),
    (
        "/services/0/rules/0/early_window",
        [amount("odometer", 10000, "mi")],
        "/services/0/rules/0/early_window",
        "window_too_wide",
    ),
    (
        "/services/3/rules/0/tolerance",
        [amount("calendar", 1, "month")],
        "/services/3/rules/0/tolerance",
        "statutory_tolerance",
    ),
    (
        "/services/0/rules/0/conditions/0/factor",
        0,
        "/services/0/rules/0/conditions/0/factor",
        "factor_out_of_range",
    ),
    (
        "/services/0/rules/0/conditions/0/factor",
        1.01,
        "/services/0/rules/0/conditions/0/factor",
        "factor_out_of_range",
    ),
    (
        "/services/0/rules/0/conditions/0/threshold_share",
        1,
        "/services/0/rules/0/conditions/0/threshold_share",
        "share_out_of_range",
    ),
    (
        "/services/0/rules/0/conditions/0/limbs",
        ["calendar", "fuel_burned"],
        "/services/0/rules/0/conditions/0/limbs",
        "limb_unused",
    ),
    (
        "/services/0/rules/0/applies_to/model_year_to",
        2020,
        "/services/0/rules/0/applies_to/model_year_to",
        "range_reversed",
    ),
    (
        "/services/0/rules/0/applies_to",
        {"serial_from": "100", "serial_to": "99"},
        "/services/0/rules/0/applies_to/serial_to",
        "range_reversed",
    ),
    ("/meters", ["odometer", "engine_hours", "odometer"], "/meters", "code_repeated"),
    (
        "/compartments/0/service_fill_with_filter",
        quantity(7, "L"),
        "/compartments/0/service_fill_with_filter",
        "service_fill_with_filter_above_capacity",
    ),
    (
        "/compartments/1/drained_volume/high",
        quantity(9, "qt_us"),
        "/compartments/1/drained_volume",
        "drained_volume_above_capacity",
    ),
    (
        "/compartments/1/drained_volume/low",
        quantity(4.5, "qt_us"),
        "/compartments/1/drained_volume",
        "range_reversed",
    ),
    (
        "/compartments/0/fluid_requirement",
        "oil-x",
        "/compartments/0/fluid_requirement",
        "fluid_requirement_unknown",
    ),
    ("/compartments/0/plugs/0/seal_part", "S-99", "/compartments/0/plugs/0/seal_part", "part_unknown"),
    (f"{TASK}/parts/0/part", "F-99", f"{TASK}/parts/0/part", "part_unknown"),
    (f"{TASK}/parts/0/quantity", 0, f"{TASK}/parts/0/quantity", "quantity_too_small"),
    (f"{TASK}/plugs", ["level"], f"{TASK}/plugs/0", "plug_unknown"),
    (f"{TASK}/compartment", "tank", f"{TASK}/compartment", "compartment_unknown"),
    (f"{TASK}/margin_share", 1.5, f"{TASK}/margin_share", "share_out_of_range"),
    (f"{TASK}/passes", 0, f"{TASK}/passes", "passes_too_few"),
    ("/services/2/includes/1", "brakes", "/services/2/includes/1", "service_unknown"),
    ("/services/1/includes", ["large"], "/services/1/includes", "includes_itself"),
    ("/parts/0/superseded_by", "F-99", "/parts/0/superseded_by", "part_unknown"),
    ("/parts/0/superseded_by", "F-1", "/parts/0/superseded_by", "part_names_itself"),
    ("/parts/1/superseded_by", "F-1", "/parts/1/superseded_by", "supersession_cycle"),
    ("/parts/1/alternates", ["F-3", "F-3"], "/parts/1/alternates/1", "code_repeated"),
    ("/parts/1/alternates", ["F-2"], "/parts/1/alternates/0", "part_names_itself"),
    ("/parts/3/code", "F-3", "/parts/3/code", "code_repeated"),
    ("/fluid_requirements/1/code", "oil-a", "/fluid_requirements/1/code", "code_repeated"),
]


def test_each_contradiction_is_told_at_its_place(client: CheckedClient) -> None:
    for place, value, pointer, rule in CONTRADICTIONS:
        response = client.post(SHEETS, json=changed(van_document(), place, value))
        assert response.status_code == 422, place
        assert codes_at(response).get(f"#{pointer}") == rule, place
    assert client.get(SHEETS).json()["spec_sheets"] == []


FORM_ERRORS = [
    (
        "/compartments/0/dry_capacity",
        quantity(6.5, "gal"),
        "/compartments/0/dry_capacity/unit",
        "unit_unknown",
    ),
    (
        "/compartments/0/dry_capacity",
        quantity(6.5, "km"),
        "/compartments/0/dry_capacity/unit",
        "unit_of_wrong_dimension",
    ),
    (
        "/compartments/0/dry_capacity",
        quantity(1, "9**9**9**9"),
        "/compartments/0/dry_capacity/unit",
        "unit_unknown",
    ),
    ("/compartments/0/dry_capacity", 6.5, "/compartments/0/dry_capacity", "quantity_without_unit"),
    ("/compartments/0/dry_capacity", quantity(-1, "L"), "/compartments/0/dry_capacity", "figure_negative"),
    (
        "/compartments/0/dry_capacity",
        quantity(1e308, "L"),
        "/compartments/0/dry_capacity",
        "figure_too_large",
    ),
    ("/compartments/0/kind", "engine", "/compartments/0/kind", "value_not_listed"),
    ("/compartments/0/colour", "red", "/compartments/0/colour", "field_unknown"),
    ("/compartments/0/code", "a b", "/compartments/0/code", "text_malformed"),
    (
        "/compartments/0/plugs/0/torque",
        quantity(30, "N"),
        "/compartments/0/plugs/0/torque/unit",
        "unit_unknown",
    ),
    (f"{EVERY}/0/amount", quantity(12, "month"), f"{EVERY}/0/amount/unit", "unit_of_wrong_dimension"),
    (f"{EVERY}/0/amount", 20000, f"{EVERY}/0/amount", "quantity_without_unit"),
    (f"{EVERY}/0/amount", quantity(1e12, "km"), f"{EVERY}/0/amount", "figure_too_large"),
    (f"{EVERY}/1/amount", quantity(10**9, "h"), f"{EVERY}/1/amount", "figure_too_large"),
    (f"{EVERY}/2/amount", quantity(101, "year"), f"{EVERY}/2/amount", "figure_too_large"),
    (f"{EVERY}/2/amount", quantity(1.5, "month"), f"{EVERY}/2/amount", "figure_not_whole"),
    (f"{EVERY}/0/limb", "distance", f"{EVERY}/0/limb", "value_not_listed"),
    (f"{EVERY}/0", {"limb": "odometer"}, f"{EVERY}/0/amount", "field_missing"),
    (
        "/services/0/rules/0/idle_distance",
        quantity(900, "km/h"),
        "/services/0/rules/0/idle_distance",
        "figure_too_large",
    ),
    (
        "/services/0/rules/0/conditions/0/factor",
        "0.5",
        "/services/0/rules/0/conditions/0/factor",
        "number_expected",
    ),
    (
        "/services/0/rules/0/conditions/0/factor",
        True,
        "/services/0/rules/0/conditions/0/factor",
        "number_expected",
    ),
    (
        "/services/0/rules/0/conditions/0/limbs",
        [],
        "/services/0/rules/0/conditions/0/limbs",
        "list_too_short",
    ),
    (
        "/services/0/rules/0/applies_to/model_year_to",
        10**18,
        "/services/0/rules/0/applies_to/model_year_to",
        "figure_too_large",
    ),
    (f"{TASK}/labour_time", quantity(10**9, "h"), f"{TASK}/labour_time", "figure_too_large"),
    (f"{TASK}/passes", 2**63, f"{TASK}/passes", "integer_too_large"),
    (f"{TASK}/parts/0/quantity", 1.5, f"{TASK}/parts/0/quantity", "whole_number_expected"),
    (f"{TASK}/name", "", f"{TASK}/name", "text_too_short"),
    (f"{TASK}/name", "x" * 201, f"{TASK}/name", "text_too_long"),
    (f"{TASK}/name", "a\nb", f"{TASK}/name", "text_malformed"),
    (f"{TASK}/name", "a\u0000b", f"{TASK}/name", "text_malformed"),
    ("/meters", "odometer", "/meters", "list_expected"),
    ("/meters/0", "hubometer", "/meters/0", "value_not_listed"),
    ("/code", None, "/code", "text_expected"),
    ("/services/0/is_one_time", 1, "/services/0/is_one_time", "flag_expected"),
    ("/fluid_requirements/0/standard", "ACEA", "/fluid_requirements/0/standard", "value_not_listed"),
    ("/parts/0/kind", "gasket", "/parts/0/kind", "value_not_listed"),
]


def test_each_field_of_the_wrong_form_is_told_at_its_place(client: CheckedClient) -> None:
    with counted_queries(client.store) as counted:
        for place, value, pointer, rule in FORM_ERRORS:
            response = client.post(SHEETS, json=changed(van_document(), place, value))
            assert response.status_code == 422, place
            assert codes_at(response).get(f"#{pointer}") == rule, place
    assert counted.count == 0


WRITTEN = [
    ("NaN", "figure_not_finite"),
    ("-Infinity", "figure_not_finite"),
    ("1e999", "figure_not_finite"),
    ("1" * 5000, "integer_too_large"),
    ('"\\ud800"', "text_malformed"),
    ('6.5, "value": 7', "member_repeated"),
]


def test_what_only_the_text_of_a_body_can_hold_is_refused_at_its_place(client: CheckedClient) -> None:
    pointer = "/compartments/0/dry_capacity/value"
    body = json.dumps(changed(van_document(), pointer, "HERE"))
    for written, rule in WRITTEN:
        response = client.post(
            SHEETS, content=body.replace('"HERE"', written), headers={"content-type": "application/json"}
        )
        assert response.status_code == 422, rule
        assert codes_at(response).get(f"#{pointer}") == rule


def test_all_contradictions_are_told_at_once(client: CheckedClient) -> None:
    document = van_document()
    for place, value in (
        ("/services/3/rules/0/every", []),
        ("/services/0/rules/0/conditions/0/factor", 2),
        ("/compartments/1/drained_volume/high", quantity(3, "gal_us")),
        (f"{TASK}/parts/0/part", "F-99"),
        ("/parts/1/alternates", ["F-98"]),
        ("/compartments/0/fluid_requirement", "oil-x"),
    ):
        changed(document, place, value)
    assert codes_at(client.post(SHEETS, json=document)) == {
        "#/compartments/1/drained_volume": "drained_volume_above_capacity",
        "#/services/0/rules/0/conditions/0/factor": "factor_out_of_range",
        "#/services/3/rules/0/every": "interval_missing",
        "#/parts/1/alternates/0": "part_unknown",
        "#/compartments/0/fluid_requirement": "fluid_requirement_unknown",
        f"#{TASK}/parts/0/part": "part_unknown",
    }


def test_contradictions_are_told_beside_fields_of_the_wrong_form(client: CheckedClient) -> None:
    """Each place counts in the document as it was sent, also behind the pieces that cannot be read."""
    document = van_document()
    for place, value in (
        ("/name", 7),
        ("/colour", "red"),
        ("/meters/2", "hubometer"),
        ("/parts/0/kind", "gasket"),
        ("/parts/1/price", 3),
        ("/compartments/0/dry_capacity/unit", "gal"),
        ("/compartments/1/drained_volume/high", quantity(3, "gal_us")),
        (f"{EVERY}/0/amount/unit", "month"),
        ("/services/0/rules/1/every", []),
        (f"{TASK}/colour", "red"),
        (f"{TASK}/margin_share", 2),
        ("/services/1/tasks/0/passes", "two"),
        ("/services/1/rules/0/conditions", [{"condition": "dust", "factor": 2, "limbs": ["odometer"]}]),
        ("/services/2/name", ""),
        ("/services/3/tasks/0/passes", 0),
    ):
        changed(document, place, value)
    assert codes_at(client.post(SHEETS, json=document)) == {
        "#/name": "text_expected",
        "#/colour": "field_unknown",
        "#/meters/2": "value_not_listed",
        "#/parts/0/kind": "value_not_listed",
        "#/parts/1/price": "field_unknown",
        "#/compartments/0/dry_capacity/unit": "unit_unknown",
        "#/compartments/1/drained_volume": "drained_volume_above_capacity",
        f"#{EVERY}/0/amount/unit": "unit_of_wrong_dimension",
        "#/services/0/rules/1/every": "interval_missing",
        f"#{TASK}/colour": "field_unknown",
        f"#{TASK}/margin_share": "share_out_of_range",
        "#/services/1/tasks/0/passes": "whole_number_expected",
        "#/services/1/rules/0/conditions/0/factor": "factor_out_of_range",
        "#/services/2/name": "text_too_short",
        "#/services/3/tasks/0/passes": "passes_too_few",
    }


def test_what_only_follows_from_a_field_of_the_wrong_form_is_not_told(client: CheckedClient) -> None:
    """Services name what cannot be read, or lose their last task, or a whole list is none."""
    for place, value, pointer in (
        ("/compartments/1/kind", "gearbox", "/compartments/1/kind"),
        ("/compartments", {}, "/compartments"),
        ("/services/1/name", 7, "/services/1/name"),
        ("/services/3/tasks/0/code", 7, "/services/3/tasks/0/code"),
        ("/services/3/tasks", "all", "/services/3/tasks"),
        ("/services", "all", "/services"),
        ("/code", "a b", "/code"),
    ):
        response = client.post(SHEETS, json=changed(van_document(), place, value))
        assert list(codes_at(response)) == [f"#{pointer}"], place


def test_parts_and_fluids_that_are_stored_need_no_second_definition(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())
    assert client.post(SHEETS, json=van_document(code="again")).status_code == 201
    bare = van_document(code="bare", parts=[], fluid_requirements=[])
    assert client.post(SHEETS, json=bare).status_code == 201
    # What a definition leaves out states nothing: the stored supersession stays.
    short = van_document(code="short", parts=[{"code": "F-1", "name": "Oil filter"}])
    assert client.post(SHEETS, json=short).status_code == 201
    assert client.get("/v1/parts/F-1").json()["superseded_by"] == "F-2"
    assert client.get("/v1/parts/F-1").json()["version"] == 1


def test_another_definition_under_a_stored_code_conflicts_and_nothing_is_stored(
    client: CheckedClient,
) -> None:
    client.post(SHEETS, json=van_document())
    other = van_document(code="other")
    other["fluid_requirements"][0]["grade"] = "0W-20"
    other["parts"][2]["name"] = "Air filter"
    other["parts"].append({"code": "F-4", "name": "Cabin filter"})
    response = client.post(SHEETS, json=other)
    assert response.status_code == 409
    assert codes_at(response) == {
        "#/fluid_requirements/0": "definition_differs",
        "#/parts/2": "definition_differs",
    }
    assert client.get(f"{SHEETS}/other").status_code == 404
    assert client.get("/v1/parts/F-4").status_code == 404
    assert client.get("/v1/fluid-requirements/oil-a").json()["grade"] == "5W-30"


def test_a_supersession_may_not_close_a_ring_through_stored_parts(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())
    ring = {"code": "ring", "name": "Ring", "meters": []}
    new = {"code": "F-9", "name": "Filter", "superseded_by": "F-1"}
    assert client.post(SHEETS, json={**ring, "parts": [new]}).status_code == 201
    closing = {"code": "F-2", "name": "Oil filter, new pattern", "superseded_by": "F-9"}
    response = client.post(f"{SHEETS}/ring/versions", json={**ring, "parts": [closing]})
    assert codes_at(response) == {"#/parts/0/superseded_by": "supersession_cycle"}


def test_versions_published_at_once_get_numbers_of_their_own(client: CheckedClient) -> None:
    client.post(SHEETS, json=van_document())

    def publish(index: int) -> int:
        answer = client.post(f"{SHEETS}/van/versions", json=van_document(name=f"Van {index}"))
        assert answer.status_code == 201
        number: int = answer.json()["number"]
        return number

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(publish, range(4))) == [2, 3, 4, 5]


def test_a_next_version_moves_what_is_due_and_not_what_was(client: CheckedClient, clock: SetClock) -> None:
    """In service on 1 January 2030: due after 12 months on 1 January 2031, after 18 on 1 July 2031."""
    store = client.store
    planted = plant(store, sheet(service("oil", km=15_000, months=12)), ["101", "102"])
    document = {
        "code": "van",
        "name": "Van",
        "meters": ["odometer", "engine_hours"],
        "services": [
            {
                "code": "oil",
                "name": "Oil",
                "tasks": [{"code": "oil-task", "name": "Oil"}],
                "rules": [{"every": [amount("odometer", 20000, "km"), amount("calendar", 18, "month")]}],
            }
        ],
    }
    before = _due(store)
    assert {(row.due_on, row.odometer_m) for row in before} == {(date(2031, 1, 1).toordinal(), 15_000_000)}
    clock.forward(days=1)
    assert client.post(f"{SHEETS}/van/versions", json=document).status_code == 201
    after = _due(store)
    assert [row.vehicle_id for row in after] == sorted(planted.vehicles.values())
    assert {(row.due_on, row.odometer_m) for row in after} == {(date(2031, 7, 1).toordinal(), 20_000_000)}
    assert {row.spec_sheet_version_id for row in after}.isdisjoint({planted.version})
    assert at_us("2031-05-06", 8) == _recorded_us(store, 2)


def test_a_next_version_takes_as_many_statements_for_many_vehicles_as_for_few(client: CheckedClient) -> None:
    store = client.store
    plant(store, sheet(service("oil", months=12)), [f"{n}" for n in range(2)])
    plant(store, sheet(service("oil", months=12), code="bus"), [f"b{n}" for n in range(40)], depot="south")
    counts = []
    for code in ("van", "bus"):
        document = {"code": code, "name": code, "meters": ["odometer", "engine_hours"]}
        with counted_queries(store) as counted:
            assert client.post(f"{SHEETS}/{code}/versions", json=document).status_code == 201
        counts.append(counted.count)
    assert counts[0] == counts[1]


def test_a_body_of_another_kind_is_refused(client: CheckedClient) -> None:
    bodies: list[Any] = [[], "text", 5, None]
    for body in bodies:
        response = client.post(SHEETS, json=body)
        assert response.status_code == 422
        check_problem(response)
    assert client.post(SHEETS, content=b"code: van").status_code == 415


def _due(store: Store) -> list[Any]:
    with store.reading() as session:
        return list(
            session.execute(
                text(
                    "SELECT vehicle_id, due_on, odometer_m, spec_sheet_version_id FROM due_point"
                    " ORDER BY vehicle_id"
                )
            )
        )


def _recorded_us(store: Store, number: int) -> int:
    with store.reading() as session:
        return int(
            session.execute(
                text("SELECT recorded_at_us FROM spec_sheet_version WHERE number = :number"),
                {"number": number},
            ).scalar_one()
        )
