from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from typing import TYPE_CHECKING, Any

import pytest

from domain.job_result import PassReason
from tests.support.bay import PRODUCTS, SHUTTLE, Bay, degrees, litres, receive, set_up_bay
from tests.support.client import codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

# What does not turn on the database is held on one kind; the story and the machine run on both.
ONE_KIND = pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
WARM = {"mark_share": 0.5, "temperature": degrees(60)}
HOT = {"compartment": "cvt", "stage": "hot_after_run", "level": WARM}


@pytest.fixture
def bay(client: CheckedClient) -> Bay:
    """A job on the transmission, started, with check and fluid at hand; stock for it is there."""
    set_up_bay(client)
    receive(client, cvt_n=12, S_14=8)
    made = Bay(client)
    made.open(services=["gearbox"])
    made.enter("started")
    return made


def at_hand(bay: Bay) -> None:
    """The check before, and the fluid."""
    bay.enter("checked_before", compartment="cvt", level=WARM)
    bay.enter("fluid_at_hand", compartment="cvt", product="cvt-n")


def one_pass(bay: Bay, volume: float) -> None:
    """One drain, filled again, and a run."""
    bay.enter("drained", compartment="cvt", volume=litres(volume))
    bay.enter("seal_renewed", compartment="cvt", plug="drain")
    bay.enter("torque_applied", compartment="cvt", plug="drain", torque=quantity(34, "N.m"))
    bay.enter("poured", compartment="cvt", product="cvt-n", volume=litres(volume))
    bay.enter("run", compartment="cvt", is_shifted_through=True)


def held(client: CheckedClient, code: str) -> tuple[float, float]:
    """On hand and reserved of a product or part."""
    (found,) = (
        one for one in client.get("/v1/stock").json()["stock"] if code in {one["part"], one["fluid_product"]}
    )
    return found["on_hand"]["value"], found["reserved"]["value"]


def gearbox_line(client: CheckedClient) -> dict[str, Any]:
    """The transmission's line on the vehicle's due list."""
    lines = client.get("/v1/vehicles/T-104/due").json()["lines"]
    found: dict[str, Any] = next(line for line in lines if line["service"] == "gearbox")
    return found


@ONE_KIND
def test_a_short_exchange_carries_over_what_it_left_and_the_due_list_says_so(bay: Bay) -> None:
    """One pass of two, of 3.6 L: 0.45 of the old fluid is out where the passes prescribed take out 0.75.

    So 0.6 of the used-up interval is restored, and 0.4 of it carries over: 12 months were used up, and 0.6 x 12 = 7.2
    months after 2031-05-05 are left: to 2031-12-05, and 0.2 of the 31 days that follow, rounded up, to 2031-12-12.
    """
    at_hand(bay)
    one_pass(bay, 3.6)
    bay.enter("level_checked", **HOT)
    bay.enter("leak_checked", is_tight=True)
    bay.enter("road_tested", is_passed=True)
    refused = bay.sign_off()
    assert codes_at(refused) == {"#/left_open": "item_open"}
    assert "passes:cvt is open: 1 of 2 passes" in refused.json()["errors"][0]["detail"]
    reasons = [{"item": "passes:cvt", "reason": "the customer waits"}, {"item": "paint", "reason": "none"}]
    assert codes_at(bay.sign_off(left_open=reasons)) == {"#/left_open/1/item": "item_not_open"}
    signed = bay.sign_off(left_open=reasons[:1])
    assert signed.status_code == 200, signed.text
    job = signed.json()
    assert job["signature"]["left_open"] == reasons[:1]
    (service,) = bay.client.get(f"/v1/work-done/{job['work_done']}").json()["services"]
    assert service["restored_share"] == pytest.approx(0.6, abs=1e-12)
    line = gearbox_line(bay.client)
    assert "of which 0.4 was carried over" in line["because"]
    (calendar,) = (limb for limb in line["limbs"] if limb["limb"] == "calendar")
    assert calendar["due_on"] == "2031-12-12"
    # What was used has left the stock, the second pass is free again.
    assert (held(bay.client, "cvt-n"), held(bay.client, "S-14")) == ((8.4, 0.0), (7, 0))


