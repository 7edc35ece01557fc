"""A body of a million readings: how much it grows the process, and what it does to the first page of the due list."""

from __future__ import annotations

import threading
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import BOTH, Feed, lines_of
from tests.benchmarks.figures import Figure, Raw, timed_ms
from tests.benchmarks.fleets import read_vehicles
from tests.benchmarks.served import Client, served_process

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.benchmarks.fleets import Seeded

ROWS = 1_000_000
_VEHICLES = 10_000
_PAGE = "/v1/due?limit=100"
_IDLE_ROUNDS = 200
_PAUSE_S = 0.02


def figures() -> Iterator[Figure]:
    """The figures on both databases."""
    with disk_folder() as folder:
        url, made = seeded_sqlite(folder, _VEHICLES)
        yield from _of_database("SQLite", url, made, folder)
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            yield from _of_database("PostgreSQL", url, made, folder)


def _of_database(database: str, url: str, made: Sequence[Seeded], folder: Path) -> Iterator[Figure]:
    body = folder / "readings.ndjson"
    feed = Feed(read_vehicles(made, 5_000), BOTH)
    warm = lines_of(feed.rows(10_000))
    with body.open("wb") as file:
        for _ in range(ROWS // 10_000):
            file.write(lines_of(feed.rows(10_000)))
    with served_process(url) as (port, process):
        asking = Client(port)
        Client(port).post("/v1/readings", warm, "application/x-ndjson")
        idle = _asked(asking, lambda taken: len(taken) < _IDLE_ROUNDS)
        before = _kib(process, "VmRSS")
        Path(f"/proc/{process}/clear_refs").write_text("5", encoding="ascii")  # the peak counts from here
        answers: list[bytes] = []
        feeding = Client(port, patience_s=600)  # a connection that idled has been closed by now

        def feed_it() -> None:
            with body.open("rb") as file:
                answers.append(feeding.post("/v1/readings", file, "application/x-ndjson"))

        thread = threading.Thread(target=feed_it)
        began = time.perf_counter()
        thread.start()
        busy = _asked(asking, lambda _: thread.is_alive())
        elapsed_s = time.perf_counter() - began
        if not answers:
            msg = "the long body was not answered"
            raise RuntimeError(msg)
        if f'"accepted":{ROWS}'.encode() not in answers[0]:
            raise RuntimeError(answers[0][:300])
        grown = (_kib(process, "VmHWM") - before) / 1024
    page = Raw("first page meanwhile", tuple(busy))
    yield Figure(
        f"long body on {database}: due page against idle",
        page.median / Raw("", tuple(idle)).median,
        2.0,
        (page, Raw("first page, idle", tuple(idle)), Raw("rows a second", (ROWS / elapsed_s,), "/s")),
    )
    yield Figure(f"long body on {database}: growth of the process in MiB", grown, 64.0)


def _asked(client: Client, goes_on: object) -> list[float]:
    taken: list[float] = []
    while goes_on(taken):  # type: ignore[operator]
        taken.append(timed_ms(partial(client.get, _PAGE)))
        time.sleep(_PAUSE_S)
    return taken


def _kib(process: int, name: str) -> int:
    for line in Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1])
    msg = f"no {name} in the status of process {process}"
    raise RuntimeError(msg)
