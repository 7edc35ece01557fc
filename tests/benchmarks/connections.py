"""Single readings from 16 connections at once, against a bare endpoint of one insert on the same server."""

from __future__ import annotations

import json
import threading
import time
from functools import partial
from typing import TYPE_CHECKING

from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import Feed, body_of
from tests.benchmarks.figures import Figure, Raw
from tests.benchmarks.fleets import read_vehicles
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tests.benchmarks.fleets import Seeded

CONNECTIONS = 16
_VEHICLES = 10_000
_BLOCKS = 5
_BLOCK_S = 4.0


def figures() -> Iterator[Figure]:
    """The figures on both databases."""
    with disk_folder() as folder:
        url, made = seeded_sqlite(folder, _VEHICLES)
        yield from _of_database("SQLite", url, made)
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            yield from _of_database("PostgreSQL", url, made)


def _of_database(database: str, url: str, made: Sequence[Seeded]) -> Iterator[Figure]:
    vehicles = read_vehicles(made, CONNECTIONS * 50)
    ours: list[float] = []
    bare: list[float] = []
    fairness: list[float] = []
    feeds = [Feed(vehicles[place::CONNECTIONS]) for place in range(CONNECTIONS)]
    bare_feeds = [Feed(vehicles[place::CONNECTIONS]) for place in range(CONNECTIONS)]
    with served(url) as port:
        for _ in range(_BLOCKS):
            served_each = _block(port, "/v1/readings", [partial(_body, feed) for feed in feeds])
            ours.append(sum(served_each) / _BLOCK_S)
            fairness.append(min(served_each) / max(served_each))
            bare.append(
                sum(_block(port, "/v1/bare/reading", [partial(_bare, feed) for feed in bare_feeds]))
                / _BLOCK_S
            )
    raw = (Raw("single readings", tuple(ours), "a second"), Raw("bare inserts", tuple(bare), "a second"))
    yield Figure(
        f"single readings from {CONNECTIONS} connections on {database}",
        raw[0].median / raw[1].median,
        0.5,
        raw,
        is_floor=True,
    )
    slowest = Raw("slowest against fastest connection, a block", tuple(fairness), "")
    yield Figure(f"fairness on {database}", min(fairness), 0.5, (slowest,), is_floor=True)


def _body(feed: Feed) -> bytes:
    return body_of(feed.rows(1))


def _bare(feed: Feed) -> bytes:
    (row,) = feed.rows(1)
    return json.dumps({"vehicle": row.vehicle.key, "at_us": row.at_us, "figure": row.figure}).encode()


def _block(port: int, path: str, bodies: Sequence[Callable[[], bytes]]) -> list[int]:
    """How many requests each connection had answered well in the block's time; any other answer ends the run."""
    counts = [0] * len(bodies)
    failures: list[BaseException] = []
    ends = time.monotonic() + _BLOCK_S

    def run(place: int) -> None:
        client = Client(port)
        try:
            while time.monotonic() < ends:
                _post(client, path, bodies[place]())
                counts[place] += 1
        except BaseException as error:  # noqa: BLE001 - told by the main thread
            failures.append(error)
        finally:
            client.close()

    threads = [threading.Thread(target=run, args=(place,)) for place in range(len(bodies))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if failures:
        raise failures[0]
    return counts


def _post(client: Client, path: str, body: bytes) -> None:
    answer = client.post(path, body)
    if b'"accepted":1' not in answer:
        msg = f"{path} did not accept {body!r}: {answer[:300]!r}"
        raise RuntimeError(msg)