@ONE_KIND
def test_a_task_left_undone_resets_nothing(client: CheckedClient) -> None:
    set_up_bay(client)
    bay = Bay(client)
    bay.open()
    bay.enter("started")
    bay.enter("task_marked", task="drain-and-fill", is_done=False, reason="no fluid in stock")
    bay.enter("task_marked", task="change-oil", is_done=False, reason="no filter in stock")
    bay.enter("task_marked", task="look-at-belts")
    open_items = [one["item"] for one in bay.shown()["open_items"]]
    left_open = [{"item": item, "reason": "not needed"} for item in open_items]
    before = client.get("/v1/vehicles/T-104/due").json()["lines"]
    signed = bay.sign_off(left_open=left_open)
    assert signed.status_code == 200, signed.text
    work = client.get(f"/v1/work-done/{signed.json()['work_done']}").json()
    assert work["tasks_left_undone"] == ["change-oil", "drain-and-fill"]
    assert not any(one["is_completed"] for one in work["services"])
    after = client.get("/v1/vehicles/T-104/due").json()["lines"]
    assert [line["limbs"] for line in after] == [line["limbs"] for line in before]
    # The next job for the same services may be opened.
    Bay(client).open()


def test_a_job_that_is_stopped_uses_what_it_used_and_frees_the_rest(bay: Bay) -> None:
    at_hand(bay)
    assert held(bay.client, "cvt-n") == (12.0, 8.4)
    bay.enter("drained", compartment="cvt", volume=litres(4), observations=["coolant"])
    bay.enter("poured", compartment="cvt", product="cvt-n", volume=litres(4))
    assert (
        bay.enter("stopped", reason="coolant in the fluid: the cooler has to be renewed")["state"]
        == "stopped"
    )
    job = bay.shown()
    assert (job["state"], job["work_done"], job["closed_at"]) == ("stopped", None, "2031-05-05T08:00:00Z")
    assert held(bay.client, "cvt-n") == (8.0, 0.0)
    (used,) = bay.client.get("/v1/used-fluids").json()["used_fluids"]
    assert (used["stream"], used["held"]) == ("contaminated_fluid", litres(4.0))
    assert gearbox_line(bay.client)["state"] == "overdue"
    assert bay.refuse("resumed") == ["job_stopped"]
    assert bay.sign_off().status_code == 409


@ONE_KIND
def test_findings_become_defects_of_the_vehicle(bay: Bay) -> None:
    bay.enter("checked_before", compartment="cvt", level=WARM, leak="dripping", observations=["metal"])
    bay.enter(
        "found",
        what="failed_limit",
        words="Iron in the oil sample is above the sheet's limit.",
        compartment="cvt",
        is_off_road=True,
        assigned_to="foreman",
    )
    found = bay.client.get("/v1/defects").json()["defects"]
    assert {(one["what"], one["is_off_road"], one["assigned_to"], one["reference"]) for one in found} == {
        ("fluid leaks", False, None, "job 1"),
        ("metal was in the fluid", False, None, "job 1"),
        ("Iron in the oil sample is above the sheet's limit.", True, "foreman", "job 1"),
    }
    due = bay.client.get("/v1/vehicles/T-104/due").json()
    assert (len(due["defects"]), due["is_off_road"]) == (3, True)
    assert bay.shown()["compartments"][0]["held_up_by"][0]["code"] == "metal"
    bay.enter("fluid_at_hand", compartment="cvt", product="cvt-n")
    assert bay.refuse("drained", compartment="cvt", volume=litres(4)) == ["drain_held_up"]
    bay.enter("cleared", compartment="cvt", override_reason="fine paste on the magnet is usual wear")
    bay.enter("drained", compartment="cvt", volume=litres(4))


