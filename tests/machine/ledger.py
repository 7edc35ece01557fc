"""Clients that send batches of readings to a service that dies, and what they were told about each batch.

A batch is stored whole or not at all, whatever happens; a row belongs to one batch. What was acknowledged must be
stored; what was sent without an answer may be, whole or not at all; anything else must not.
"""

from __future__ import annotations

import http.client
import json
import random
import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from tests.support.fleets import at_us

if TYPE_CHECKING:
    from collections.abc import Sequence

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIRST_US = at_us("2024-01-02", 0)
_OK = 200
_PATIENCE_S = 20.0
_FAULTS = (OSError, http.client.HTTPException, ValueError)

# unit number, meter, instant [us], figure [m]
Key = tuple[str, str, int, int]


@dataclass(slots=True)
class Batch:
    """Rows that are sent together, and what is known of them.

    Attributes:
        rows: The rows.
        is_sent: Whether they ever left.
        is_acknowledged: Whether a 2xx came back.
    """

    rows: tuple[Key, ...]
    is_sent: bool = False
    is_acknowledged: bool = False

    def body(self) -> bytes:
        """The JSON body."""
        return json.dumps(
            {
                "readings": [
                    {
                        "unit": unit,
                        "meter": meter,
                        "at": (_EPOCH + timedelta(microseconds=at)).isoformat(),
                        "figure": {"value": figure / 1000, "unit": "km"},
                        "source": "gateway",
                    }
                    for unit, meter, at, figure in self.rows
                ]
            }
        ).encode()


@dataclass(slots=True)
class Ledger:
    """What all clients know.

    Attributes:
        batches: Every batch.
        refusals: Answers that were neither 2xx nor a lost connection; there should be none but 503.
        counts: Answers by kind.
    """

    batches: list[Batch] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    mutex: threading.Lock = field(default_factory=threading.Lock)

    def count(self, kind: str) -> None:
        """One more of a kind."""
        with self.mutex:
            self.counts[kind] = self.counts.get(kind, 0) + 1


class Client(threading.Thread):
    """A gateway with vehicles of its own: it sends, sends again, out of order, and sometimes hangs up early."""

    def __init__(self, ledger: Ledger, port: int, units: Sequence[str], seed: int) -> None:
        """Send to ``port`` for these unit numbers until ``stop``."""
        super().__init__(daemon=True)
        self._ledger = ledger
        self._port = port
        self._units = units
        self._chance = random.Random(seed)  # noqa: S311 - a test's own dice
        self._step = 0
        self._due: list[Batch] = []
        self._done: list[Batch] = []
        self._is_over = threading.Event()

    def run(self) -> None:
        """Send until told to stop, then whatever has no answer yet."""
        while not self._is_over.is_set():
            if self._chance.random() < 0.5 or not self._due:
                self._due.append(self._made())
            self._chance.shuffle(self._due)
            self._send(self._due.pop(), hangs_up=self._chance.random() < 0.08)
            if self._done and self._chance.random() < 0.15:
                self._ledger.count("sent again though acknowledged")
                self._send(self._chance.choice(self._done), hangs_up=False)

    def stop(self) -> None:
        """Send nothing new."""
        self._is_over.set()
        self.join()

    def _made(self) -> Batch:
        """New rows: most are the newest of their vehicle, some late, some wrong, some of an unknown number."""
        chance, rows = self._chance, set()
        self._step += 1
        for place in range(chance.choice([1, 5, 40, 300])):
            unit = chance.choice(self._units)
            at = FIRST_US + self._step * 600_000_000 + place * 1_000_000 + chance.randrange(1000)
            figure = 1_000_000 + (at - FIRST_US) // 100_000
            kind = chance.random()
            if kind < 0.05:
                at -= chance.randrange(1, 3) * 300_000_000
            elif kind < 0.08:
                figure = chance.choice([figure // 2, figure + 90_000_000])
            elif kind < 0.1:
                unit = f"{unit}-unknown"
            rows.add((unit, "odometer", at // 1000 * 1000, figure // 100 * 100))
        batch = Batch(tuple(sorted(rows, key=lambda _: chance.random())))
        with self._ledger.mutex:
            self._ledger.batches.append(batch)
        return batch

    def _send(self, batch: Batch, *, hangs_up: bool) -> None:
        batch.is_sent = True
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=_PATIENCE_S)
        try:
            headers = {"Content-Type": "application/json"}
            connection.request("POST", "/v1/readings", batch.body(), headers)
            if hangs_up:
                self._ledger.count("hung up before the answer")
                self._due.append(batch)
                return
            answer = connection.getresponse()
            text = answer.read()
        except _FAULTS:
            self._ledger.count("lost with its answer")
            self._due.append(batch)
            return
        finally:
            connection.close()
        if answer.status == _OK:
            self._ledger.count("acknowledged")
            self._check(batch, json.loads(text))
            batch.is_acknowledged = True
            self._done.append(batch)
        else:
            self._due.append(batch)
            with self._ledger.mutex:
                self._ledger.refusals.append(f"{answer.status} {text[:300]!r}")

    def _check(self, batch: Batch, told: dict[str, Any]) -> None:
        kinds = ("accepted", "duplicate", "held", "refused")
        counts = [told[kind] for kind in kinds]
        if sum(counts) != told["received"] or told["received"] != len(batch.rows) or told["refused"]:
            with self._ledger.mutex:
                self._ledger.refusals.append(f"counts {counts} of {len(batch.rows)}")


def faults(ledger: Ledger, stored: set[Key]) -> list[str]:
    """What contradicts the ledger: rows lost, torn batches, rows that nobody sent."""
    found = []
    sent: set[Key] = set()
    for number, batch in enumerate(ledger.batches):
        there = stored.intersection(batch.rows)
        if batch.is_sent:
            sent.update(batch.rows)
        if batch.is_acknowledged and len(there) != len(batch.rows):
            found.append(f"batch {number}: {len(batch.rows) - len(there)} acknowledged rows are lost")
        elif there and len(there) != len(batch.rows):
            found.append(f"batch {number} is torn: {len(there)} of {len(batch.rows)} rows")
    if stored - sent:
        found.append(f"{len(stored - sent)} rows that nobody sent")
    return found
