"""The fleet's settings over HTTP: units of answers, and the age at which a reading is stale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from api.services.feed.batch import SentReading
from api.services.feed.recording import record
from api.store.codes import METER_CODES
from domain.sheet import Meter
from tests.support.client import codes_at
from tests.support.fleets import FLEET, at_us, plant, service, sheet
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient


def change(client: CheckedClient, version: int | None = 1, **fields: Any) -> Response:
    """The answer to a change of the settings."""
    headers = {} if version is None else {"If-Match": f'"{version}"'}
    return client.patch("/v1/fleet", json=fields, headers=headers)


def test_the_settings_are_read_and_changed(client: CheckedClient) -> None:
    settings = client.get("/v1/fleet")
    assert settings.headers["etag"] == '"1"'
    assert settings.json() == {
        "name": "Default fleet",
        "time_zone": "UTC",
        "unit_system": "metric",
        "stale_days": 14,
        "version": 1,
    }
    changed = change(
        client, name="Harbour fleet", unit_system="us", stale_days=7, time_zone="America/Halifax"
    )
    assert (changed.status_code, changed.headers["etag"]) == (200, '"2"')
    assert changed.json() == {
        "name": "Harbour fleet",
        "time_zone": "America/Halifax",
        "unit_system": "us",
        "stale_days": 7,
        "version": 2,
    }
    assert client.get("/v1/fleet").json() == changed.json()


def test_a_change_names_the_version_it_starts_from(client: CheckedClient) -> None:
    assert change(client, None, name="Other").status_code == 428
    assert change(client, 2, name="Other").status_code == 412
    assert change(client).headers["etag"] == '"1"'
    assert change(client, stale_days=14).headers["etag"] == '"1"'
    assert change(client, stale_days=15).headers["etag"] == '"2"'
    assert change(client, stale_days=16).status_code == 412


def test_fields_of_the_wrong_form_are_refused(client: CheckedClient) -> None:
    response = change(client, name="", unit_system="si", stale_days=0, time_zone="Nowhere", code="x")
    assert codes_at(response) == {
        "#/name": "text_too_short",
        "#/unit_system": "value_not_listed",
        "#/stale_days": "figure_too_small",
        "#/time_zone": "time_zone_unknown",
        "#/code": "field_unknown",
    }
    for days in (3651, 2**63, 7.5, True, "7", None):
        assert change(client, stale_days=days).status_code == 422, days
    assert client.get("/v1/fleet").json()["version"] == 1


def test_another_age_at_which_readings_are_stale_holds_for_every_vehicle(client: CheckedClient) -> None:
    """Read on 1 May: stale from the 16th after 14 days, from the 9th after 7."""
    store = client.store
    plant(store, sheet(service("oil", km=15_000)), ["101", "102"])
    sent = [
        SentReading(place, unit, METER_CODES[Meter.ODOMETER], at_us("2031-05-01"), 5_000_000, "hand")
        for place, unit in enumerate(("101", "102"))
    ]
    with store.writing() as session:
        record(session, FLEET, sent, now_us=at_us("2031-05-02"))

    def stale_on() -> set[int]:
        with store.reading() as session:
            return set(session.execute(text("SELECT stale_on FROM standing")).scalars())

    (first,) = stale_on()
    assert change(client, stale_days=7).status_code == 200
    assert stale_on() == {first - 7}
    with counted_queries(store) as counted:
        change(client, 2, stale_days=9)
    assert counted.count < 25
