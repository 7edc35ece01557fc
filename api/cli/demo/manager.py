"""The fleet manager's story: what is due at each depot, which parts and fluids it takes, and what this week needs."""

from __future__ import annotations

from collections import Counter
from typing import Any

from api.cli.demo.desk import Desk
from api.cli.demo.paper import figure, left, span, styled
from api.cli.demo.scenario import Call

_NOW = ("overdue", "due")
_UNJUDGED = {
    "no_reading": "no reading yet",
    "reading_stale": "last reading too old",
    "baseline_needed": "earlier work unknown",
}
_MOST_LINES = 6
_MOST_PARTS = 8


def fleet_manager(desk: Desk) -> None:
    """What is due now and soon, a depot at a time, and what that takes."""
    desk.paper.heading("1  The fleet manager", "What is due now and in the next 30 days, depot by depot?")
    for depot in desk.known(Call("GET", "/v1/depots"))["depots"]:
        found = desk.asked(Call("GET", f"/v1/due?depot={depot['code']}&window_days=30"))
        _show_lines(desk, found["lines"])
    desk.paper.say("\nWhich parts does that take, and how much of which fluid?")
    _show_kits(desk, desk.asked(Call("GET", "/v1/kits?window_days=30&totals=true")))
    _show_fluids(desk, desk.asked(Call("GET", "/v1/fluids?window_days=30")))


def week(desk: Desk) -> None:
    """One line on what the fleet needs this week."""
    lines = desk.pages("/v1/due?window_days=7", "lines")
    called = [line for line in lines if line["state"] not in {*_UNJUDGED, "deferred"}]
    fluids = desk.known(Call("GET", "/v1/fluids?window_days=7"))["fluids"]
    needs = [
        f"{figure(fluid['high'])} {fluid['fluid_requirement']['code']}"
        for fluid in fluids
        if not fluid["is_baseline_needed"]
    ]
    vehicles = len({line["unit"] for line in called})
    desk.paper.heading("What the fleet needs this week")
    desk.paper.say(
        f"{vehicles} vehicles, {len(called)} services: {', '.join(needs) or 'no fluid'}.",
        style="bold",
    )


def _show_lines(desk: Desk, lines: list[dict[str, Any]]) -> None:
    judged = [line for line in lines if line["state"] not in _UNJUDGED]
    now = [line for line in judged if line["state"] in _NOW]
    later = [line for line in judged if line["state"] not in _NOW]
    shown = now + later[: max(0, _MOST_LINES - len(now))]
    desk.paper.lines(f"{len(now)} due now, {len(later)} within 30 days")
    desk.paper.table(
        ["unit", "service", "state", "due on", ">left"],
        [
            (line["unit"], line["service_name"], styled(line["state"]), line["due_on"] or "", left(line))
            for line in shown
        ],
    )
    if len(judged) > len(shown):
        desk.paper.lines(f"... and {len(judged) - len(shown)} more")
    unjudged = Counter((line["unit"], line["state"]) for line in lines if line["state"] in _UNJUDGED)
    for (unit, state), count in unjudged.items():
        desk.paper.lines(f"{unit}: {_UNJUDGED[state]}, {count} service{'s' if count > 1 else ''}")


def _show_kits(desk: Desk, found: dict[str, Any]) -> None:
    totals = sorted(found["totals"], key=lambda total: (-total["quantity"], total["part"]))
    desk.paper.lines(f"{len(found['visits'])} vehicles take {len(totals)} different parts; the most wanted:")
    desk.paper.table(
        [">take", "part", "name", "at"],
        [
            (
                f"{total['quantity']} {total['unit']}",
                total["part"],
                total["name"],
                ", ".join(f"{depot['depot']} {depot['quantity']}" for depot in total["depots"]),
            )
            for total in totals[:_MOST_PARTS]
        ],
    )


def _show_fluids(desk: Desk, found: dict[str, Any]) -> None:
    desk.paper.table(
        ["fluid", ">take", ">spare", "at"],
        [
            (
                fluid["fluid_requirement"]["code"],
                span(fluid),
                figure(fluid["margin"]),
                ", ".join(depot["depot"] for depot in fluid["depots"])
                + (" (once known)" if fluid["is_baseline_needed"] else ""),
            )
            for fluid in found["fluids"]
        ],
    )
