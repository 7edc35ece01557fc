"""Readings over HTTP: a verdict for each row, and a state that does not depend on the order of arrival."""

from __future__ import annotations

import itertools
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from tests.support.client import codes_at
from tests.support.fleets import FLEET, km_row, plant, service, sheet

if TYPE_CHECKING:
    from api.store.session import Store
    from tests.support.client import CheckedClient

SHEET = sheet(service("oil", km=10_000), service("coolant", km=50_000, months=24), service("belt", hours=500))


def post(client: CheckedClient, *rows: dict[str, Any]) -> dict[str, Any]:
    answer = client.post("/v1/readings", json={"readings": list(rows)})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    assert found["received"] == found["accepted"] + found["duplicate"] + found["held"] + found["refused"]
    return found


def counts(answer: dict[str, Any]) -> tuple[int, int, int, int]:
    return answer["accepted"], answer["duplicate"], answer["held"], answer["refused"]


def stored(store: Store) -> list[tuple[Any, ...]]:
    columns = "vehicle_id, meter, at_us, figure, life, status, reason"
    with store.reading() as session:
        rows = session.execute(text(f"SELECT {columns} FROM reading ORDER BY {columns}")).all()  # noqa: S608 - constants
    return [tuple(row) for row in rows]


def standing(store: Store) -> list[tuple[Any, ...]]:
    with store.reading() as session:
        rows = session.execute(
            text(
                "SELECT vehicle_id, odometer_m, odometer_on, odometer_m_per_day, next_due_on, stale_on FROM standing"
                " ORDER BY vehicle_id"
            )
        ).all()
    return [tuple(row) for row in rows]


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.app.state.store, SHEET, ["K-01", "K-02"])
    return client


def test_accepted_then_the_same_batch_again_changes_nothing(planted: CheckedClient) -> None:
    """Two rows are stored; sent again they are duplicates, and nothing moves."""
    rows = [km_row("K-01", "2031-05-01T08:00:00Z", 1000.5), km_row("K-02", "2031-05-01T08:00:00+02:00", 2000)]
    assert counts(post(planted, *rows)) == (2, 0, 0, 0)
    before = stored(planted.app.state.store), standing(planted.app.state.store)
    again = post(planted, *rows)
    assert counts(again) == (0, 2, 0, 0)
    assert {row["code"] for row in again["rows"]} == {"same_reading_stored"}
    assert (stored(planted.app.state.store), standing(planted.app.state.store)) == before


def test_each_kind_of_row_has_its_verdict(planted: CheckedClient) -> None:
    """One batch with a bad row of each kind: the good ones are stored, each other one says why."""
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 1000))
    good = km_row("K-01", "2031-05-02T08:00:00Z", 1100)
    rows = [
        good,
        good,
        km_row("K-01", "2031-05-03T08:00:00Z", 900),
        km_row("K-01", "2031-05-03T09:00:00Z", 90_000),
        km_row("K-01", "2031-05-02T08:00:00Z", 1150),
        km_row("K-01", "2031-05-05T08:10:00Z", 1200),
        km_row("K-77", "2031-05-02T08:00:00Z", 1),
        km_row("K-02", "2029-12-01T08:00:00Z", 1),
        {**good, "meter": "idle_hours", "figure": {"value": 5, "unit": "h"}},
        {**good, "meter": "clock"},
        {**good, "figure": {"value": 5, "unit": "furlong"}},
        {**good, "figure": {"value": 5, "unit": "L"}},
        {**good, "figure": {"value": -5, "unit": "km"}},
        {**good, "figure": {"value": 1e308, "unit": "km"}},
        {**good, "figure": 5},
        {**good, "figure": {"value": "5", "unit": "km"}},
        {**good, "figure": {"value": True, "unit": "km"}},
        {**good, "at": "2031-05-02"},
        {**good, "at": "2031-05-02T08:00:00"},
        {**good, "at": "9999-12-31T23:59:59Z"},
        {**good, "at": 1_700_000_000},
        {**good, "unit": ""},
        {**good, "unit": "K\u0000"},
        {**good, "source": " x"},
        {**good, "colour": "red"},
        {"unit": "K-01"},
    ]
    answer = post(planted, *rows)
    assert {row["index"]: (row["verdict"], row["code"]) for row in answer["rows"]} == {
        1: ("duplicate", "same_reading_in_batch"),
        2: ("held", "goes_back"),
        3: ("held", "too_fast"),
        4: ("held", "contradicts_same_instant"),
        5: ("held", "in_future"),
        6: ("held", "unit_unknown"),
        7: ("held", "unit_not_valid_then"),
        8: ("held", "meter_not_fitted"),
        9: ("refused", "meter_unknown"),
        10: ("refused", "unit_unknown"),
        11: ("refused", "unit_of_wrong_dimension"),
        12: ("refused", "figure_out_of_range"),
        13: ("refused", "figure_out_of_range"),
        14: ("refused", "row_malformed"),
        15: ("refused", "row_malformed"),
        16: ("refused", "row_malformed"),
        17: ("refused", "instant_malformed"),
        18: ("refused", "instant_malformed"),
        19: ("refused", "instant_malformed"),
        20: ("refused", "row_malformed"),
        21: ("refused", "code_malformed"),
        22: ("refused", "code_malformed"),
        23: ("refused", "code_malformed"),
        24: ("refused", "member_unknown"),
        25: ("refused", "row_malformed"),
    }
    assert counts(answer) == (1, 1, 7, 17)


