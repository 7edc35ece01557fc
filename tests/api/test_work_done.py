"""Work done over HTTP: entered, held against readings, read, withdrawn; due follows at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from sqlmodel import col

from api.services.standing import point_decoder
from api.store.codes import ReadingStatus
from api.store.tables_due import DuePoint
from api.store.tables_reading import Reading
from api.store.tables_work import WorkDone
from domain.sheet import Limb, Task
from tests.support.client import CheckedClient, check_problem, codes_at
from tests.support.queries import counted_queries
from tests.support.small_fleet import SHEET, SmallFleet, small_fleet, us

if TYPE_CHECKING:
    from httpx2 import Response

    from domain.due import DuePoint as Point


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    """Van 12: new on 1 May 2030, 14,000 km on 1 May 2031."""
    made = small_fleet(client.app.state.store)
    made.add_vehicle("12")
    made.read("12", ("2030-11-01T12:00", 7_000), ("2031-05-01T12:00", 14_000))
    return made


def enter(client: CheckedClient, *services: str, unit: str = "12", **more: Any) -> Response:
    """Enter a visit of 2 May 2031, 10:00 UTC."""
    body = {
        "unit": unit,
        "done_at": "2031-05-02T12:00:00+02:00",
        "services": [{"service": code} for code in services],
        **more,
    }
    response: Response = client.post("/v1/work-done", json=body)
    return response


def odometer(km: float, unit: str = "km") -> list[dict[str, Any]]:
    """A figure noted on the odometer."""
    return [{"meter": "odometer", "figure": {"value": km, "unit": unit}}]


def point(fleet: SmallFleet, service: str, unit: str = "12") -> Point:
    """The stored due point of a service."""
    with fleet.store.reading() as session:
        row = session.query(DuePoint).filter_by(vehicle_id=fleet.vehicles[unit], service=service).one()
        return point_decoder.decode(row.detail)


def due_km(fleet: SmallFleet, service: str, unit: str = "12") -> float:
    """The due figure of a service on the odometer, life-to-date [km]."""
    return next(p.due for p in point(fleet, service, unit).limbs if p.limb is Limb.ODOMETER) / 1000


def test_services_inside_a_service_are_done_with_it_and_each_task_once(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    # Both are named although the large service includes the oil service: three tasks, not four.
    response = enter(client, "large", "oil", figures=odometer(14_100))
    assert response.status_code == 201
    entry = response.json()
    assert response.headers["location"] == f"/v1/work-done/{entry['id']}"
    assert entry["tasks_done"] == ["air-filter", "belts", "renew-oil"]
    assert [(s["service"], s["is_named"], s["is_completed"]) for s in entry["services"]] == [
        ("large", True, True),
        ("oil", True, True),
    ]
    # 14,100 km + 15,000 km, and + 30,000 km; the inspection and the gearbox are untouched.
    assert due_km(fleet, "oil") == 29_100
    assert due_km(fleet, "large") == 44_100
    assert due_km(fleet, "gearbox") == 60_000
    assert client.get(response.headers["location"]).json() == entry


def test_a_service_with_a_task_left_undone_is_not_completed(client: CheckedClient, fleet: SmallFleet) -> None:
    # The oil was not renewed: the included service stays as it was, the large one's own tasks are done.
    entry = enter(client, "large", figures=odometer(14_100), tasks_left_undone=["renew-oil"]).json()
    assert [(s["service"], s["is_named"], s["is_completed"]) for s in entry["services"]] == [
        ("large", True, True),
        ("oil", False, False),
    ]
    assert (entry["tasks_done"], entry["tasks_left_undone"]) == (["air-filter", "belts"], ["renew-oil"])
    assert due_km(fleet, "oil") == 15_000
    assert due_km(fleet, "large") == 44_100


def test_figures_are_as_on_the_dial_fitted_then(client: CheckedClient, fleet: SmallFleet) -> None:
    # The dial shows 100,000 km less than the vehicle has run.
    fleet.add_vehicle("77", offset_m=100_000_000)
    entry = enter(client, "oil", unit="77", figures=odometer(1_000)).json()
    (noted,) = entry["figures"]
    assert noted["figure"] == {"value": 1_000.0, "unit": "km"}
    assert noted["life_to_date"] == {"value": 101_000.0, "unit": "km"}
    assert due_km(fleet, "oil", "77") == 116_000
    shown = client.get(f"/v1/work-done/{entry['id']}?units=us").json()["figures"][0]
    # 1,000 km / 1.609344 km = 621.37 mi; exact international mile (NIST SP 811, appendix B.8).
    assert shown["figure"] == {"value": 621.4, "unit": "mi"}


def test_a_figure_noted_becomes_a_reading(client: CheckedClient, fleet: SmallFleet) -> None:
    enter(client, "oil", figures=odometer(14_050))
    with fleet.store.reading() as session:
        row = session.query(Reading).filter_by(figure=14_050_000).one()
        assert (row.at_us, row.status) == (us("2031-05-02T10:00"), ReadingStatus.ACCEPTED)


def test_a_figure_from_before_the_unit_number_stays_with_the_work(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    fleet.add_vehicle("80", numbered_from="2031-03-01")
    enter(client, "oil", unit="80", done_at="2031-02-01T10:00:00Z", figures=odometer(9_000))
    enter(client, "oil", unit="80", done_at="2031-03-01T10:00:00Z", figures=odometer(9_500))
    assert due_km(fleet, "oil", "80") == 24_500
    with fleet.store.reading() as session:
        rows = session.query(Reading).filter_by(vehicle_id=fleet.vehicles["80"]).all()
        assert [row.figure for row in rows] == [9_500_000]


def test_a_figure_that_only_a_coarse_dial_explains_stays_with_the_work(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    # 1 km below the reading of the day before: a mechanic notes whole kilometres or reads the trip late.
    assert enter(client, "oil", figures=odometer(13_999)).status_code == 201
    assert due_km(fleet, "oil") == 28_999
    with fleet.store.reading() as session:
        assert session.query(Reading).filter_by(status=int(ReadingStatus.ACCEPTED)).count() == 2


@pytest.mark.parametrize(
    ("km", "done_at", "words"),
    [
        # Below 14,000 km of the day before by more than a coarse dial hides.
        (11_000, "2031-05-02T10:00:00Z", ("less than", "14000.0 km", "2031-05-01 12:00:00 UTC")),
        # 22 hours at 50 m/s are 3,960 km, plus 2 km for a coarse dial: 17,962 km at most.
        (17_963, "2031-05-02T10:00:00Z", ("runs that fast", "14000.0 km")),
        # Above 7,000 km of 1 November 2030, when it was noted a month before.
        (9_100, "2030-10-01T10:00:00Z", ("more than", "7000.0 km", "2030-11-01 12:00:00 UTC")),
    ],
)
def test_a_figure_that_accepted_readings_contradict_is_refused(
    client: CheckedClient, fleet: SmallFleet, km: float, done_at: str, words: tuple[str, ...]
) -> None:
    response = enter(client, "oil", figures=odometer(km), done_at=done_at)
    assert response.status_code == 422
    (error,) = check_problem(response)["errors"]
    assert (error["pointer"], error["code"]) == ("#/figures/0/figure/value", "figure_contradicts_reading")
    assert all(word in error["detail"] for word in words), error["detail"]
    with fleet.store.reading() as session:
        assert session.query(WorkDone).count() == 0


def test_the_fastest_figure_that_can_be_is_taken(client: CheckedClient, fleet: SmallFleet) -> None:
    assert enter(client, "oil", figures=odometer(17_962)).status_code == 201
    assert due_km(fleet, "oil") == 32_962


def test_readings_of_the_day_itself_count_one_by_one(client: CheckedClient, fleet: SmallFleet) -> None:
    # The last reading of the day fits, the one at 09:00 does not.
    fleet.read("12", ("2031-05-02T09:00", 14_400), ("2031-05-02T18:00", 14_500))
    response = enter(client, "oil", figures=odometer(14_390 - 2_000))
    assert codes_at(response) == {"#/figures/0/figure/value": "figure_contradicts_reading"}


@pytest.mark.usefixtures("fleet")
def test_every_contradiction_is_told_at_once(client: CheckedClient) -> None:
    response = enter(
        client,
        "oil",
        "oil",
        "wash",
        done_at="2030-04-30T10:00:00Z",
        figures=[*odometer(1), {"meter": "engine_hours", "figure": {"value": 3, "unit": "h"}}],
        fluids=[
            {"compartment": "axle", "filled": {"value": 1, "unit": "L"}},
            {"compartment": "sump", "filled": {"value": 5, "unit": "L"}, "fluid_requirement": "oil-z"},
            {"compartment": "sump", "drained": {"value": 5, "unit": "L"}},
        ],
    )
    assert response.status_code == 422
    assert codes_at(response) == {
        "#/services/1/service": "service_repeated",
        "#/services/2/service": "service_unknown",
        "#/figures/0/meter": "meter_not_fitted",
        "#/figures/1/meter": "meter_not_fitted",
        "#/done_at": "before_first_day",
        "#/fluids/0/compartment": "compartment_unknown",
        "#/fluids/1/fluid_requirement": "fluid_requirement_unknown",
        "#/fluids/2/compartment": "compartment_repeated",
    }


@pytest.mark.usefixtures("fleet")
def test_what_the_schema_refuses(client: CheckedClient) -> None:
    response = enter(
        client,
        figures=[
            {"meter": "odometer", "figure": {"value": 1, "unit": "h"}},
            {"meter": "odometer", "figure": 14_000},
            {"meter": "tachometer", "figure": {"value": 1, "unit": "rpm"}},
            {"meter": "odometer", "figure": odometer(1)[0]["figure"]},
            {"meter": "trip", "figure": {"value": -1, "unit": "h"}},
        ],
        fluids=[{"compartment": "sump"}],
        done_at="2031-05-02T10:00:00",
        colour="blue",
    )
    assert codes_at(response) == {
        "#/done_at": "instant_malformed",
        "#/figures/0/figure/unit": "unit_of_wrong_dimension",
        "#/figures/1/figure": "quantity_without_unit",
        "#/figures/2/meter": "value_not_listed",
        "#/figures/2/figure/unit": "unit_unknown",
        "#/figures/4/meter": "value_not_listed",
        "#/figures/4/figure": "figure_negative",
        "#/services": "list_too_short",
        "#/fluids/0": "fluid_without_volume",
        "#/colour": "field_unknown",
    }
    response = enter(client, "oil", services=[{"service": "oil", "restored_share": 0}])
    assert codes_at(response) == {"#/services/0/restored_share": "figure_too_small"}


@pytest.mark.usefixtures("fleet")
def test_nothing_done_and_unknown_tasks(client: CheckedClient) -> None:
    nothing = enter(client, "oil", tasks_left_undone=["renew-oil"])
    assert codes_at(nothing) == {"#/tasks_left_undone": "nothing_done"}
    unknown = enter(client, "oil", tasks_left_undone=["belts", "renew-oil", "renew-oil"])
    assert codes_at(unknown) == {
        "#/tasks_left_undone/0": "task_unknown",
        "#/tasks_left_undone/2": "task_repeated",
    }


@pytest.mark.usefixtures("fleet")
def test_an_unknown_vehicle_and_the_future(client: CheckedClient) -> None:
    assert codes_at(enter(client, "oil", unit="99")) == {"#/unit": "vehicle_unknown"}
    late = enter(client, "oil", done_at="2031-05-05T08:06:00Z")
    assert codes_at(late) == {"#/done_at": "in_future"}
    assert enter(client, "oil", done_at="2031-05-05T08:04:00Z").status_code == 201


def test_a_vehicle_that_left_takes_earlier_paperwork_only(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.add_vehicle("5", retired_on="2031-03-31")
    after = enter(client, "oil", unit="5", done_at="2031-04-01T10:00:00Z")
    assert codes_at(after) == {"#/done_at": "after_last_day"}
    before = enter(client, "oil", unit="5", done_at="2031-03-31T10:00:00Z", is_from_papers=True)
    assert before.status_code == 201
    assert before.json()["is_from_papers"] is True


def test_a_number_used_again_means_the_vehicle_that_bore_it_on_the_day(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    fleet.add_vehicle("5", retired_on="2030-12-31")
    first = fleet.vehicles["5"]
    fleet.add_vehicle("5", in_service_on="2031-02-01")
    enter(client, "oil", unit="5", done_at="2030-12-01T10:00:00Z")
    enter(client, "oil", unit="5", done_at="2031-03-01T10:00:00Z")
    with fleet.store.reading() as session:
        vehicles = [row.vehicle_id for row in session.query(WorkDone).order_by(col(WorkDone.id))]
    assert vehicles == [first, fleet.vehicles["5"]]


@pytest.mark.usefixtures("fleet")
def test_the_same_entry_twice_is_a_conflict(client: CheckedClient) -> None:
    first = enter(client, "large").json()
    again = enter(client, "large")
    assert again.status_code == 409
    (error,) = check_problem(again)["errors"]
    assert error["code"] == "work_repeated"
    assert f"entry {first['id']} " in error["detail"]
    # Other services at the same instant are another entry.
    assert enter(client, "inspection").status_code == 201


def test_of_the_same_entry_sent_at_once_one_is_stored(client: CheckedClient, fleet: SmallFleet) -> None:
    with ThreadPoolExecutor(4) as threads:
        sent = [threads.submit(enter, client, "oil") for _ in range(4)]
        statuses = sorted(response.result().status_code for response in sent)
    assert statuses == [201, 409, 409, 409]
    with fleet.store.reading() as session:
        assert session.query(WorkDone).count() == 1


@pytest.mark.parametrize("key", ["0", "9007199254740992", "-1", "x"])
def test_keys_that_cannot_be(client: CheckedClient, key: str) -> None:
    assert codes_at(client.get(f"/v1/work-done/{key}")).keys() == {"#/entry_id"}


def test_a_key_that_is_none(client: CheckedClient) -> None:
    address = "/v1/work-done/9007199254740991"
    assert client.get(address).status_code == 404
    assert client.post(f"{address}/withdrawal", json={"reason": "none"}).status_code == 404


def test_a_withdrawal_keeps_the_entry_and_due_follows_at_once(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    entry = enter(client, "oil", figures=odometer(14_050)).json()
    assert due_km(fleet, "oil") == 29_050
    address = f"/v1/work-done/{entry['id']}"
    response = client.post(
        f"{address}/withdrawal", json={"by": "manager", "reason": "entered on the wrong van"}
    )
    assert response.status_code == 200
    assert response.json()["withdrawal"] == {
        "withdrawn_at": "2031-05-05T08:00:00Z",
        "reason": "entered on the wrong van",
        "by": "manager",
        "corrected_by": None,
    }
    assert due_km(fleet, "oil") == 15_000
    assert client.get(address).json() == {**entry, "withdrawal": response.json()["withdrawal"]}
    # The figure that it noted is no reading any more.
    with fleet.store.reading() as session:
        row = session.query(Reading).filter_by(figure=14_050_000).one()
        assert row.status == ReadingStatus.DISCARDED
    assert client.post(f"{address}/withdrawal", json={"reason": "again"}).status_code == 409
    assert client.post("/v1/work-done/999/withdrawal", json={"reason": "none"}).status_code == 404
    assert codes_at(client.post(f"{address}/withdrawal", json={"reason": "  "})) == {
        "#/reason": "text_malformed"
    }


def test_a_correction_is_an_entry_that_names_what_it_corrects_by_whom_and_why(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    wrong = enter(client, "oil", figures=odometer(14_050)).json()
    correction = {"entry": wrong["id"], "by": "foreman", "why": "read off wrongly"}
    right = enter(client, "oil", figures=odometer(14_010), corrects=correction)
    assert right.status_code == 201, right.text
    assert right.json()["corrects"] == correction
    assert due_km(fleet, "oil") == 29_010
    shown = client.get(f"/v1/work-done/{wrong['id']}").json()
    assert shown["withdrawal"] == {
        "withdrawn_at": "2031-05-05T08:00:00Z",
        "reason": "read off wrongly",
        "by": "foreman",
        "corrected_by": right.json()["id"],
    }
    again = enter(client, "oil", figures=odometer(14_000), corrects=correction)
    assert (again.status_code, codes_at(again)) == (409, {"#": "already_withdrawn"})
    unknown = enter(client, "oil", corrects=correction | {"entry": 99})
    assert codes_at(unknown) == {"#/corrects/entry": "entry_unknown"}
    assert due_km(fleet, "oil") == 29_010, "what was refused has withdrawn nothing"


def test_a_visit_entered_again_after_its_withdrawal_stands_with_its_figure(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    entry = enter(client, "oil", figures=odometer(14_050)).json()
    client.post(f"/v1/work-done/{entry['id']}/withdrawal", json={"reason": "it was the large service"})
    assert enter(client, "large", figures=odometer(14_050)).status_code == 201
    with fleet.store.reading() as session:
        row = session.query(Reading).filter_by(figure=14_050_000).one()
        assert row.status == ReadingStatus.ACCEPTED
    assert due_km(fleet, "large") == 44_050


def test_two_entries_of_one_instant_share_their_figure(client: CheckedClient, fleet: SmallFleet) -> None:
    oil = enter(client, "oil", figures=odometer(14_050)).json()
    enter(client, "inspection", figures=odometer(14_050))
    client.post(f"/v1/work-done/{oil['id']}/withdrawal", json={"reason": "not done"})
    with fleet.store.reading() as session:
        row = session.query(Reading).filter_by(figure=14_050_000).one()
        assert row.status == ReadingStatus.ACCEPTED


def test_a_restored_share_leaves_the_rest_used_up(client: CheckedClient, fleet: SmallFleet) -> None:
    # 13,500 km of 15,000 km are used up (0.9); half restored leaves 0.45 used: 0.55 of 15,000 km to run.
    fleet.add_vehicle("20")
    response = enter(
        client, unit="20", services=[{"service": "oil", "restored_share": 0.5}], figures=odometer(13_500)
    )
    assert response.json()["services"][0]["restored_share"] == 0.5
    assert due_km(fleet, "oil", "20") == 13_500 + 8_250


def test_the_sheet_version_in_force_when_it_was_done_counts(client: CheckedClient, fleet: SmallFleet) -> None:
    large = SHEET.services[1]
    more = replace(large, tasks=(*large.tasks, Task(code="hinges", name="Grease the hinges")))
    brakes = replace(SHEET.services[3], code="brakes", name="Brakes")
    sheet = replace(SHEET, services=(SHEET.services[0], more, *SHEET.services[2:], brakes))
    fleet.add_sheet(sheet, recorded_at_us=us("2031-05-03T00:00"))
    earlier = enter(client, "large").json()
    assert (earlier["spec_sheet_version"], "hinges" in earlier["tasks_done"]) == (1, False)
    later = enter(client, "large", done_at="2031-05-04T10:00:00Z").json()
    assert (later["spec_sheet_version"], "hinges" in later["tasks_done"]) == (2, True)
    # Version 1 has no such service: paperwork entered since is held against the newest.
    papers = enter(client, "brakes", is_from_papers=True).json()
    assert (papers["spec_sheet_version"], papers["tasks_done"]) == (2, ["inspect"])


def test_the_day_is_the_depots_own(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.add_depot("east", time_zone="Pacific/Auckland")
    fleet.add_vehicle("30", depot="east")
    # 13:00 UTC is 01:00 of the next day at UTC+12.
    assert enter(client, "oil", unit="30", done_at="2031-05-02T13:00:00Z").json()["done_on"] == "2031-05-03"


@pytest.mark.usefixtures("fleet")
def test_fluids_are_kept_in_whole_millilitres(client: CheckedClient) -> None:
    sump = {
        "compartment": "sump",
        "drained": {"value": 5.5, "unit": "qt_us"},
        "filled": {"value": 5.7, "unit": "L"},
        "fluid_requirement": "oil-a",
    }
    entry = enter(client, "oil", fluids=[sump]).json()
    # 5.5 US quarts are 5.5 x 946.352946 mL = 5,204.94 mL (NIST SP 811, appendix B.8).
    assert entry["fluids"] == [
        {
            "compartment": "sump",
            "drained": {"value": 5.205, "unit": "L"},
            "filled": {"value": 5.7, "unit": "L"},
            "fluid_requirement": "oil-a",
        }
    ]
    shown = client.get(f"/v1/work-done/{entry['id']}?units=us").json()["fluids"][0]
    assert shown["drained"] == {"value": 5.5, "unit": "qt_us"}
    huge = enter(client, "oil", fluids=[{"compartment": "sump", "filled": {"value": 1e7, "unit": "L"}}])
    assert codes_at(huge) == {"#/fluids/0/filled": "figure_too_large"}


def test_the_list_is_filtered_and_paged(client: CheckedClient, fleet: SmallFleet) -> None:
    fleet.add_vehicle("13", in_service_on="2030-01-01")
    keys = [
        enter(client, "oil", done_at="2031-01-10T10:00:00Z").json()["id"],
        enter(client, "large", done_at="2031-02-10T10:00:00Z").json()["id"],
        enter(client, "inspection", unit="13", done_at="2031-03-10T10:00:00Z").json()["id"],
        enter(client, "oil", unit="13", done_at="2031-04-10T10:00:00Z").json()["id"],
    ]

    def listed(query: str) -> list[int]:
        return [entry["id"] for entry in client.get(f"/v1/work-done{query}").json()["work_done"]]

    newest_first = keys[::-1]
    assert listed("") == newest_first
    assert listed("?unit=13") == newest_first[:2]
    assert listed("?unit=99") == []
    # The large service includes the oil service.
    assert listed("?service=oil") == [keys[3], keys[1], keys[0]]
    assert listed("?from_on=2031-02-10&through_on=2031-03-10") == [keys[2], keys[1]]
    seen, link = [], "/v1/work-done?limit=3"
    while link:
        page = client.get(link)
        seen.append([entry["id"] for entry in page.json()["work_done"]])
        link = page.links.get("next", {}).get("url", "")
    assert seen == [newest_first[:3], newest_first[3:]]


def test_a_page_takes_as_many_statements_whatever_it_holds(client: CheckedClient, fleet: SmallFleet) -> None:
    counts = []
    for month in ("01", "02", "03", "04"):
        fleet.add_vehicle(f"q{month}")
        enter(
            client, "large", unit=f"q{month}", done_at=f"2031-{month}-10T10:00:00Z", figures=odometer(9_000)
        )
        with counted_queries(fleet.store) as counted:
            client.get("/v1/work-done")
        counts.append(counted.count)
    assert len(set(counts)) == 1
    assert counts[0] <= 7