@ONE_KIND
def test_bad_input_is_one_clear_problem_and_nothing_half_stored(bay: Bay) -> None:
    at_hand(bay)
    cases: list[tuple[dict[str, Any], dict[str, str]]] = [
        ({"kind": "drained", "compartment": "cvt", "volume": litres(0)}, {"#/volume": "volume_not_positive"}),
        ({"kind": "drained", "compartment": "cvt", "volume": litres(-1)}, {"#/volume": "figure_negative"}),
        (
            {"kind": "drained", "compartment": "cvt", "volume": litres(1e6)},
            {"#/volume": "figure_too_large"},
        ),
        (
            {"kind": "torque_applied", "compartment": "cvt", "plug": "drain", "torque": litres(34)},
            {"#/torque/unit": "unit_of_wrong_dimension"},
        ),
        (
            {"kind": "fluid_at_hand", "compartment": "cvt", "product": "oil-c3-5w30"},
            {"#/product": "fluid_unsuitable"},
        ),
        (
            {"kind": "fluid_at_hand", "compartment": "cvt", "product": "none"},
            {"#/product": "product_unknown"},
        ),
        (
            {"kind": "fluid_at_hand", "compartment": "axle", "product": "cvt-n"},
            {"#/compartment": "compartment_not_in_job"},
        ),
        ({"kind": "emptied"}, {"#/kind": "value_not_listed"}),
        ({"compartment": "cvt"}, {"#/kind": "field_missing"}),
        (
            {"kind": "run", "compartment": "cvt", "noted_at": "2031-05-05T09:00:00Z"},
            {"#/noted_at": "in_future"},
        ),
        (
            {"kind": "run", "compartment": "cvt", "noted_at": "2031-05-04T09:00:00Z"},
            {"#/noted_at": "before_opening"},
        ),
    ]
    before = bay.shown()
    for body, expected in cases:
        answer = bay.client.post(
            f"/v1/jobs/{bay.number}/entries", json={"by": "one", **body}, headers={"If-Match": bay.tag}
        )
        assert (answer.status_code, codes_at(answer)) == (422, expected), body
    assert bay.shown() == before
    missing = bay.client.post(f"/v1/jobs/{bay.number}/entries", json={"by": "one", "kind": "resumed"})
    assert missing.status_code == 428
    early = bay.sign_off()
    assert {error["code"] for error in early.json()["errors"]} == {"item_open"}
    assert bay.shown() == before


@ONE_KIND
def test_a_job_is_opened_for_what_fits_the_vehicle(client: CheckedClient) -> None:
    set_up_bay(client)
    cases: list[tuple[dict[str, Any], dict[str, str]]] = [
        ({"unit": "T-999"}, {"#/unit": "vehicle_unknown"}),
        ({"services": ["oil", "paint"]}, {"#/services/1": "service_unknown"}),
        (
            {"services": ["oil"], "fluids": [{"compartment": "cvt"}]},
            {"#/fluids/0/compartment": "no_exchange_here"},
        ),
        (
            {"fluids": [{"compartment": "cvt"}, {"compartment": "cvt"}]},
            {"#/fluids/1/compartment": "compartment_repeated"},
        ),
        (
            {"fluids": [{"compartment": "cvt", "product": "none"}]},
            {"#/fluids/0/product": "product_unknown"},
        ),
        (
            {"fluids": [{"compartment": "cvt", "target_share": 1.0}]},
            {"#/fluids/0/target_share": "figure_too_large"},
        ),
        ({"services": []}, {"#/services": "list_too_short"}),
    ]
    for body, expected in cases:
        answer = client.post("/v1/jobs", json={"unit": "T-104", "opened_by": "foreman", **body})
        assert (answer.status_code, codes_at(answer)) == (422, expected), body
    assert client.get("/v1/jobs").json()["jobs"] == []
    # Nothing in stock: the job is opened all the same, and says what is lacking.
    job = Bay(client).open()
    assert {part["part"]: part["missing"] for part in job["parts"]} == {"F-2": 1, "S-14": 3}
    assert {one["product"] for one in job["lacking"]} == {"oil-c3-5w30", "cvt-n"}
    assert client.get(f"/v1/jobs/{job['number'] + 1}").status_code == 404


