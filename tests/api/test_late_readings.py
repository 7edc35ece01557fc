"""A late reading corrects what rests on its time: figures of past work, shares under duty, the use rate."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.standing import recompute
from domain.sheet import Amount, DutyCondition, DutyPolicy, IntervalRule, Limb, Service, SevereCondition, Task
from tests.support.fleets import FLEET, at_us, km_row, plant, plant_duty, service, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

TOWING = (SevereCondition(DutyCondition.TOWING, 0.5, 0.25, (Limb.ODOMETER,)),)
SHEET = sheet(
    service("oil", km=10_000),
    Service(
        "axle",
        "axle",
        (Task("a", "a"),),
        (IntervalRule((Amount(Limb.ODOMETER, 40_000_000),), policy=DutyPolicy.WEIGHTED, conditions=TOWING),),
    ),
    Service(
        "gearbox",
        "gearbox",
        (Task("g", "g"),),
        (IntervalRule((Amount(Limb.ODOMETER, 40_000_000),), conditions=TOWING),),
    ),
)


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    """Two vehicles that tow in the second half of April 2031: one's readings come in time, the other's late."""
    found = plant(client.store, SHEET, ["in-time", "late"])
    with client.store.writing() as session:
        for key in found.vehicles.values():
            plant_duty(session, key, "towing", 1.0, date(2031, 4, 11), date(2031, 4, 20))
        recompute(session, FLEET, found.vehicles.values(), now_us=at_us("2031-05-05"))
    return client


def read(client: CheckedClient, unit: str, *figures: tuple[str, float]) -> None:
    rows = [km_row(unit, f"2031-{day}T00:00:00Z", km) for day, km in figures]
    answer = client.post("/v1/readings", json={"readings": rows}).json()
    assert answer["accepted"] == len(rows), answer


def oil_changed(client: CheckedClient, unit: str) -> None:
    """Work on 16 April at midnight, without a figure."""
    body = {"unit": unit, "done_at": "2031-04-16T00:00:00Z", "services": [{"service": "oil"}]}
    answer = client.post("/v1/work-done", json=body)
    assert answer.status_code == 201, answer.text


def dues(client: CheckedClient, unit: str) -> dict[str, int]:
    """The figure at which each service falls due [m]."""
    with client.store.reading() as session:
        rows = session.execute(
            text(
                "SELECT p.service, p.odometer_m FROM due_point p JOIN standing n ON n.vehicle_id = p.vehicle_id"
                " WHERE n.unit = :unit"
            ),
            {"unit": unit},
        ).all()
    return {row.service: row.odometer_m for row in rows}


def rate(client: CheckedClient, unit: str) -> Any:
    with client.store.reading() as session:
        query = text("SELECT odometer_m_per_day, next_due_on FROM standing WHERE unit = :unit")
        return tuple(session.execute(query, {"unit": unit}).one())


EARLY = (("04-01", 10_000), ("04-11", 11_000), ("05-01", 11_900))
LATE = ("04-21", 11_200)


def test_all_that_rests_on_its_time_is_as_if_it_had_come_in_time(planted: CheckedClient) -> None:
    """Work of 16 April lies a quarter of the way from 11,000 to 11,900 km: 11,225 km; then halfway to 11,200: 11,100.

    The axle wears twice as fast while it tows: first over 450 km of April's second half, then over 200 km, so that it
    falls due at 39,550 and then at 39,800 km.
    """
    read(planted, "in-time", *sorted([*EARLY, LATE]))
    oil_changed(planted, "in-time")
    read(planted, "late", *EARLY)
    oil_changed(planted, "late")
    before = dues(planted, "late")
    assert (before["oil"], before["axle"]) == (21_225_000, 39_550_000)
    assert rate(planted, "late") != rate(planted, "in-time")
    read(planted, "late", LATE)
    after = dues(planted, "late")
    assert (after["oil"], after["axle"]) == (21_100_000, 39_800_000)
    assert after == dues(planted, "in-time")
    assert rate(planted, "late") == rate(planted, "in-time")


def test_a_figure_of_work_that_was_estimated_is_so_no_longer(planted: CheckedClient) -> None:
    """Beyond the last reading the figure runs on at 100 km a day: 11,500 km; a reading of 21 April makes it 11,100."""
    read(planted, "late", *EARLY[:2])
    oil_changed(planted, "late")
    assert dues(planted, "late")["oil"] == 21_500_000
    read(planted, "late", LATE)
    assert dues(planted, "late")["oil"] == 21_100_000


def test_a_late_reading_that_is_discarded_leaves_no_trace(planted: CheckedClient) -> None:
    read(planted, "late", *EARLY)
    oil_changed(planted, "late")
    before = dues(planted, "late"), rate(planted, "late")
    read(planted, "late", LATE)
    with planted.store.reading() as session:
        row = session.execute(
            text("SELECT vehicle_id, meter, at_us, source_id, figure FROM reading WHERE figure = 11200000")
        ).one()
    body = {"decision": "discarded", "decided_by": "manager", "reason": "typed wrongly"}
    assert planted.post(f"/v1/readings/{'.'.join(map(str, row))}/decisions", json=body).status_code == 201
    assert (dues(planted, "late"), rate(planted, "late")) == before
