"""Four services that feed one database at once, against one: the rate on PostgreSQL, the log on SQLite."""

from __future__ import annotations

import contextlib
import threading
import time
from contextlib import closing
from typing import TYPE_CHECKING

from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import BOTH, Feed, lines_of
from tests.benchmarks.figures import Figure, Raw
from tests.benchmarks.fleets import read_vehicles
from tests.benchmarks.raw import raw_connection_at
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from tests.benchmarks.fleets import Seeded

PROCESSES = 4
_VEHICLES = 10_000
_BODIES = 12
_BLOCKS = 3
_LINES = 10_000


def figures() -> Iterator[Figure]:
    """The figures on both databases."""
    with disk_folder() as folder:
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            one, four = _rates(url, made)
            name = f"{PROCESSES} services on PostgreSQL against one"
            yield Figure(name, four.median / one.median, 1.6, (four, one), is_floor=True)
        url, made = seeded_sqlite(folder, _VEHICLES)
        log = folder / f"fleet-{_VEHICLES}.db-wal"
        with _watched(log) as sizes:
            one, four = _rates(url, made)
        yield Figure(
            f"{PROCESSES} services on SQLite against one", four.median / one.median, None, (four, one)
        )
        yield Figure("largest write-ahead log on SQLite in MiB", max(sizes) / (1 << 20), 64.0)


def _rates(url: str, made: Sequence[Seeded]) -> tuple[Raw, Raw]:
    """Rows a second with one service and with four, in turns; every row is counted in the table afterwards."""
    vehicles = read_vehicles(made, 4_000)
    feeds = [Feed(vehicles[place::PROCESSES], BOTH) for place in range(PROCESSES)]
    one: list[float] = []
    four: list[float] = []
    with contextlib.ExitStack() as stack:
        ports = [stack.enter_context(served(url)) for _ in range(PROCESSES)]
        for port, feed in zip(ports, feeds, strict=True):
            _send(port, [lines_of(feed.rows(_LINES))])
        for _ in range(_BLOCKS):
            one.append(_rate(ports[:1], feeds[:1]))
            four.append(_rate(ports, feeds))
    with closing(raw_connection_at(url)) as connection:
        (stored,) = connection.execute("SELECT count(*) FROM reading").fetchone()
    expected = _LINES * (PROCESSES + _BLOCKS * (_BODIES + _BODIES))
    if stored != expected:
        msg = f"{stored:,} readings are stored of {expected:,}"
        raise RuntimeError(msg)
    return (
        Raw("one service", tuple(one), "rows a second"),
        Raw(f"{PROCESSES} services", tuple(four), "rows a second"),
    )


def _rate(ports: Sequence[int], feeds: Sequence[Feed]) -> float:
    each = _BODIES // len(ports)
    bodies = [[lines_of(feed.rows(_LINES)) for _ in range(each)] for feed in feeds]
    threads = [
        threading.Thread(target=_send, args=(port, one)) for port, one in zip(ports, bodies, strict=True)
    ]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return each * len(ports) * _LINES / (time.perf_counter() - began)


def _send(port: int, bodies: Sequence[bytes]) -> None:
    client = Client(port)
    for body in bodies:
        answer = client.post("/v1/readings", body, "application/x-ndjson")
        if f'"accepted":{_LINES}'.encode() not in answer:
            raise RuntimeError(answer[:300])
    client.close()


@contextlib.contextmanager
def _watched(log: Path) -> Iterator[list[int]]:
    """The sizes that a file has while the block runs [byte]."""
    sizes, is_over = [0], threading.Event()

    def watch() -> None:
        while not is_over.wait(0.01):
            with contextlib.suppress(FileNotFoundError):
                sizes.append(log.stat().st_size)

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        yield sizes
    finally:
        is_over.set()
        thread.join()