@ONE_KIND
def test_a_first_pass_may_be_planned_with_another_product(client: CheckedClient) -> None:
    set_up_bay(client)
    cheaper = PRODUCTS["cvt-n"] | {"name": "Fluid of family N, in bulk"}
    assert client.put("/v1/fluid-products/cvt-m", json=cheaper).status_code == 201
    bay = Bay(client)
    wanted = {"compartment": "cvt", "first_product": "cvt-m", "product": "cvt-n", "target_share": 0.8}
    job = bay.open(services=["gearbox"], fluids=[wanted])
    # Two passes of 4 L, and 5 % of both beside.
    assert [(one["product"], one["need"]) for one in job["fluids"]] == [
        ("cvt-m", litres(4.0)),
        ("cvt-n", litres(4.4)),
    ]
    bay.enter("started")
    bay.enter("checked_before", compartment="cvt", level=WARM)
    planned, shares = [], []
    for product in ("cvt-m", "cvt-n", "cvt-n"):
        bay.enter("fluid_at_hand", compartment="cvt", product=product)
        drained = bay.enter("drained", compartment="cvt", volume=litres(4))
        planned.append(drained["compartment"]["exchange"]["product"])
        filled = bay.enter("poured", compartment="cvt", product=product, volume=litres(4))
        exchange = filled["compartment"]["exchange"]
        shares.append([one["share"] for one in exchange["passes"][-1]["fresh"]])
        bay.enter("run", compartment="cvt", is_shifted_through=True)
    assert planned == ["cvt-m", "cvt-n", "cvt-n"]
    # 0.75 of fresh fluid after the passes prescribed, so that the target asked for the third.
    assert shares == [[0.5], [0.25, 0.5], [0.125, 0.75]]
    assert exchange["another_pass"] == PassReason.NONE


@ONE_KIND
def test_where_the_maker_decides_a_person_names_where_the_maker_admits_it(client: CheckedClient) -> None:
    requirements = deepcopy(SHUTTLE["fluid_requirements"])
    del requirements[1]["service_class"]
    set_up_bay(client, fluid_requirements=requirements)
    bay = Bay(client)
    job = bay.open(services=["gearbox"])
    assert job["fluids"][0]["product"] is None
    bay.enter("started")
    offered = {"compartment": "cvt", "product": "cvt-n"}
    assert codes_at(bay.send("fluid_at_hand", **offered)) == {"#/product": "fluid_not_settled"}
    taken = bay.enter("fluid_at_hand", **offered, authority="workshop manual, table 7")["entry"]
    assert (taken["verdict"], taken["words"]) == ("maker_decides", "workshop manual, table 7")
    # What leaves beside a drain is kept apart.
    bay.enter("taken_off", compartment="cvt", volume=litres(0.2))
    lost = bay.enter("lost", compartment="cvt", how="sampled", volume=litres(0.1))["compartment"]["measured"]
    assert (lost["taken_off"], lost["lost"], lost["level_change"]) == (litres(0.2), litres(0.1), litres(-0.3))
    new = {"unit": "T-300", "spec_sheet": "shuttle", "depot": "north", "in_service_on": "2031-05-05"}
    assert client.post("/v1/vehicles", json=new | {"is_known_from_new": True}).status_code == 201
    refused = client.post("/v1/jobs", json={"unit": "T-300", "opened_by": "foreman"})
    assert codes_at(refused) == {"#/services": "nothing_due"}


def test_a_lot_past_its_date_is_refused(bay: Bay) -> None:
    line = {"fluid_product": "cvt-n", "amount": litres(5), "lot": "L-1", "best_before": "2031-05-04"}
    body = {"key": "in-old", "kind": "receipt", "depot": "north", "lines": [line]}
    assert bay.client.post("/v1/stock-entries", json=body).status_code in {200, 201}
    offered = {"compartment": "cvt", "product": "cvt-n"}
    refused = bay.send("fluid_at_hand", **offered, lot="L-1")
    assert codes_at(refused) == {"#/lot": "lot_past_date"}
    assert "2031-05-04" in refused.json()["errors"][0]["detail"]
    # A lot that the book does not have is in the hand all the same.
    assert bay.enter("fluid_at_hand", **offered, lot="L-2")["entry"]["lot"] == "L-2"


@ONE_KIND
def test_work_goes_to_the_vehicle_whatever_its_number_is_by_then(bay: Bay) -> None:
    at_hand(bay)
    one_pass(bay, 4)
    renumbered = bay.client.post(
        "/v1/vehicles/T-104/unit-numbers", json={"unit": "T-204", "valid_from": "2031-05-05"}
    )
    assert renumbered.status_code == 201, renumbered.text
    other = {"unit": "T-104", "spec_sheet": "shuttle", "depot": "north", "in_service_on": "2031-05-05"}
    taken = bay.client.post("/v1/vehicles", json=other | {"is_known_from_new": True})
    assert taken.status_code == 201, taken.text
    reasons = [{"item": one["item"], "reason": "no time"} for one in bay.shown()["open_items"]]
    signed = bay.sign_off(left_open=reasons)
    assert signed.status_code == 200, signed.text
    assert bay.client.get(f"/v1/work-done/{signed.json()['work_done']}").json()["unit"] == "T-204"


