"""Parts over HTTP: replaced from a named version, superseded without rings, alternates in their order."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

from tests.support.client import codes_at
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.apps import SetClock
    from tests.support.client import CheckedClient


def put(client: CheckedClient, code: str, *, version: int | None = None, **part: Any) -> Response:
    """The answer to a replacement of a part."""
    headers = {} if version is None else {"If-Match": f'"{version}"'}
    return client.put(f"/v1/parts/{code}", json={"name": f"Part {code}"} | part, headers=headers)


def test_a_part_is_created_and_read_back(client: CheckedClient) -> None:
    response = put(client, "BC-1", name="Brake cleaner", unit="can", kind="consumable")
    assert response.status_code == 201
    assert response.headers["location"] == "/v1/parts/BC-1"
    assert response.headers["etag"] == '"1"'
    assert response.json() == {
        "code": "BC-1",
        "name": "Brake cleaner",
        "unit": "can",
        "kind": "consumable",
        "superseded_by": None,
        "alternates": [],
        "version": 1,
        "recorded_at": "2031-05-05T08:00:00Z",
    }
    shown = client.get("/v1/parts/BC-1")
    assert (shown.json(), shown.headers["etag"]) == (response.json(), '"1"')


def test_a_replacement_names_the_version_it_starts_from(client: CheckedClient, clock: SetClock) -> None:
    put(client, "F-1")
    clock.forward(days=1)
    assert put(client, "F-1", name="Other").status_code == 428
    assert put(client, "F-1", version=2, name="Other").status_code == 412
    replaced = put(client, "F-1", version=1, name="Other", kind="filter")
    assert replaced.status_code == 200
    assert replaced.headers["etag"] == '"2"'
    assert (replaced.json()["name"], replaced.json()["kind"]) == ("Other", "filter")
    assert replaced.json()["recorded_at"] == "2031-05-05T08:00:00Z"
    assert put(client, "F-1", version=1, name="Late").status_code == 412
    assert client.get("/v1/parts/F-1").json()["name"] == "Other"


def test_a_replacement_by_the_same_changes_no_version(client: CheckedClient) -> None:
    put(client, "F-1")
    assert put(client, "F-1", version=1).headers["etag"] == '"1"'


def test_conditions_hold_for_parts_that_are_not_there(client: CheckedClient) -> None:
    assert put(client, "F-1", version=1).status_code == 412
    only_new = {"If-None-Match": "*"}
    assert client.put("/v1/parts/F-1", json={"name": "Filter"}, headers=only_new).status_code == 201
    assert client.put("/v1/parts/F-1", json={"name": "Filter"}, headers=only_new).status_code == 412


def test_a_tag_that_is_none_of_ours_is_refused(client: CheckedClient) -> None:
    put(client, "F-1")
    for tag in ("1", 'W/"1"', '"x"', "*", '"1", "2"', '"' + "9" * 30 + '"', '""', "\u0661"):
        headers = {"If-Match": tag.encode("utf-8")}
        response = client.request("PUT", "/v1/parts/F-1", json={"name": "Other"}, headers=headers)
        assert response.status_code == 422, tag
    assert client.get("/v1/parts/F-1").json()["version"] == 1


def test_of_many_replacements_of_one_version_one_wins(client: CheckedClient) -> None:
    put(client, "F-1")
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda n: put(client, "F-1", version=1, name=f"Part {n}"), range(8)))
    assert sorted(answer.status_code for answer in answers) == [200] + [412] * 7
    (winner,) = [answer for answer in answers if answer.status_code == 200]
    assert client.get("/v1/parts/F-1").json() == winner.json()


def test_alternates_keep_their_order_and_are_replaced_as_a_whole(client: CheckedClient) -> None:
    for code in ("A", "B", "C"):
        put(client, code)
    assert put(client, "F-1", alternates=["C", "A", "B"]).json()["alternates"] == ["C", "A", "B"]
    assert put(client, "F-1", version=1, alternates=["B", "C"]).json()["alternates"] == ["B", "C"]
    assert put(client, "F-1", version=2).json()["alternates"] == []


def test_a_supersession_leads_to_a_stored_part_and_never_back(client: CheckedClient) -> None:
    put(client, "C")
    assert put(client, "B", superseded_by="C").json()["superseded_by"] == "C"
    assert put(client, "A", superseded_by="B").status_code == 201
    ring = put(client, "C", version=1, superseded_by="A")
    assert codes_at(ring) == {"#/superseded_by": "supersession_cycle"}
    wrong = put(client, "D", superseded_by="D", alternates=["D", "X", "A", "A"])
    assert wrong.status_code == 422
    assert codes_at(wrong) == {
        "#/superseded_by": "part_names_itself",
        "#/alternates/0": "part_names_itself",
        "#/alternates/1": "part_unknown",
        "#/alternates/3": "code_repeated",
    }
    assert codes_at(put(client, "D", superseded_by="X")) == {"#/superseded_by": "part_unknown"}
    assert client.get("/v1/parts/D").status_code == 404
    # Ended in between, the chain no longer leads back.
    assert put(client, "B", version=1).json()["superseded_by"] is None
    assert put(client, "C", version=1, superseded_by="A").status_code == 200


def test_parts_are_listed_by_code_in_pages(client: CheckedClient) -> None:
    for code in ("C", "A", "E", "B", "D"):
        put(client, code, alternates=["C"] if code == "A" else [])
    seen: list[str] = []
    path = "/v1/parts?limit=2"
    while path:
        response = client.get(path)
        seen += [part["code"] for part in response.json()["parts"]]
        path = response.headers.get("link", "").removeprefix("<").partition(">")[0]
    assert seen == ["A", "B", "C", "D", "E"]
    with counted_queries(client.store) as one:
        client.get("/v1/parts?limit=1")
    with counted_queries(client.store) as all_:
        assert client.get("/v1/parts").json()["parts"][0]["alternates"] == ["C"]
    assert one.count == all_.count == 2


def test_fields_and_codes_of_the_wrong_form_are_refused(client: CheckedClient) -> None:
    response = put(
        client, "F-1", name=" ", unit="x" * 33, kind="gasket", superseded_by=7, alternates="A", price=3
    )
    assert codes_at(response) == {
        "#/name": "text_malformed",
        "#/unit": "text_too_long",
        "#/kind": "value_not_listed",
        "#/superseded_by": "text_expected",
        "#/alternates": "list_expected",
        "#/price": "field_unknown",
    }
    for code in ("a b", "-a", "x" * 65, "%C3%A9", "%ff", "a%2fb"):
        assert client.put(f"/v1/parts/{code}", json={"name": "N"}).status_code in {404, 422}, code
        assert client.get(f"/v1/parts/{code}").status_code in {404, 422}, code
    assert client.get("/v1/parts?kind=seal").status_code == 422
    assert client.get("/v1/parts").json()["parts"] == []
