"""Depots over HTTP, with the time zones that their vehicles' dates are in."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from api.services.feed.batch import SentReading
from api.services.feed.recording import record
from api.store.codes import METER_CODES
from domain.sheet import Meter
from tests.support.client import codes_at
from tests.support.fleets import FLEET, at_us, plant, service, sheet

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient


def change(client: CheckedClient, version: int | None = 1, **fields: Any) -> Response:
    """The answer to a change of the depot ``north``."""
    headers = {} if version is None else {"If-Match": f'"{version}"'}
    return client.patch("/v1/depots/north", json=fields, headers=headers)


def test_a_depot_is_opened_and_read_back(client: CheckedClient) -> None:
    body = {"code": "north", "name": "North yard", "time_zone": "Europe/Oslo"}
    response = client.post("/v1/depots", json=body)
    assert response.status_code == 201
    assert response.headers["location"] == "/v1/depots/north"
    assert response.headers["etag"] == '"1"'
    assert response.json() == body | {"version": 1, "recorded_at": "2031-05-05T08:00:00Z"}
    shown = client.get("/v1/depots/north")
    assert (shown.json(), shown.headers["etag"]) == (response.json(), '"1"')
    assert client.get("/v1/depots/south").status_code == 404


def test_a_depot_has_the_fleets_time_zone_unless_it_states_its_own(client: CheckedClient) -> None:
    client.patch("/v1/fleet", json={"time_zone": "America/Halifax"}, headers={"If-Match": '"1"'})
    assert client.post("/v1/depots", json={"code": "a", "name": "A"}).json()["time_zone"] == "America/Halifax"
    null = {"code": "b", "name": "B", "time_zone": None}
    assert client.post("/v1/depots", json=null).json()["time_zone"] == "America/Halifax"


def test_a_code_is_given_once(client: CheckedClient) -> None:
    client.post("/v1/depots", json={"code": "north", "name": "North"})
    again = client.post("/v1/depots", json={"code": "north", "name": "Again"})
    assert again.status_code == 409
    assert codes_at(again) == {"#/code": "code_taken"}

    def open_south(_: int) -> int:
        return client.post("/v1/depots", json={"code": "south", "name": "South"}).status_code

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(open_south, range(4))) == [201, 409, 409, 409]


def test_a_change_names_the_version_it_starts_from(client: CheckedClient) -> None:
    assert change(client, name="Nowhere").status_code == 404
    client.post("/v1/depots", json={"code": "north", "name": "North", "time_zone": "UTC"})
    assert change(client, None, name="Other").status_code == 428
    assert change(client, 2, name="Other").status_code == 412
    changed = change(client, name="Other")
    assert (changed.status_code, changed.headers["etag"]) == (200, '"2"')
    assert (changed.json()["name"], changed.json()["time_zone"]) == ("Other", "UTC")
    assert change(client, 1, name="Late").status_code == 412
    for unchanged in ({}, {"name": "Other"}, {"time_zone": "UTC"}):
        assert change(client, 2, **unchanged).headers["etag"] == '"2"'


def test_of_many_changes_of_one_version_one_wins(client: CheckedClient) -> None:
    client.post("/v1/depots", json={"code": "north", "name": "North"})
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda n: change(client, name=f"North {n}"), range(8)))
    assert sorted(answer.status_code for answer in answers) == [200] + [412] * 7


def test_depots_are_listed_by_code_in_pages(client: CheckedClient) -> None:
    for code in ("c", "a", "b"):
        client.post("/v1/depots", json={"code": code, "name": code.upper()})
    first = client.get("/v1/depots", params={"limit": 2}).json()
    assert [depot["code"] for depot in first["depots"]] == ["a", "b"]
    rest = client.get("/v1/depots", params={"limit": 2, "cursor": first["next"]}).json()
    assert ([depot["code"] for depot in rest["depots"]], rest["next"]) == (["c"], None)


def test_fields_of_the_wrong_form_are_refused(client: CheckedClient) -> None:
    for zone in ("Mars/Phobos", "localtime", "../etc/passwd", "UTC+1", "europe/oslo", ""):
        body = {"code": "north", "name": "North", "time_zone": zone}
        assert client.post("/v1/depots", json=body).status_code == 422, zone
    response = client.post("/v1/depots", json={"code": "no rth", "name": 7, "place": "here"})
    assert codes_at(response) == {
        "#/code": "text_malformed",
        "#/name": "text_expected",
        "#/place": "field_unknown",
    }
    client.post("/v1/depots", json={"code": "north", "name": "North"})
    assert codes_at(change(client, name=None, time_zone=None, code="x")) == {
        "#/name": "text_expected",
        "#/time_zone": "text_expected",
        "#/code": "field_unknown",
    }
    assert client.get("/v1/depots/north").json()["version"] == 1


def test_another_time_zone_dates_the_readings_of_its_vehicles_anew(client: CheckedClient) -> None:
    """23:30 UTC on 4 May is 5 May, 01:30, in Oslo."""
    store = client.store
    planted = plant(store, sheet(service("oil", km=15_000)), ["101"], time_zone="UTC")
    sent = SentReading(0, "101", METER_CODES[Meter.ODOMETER], at_us("2031-05-04", 23, 30), 5_000_000, "hand")
    with store.writing() as session:
        record(session, FLEET, [sent], now_us=at_us("2031-05-05"))

    def read_on() -> date:
        with store.reading() as session:
            query = text("SELECT odometer_on FROM standing WHERE vehicle_id = :vehicle")
            found = session.execute(query, {"vehicle": planted.vehicles["101"]}).scalar_one()
            return date.fromordinal(found)

    assert read_on() == date(2031, 5, 4)
    assert change(client, time_zone="Europe/Oslo").status_code == 200
    assert read_on() == date(2031, 5, 5)
