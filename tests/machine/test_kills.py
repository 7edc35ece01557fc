"""The server is killed (SIGKILL) again and again while gateways send: what was acknowledged is stored, nothing is torn.

``pytest tests/machine/test_kills.py -s`` shows what the kills hit; ``KILLS=500`` before it makes the run long. A kill
proves nothing about a loss of power, since the system's own buffers outlive the process: ``test_sync.py`` does.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.services.feed.judging import rejudge
from api.store.session import Store
from tests.machine.ledger import Client, Key, Ledger, faults
from tests.machine.marked_server import IDLE, PHASES, SLOTS
from tests.property.test_standing_properties import check
from tests.support.fleets import FLEET, at_us, plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
KILLS = int(os.environ.get("KILLS", "24"))
CLIENTS = 3
VEHICLES = 6
DELAY_S = 0.004
PATIENCE_S = 5.0
SHEET = sheet(service("oil", km=10_000), service("coolant", months=24))


class Killed:
    """The service under fire."""

    def __init__(self, url: str, marks: Path) -> None:
        """Start it on a database, marking in a file what its requests are at."""
        marks.write_bytes(bytes(SLOTS))
        self._marks = marks
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.machine.marked_server", url, str(marks), str(DELAY_S)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.port = int(self._line())
        self._server = self.start()

    def start(self) -> int:
        """Fork a server; its process number."""
        with self._marks.open("r+b") as marks:
            marks.write(bytes(SLOTS))
        assert self._process.stdin is not None
        self._process.stdin.write("start\n")
        self._process.stdin.flush()
        self._server = int(self._line())
        return self._server

    def phases(self) -> set[int]:
        """What the requests are at."""
        return set(self._marks.read_bytes()) - {IDLE}

    def kill(self) -> set[int]:
        """Kill the server; what its requests were at when it died."""
        os.kill(self._server, signal.SIGKILL)
        assert self._line() == "gone"
        return self.phases()

    def end(self) -> None:
        """Stop everything in order."""
        os.kill(self._server, signal.SIGTERM)
        assert self._line() == "gone"
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()


def wait_for(service: Killed, phase: int) -> None:
    """Wait until a request is at a phase, or until patience ends."""
    ends = time.monotonic() + PATIENCE_S
    while phase not in service.phases() and time.monotonic() < ends:
        pass


def stored_keys(store: Store) -> tuple[set[Key], int]:
    """Every stored reading as clients name it, and the number of rows."""
    with store.reading() as session:
        placed = session.execute(
            text(
                "SELECT n.unit, r.at_us, r.figure FROM reading r JOIN standing n ON n.vehicle_id = r.vehicle_id"
            )
        ).all()
        waiting = session.execute(text("SELECT unit, at_us, figure FROM unplaced_reading")).all()
    keys = [(unit, "odometer", at, figure) for unit, at, figure in [*placed, *waiting]]
    return set(keys), len(keys)


def statuses(store: Store) -> list[Any]:
    """How every reading stands."""
    with store.reading() as session:
        return list(
            session.execute(
                text("SELECT vehicle_id, at_us, figure, life, status, reason FROM reading ORDER BY 1, 2, 3")
            ).all()
        )


@pytest.fixture
def clients(database_url: str) -> Iterator[tuple[Store, Ledger, list[list[str]]]]:
    """A fleet in the database, and the unit numbers of each client."""
    store = Store.at(database_url)
    units = [[f"G{client}-{place}" for place in range(VEHICLES)] for client in range(CLIENTS)]
    plant(store, SHEET, [unit for some in units for unit in some], in_service_on=date(2024, 1, 1))
    yield store, Ledger(), units
    store.close()


def test_what_was_acknowledged_is_stored_whatever_the_server_died_of(
    database_url: str,
    backend: str,
    clients: tuple[Store, Ledger, list[list[str]]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store, ledger, units = clients
    service, hit, chance = Killed(database_url, tmp_path / "marks"), Counter[str](), random.Random(7)  # noqa: S311
    senders = [Client(ledger, service.port, some, seed) for seed, some in enumerate(units)]
    for sender in senders:
        sender.start()
    for number in range(KILLS):
        time.sleep(chance.uniform(0.05, 0.6))
        wait_for(service, list(PHASES)[number % len(PHASES)])
        hit.update({PHASES[phase] for phase in service.kill()} or {"idle"})
        service.start()
    time.sleep(1.0)
    for sender in senders:
        sender.stop()
    service.end()
    stored, rows = stored_keys(store)
    acknowledged = sum(len(batch.rows) for batch in ledger.batches if batch.is_acknowledged)
    unknown = [batch for batch in ledger.batches if batch.is_sent and not batch.is_acknowledged]
    with capsys.disabled():
        print(  # noqa: T201 - the report
            f"\n{backend}: {KILLS} kills, at {dict(hit)}; {dict(ledger.counts)}; {acknowledged} rows acknowledged,"
            f" {rows} stored, {len(unknown)} batches without an answer"
        )
    assert faults(ledger, stored) == []
    assert rows == len(stored)
    assert ledger.refusals == []
    assert ledger.counts["acknowledged"] > KILLS
    assert set(hit) >= set(PHASES.values())
    check(store)
    before = statuses(store)
    with store.writing() as session:
        for vehicle in sorted({row.vehicle_id for row in before}):
            rejudge(session, FLEET, vehicle, now_us=at_us("2040-01-01"))
        if backend == "sqlite":
            assert session.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"
    assert statuses(store) == before
