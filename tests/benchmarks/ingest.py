"""A JSON batch of 1,000 readings over HTTP, on disk when it is answered, against a bare load of the same rows.

The bare load is one transaction on the same file or server: ``executemany`` of the rows into ``reading``, and one update
by key a vehicle touched.
"""

from __future__ import annotations

from contextlib import closing, contextmanager
from functools import partial
from typing import TYPE_CHECKING

from domain.sheet import Meter
from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import BOTH, Feed, body_of, stored_rows
from tests.benchmarks.figures import Figure, Raw, collected, timed_ms
from tests.benchmarks.fleets import FLEET, read_vehicles
from tests.benchmarks.raw import raw_connection_at
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tests.benchmarks.fleets import Seeded

_VEHICLES = 10_000
_ROWS = 1_000
_ROUNDS = 25
_WARM = 3
# A source of its own keeps the bare rows apart from the service's.
BARE_SOURCE = 999
INSERT = (
    "INSERT INTO reading (fleet_id, day, vehicle_id, meter, at_us, source_id, figure, life, status, reason,"
    " recorded_at_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
)
UPDATE = "UPDATE standing SET odometer_m = ?, odometer_on = ? WHERE fleet_id = ? AND vehicle_id = ?"

Load = list[tuple[int, ...]]


def figures() -> Iterator[Figure]:
    """The figures of ingest on both databases."""
    with disk_folder() as folder:
        url, made = seeded_sqlite(folder, _VEHICLES)
        with sqlite_load(url) as load, served(url) as port:
            yield from _of_database("SQLite", port, load, made)
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            with _postgresql_load(url) as load, served(url) as port:
                yield from _of_database("PostgreSQL", port, load, made, goal=None)


def _of_database(
    database: str,
    port: int,
    load: Callable[[Load, Load], None],
    made: Sequence[Seeded],
    *,
    goal: float | None = 0.25,
) -> Iterator[Figure]:
    client = Client(port)
    both = read_vehicles(made, 2_600)
    for name, vehicles, meters, reached in (
        ("500 vehicles, two meters", both[:500], BOTH, goal),
        ("1,000 vehicles, one meter", both[500:1_500], (Meter.ODOMETER,), None),
        ("100 vehicles, two meters five times", both[1_500:1_600], BOTH, None),
    ):
        feed = Feed(vehicles, meters)
        sent, again, bare = _measured(client, feed, load)
        title = f"ingest on {database}, {name}"
        yield Figure(title, bare.median / sent.median, reached, (sent, bare), is_floor=True)
        if meters is BOTH and len(vehicles) == 500:
            yield Figure(
                f"{title}: sent again", bare.median / again.median, None, (again, bare), is_floor=True
            )


def _measured(client: Client, feed: Feed, load: Callable[[Load, Load], None]) -> tuple[Raw, Raw, Raw]:
    """Times of batches over HTTP, of the same batches again, and of the bare load, in turns."""
    taken: tuple[list[float], list[float], list[float]] = ([], [], [])
    for turn in range(_WARM + _ROUNDS):
        rows = feed.rows(_ROWS)
        send = partial(_send, client, body_of(rows))
        stored = stored_rows(rows, fleet=FLEET, source=BARE_SOURCE)
        touched = {row[2]: (row[7], row[1], FLEET, row[2]) for row in stored if row[3] == 1}
        works = (
            partial(send, b'"accepted":1000,"duplicate":0'),
            partial(send, b'"accepted":0,"duplicate":1000'),
            partial(load, stored, list(touched.values())),
        )
        with collected():
            for place, work in enumerate(works):
                elapsed_ms = timed_ms(work)
                if turn >= _WARM:
                    taken[place].append(elapsed_ms)
    return (
        Raw(f"batch of {_ROWS:,} over HTTP", tuple(taken[0])),
        Raw("the same batch again", tuple(taken[1])),
        Raw("bare executemany and updates", tuple(taken[2])),
    )


def _send(client: Client, body: bytes, expected: bytes) -> None:
    answer = client.post("/v1/readings", body)
    if expected not in answer:
        msg = f"{expected!r} is not in {answer[:300]!r}"
        raise RuntimeError(msg)


@contextmanager
def sqlite_load(url: str) -> Iterator[Callable[[Load, Load], None]]:
    """The bare load on SQLite."""
    with closing(raw_connection_at(url)) as connection:
        connection.execute("PRAGMA synchronous = FULL")

        def load(rows: Load, updates: Load) -> None:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(INSERT, rows)
            connection.executemany(UPDATE, updates)
            connection.execute("COMMIT")

        yield load


@contextmanager
def _postgresql_load(url: str) -> Iterator[Callable[[Load, Load], None]]:
    insert, update = INSERT.replace("?", "%s"), UPDATE.replace("?", "%s")
    with closing(raw_connection_at(url)) as connection, connection.cursor() as cursor:

        def load(rows: Load, updates: Load) -> None:
            with connection.transaction():
                cursor.executemany(insert, rows)
                cursor.executemany(update, updates)

        yield load
