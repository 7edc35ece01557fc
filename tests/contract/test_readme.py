"""The README's case worked by hand is what the service answers."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from api.services.standing import recompute
from domain.sheet import Amount, DutyCondition, IntervalRule, Limb, Service, SevereCondition, Task
from domain.units import Dimension, to_canonical_whole
from tests.support.fleets import FLEET, at_us, km_row, plant, plant_duty, plant_work, sheet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

README = Path(__file__).parents[2] / "README.md"


def test_the_case_worked_by_hand(client: CheckedClient) -> None:
    """60,000 miles or 48 months, halved by stop-and-go beyond half of use: the line's reason stands in the README."""
    interval_m = to_canonical_whole(60_000, "mi", Dimension.DISTANCE)
    stop_and_go = SevereCondition(DutyCondition.STOP_AND_GO, 0.5, 0.5, (Limb.ODOMETER,))
    rule = IntervalRule(
        (Amount(Limb.ODOMETER, interval_m), Amount(Limb.CALENDAR, 48)), conditions=(stop_and_go,)
    )
    task = Task("fluid", "Drain and fill the transmission")
    spec = sheet(Service("transmission-fluid", "Transmission fluid", (task,), (rule,)))
    store = client.app.state.store
    planted = plant(store, spec, ["K-07"], in_service_on=date(2025, 1, 1))
    rows = [km_row("K-07", "2029-03-02T07:00:00Z", 48_195), km_row("K-07", "2031-05-04T07:00:00Z", 97_000)]
    assert client.post("/v1/readings", json={"readings": rows}).json()["accepted"] == 2
    with store.writing() as session:
        plant_work(session, planted, "K-07", ["transmission-fluid"], "2029-03-02", odometer_m=48_195_000)
        plant_duty(session, planted.vehicles["K-07"], "stop_and_go", 0.6, date(2025, 1, 1), None)
        recompute(session, FLEET, planted.vehicles.values(), now_us=at_us("2031-05-04"))
    (line,) = client.get("/v1/due").json()["lines"]
    assert line["state"] == "overdue"
    text = README.read_text(encoding="utf-8")
    assert f"> {line['because']}" in text
    remaining = next(limb for limb in line["limbs"] if limb["limb"] == "odometer")["remaining"]
    assert remaining == {"value": -524.7, "unit": "km"}
