"""The invented fleet: its fixtures as calls to the service, in an order in which each finds what it needs.

Invariant: every fact of the fleet goes in through the service's own operations; nothing is put into tables.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from api.cli.demo.courses import sent_readings, stray_readings
from api.cli.demo.days import resolved

FLEETS = Path(__file__).parents[3] / "fixtures" / "fleets"
BATCH = 1_000
"""Readings in one call."""


class NoFixturesError(Exception):
    """The fleet's fixtures are not where the program is."""


@dataclass(frozen=True, slots=True)
class Call:
    """One request to the service.

    Attributes:
        method: HTTP method.
        path: Path with its query.
        body: JSON body; None: none.
        noun: What it brings in, for people.
        rows: How many of them.
        withdrawal: Reason for which the entry that it makes is withdrawn again; None: it stands.
    """

    method: str
    path: str
    body: Any = None
    noun: str = ""
    rows: int = 1
    withdrawal: str | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """A fleet on its day of loading.

    Attributes:
        today: That day, in UTC.
        folder: Its fixtures.
    """

    today: date
    folder: Path = field(default=FLEETS / "ostmere")

    def calls(self) -> Iterator[Call]:
        """All calls that bring the fleet in.

        Raises:
            NoFixturesError: The program runs apart from its fixtures.
        """
        if not self.folder.is_dir():
            msg = f"the demo's fleet is missing ({self.folder}); run it from a clone of the repository"
            raise NoFixturesError(msg)
        yield Call("PATCH", "/v1/fleet", self._read("fleet"), "settings")
        for depot in self._read("depots"):
            yield Call("POST", "/v1/depots", depot, "depots")
        for file in sorted((self.folder / "sheets").glob("*.json")):
            yield Call("POST", "/v1/spec-sheets", json.loads(file.read_text(encoding="utf-8")), "spec sheets")
        for vehicle in self._read("vehicles"):
            yield Call("POST", "/v1/vehicles", vehicle, "vehicles")
        yield from self._of_vehicles("duty", "duty", "duty entries")
        yield from self._of_vehicles("meter-replacements", "meter-replacements", "meter replacements")
        for entry in self._read("work-done"):
            withdrawal = entry.pop("withdrawn", None)
            yield Call("POST", "/v1/work-done", entry, "visits", withdrawal=withdrawal)
        yield from self._of_vehicles("component-exchanges", "component-exchanges", "component exchanges")
        yield from self._batches(sent_readings(self.folder, self.today))
        yield from self._of_vehicles("deferrals", "deferrals", "deferrals")
        for vehicle in self._read("retirements"):
            unit = vehicle.pop("unit")
            yield Call("PATCH", f"/v1/vehicles/{unit}", vehicle, "retirements")
        yield from self._batches([reading for reading, _, _ in stray_readings(self.folder, self.today)])

    def _of_vehicles(self, file: str, place: str, noun: str) -> Iterator[Call]:
        for entry in self._read(file):
            unit = entry.pop("unit")
            yield Call("POST", f"/v1/vehicles/{unit}/{place}", entry, noun)

    def _batches(self, readings: list[dict[str, Any]]) -> Iterator[Call]:
        for start in range(0, len(readings), BATCH):
            rows = readings[start : start + BATCH]
            yield Call("POST", "/v1/readings", {"readings": rows}, "readings", len(rows))

    def _read(self, name: str) -> Any:
        text = (self.folder / f"{name}.json").read_text(encoding="utf-8")
        return resolved(json.loads(text), self.today)
