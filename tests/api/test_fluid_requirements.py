"""Fluid requirements over HTTP: an open standard's class, replaced from a named version."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.support.client import codes_at

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

DOT_4 = {"name": "Brake fluid", "standard": "fmvss_116", "service_class": "DOT 4", "grade": None}
PATH = "/v1/fluid-requirements"


def test_a_requirement_is_created_replaced_and_read_back(client: CheckedClient) -> None:
    created = client.put(f"{PATH}/brake", json=DOT_4)
    assert created.status_code == 201
    assert created.headers["location"] == f"{PATH}/brake"
    stored = DOT_4 | {"code": "brake", "version": 1, "recorded_at": "2031-05-05T08:00:00Z"}
    assert created.json() == stored
    assert client.get(f"{PATH}/brake").json() == stored
    same = client.put(f"{PATH}/brake", json=DOT_4, headers={"If-Match": '"1"'})
    assert (same.status_code, same.headers["etag"]) == (200, '"1"')
    other = DOT_4 | {"service_class": "DOT 5.1"}
    replaced = client.put(f"{PATH}/brake", json=other, headers={"If-Match": '"1"'})
    assert (replaced.status_code, replaced.headers["etag"]) == (200, '"2"')
    assert client.get(f"{PATH}/brake").json()["service_class"] == "DOT 5.1"


def test_a_replacement_names_the_version_it_starts_from(client: CheckedClient) -> None:
    assert client.put(f"{PATH}/brake", json=DOT_4, headers={"If-Match": '"1"'}).status_code == 412
    client.put(f"{PATH}/brake", json=DOT_4)
    assert client.put(f"{PATH}/brake", json=DOT_4).status_code == 428
    assert client.put(f"{PATH}/brake", json=DOT_4, headers={"If-Match": '"3"'}).status_code == 412
    assert client.put(f"{PATH}/brake", json=DOT_4, headers={"If-None-Match": "*"}).status_code == 412
    assert client.get(f"{PATH}/brake").json()["version"] == 1


def test_requirements_are_listed_by_code_in_pages(client: CheckedClient) -> None:
    assert client.get(PATH).json() == {"fluid_requirements": [], "next": None}
    for code in ("b", "c", "a"):
        client.put(f"{PATH}/{code}", json=DOT_4)
    first = client.get(PATH, params={"limit": 2}).json()
    assert [line["code"] for line in first["fluid_requirements"]] == ["a", "b"]
    rest = client.get(PATH, params={"limit": 2, "cursor": first["next"]}).json()
    assert [line["code"] for line in rest["fluid_requirements"]] == ["c"]
    assert rest["next"] is None


def test_fields_of_the_wrong_form_are_refused(client: CheckedClient) -> None:
    response = client.put(
        f"{PATH}/x", json={"standard": "best", "service_class": "", "grade": "x" * 65, "colour": "red"}
    )
    assert codes_at(response) == {
        "#/name": "field_missing",
        "#/standard": "value_not_listed",
        "#/service_class": "text_too_short",
        "#/grade": "text_too_long",
        "#/colour": "field_unknown",
    }
    assert client.get(f"{PATH}/x").status_code == 404


def test_a_class_or_grade_that_the_standard_lacks_is_refused(client: CheckedClient) -> None:
    for changes, expected in (
        ({"service_class": "DOT 6"}, {"#/service_class": "class_unknown"}),
        ({"standard": "api_service", "service_class": "SI"}, {"#/service_class": "class_unknown"}),
        # Gear and engine grades are unrelated numbers.
        ({"standard": "acea", "service_class": "C3", "grade": "75W-90"}, {"#/grade": "grade_unknown"}),
    ):
        assert codes_at(client.put(f"{PATH}/x", json=DOT_4 | changes)) == expected
    # A share of glycol beside a coolant's type is the fleet's own note.
    coolant = {"name": "Coolant", "standard": "astm_d3306", "service_class": "I", "grade": "50 %"}
    assert client.put(f"{PATH}/coolant", json=coolant).status_code == 201
