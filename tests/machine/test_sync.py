"""What is acknowledged is on the disk: between the receipt of a body and its 2xx the database syncs a file.

Traces system calls: of the service itself on SQLite, of the database server on PostgreSQL.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from api.store.migrate import migrate
from api.store.session import Store
from tests.benchmarks.databases import disk_folder, durable_postgres
from tests.machine.marked_server import SLOTS
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]
TRACER = "/usr/bin/strace"
CALLS = "fsync,fdatasync,recvfrom,recvmsg,read,readv,sendto,sendmsg,write,writev"
BATCHES = 20
# Seconds since 1970, the call, its first arguments.
LINE = re.compile(r"^(\d+\.\d+) (\w+)\((.*)")


def lines(trace: Path) -> list[tuple[float, str, str]]:
    """Instant [s], call and arguments of what was traced."""
    found = []
    for file in trace.parent.glob(f"{trace.name}*"):
        for line in file.read_text(errors="replace").splitlines():
            match = LINE.match(line)
            if match:
                found.append((float(match[1]), match[2], match[3]))
    return sorted(found)


@contextlib.contextmanager
def traced(process: int, trace: Path) -> Iterator[None]:
    """Trace a running process and all that it starts."""
    tracer = subprocess.Popen(
        [TRACER, "-ff", "-ttt", "-s", "40", "-e", f"trace={CALLS}", "-o", str(trace), "-p", str(process)],
        stderr=subprocess.PIPE,
        text=True,
    )
    assert tracer.stderr is not None
    assert "attached" in tracer.stderr.readline()
    yield
    tracer.send_signal(signal.SIGINT)
    tracer.wait(20)
    tracer.stderr.close()


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder on a real disk, open to the user that the database server runs as."""
    with disk_folder() as made:
        yield made


@pytest.fixture(params=["sqlite", "postgresql"])
def durable_url(request: pytest.FixtureRequest, folder: Path) -> Iterator[str]:
    """A database with its own durable settings."""
    if request.param == "sqlite":
        yield f"sqlite:///{folder / 'fillmark.db'}"
    else:
        with durable_postgres(folder) as url:
            yield url.replace("postgresql://", "postgresql+psycopg://")


def test_a_sync_stands_between_the_body_and_its_answer(
    durable_url: str, folder: Path, tmp_path: Path
) -> None:
    migrate(durable_url)
    store = Store.at(durable_url)
    plant(store, sheet(service("oil", km=10_000)), ["K-01"])
    store.close()
    marks = tmp_path / "marks"
    marks.write_bytes(bytes(SLOTS))
    parent = subprocess.Popen(
        [sys.executable, "-m", "tests.machine.marked_server", durable_url, str(marks)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert parent.stdin is not None
    assert parent.stdout is not None
    port = int(parent.stdout.readline())
    parent.stdin.write("start\n")
    parent.stdin.flush()
    server = int(parent.stdout.readline())
    post(port, 0)  # connections are open from here on, so that the tracer sees what serves them
    with contextlib.ExitStack() as stack:
        stack.enter_context(traced(server, tmp_path / "server"))
        if durable_url.startswith("postgresql"):
            data = int((folder / "data" / "postmaster.pid").read_text().splitlines()[0])
            stack.enter_context(traced(data, tmp_path / "database"))
            for child in Path(f"/proc/{data}/task/{data}/children").read_text().split():
                stack.enter_context(traced(int(child), tmp_path / "database"))
        time.sleep(0.5)
        for number in range(1, BATCHES + 1):
            post(port, number)
    os.kill(server, signal.SIGTERM)
    parent.stdin.close()
    parent.wait(20)
    parent.stdout.close()
    received, answered = [], []
    for at, call, arguments in lines(tmp_path / "server"):
        if call.startswith(("recv", "read")) and "POST /v1/readings" in arguments:
            received.append(at)
        if call.startswith(("send", "write")) and "HTTP/1.1 200" in arguments:
            answered.append(at)
    of_database = tmp_path / ("database" if durable_url.startswith("postgresql") else "server")
    syncs = [at for at, call, _ in lines(of_database) if call in {"fsync", "fdatasync"}]
    assert len(received) == len(answered) == BATCHES
    unsynced = [
        number
        for number, (start, end) in enumerate(zip(received, answered, strict=True))
        if not any(start < at < end for at in syncs)
    ]
    assert unsynced == []


def post(port: int, number: int) -> None:
    """Send a batch of its own; it is acknowledged."""
    rows = [km_row("K-01", f"2026-04-01T08:{number:02}:{row:02}Z", number + row / 100) for row in range(3)]
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    body = json.dumps({"readings": rows})
    connection.request("POST", "/v1/readings", body, {"Content-Type": "application/json"})
    answer = connection.getresponse()
    assert answer.status == 200, answer.read()
    answer.read()
    connection.close()
