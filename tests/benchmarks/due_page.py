"""The first page of the due list over HTTP: at 100,000 vehicles, beside a bare page, and while readings come in."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from datetime import timedelta
from functools import partial
from itertools import count
from typing import TYPE_CHECKING

from tests.benchmarks.databases import disk_folder, seeded_sqlite
from tests.benchmarks.feed import Feed, body_of
from tests.benchmarks.figures import Figure, Raw, interleaved, timed_ms
from tests.benchmarks.fleets import TODAY, read_vehicles
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.benchmarks.fleets import Seeded

SMALL, LARGE = 1_000, 100_000
PAGE = "/v1/due?limit=100"
_ROUNDS = 150
_BATCHES_PER_S = 10
_BLOCKS = 5
_BLOCK_ROUNDS = 60
_BLOCK_BATCHES = 60
_PAUSE_S = 0.015


def figures() -> Iterator[Figure]:
    """The three figures of the due page."""
    with disk_folder() as folder:
        small_url, _ = seeded_sqlite(folder, SMALL)
        large_url, made = seeded_sqlite(folder, LARGE)
        with served(small_url) as small_port, served(large_url) as large_port:
            small, large = Client(small_port), Client(large_port)
            yield from _idle_figures(small, large)
            rows = read_vehicles(made, 1_000)
            yield _busy_figure(large, Client(large_port), rows, batch_rows=100)
            yield _busy_figure(large, Client(large_port), rows[::-1], batch_rows=1_000)


def _idle_figures(small: Client, large: Client) -> Iterator[Figure]:
    size = len(large.get(PAGE))
    new_days = (f"{PAGE}&as_of={TODAY + timedelta(days=days)}" for days in count(1))
    taken = interleaved(
        {
            f"first page, {LARGE:,} vehicles": partial(large.get, PAGE),
            f"first page, {SMALL:,} vehicles": partial(small.get, PAGE),
            f"bare page of {size:,} bytes": partial(large.get, f"/v1/bare/page?size={size}"),
            "first page of a day not asked about before": lambda: large.get(next(new_days)),
        },
        rounds=_ROUNDS,
        warm=20,
    )
    page, small_page, bare, new_day = taken.values()
    name = f"due_page at {LARGE:,} vehicles against {SMALL:,}"
    yield Figure(name, page.median / small_page.median, 1.5, (page, small_page))
    yield Figure("due_page against a bare page", page.median / bare.median, 3.0, (page, bare))
    # Lines of vehicles without news come from memory; here none does.
    yield Figure(
        "due_page of a new day against a bare page", new_day.median / bare.median, None, (new_day, bare)
    )


def _busy_figure(asking: Client, feeding: Client, vehicles: Sequence[Seeded], *, batch_rows: int) -> Figure:
    """Blocks of requests in turns: nothing else going on, and 1,000 readings a second coming in."""
    feed = Feed(vehicles)
    idle: list[float] = []
    busy: list[float] = []
    rates: list[float] = []
    batches_per_s = 1_000 / batch_rows
    for _ in range(_BLOCKS):
        idle.extend(_asked(asking))
        bodies = [body_of(feed.rows(batch_rows)) for _ in range(round(10 * batches_per_s))]
        with _fed(feeding, bodies, batches_per_s) as accepted:
            start = time.perf_counter()
            busy.extend(_asked(asking))
            elapsed_s = time.perf_counter() - start
        rates.append(sum(accepted) / elapsed_s)
    raw = (
        Raw("first page while readings come in", tuple(busy)),
        Raw("first page, idle", tuple(idle)),
        Raw(f"readings accepted, batches of {batch_rows:,}", tuple(rates), "a second"),
    )
    name = f"due_page beside 1,000 readings a second in batches of {batch_rows:,}"
    return Figure(name, raw[0].median / raw[1].median, 2.0, raw)


def _asked(client: Client) -> list[float]:
    taken = []
    for turn in range(_BLOCK_ROUNDS):
        time.sleep(_PAUSE_S * (1 + turn % 7 / 7))  # never in step with the batches
        taken.append(timed_ms(partial(client.get, PAGE)))
    return taken


@contextlib.contextmanager
def _fed(client: Client, bodies: Sequence[bytes], batches_per_s: float) -> Iterator[list[int]]:
    """Batches at a steady rate from a thread until the block ends; gives the rows accepted of each."""
    is_over = threading.Event()
    accepted: list[int] = []

    def run() -> None:
        following = time.monotonic()
        for body in bodies:
            accepted.append(json.loads(client.post("/v1/readings", body))["accepted"])
            following += 1 / batches_per_s
            if is_over.wait(max(0.0, following - time.monotonic())):
                return

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield accepted
    finally:
        is_over.set()
        thread.join()
