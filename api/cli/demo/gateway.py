"""The telematics gateway's story: a batch of readings, not all of them right, and the verdict on each row."""

from __future__ import annotations

from typing import Any

from api.cli.demo.desk import Desk, now_text
from api.cli.demo.paper import figure, styled
from api.cli.demo.scenario import Call

_VERDICTS = ("accepted", "duplicate", "held", "refused")


def gateway(desk: Desk) -> None:
    """Readings come in twice, in the wrong unit, and under a number that nobody carries."""
    desk.paper.heading(
        "2  The telematics gateway",
        "Six readings: one repeated, kilometres sent as miles, an unknown unit number, a distance in litres.",
    )
    at = now_text()
    rows = [
        _reading("RT-82", "odometer", at, _more(desk, "RT-82", "odometer", 190)),
        _reading("TP-61", "engine_hours", at, _more(desk, "TP-61", "engine_hours", 4.6)),
        _reading("RT-82", "odometer", at, _more(desk, "RT-82", "odometer", 190)),
        _reading("EV-42", "odometer", at, _more(desk, "EV-42", "odometer", 30) | {"unit": "mi"}),
        _reading("ZZ-01", "odometer", at, {"value": 12.5, "unit": "km"}),
        _reading("HE-31", "odometer", at, _more(desk, "HE-31", "odometer", 20) | {"unit": "L"}),
    ]
    batch = Call("POST", "/v1/readings", {"readings": rows})
    found = desk.asked(batch)
    desk.paper.lines(_counts(found))
    desk.paper.table(
        [">row", "unit", "verdict", "reason"],
        [
            (
                str(row["index"]),
                rows[row["index"]]["unit"],
                styled(row["verdict"]),
                row["code"].replace("_", " "),
            )
            for row in found["rows"]
        ],
    )
    desk.paper.say("\nNo receipt came through, so the gateway sends the batch again. Nothing changes:")
    desk.paper.lines(_counts(desk.known(batch)))
    desk.paper.say("\nWhat waits for somebody's review on EV-42?")
    held = desk.asked(Call("GET", "/v1/vehicles/EV-42/readings?status=held"))
    desk.paper.table(
        ["at", ">figure", "status", "reason"],
        [
            (
                reading["at"],
                figure(reading["figure"]),
                styled(reading["status"]),
                reading["code"].replace("_", " "),
            )
            for reading in held["readings"]
        ],
    )


def _reading(unit: str, meter: str, at: str, shown: dict[str, Any]) -> dict[str, Any]:
    return {"unit": unit, "meter": meter, "at": at, "figure": shown, "source": "gateway"}


def _more(desk: Desk, unit: str, meter: str, more: float) -> dict[str, Any]:
    last = desk.dial(unit, meter)
    return last | {"value": round(last["value"] + more, 1 if isinstance(more, float) else None)}


def _counts(found: dict[str, Any]) -> str:
    return f"{found['received']} received: " + ", ".join(
        f"{found[verdict]} {verdict}" for verdict in _VERDICTS
    )
