"""Meters over HTTP: what they show, replacing one, fitting one that the type has come to have."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from api.services.history import load_histories
from domain.sheet import Meter
from tests.support.client import CheckedClient, codes_at
from tests.support.vehicles import VAN, km, read_km, register, set_up

if TYPE_CHECKING:
    from httpx2 import Response

    from api.store.session import Store
    from tests.support.apps import SetClock


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """Van T-104, new on 1 May 2030, with 9,000 km on 1 May 2031."""
    set_up(client)
    register(client)
    read_km(client, "T-104", ("2030-11-01T12:00:00Z", 4_500), ("2031-05-01T12:00:00Z", 9_000))


def replace(client: CheckedClient, **changes: Any) -> Response:
    """The answer to a replacement of the odometer on 3 May 2031, 9,200 km, by one in miles that shows 10."""
    body: dict[str, Any] = {
        "meter": "odometer",
        "replaced_at": "2031-05-03T12:00:00Z",
        "old_figure": km(9_200),
        "new_figure": {"value": 10, "unit": "mi"},
    }
    return client.post("/v1/vehicles/T-104/meter-replacements", json=body | changes)


def odometer(client: CheckedClient, units: str = "metric") -> dict[str, Any]:
    """The odometer as it stands."""
    found: dict[str, Any] = client.get(f"/v1/vehicles/T-104/meters?units={units}").json()["meters"][0]
    return found


def test_life_to_date_goes_on_over_a_cluster_changed_from_kilometres_to_miles(client: CheckedClient) -> None:
    replaced = replace(client)
    assert replaced.status_code == 201
    assert replaced.headers["location"] == "/v1/vehicles/T-104/meters"
    assert client.get(replaced.headers["location"]).json() == replaced.json()
    # 10 mi are 16.09344 km: the offset is 9,200 km less that.
    assert replaced.json()["spans"][:2] == [
        {
            "meter": "odometer",
            "unit": "km",
            "fitted_at": "2030-05-01T00:00:00Z",
            "removed_at": "2031-05-03T12:00:00Z",
            "life_to_date_offset": km(0),
        },
        {
            "meter": "odometer",
            "unit": "mi",
            "fitted_at": "2031-05-03T12:00:00Z",
            "removed_at": None,
            "life_to_date_offset": km(9_183.9),
        },
    ]
    # The figure at the replacement is a reading of the new dial.
    assert odometer(client, "us")["figure"] == {"value": 10.0, "unit": "mi"}
    assert odometer(client)["life_to_date"] == km(9_200)
    assert odometer(client)["read_on"] == "2031-05-03"
    # By hand: 110 mi on the new dial are 100 mi, 160.9 km, past 9,200 km.
    read_km(client, "T-104", ("2031-05-05T06:00:00Z", 177.0))
    assert odometer(client)["life_to_date"] == km(9_360.9)
    assert client.get("/v1/vehicles/T-104").json()["version"] == 2


def test_readings_that_came_before_the_replacement_was_entered_are_judged_again(
    client: CheckedClient,
) -> None:
    assert read_km(client, "T-104", ("2031-05-04T12:00:00Z", 100))["held"] == 1
    assert odometer(client)["life_to_date"] == km(9_000)
    assert replace(client, new_figure=km(0)).status_code == 201
    assert odometer(client)["life_to_date"] == km(9_300)
    assert odometer(client)["figure"] == km(100)


def test_what_was_known_before_a_replacement_stays_as_it_was(client: CheckedClient, clock: SetClock) -> None:
    store: Store = client.app.state.store
    before_us = clock.now_us()
    clock.forward(hours=1)
    replace(client)
    with store.reading() as session:
        then = load_histories(session, 1, [1], known_at_us=before_us)[1].history.segments
        now = load_histories(session, 1, [1])[1].history.segments
    assert [s.removed_at_us for s in then if s.meter is Meter.ODOMETER] == [None]
    assert len([s for s in now if s.meter is Meter.ODOMETER]) == 2


def test_a_replacement_that_cannot_have_happened_is_refused(client: CheckedClient) -> None:
    hours = {"value": 1, "unit": "h"}
    for changes, pointer, code in (
        (
            {"meter": "idle_hours", "old_figure": hours, "new_figure": hours},
            "#/meter",
            "meter_not_fitted",
        ),
        ({"replaced_at": "2030-04-30T23:00:00Z"}, "#/replaced_at", "replacement_out_of_order"),
        ({"replaced_at": "2031-05-06T12:00:00Z"}, "#/replaced_at", "in_future"),
        ({"replaced_at": "2031-05-03T12:00:00"}, "#/replaced_at", "instant_malformed"),
        ({"old_figure": km(8_000)}, "#/old_figure/value", "figure_contradicts_reading"),
        ({"old_figure": km(90_000)}, "#/old_figure/value", "figure_contradicts_reading"),
        ({"old_figure": {"value": 9, "unit": "h"}}, "#/old_figure/unit", "unit_of_wrong_dimension"),
        ({"new_figure": {"value": -1, "unit": "km"}}, "#/new_figure", "figure_negative"),
        ({"new_figure": 10}, "#/new_figure", "quantity_without_unit"),
    ):
        refused = replace(client, **changes)
        assert refused.status_code == 422, changes
        assert codes_at(refused)[pointer] == code
    assert len(client.get("/v1/vehicles/T-104/meters").json()["spans"]) == 2


def test_accepted_readings_after_a_replacement_must_come_from_the_new_dial(client: CheckedClient) -> None:
    read_km(client, "T-104", ("2031-05-04T12:00:00Z", 9_400))
    refused = replace(client, new_figure=km(0))
    assert codes_at(refused) == {"#/new_figure/value": "figure_contradicts_reading"}


def test_a_meter_is_replaced_again_only_later(client: CheckedClient) -> None:
    replace(client)
    refused = replace(client, replaced_at="2031-05-02T12:00:00Z")
    assert codes_at(refused) == {"#/replaced_at": "replacement_out_of_order"}
    again = replace(
        client,
        replaced_at="2031-05-04T12:00:00Z",
        old_figure={"value": 60, "unit": "mi"},
        new_figure=km(0),
    )
    assert again.status_code == 201
    assert odometer(client)["unit"] == "km"


def test_a_meter_that_the_type_has_come_to_have_is_fitted(client: CheckedClient) -> None:
    idle = {"meter": "idle_hours", "fitted_at": "2031-05-02T08:00:00Z"}
    refused = client.post("/v1/vehicles/T-104/meters", json=idle)
    assert codes_at(refused) == {"#/meter": "meter_unknown"}
    newer = {**VAN, "meters": [*VAN["meters"], "idle_hours"]}
    assert client.post("/v1/spec-sheets/van/versions", json=newer).status_code == 201
    fitted = client.post(
        "/v1/vehicles/T-104/meters",
        json={
            **idle,
            "figure": {"value": 2, "unit": "h"},
            "life_to_date": {"value": 90, "unit": "min"},
        },
    )
    assert fitted.status_code == 201
    assert fitted.json()["meters"][2] == {
        "meter": "idle_hours",
        "unit": "h",
        "fitted_at": "2031-05-02T08:00:00Z",
        "figure": {"value": 2.0, "unit": "h"},
        "life_to_date": {"value": 1.5, "unit": "h"},
        "read_on": "2031-05-02",
    }
    refused = client.post("/v1/vehicles/T-104/meters", json=idle)
    assert codes_at(refused) == {"#/meter": "meter_fitted"}