@pytest.mark.parametrize(
    ("body", "status", "places"),
    [
        (b"", 400, None),
        (b"{", 400, None),
        (b'{"readings": [NaN]}', 400, None),
        (b"\xff", 400, None),
        (b"\xef\xbb\xbf{}", 400, None),
        (b"[]", 422, {"#": "body_malformed"}),
        (b"{}", 422, {"#": "body_malformed"}),
        (b'{"readings": []}', 422, {"#/readings": "row_count"}),
        (b'{"readings": [], "more": 1}', 422, {"#": "body_malformed"}),
        (b'{"readings": [{}], "readings": [{}]}', 422, {"#/readings": "member_repeated"}),
        (b"[" * 100_000, 422, {"#": "body_malformed"}),
    ],
)
def test_a_body_that_is_no_batch_stores_nothing(
    planted: CheckedClient, body: bytes, status: int, places: dict[str, str] | None
) -> None:
    """Malformed text is 400, another form 422; in either case nothing is stored."""
    answer = planted.post("/v1/readings", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == status, answer.text
    if places is not None:
        assert codes_at(answer) == places
    assert stored(planted.app.state.store) == []


def test_a_repeated_member_refuses_its_row_only(planted: CheckedClient) -> None:
    """Which of two members counts is anybody's guess, so the row is refused; the other row is stored."""
    good = '{"unit":"K-01","meter":"odometer","at":"2031-05-01T08:00:00Z","figure":{"value":10,"unit":"km"},"source":"g"}'  # noqa: E501 - as sent
    twice = good.replace('"value":10', '"value":10,"value":20')
    body = f'{{"readings":[{good},{twice}]}}'.encode()
    answer = planted.post("/v1/readings", content=body, headers={"Content-Type": "application/json"}).json()
    assert [(row["index"], row["code"]) for row in answer["rows"]] == [(1, "member_repeated")]
    assert answer["accepted"] == 1


def test_lone_surrogates_and_strange_text_are_refused(planted: CheckedClient) -> None:
    """A lone surrogate is no text; the row or the body is refused, never a fault."""
    row = '{"unit":"\\ud800","meter":"odometer","at":"2031-05-01T08:00:00Z","figure":{"value":1,"unit":"km"},"source":"g"}'  # noqa: E501 - as sent
    answer = planted.post(
        "/v1/readings",
        content=f'{{"readings":[{row}]}}'.encode(),
        headers={"Content-Type": "application/json"},
    )
    assert answer.status_code in {200, 400}
    assert stored(planted.app.state.store) == []


def test_wrong_media_type(planted: CheckedClient) -> None:
    """Only JSON without a coding is read here."""
    assert (
        planted.post("/v1/readings", content=b"{}", headers={"Content-Type": "text/csv"}).status_code == 415
    )


def test_any_order_ends_in_the_same_state(client: CheckedClient) -> None:
    """Four readings of which one contradicts the others, in every order and split: one and the same end."""
    rows = [
        km_row("K-01", "2031-05-01T08:00:00Z", 1000),
        km_row("K-01", "2031-05-02T08:00:00Z", 9000),
        km_row("K-01", "2031-05-03T08:00:00Z", 1200),
        km_row("K-01", "2031-05-04T08:00:00Z", 1300),
    ]
    orders = list(itertools.permutations(range(4)))
    store = client.app.state.store
    plant(store, SHEET, [f"K-{place:02}" for place in range(len(orders))])
    ends = set()
    for place, order in enumerate(orders):
        unit = f"K-{place:02}"
        for one in order:
            post(client, {**rows[one], "unit": unit})
    per_vehicle: dict[int, list[tuple[Any, ...]]] = {}
    for vehicle, *rest in stored(store):
        per_vehicle.setdefault(vehicle, []).append(tuple(rest))
    ends = {tuple(found) for found in per_vehicle.values()}
    assert len(ends) == 1
    assert [reason for *_, reason in ends.pop()] == [0, 1, 0, 0]
    assert len({tuple(rest) for _, *rest in standing(store)}) == 1


def test_a_later_reading_can_change_an_earlier_verdict(planted: CheckedClient) -> None:
    """A cluster first shows a wrong 9,000 km; two later readings outvote it, and it is held from then on."""
    post(planted, km_row("K-01", "2031-05-01T08:00:00Z", 9000))
    assert counts(post(planted, km_row("K-01", "2031-05-02T08:00:00Z", 1000))) == (1, 0, 0, 0)
    post(planted, km_row("K-01", "2031-05-03T08:00:00Z", 1100))
    listed = planted.get("/v1/vehicles/K-01/readings").json()["readings"]
    assert [(row["figure"]["value"], row["status"], row["code"]) for row in listed] == [
        (9000.0, "held", "goes_back"),
        (1000.0, "accepted", None),
        (1100.0, "accepted", None),
    ]


def test_two_sources_that_agree_are_both_accepted(planted: CheckedClient) -> None:
    """The same figure at the same instant from two sources is one link of the chain."""
    row = km_row("K-01", "2031-05-01T08:00:00Z", 1000)
    assert counts(post(planted, row, {**row, "source": "driver"})) == (2, 0, 0, 0)


def test_miles_and_kilometres_come_back_exactly(planted: CheckedClient) -> None:
    """12,345.6 mi are shown as 12,345.6 mi and as 19,868.3 km."""
    post(planted, {**km_row("K-01", "2031-05-01T08:00:00Z", 0), "figure": {"value": 12_345.6, "unit": "mi"}})
    us = planted.get("/v1/vehicles/K-01/readings?units=us").json()["readings"][0]
    metric = planted.get("/v1/vehicles/K-01/readings").json()["readings"][0]
    assert us["figure"] == {"value": 12_345.6, "unit": "mi"}
    assert metric["figure"] == {"value": 19_868.3, "unit": "km"}


def test_listed_readings_page_and_filter(planted: CheckedClient) -> None:
    """Five readings in pages of two, each once; filters by status, meter and time."""
    rows = [km_row("K-01", f"2031-04-{day:02}T08:00:00Z", day * 100) for day in range(1, 6)]
    post(planted, *rows, km_row("K-01", "2031-04-06T08:00:00Z", 1))
    url: str | None = "/v1/vehicles/K-01/readings?limit=2"
    seen: list[str] = []
    while url:
        page = planted.get(url)
        seen += [row["at"] for row in page.json()["readings"]]
        url = page.links.get("next", {}).get("url")
    assert seen == [f"2031-04-{day:02}T08:00:00Z" for day in range(1, 7)]
    held = planted.get("/v1/vehicles/K-01/readings?status=held").json()["readings"]
    assert [row["figure"]["value"] for row in held] == [1.0]
    some = planted.get(
        "/v1/vehicles/K-01/readings",
        params={"from_at": "2031-04-02T00:00:00Z", "until_at": "2031-04-04T00:00:00Z", "meter": "odometer"},
    ).json()["readings"]
    assert [row["figure"]["value"] for row in some] == [200.0, 300.0]
    assert planted.get("/v1/vehicles/K-01/readings?meter=engine_hours").json()["readings"] == []
    assert planted.get("/v1/vehicles/K-99/readings").status_code == 404


def test_counts_are_exact_though_details_are_capped(planted: CheckedClient) -> None:
    """1,200 rows of an unknown unit: 1,200 held, 1,000 listed, and the answer says so."""
    rows = [km_row("X-1", f"2031-04-01T{i // 60:02}:{i % 60:02}:00Z", i) for i in range(1200)]
    answer = post(planted, *rows)
    assert (answer["held"], len(answer["rows"]), answer["rows_truncated"]) == (1200, 1000, True)


def test_more_digits_than_microseconds_are_cut(planted: CheckedClient) -> None:
    """Nanoseconds are cut to microseconds, the same on both databases, so this is the same reading."""
    post(planted, km_row("K-01", "2031-05-01T08:00:00.123456Z", 1000))
    assert counts(post(planted, km_row("K-01", "2031-05-01T08:00:00.123456999Z", 1000))) == (0, 1, 0, 0)


def test_a_number_used_again_books_each_reading_to_its_vehicle(client: CheckedClient) -> None:
    """K-01 was one vehicle until March and is another since April: each reading goes to the one of its day."""
    store = client.app.state.store
    planted = plant(store, SHEET, ["K-01", "K-02"])
    with store.writing() as session:
        session.execute(
            text("UPDATE unit_number SET valid_through = :day WHERE vehicle_id = :key"),
            {"day": date(2031, 3, 31), "key": planted.vehicles["K-01"]},
        )
        session.execute(
            text("UPDATE unit_number SET unit = 'K-01', valid_from = :day WHERE vehicle_id = :key"),
            {"day": date(2031, 4, 1), "key": planted.vehicles["K-02"]},
        )
    post(client, km_row("K-01", "2031-03-30T08:00:00Z", 70_000), km_row("K-01", "2031-04-02T08:00:00Z", 300))
    with store.reading() as session:
        rows = session.execute(
            text("SELECT vehicle_id, odometer_m FROM standing WHERE fleet_id = :f ORDER BY vehicle_id"),
            {"f": FLEET},
        ).all()
    assert [tuple(row) for row in rows] == [
        (planted.vehicles["K-01"], 70_000_000),
        (planted.vehicles["K-02"], 300_000),
    ]
