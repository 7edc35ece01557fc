"""Another shop tool's story: it takes the most urgent service, does it, says so, and the next due point moves."""

from __future__ import annotations

from typing import Any

from api.cli.demo.desk import Desk, now_text
from api.cli.demo.paper import Cell, figure, span, styled
from api.cli.demo.scenario import Call


def shop_tool(desk: Desk) -> None:
    """One answer says what, where, why, and what to put on the bench."""
    desk.paper.heading("3  Another shop tool", "What is overdue, why, and what goes on the bench?")
    found = desk.asked(Call("GET", "/v1/due?state=overdue&limit=1"))
    line = found["lines"][0]
    kit = found["kits"][line["kit"]]
    desk.paper.lines(f"{line['unit']} at {line['depot']}: {line['service_name']}, {line['state']}.")
    desk.paper.lines(line["because"])
    _show_bench(desk, kit)
    desk.paper.say("\nThe work is done, and the tool says so:")
    entry = desk.asked(Call("POST", "/v1/work-done", _entry(desk, line, kit)))
    done = ", ".join(service["service"] for service in entry["services"] if service["is_completed"])
    desk.paper.lines(f"Entry {entry['id']}, {entry['done_on']}: {done} completed.")
    after = desk.asked(Call("GET", f"/v1/vehicles/{line['unit']}/due"))
    moved = next(other for other in after["lines"] if other["service"] == line["service"])
    desk.paper.table(
        [line["service"], "state", "due on", ">due at, on the dial"],
        [("before", *_standing(line)), ("now", *_standing(moved))],
    )


def _show_bench(desk: Desk, kit: dict[str, Any]) -> None:
    rows = [
        (f"{part['quantity']} {part['unit']}", f"{part['part']}  {part['name']}") for part in kit["parts"]
    ]
    rows += [
        (span(fluid), f"{fluid['fluid_requirement']} into {fluid['compartment']}") for fluid in kit["fluids"]
    ]
    rows += [
        (figure(torque["torque"]), f"plug {torque['plug']} of {torque['compartment']}")
        for torque in kit["torques"]
    ]
    rows.append((figure(kit["labour"]), "labour"))
    desk.paper.table([">take", "for the bench"], rows)
    desk.paper.lines(kit["cautions"][0]["words"])


def _entry(desk: Desk, line: dict[str, Any], kit: dict[str, Any]) -> dict[str, Any]:
    return {
        "unit": line["unit"],
        "done_at": now_text(),
        "figures": desk.dials(line["unit"]),
        "services": [{"service": line["service"]}],
        "fluids": [{"compartment": fluid["compartment"], "filled": fluid["high"]} for fluid in kit["fluids"]],
        "reference": "J-20001",
    }


def _standing(line: dict[str, Any]) -> tuple[Cell, Cell, Cell]:
    dials = (limb["due_on_dial"] for limb in line["limbs"])
    due = next((dial for dial in dials if dial is not None), None)
    return styled(line["state"]), line["due_on"] or "", "" if due is None else figure(due)
