"""One visit over HTTP: a two-pass change of transmission fluid, and engine oil with filter, from due to next due.

The hand calculation of the transmission stands in ``test_exchange_story``: out came 3.95 L at 60 degC, and 4.05 L at
65 degC, 3.832 L and 3.913 L were poured at 20 degC, 0.136 L was added, and a quarter of the old fluid is left:
(1 - 3.95/8) x (1 - 4.05/8) = 0.24996. What the same answers give for stock: 3.832 + 3.913 + 0.136 = 7.881 L of 12 L.

Engine oil: 5.7 L expected; out came 5.6 L at 70 degC, in went 5.5 L at 20 degC; the dipstick then stands at 0.8.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.support.bay import Bay, degrees, litres, receive, set_up_bay
from tests.support.sheet_documents import quantity

if TYPE_CHECKING:
    from tests.support.client import CheckedClient


def test_a_visit_from_due_to_next_due(client: CheckedClient) -> None:
    set_up_bay(client)
    receive(client, cvt_n=12, oil_c3_5w30=10, F_2=3, S_14=8)
    assert due_services(client) == {"oil": "overdue", "gearbox": "overdue"}

    bay = Bay(client)
    open_what_is_due(bay)
    change_transmission_fluid(bay)
    change_engine_oil(bay)
    job = sign_off(bay)
    see_what_follows(bay, job)


def open_what_is_due(bay: Bay) -> None:
    """What is due is planned, kit and fluid are reserved."""
    client = bay.client
    job = bay.open()
    assert (job["state"], job["services"]) == ("planned", ["gearbox", "oil"])
    assert [step["kind"] for step in job["steps"] if step["compartment"] == "cvt"] == [
        "checked_before",
        "fluid_at_hand",
        "drained",
        "seal_renewed",
        "torque_applied",
        "poured",
        "run",
        "drained",
        "seal_renewed",
        "torque_applied",
        "poured",
        "level_checked",
        "run",
        "level_checked",
    ]
    assert {part["part"]: part["quantity"] for part in job["parts"]} == {"F-2": 1, "S-14": 3}
    assert {fluid["product"]: fluid["need"] for fluid in job["fluids"]} == {
        "oil-c3-5w30": litres(5.7),
        "cvt-n": litres(8.4),
    }
    assert stock(client) == {
        "cvt-n": (12.0, 8.4),
        "oil-c3-5w30": (10.0, 5.7),
        "F-2": (3, 1),
        "S-14": (8, 3),
    }
    again = client.post("/v1/jobs", json={"unit": "T-104", "opened_by": "foreman", "services": ["oil"]})
    assert (again.status_code, again.json()["errors"][0]["code"]) == (409, "job_open_already")


def change_transmission_fluid(bay: Bay) -> None:
    """Two passes with a run between; the first drain is mistyped and corrected."""
    # Before: the level, and the fluid at hand; the wrong one is refused by name.
    assert bay.refuse("checked_before", compartment="cvt") == ["job_not_started"]
    assert bay.enter("started")["state"] == "started"
    bay.enter(
        "checked_before",
        compartment="cvt",
        level={"mark_share": 1.0, "temperature": degrees(60)},
        colour="red",
    )
    wrong = bay.send("fluid_at_hand", compartment="cvt", product="gear-75w90").json()["errors"][0]
    assert wrong["code"] in {"fluid_unsuitable", "fluid_not_settled"}
    assert "gear-75w90 for cvt" in wrong["detail"]
    bay.enter("fluid_at_hand", compartment="cvt", product="cvt-n", lot="L-7")

    poured = []
    drained = bay.enter(
        "drained", compartment="cvt", volume=litres(39.5), temperature=degrees(60), fresh_at=degrees(20)
    )
    assert [one["code"] for one in drained["entry"]["findings"]] == ["more_drained", "above_capacity"]
    bay.enter("corrected", corrects=drained["entry"]["number"], why="mistyped", volume=litres(3.95))
    for number in (1, 2):
        if number == 2:
            bay.enter("run", compartment="cvt", is_shifted_through=True)
            bay.enter(
                "drained",
                compartment="cvt",
                volume=litres(4.05),
                temperature=degrees(65),
                fresh_at=degrees(20),
            )
        exchange = compartment(bay.shown(), "cvt")["exchange"]
        assert exchange["passes"][-1]["verdict"] == "as_expected"
        bay.enter("seal_renewed", compartment="cvt", plug="drain")
        bay.enter("torque_applied", compartment="cvt", plug="drain", torque=quantity(25, "lbf.ft"))
        poured.append(exchange["to_pour"])
        filled = bay.enter(
            "poured", compartment="cvt", product="cvt-n", volume=exchange["to_pour"], temperature=degrees(20)
        )
    assert poured == [litres(3.832), litres(3.913)]
    exchange = filled["compartment"]["exchange"]
    assert exchange["passes"][-1]["old_share"] == pytest.approx(0.24996, abs=5e-6)
    assert (exchange["another_pass"], exchange["to_pour"]) == ("none", None)

    check_transmission_level(bay)


def check_transmission_level(bay: Bay) -> None:
    """A hot level at 15 degC is refused; warm it stands below the low mark, and is right after a top-up."""
    hot = {"compartment": "cvt", "stage": "hot_after_run"}
    bay.enter(
        "level_checked",
        compartment="cvt",
        stage="cold_before_start",
        level={"mark_share": 0.9, "temperature": degrees(20)},
    )
    assert bay.refuse("level_checked", **hot, level={"mark_share": 0.9, "temperature": degrees(15)}) == [
        "too_cold_to_judge"
    ]
    bay.enter("run", compartment="cvt", is_shifted_through=True, duration=quantity(10, "min"))
    low = bay.enter("level_checked", **hot, level={"mark_share": -0.1, "temperature": degrees(60)})
    assert low["entry"]["findings"][0]["code"] == "level_low"
    bay.enter("topped_up", compartment="cvt", product="cvt-n", volume=litres(0.136), temperature=degrees(20))
    assert {"level:cvt"} <= {one["item"] for one in bay.shown()["open_items"]}
    bay.enter("level_checked", **hot, level={"mark_share": 0.8, "temperature": degrees(60)})


def change_engine_oil(bay: Bay) -> None:
    """Engine oil and filter in the same visit."""
    bay.enter("checked_before", compartment="sump", level={"mark_share": 0.9, "temperature": degrees(70)})
    bay.enter("fluid_at_hand", compartment="sump", product="oil-c3-5w30")
    bay.enter("drained", compartment="sump", volume=litres(5.6), temperature=degrees(70))
    bay.enter("seal_renewed", compartment="sump", plug="drain")
    bay.enter("torque_applied", compartment="sump", plug="drain", torque=quantity(34, "N.m"))
    bay.enter(
        "poured", compartment="sump", product="oil-c3-5w30", volume=litres(5.5), temperature=degrees(20)
    )
    bay.enter("run", compartment="sump")
    bay.enter(
        "level_checked",
        compartment="sump",
        stage="hot_after_run",
        level={"mark_share": 0.8, "temperature": degrees(70)},
    )


def sign_off(bay: Bay) -> dict[str, Any]:
    """The job, signed off; not with a task open and no reason."""
    bay.enter("leak_checked", is_tight=True)
    refused = bay.sign_off()
    assert refused.status_code == 422
    assert {error["code"] for error in refused.json()["errors"]} == {"item_open"}
    assert {one["item"] for one in bay.shown()["open_items"]} == {"task:look-at-belts", "road_test"}
    bay.enter("road_tested", is_passed=True, distance=quantity(6, "km"))
    bay.enter("task_marked", task="look-at-belts")
    signed = bay.sign_off(figures=[{"meter": "odometer", "figure": quantity(14_120, "km")}])
    assert signed.status_code == 200, signed.text
    job: dict[str, Any] = signed.json()
    assert (job["state"], job["open_items"]) == ("signed_off", [])
    assert all(step["is_done"] for step in job["steps"] if step["stage"] != "cold_before_start")

    return job


def see_what_follows(bay: Bay, job: dict[str, Any]) -> None:
    """Work done, stock, used fluid and the due list follow; the job takes no further entry."""
    client = bay.client
    work = client.get(f"/v1/work-done/{job['work_done']}").json()
    assert {one["service"]: (one["is_completed"], one["restored_share"]) for one in work["services"]} == {
        "oil": (True, 1.0),
        "gearbox": (True, 1.0),
    }
    assert {one["compartment"]: (one["drained"], one["filled"]) for one in work["fluids"]} == {
        "cvt": (litres(8.0), litres(7.881)),
        "sump": (litres(5.6), litres(5.5)),
    }
    assert stock(client) == {
        "cvt-n": (4.119, 0.0),
        "oil-c3-5w30": (4.5, 0.0),
        "F-2": (2, 0),
        "S-14": (5, 0),
    }
    used = client.get("/v1/used-fluids").json()["used_fluids"]
    assert [(one["stream"], one["held"]) for one in used] == [("used_oil", litres(13.6))]
    assert due_services(client) == {}
    assert next_due(client) == {"oil": "2032-05-05", "gearbox": "2032-05-05"}
    assert bay.refuse("started") == ["job_signed_off"]


def due_services(client: CheckedClient) -> dict[str, str]:
    """State of each service that is due."""
    lines = client.get("/v1/vehicles/T-104/due").json()["lines"]
    return {line["service"]: line["state"] for line in lines if line["state"] in {"due", "overdue"}}


def next_due(client: CheckedClient) -> dict[str, str]:
    """The day on which each service falls due."""
    lines = client.get("/v1/vehicles/T-104/due").json()["lines"]
    return {line["service"]: line["due_on"] for line in lines}


def stock(client: CheckedClient) -> dict[str, tuple[float, float]]:
    """On hand and reserved, by part or product."""
    held = client.get("/v1/stock").json()["stock"]
    return {
        one["part"] or one["fluid_product"]: (one["on_hand"]["value"], one["reserved"]["value"])
        for one in held
    }


def compartment(job: dict[str, Any], code: str) -> dict[str, Any]:
    """A compartment of a job."""
    found: dict[str, Any] = next(one for one in job["compartments"] if one["compartment"] == code)
    return found