def test_jobs_are_listed_by_state_depot_and_vehicle(client: CheckedClient) -> None:
    set_up_bay(client, "T-104", "T-105")
    oil, gearbox, other = Bay(client), Bay(client), Bay(client)
    oil.open(services=["oil"])
    gearbox.open(services=["gearbox"])
    other.open("T-105")
    other.enter("waiting", waits_for="parts", note="filter is on order")

    with counted_queries(client.store) as counted:
        client.get("/v1/jobs?units=metric")
    assert counted.count <= 2

    def numbers(query: str) -> list[int]:
        return [job["number"] for job in client.get(f"/v1/jobs{query}").json()["jobs"]]

    assert numbers("") == [3, 2, 1]
    assert numbers("?unit=T-104") == [2, 1]
    assert numbers("?unit=T-999") == []
    assert numbers("?state=waiting") == [3]
    assert numbers("?depot=north&state=planned") == [2, 1]
    assert numbers("?depot=south") == []
    first = client.get("/v1/jobs?limit=2").json()
    assert [job["number"] for job in first["jobs"]] == [3, 2]
    assert numbers(f"?limit=2&cursor={first['next']}") == [1]
    page = client.get("/v1/jobs/3/entries?limit=1").json()
    assert ([one["kind"] for one in page["entries"]], page["next"]) == (["waiting"], None)
    assert page["entries"][0]["words"] == "filter is on order"
    us = client.get("/v1/jobs/2?units=us").json()["compartments"][0]
    assert us["capacity"] == quantity(8.45, "qt_us")
    assert us["plugs"][0]["torque_metric"] == quantity(34.0, "N.m")
    assert us["plugs"][0]["torque_inch"]["unit"] == "lbf.ft"


def test_of_twenty_entries_at_once_with_one_tag_one_is_taken(bay: Bay) -> None:
    def send(which: int) -> Response:
        return bay.client.post(
            f"/v1/jobs/{bay.number}/entries",
            json={
                "kind": "task_marked",
                "by": f"mechanic {which}",
                "task": "drain-and-fill",
                "is_done": False,
                "reason": "x",
            },
            headers={"If-Match": bay.tag},
        )

    with ThreadPoolExecutor(20) as pool:
        statuses = sorted(answer.status_code for answer in pool.map(send, range(20)))
    assert statuses == [201] + [412] * 19
    assert bay.shown()["entries"] == 2


def test_of_jobs_opened_at_once_for_one_service_one_is_opened(client: CheckedClient) -> None:
    set_up_bay(client)

    def send(which: int) -> int:
        body = {"unit": "T-104", "services": ["gearbox"], "opened_by": f"foreman {which}"}
        return client.post("/v1/jobs", json=body).status_code

    with ThreadPoolExecutor(6) as pool:
        assert sorted(pool.map(send, range(6))) == [201] + [409] * 5


@ONE_KIND
def test_the_next_job_expects_what_the_last_one_drained(client: CheckedClient, bay: Bay) -> None:
    """The sheet's 4 L counts as four drains; one more of 3.9 L makes (4 x 4 + 3.9) / 5 = 3.98 L."""
    at_hand(bay)
    one_pass(bay, 3.9)
    for item in ("level:cvt", "passes:cvt", "leak_check", "road_test"):
        assert item in {one["item"] for one in bay.shown()["open_items"]}
    reasons = [{"item": one["item"], "reason": "no time"} for one in bay.shown()["open_items"]]
    assert bay.sign_off(left_open=reasons).status_code == 200
    job = Bay(client).open(services=["gearbox"])
    assert job["compartments"][0]["exchange"]["expected"] == {
        "mean": litres(3.98),
        "spread": job["compartments"][0]["exchange"]["expected"]["spread"],
        "drains": 1,
    }
