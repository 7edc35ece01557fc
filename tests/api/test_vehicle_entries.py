"""Duty, component exchanges and deferrals over HTTP: entered, ended, withdrawn; due follows at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlmodel import col, select

from api.services.standing import point_decoder
from api.store.tables_due import DuePoint
from domain.sheet import Limb
from tests.support.client import CheckedClient, codes_at
from tests.support.vehicles import km, read_km, register, set_up

if TYPE_CHECKING:
    from httpx2 import Response

    from api.store.session import Store
    from domain.due import DuePoint as Point
    from tests.support.apps import SetClock

DUTY = "/v1/vehicles/T-104/duty"
EXCHANGES = "/v1/vehicles/T-104/component-exchanges"
DEFERRALS = "/v1/vehicles/T-104/deferrals"


@pytest.fixture(autouse=True)
def fleet(client: CheckedClient) -> None:
    """Van T-104, new on 1 May 2030, with 9,000 km on 1 May 2031."""
    set_up(client)
    register(client)
    read_km(client, "T-104", ("2030-05-02T12:00:00Z", 0), ("2031-05-01T12:00:00Z", 9_000))


def oil(client: CheckedClient) -> Point:
    """The stored due point of the oil service."""
    store: Store = client.app.state.store
    with store.reading() as session:
        found = session.execute(select(DuePoint.detail).where(col(DuePoint.service) == "oil"))
        return point_decoder.decode(found.scalar_one())


def oil_due_km(client: CheckedClient) -> float:
    """The life-to-date figure at which the oil service is due [km]."""
    return next(limb.due for limb in oil(client).limbs if limb.limb is Limb.ODOMETER) / 1000


def towing(client: CheckedClient, share: float = 0.5, **changes: Any) -> Response:
    """The answer to a duty entry from 1 June 2030 on."""
    body = {"condition": "towing", "share": share, "from_on": "2030-06-01"}
    return client.post(DUTY, json=body | changes)


def exchange(client: CheckedClient, **changes: Any) -> Response:
    """The answer to an exchange of the engine on 2 May 2031."""
    body = {
        "compartment": "sump",
        "exchanged_at": "2031-05-02T12:00:00+02:00",
        "figures": [{"meter": "odometer", "figure": km(9_100)}],
    }
    return client.post(EXCHANGES, json=body | changes)


def defer(client: CheckedClient, **changes: Any) -> Response:
    """The answer to a deferral of the oil service to 12,000 km or 1 July 2031."""
    body = {
        "service": "oil",
        "authority": "Workshop foreman",
        "reason": "Oil analysis shows no wear",
        "granted_on": "2031-05-02",
        "limits": [
            {"limb": "odometer", "figure": km(12_000)},
            {"limb": "calendar", "on": "2031-07-01"},
        ],
    }
    return client.post(DEFERRALS, json=body | changes)


def test_duty_shortens_what_it_is_entered_for_and_a_withdrawal_takes_it_back(
    client: CheckedClient, clock: SetClock
) -> None:
    assert oil_due_km(client) == 10_000
    entered = towing(client)
    assert entered.status_code == 201
    # By hand: towing in more than a fifth of use halves 10,000 km.
    assert oil_due_km(client) == 5_000
    assert client.get(entered.headers["location"]).json() == entered.json()
    assert entered.json() == {
        "id": 1,
        "condition": "towing",
        "share": 0.5,
        "from_on": "2030-06-01",
        "through_on": None,
        "recorded_at": "2031-05-05T08:00:00Z",
        "withdrawal": None,
    }
    clock.forward(hours=1)
    path = f"{entered.headers['location']}/withdrawal"
    withdrawn = client.post(path, json={"reason": "Another van"})
    assert withdrawn.json()["withdrawal"] == {
        "withdrawn_at": "2031-05-05T09:00:00Z",
        "reason": "Another van",
    }
    assert oil_due_km(client) == 10_000
    again = client.post(path, json={"reason": "Once more"})
    assert again.status_code == 409
    assert client.get(DUTY).json()["duty"] == []
    assert client.get(f"{DUTY}?has_withdrawn=true").json()["duty"] == [withdrawn.json()]
    assert client.get(entered.headers["location"]).json() == withdrawn.json()


def test_a_duty_entry_that_ends_is_withdrawn_and_stored_anew(client: CheckedClient) -> None:
    first = towing(client).json()["id"]
    ended = client.post(f"{DUTY}/{first}/end", json={"through_on": "2030-06-05"})
    assert ended.status_code == 201
    assert ended.headers["location"] == f"{DUTY}/{ended.json()['id']}"
    assert (ended.json()["through_on"], ended.json()["share"]) == ("2030-06-05", 0.5)
    assert oil_due_km(client) == 10_000
    (_, new) = client.get(f"{DUTY}?has_withdrawn=true").json()["duty"]
    assert new == ended.json()
    assert client.post(f"{DUTY}/{first}/end", json={"through_on": "2030-07-05"}).status_code == 409
    refused = client.post(f"{DUTY}/{new['id']}/end", json={"through_on": "2030-05-31"})
    assert codes_at(refused) == {"#/through_on": "range_reversed"}
    assert client.get(DUTY).json()["duty"] == [new]
    assert client.post(f"{DUTY}/99/end", json={"through_on": "2030-07-05"}).status_code == 404


def test_entries_of_one_condition_never_share_a_day(client: CheckedClient) -> None:
    towing(client, through_on="2030-08-31")
    assert towing(client, from_on="2030-09-01", through_on="2030-09-30").status_code == 201
    for from_on, through_on in (("2030-08-31", None), ("2030-05-01", "2030-06-01"), ("2030-09-15", None)):
        refused = towing(client, from_on=from_on, through_on=through_on)
        assert refused.status_code == 422
        assert codes_at(refused) == {"#/from_on": "duty_overlaps"}
    assert towing(client, condition="dust", share=1.0).status_code == 201


def test_a_duty_entry_that_breaks_a_rule_is_refused(client: CheckedClient) -> None:
    for changes, pointer, code in (
        ({"share": 1.01}, "#/share", "figure_too_large"),
        ({"share": 0}, "#/share", "figure_too_small"),
        ({"share": "0.5"}, "#/share", "number_expected"),
        ({"condition": "racing"}, "#/condition", "value_not_listed"),
        ({"from_on": "2030-04-30"}, "#/from_on", "before_first_day"),
        ({"through_on": "2030-05-31"}, "#/through_on", "range_reversed"),
        ({"from_on": "2030-06-31"}, "#/from_on", "day_malformed"),
    ):
        refused = towing(client, **changes)
        assert refused.status_code == 422, changes
        assert codes_at(refused) == {pointer: code}
    assert client.get(DUTY).json()["duty"] == []


def test_only_one_of_many_entries_of_a_day_is_stored(client: CheckedClient) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: towing(client).status_code, range(8)))
    assert sorted(answers) == [201] + [422] * 7


def test_duty_after_a_vehicle_has_left_is_refused(client: CheckedClient) -> None:
    client.patch("/v1/vehicles/T-104", json={"retired_on": "2031-05-01"}, headers={"If-Match": '"1"'})
    assert towing(client).status_code == 410
    path = f"{DUTY}?valid_on=2031-05-01"
    body = {"condition": "towing", "share": 0.5, "from_on": "2031-05-02"}
    refused = client.post(path, json=body)
    assert codes_at(refused) == {"#/from_on": "after_last_day"}
    entered = client.post(path, json={**body, "from_on": "2031-04-01", "through_on": "2031-05-01"})
    assert entered.status_code == 201
    assert client.get(entered.headers["location"]).json() == entered.json()


def test_entries_are_listed_page_by_page(client: CheckedClient) -> None:
    for condition in ("towing", "dust", "off_road"):
        towing(client, condition=condition)
    first = client.get(f"{DUTY}?limit=2").json()
    assert [entry["condition"] for entry in first["duty"]] == ["towing", "dust"]
    rest = client.get(f"{DUTY}?cursor={first['next']}").json()
    assert ([entry["condition"] for entry in rest["duty"]], rest["next"]) == (["off_road"], None)
    assert client.get(f"{DUTY}?has_withdrawn=true&cursor={first['next']}").status_code == 400


def test_an_exchanged_component_restarts_the_clock_of_its_services(client: CheckedClient) -> None:
    entered = exchange(client, serial_number="E-77", note="Rebuilt engine")
    assert entered.status_code == 201
    assert client.get(entered.headers["location"]).json() == entered.json()
    assert entered.json() == {
        "id": 1,
        "compartment": "sump",
        "exchanged_at": "2031-05-02T10:00:00Z",
        "exchanged_on": "2031-05-02",
        "serial_number": "E-77",
        "figures": [{"meter": "odometer", "life_to_date": km(9_100)}],
        "note": "Rebuilt engine",
        "recorded_at": "2031-05-05T08:00:00Z",
        "withdrawal": None,
    }
    assert oil_due_km(client) == 19_100
    assert client.get(f"{EXCHANGES}?units=us").json()["component_exchanges"][0]["figures"] == [
        {"meter": "odometer", "life_to_date": {"value": 5654.5, "unit": "mi"}}
    ]
    repeated = exchange(client)
    assert repeated.status_code == 409
    assert codes_at(repeated) == {"#": "exchange_repeated"}
    withdrawn = client.post(f"{EXCHANGES}/1/withdrawal", json={"reason": "Wrong van"})
    assert withdrawn.json()["withdrawal"]["reason"] == "Wrong van"
    assert oil_due_km(client) == 10_000
    assert client.post(f"{EXCHANGES}/1/withdrawal", json={"reason": "Wrong van"}).status_code == 409
    assert exchange(client).status_code == 201


def test_the_day_of_an_exchange_is_that_of_the_depot(client: CheckedClient) -> None:
    register(client, "T-105", depot="south")
    body = {"compartment": "sump", "exchanged_at": "2031-05-02T13:00:00Z"}
    entered = client.post("/v1/vehicles/T-105/component-exchanges", json=body)
    assert entered.json()["exchanged_on"] == "2031-05-03"


def test_an_exchange_that_cannot_have_happened_is_refused(client: CheckedClient) -> None:
    figure = {"meter": "odometer", "figure": km(9_100)}
    for changes, pointer, code in (
        ({"compartment": "gearbox"}, "#/compartment", "compartment_unknown"),
        ({"exchanged_at": "2031-05-06T12:00:00Z"}, "#/exchanged_at", "in_future"),
        ({"exchanged_at": "2030-04-30T12:00:00Z", "figures": []}, "#/exchanged_at", "before_first_day"),
        (
            {"figures": [{"meter": "odometer", "figure": km(8_900)}]},
            "#/figures/0/figure/value",
            "figure_contradicts_reading",
        ),
        ({"figures": [figure, figure]}, "#/figures/1/meter", "meter_repeated"),
        (
            {"figures": [{"meter": "fuel_burned", "figure": {"value": 5, "unit": "L"}}]},
            "#/figures/0/meter",
            "meter_not_fitted",
        ),
        ({"serial_number": " "}, "#/serial_number", "text_malformed"),
    ):
        refused = exchange(client, **changes)
        assert refused.status_code == 422, changes
        assert codes_at(refused) == {pointer: code}
    assert client.get(EXCHANGES).json() == {"component_exchanges": [], "next": None}


def test_a_deferral_puts_a_service_off_in_the_figure_of_the_dial_fitted_now(client: CheckedClient) -> None:
    client.post(
        "/v1/vehicles/T-104/meter-replacements",
        json={
            "meter": "odometer",
            "replaced_at": "2031-05-01T13:00:00Z",
            "old_figure": km(9_000),
            "new_figure": km(0),
        },
    )
    granted = defer(client, limits=[{"limb": "odometer", "figure": km(3_000)}])
    assert granted.status_code == 201
    assert client.get(granted.headers["location"]).json() == granted.json()
    assert granted.json()["limits"] == [
        {"limb": "odometer", "on": None, "figure": km(3_000), "life_to_date": km(12_000)}
    ]
    deferral = oil(client).deferral
    assert deferral is not None
    assert deferral.limits == {Limb.ODOMETER: 12_000_000}
    withdrawn = client.post(f"{DEFERRALS}/1/withdrawal", json={"reason": "Analysis was of another van"})
    assert withdrawn.status_code == 200
    assert oil(client).deferral is None


def test_a_deferral_on_the_calendar_ends_with_its_day(client: CheckedClient) -> None:
    granted = defer(client).json()
    assert granted["limits"][1] == {
        "limb": "calendar",
        "on": "2031-07-01",
        "figure": None,
        "life_to_date": None,
    }
    deferral = oil(client).deferral
    assert deferral is not None
    assert deferral.limits[Limb.CALENDAR] == date(2031, 7, 1).toordinal()
    assert client.get(DEFERRALS).json() == {"deferrals": [granted], "next": None}


def test_a_deferral_that_breaks_a_rule_is_refused(client: CheckedClient) -> None:
    for changes, pointer, code in (
        ({"service": "roadworthiness"}, "#/service", "statutory_deferral"),
        ({"service": "wash"}, "#/service", "service_unknown"),
        ({"granted_on": "2031-05-06"}, "#/granted_on", "in_future"),
        ({"granted_on": "2030-04-30"}, "#/granted_on", "before_first_day"),
        ({"authority": ""}, "#/authority", "text_too_short"),
        ({"limits": []}, "#/limits", "list_too_short"),
        ({"limits": [{"limb": "calendar", "on": "2031-05-01"}]}, "#/limits/0/on", "range_reversed"),
        ({"limits": [{"limb": "calendar"}]}, "#/limits/0/on", "field_missing"),
        (
            {"limits": [{"limb": "calendar", "on": "2031-07-01", "figure": km(1)}]},
            "#/limits/0/figure",
            "field_unused",
        ),
        ({"limits": [{"limb": "odometer"}]}, "#/limits/0/figure", "field_missing"),
        (
            {"limits": [{"limb": "odometer", "on": "2031-07-01", "figure": km(12_000)}]},
            "#/limits/0/on",
            "field_unused",
        ),
        (
            {"limits": [{"limb": "odometer", "figure": {"value": 1, "unit": "L"}}]},
            "#/limits/0/figure/unit",
            "unit_of_wrong_dimension",
        ),
        (
            {"limits": [{"limb": "idle_hours", "figure": {"value": 1, "unit": "h"}}]},
            "#/limits/0/limb",
            "meter_not_fitted",
        ),
        (
            {"limits": [{"limb": "calendar", "on": "2031-07-01"}, {"limb": "calendar", "on": "2031-08-01"}]},
            "#/limits/1/limb",
            "limb_repeated",
        ),
    ):
        refused = defer(client, **changes)
        assert refused.status_code == 422, changes
        assert codes_at(refused) == {pointer: code}, changes
    assert client.get(DEFERRALS).json() == {"deferrals": [], "next": None}


def test_keys_of_other_vehicles_and_keys_out_of_range_are_not_found(client: CheckedClient) -> None:
    register(client, "T-105")
    towing(client)
    assert client.get("/v1/vehicles/T-105/duty/1").status_code == 404
    assert client.post("/v1/vehicles/T-105/duty/1/withdrawal", json={"reason": "x"}).status_code == 404
    assert client.get(f"{DUTY}/{2**31 - 1}").status_code == 404
    assert client.get(f"{DUTY}/{2**31}").status_code == 422
    assert client.get(f"{DUTY}/0").status_code == 422
