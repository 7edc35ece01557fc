"""Readings as a gateway sends them: in batches, each vehicle's later than its last, in the dials' own units."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from api.store.codes import METER_CODES
from domain.sheet import Meter
from tests.benchmarks.fleets import NOW_US

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.benchmarks.fleets import Seeded

BOTH = (Meter.ODOMETER, Meter.ENGINE_HOURS)

# Later than the last reading of any seeded vehicle, and earlier than the service's clock.
_FIRST_US = NOW_US - 50 * 60 * 1_000_000
_STEP_US = 250_000
# What a dial's last place is worth [canonical units], and its unit.
_DIALS = {Meter.ODOMETER: (100, 0.1, "km"), Meter.ENGINE_HOURS: (36, 0.01, "h")}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Sent:
    """One row: the vehicle, what it sends, and what is stored of it."""

    vehicle: Seeded
    meter: Meter
    at_us: int
    ticks: int

    @property
    def figure(self) -> int:
        """The figure in canonical units."""
        return self.ticks * _DIALS[self.meter][0]

    def sent(self) -> dict[str, Any]:
        """The row of the body."""
        _, last_place, unit = _DIALS[self.meter]
        return {
            "unit": self.vehicle.unit,
            "meter": self.meter.value,
            "at": (_EPOCH + timedelta(microseconds=self.at_us)).isoformat(timespec="milliseconds"),
            "figure": {"value": round(self.ticks * last_place, 2), "unit": unit},
            "source": "gateway",
        }


class Feed:
    """A gateway's vehicles in turns."""

    def __init__(self, vehicles: Sequence[Seeded], meters: Sequence[Meter] = BOTH) -> None:
        """Read these meters of these vehicles, one after the other."""
        self._at_us = _FIRST_US
        self._order = [(vehicle, meter) for vehicle in vehicles for meter in meters]
        self._next = 0
        self._ticks = {
            (vehicle.key, meter): vehicle.figures[meter] // _DIALS[meter][0] + 1
            for vehicle in vehicles
            for meter in meters
        }

    def rows(self, count: int) -> list[Sent]:
        """The next rows; one vehicle's meters are read at one instant, its next ones later."""
        sent = []
        for _ in range(count):
            vehicle, meter = self._order[self._next]
            self._ticks[vehicle.key, meter] += 1
            sent.append(Sent(vehicle, meter, self._at_us, self._ticks[vehicle.key, meter]))
            self._next += 1
            if self._next == len(self._order):
                self._next = 0
                self._at_us += _STEP_US
        return sent


def body_of(rows: Iterable[Sent]) -> bytes:
    """The JSON body of a batch."""
    return json.dumps({"readings": [row.sent() for row in rows]}).encode()


def stored_rows(rows: Iterable[Sent], *, fleet: int, source: int) -> list[tuple[int, ...]]:
    """The rows of ``reading``: fleet, day, vehicle, meter, instant, source, figure, life, status, reason, recorded."""
    return sorted(
        (
            fleet,
            row.at_us // 86_400_000_000,
            row.vehicle.key,
            METER_CODES[row.meter],
            row.at_us,
            source,
            row.figure,
            row.figure,
            1,
            0,
            NOW_US,
        )
        for row in rows
    )


def lines_of(rows: Iterable[Sent]) -> bytes:
    """The body of a batch in lines."""
    return b"".join(json.dumps(row.sent()).encode() + b"\n" for row in rows)
