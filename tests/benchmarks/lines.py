"""Bodies of 10,000 readings in lines over HTTP, on disk when answered, against a bare load of the same rows.

The bare load is one transaction on the same file or server: the rows into ``reading`` (``executemany`` on SQLite; on
PostgreSQL a binary COPY into a temporary table and one merge), then one update by key a vehicle touched.
"""

from __future__ import annotations

from contextlib import closing, contextmanager
from functools import partial
from typing import TYPE_CHECKING

from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import BOTH, Feed, lines_of, stored_rows
from tests.benchmarks.figures import Figure, Raw, collected, timed_ms
from tests.benchmarks.fleets import FLEET, read_vehicles
from tests.benchmarks.ingest import BARE_SOURCE, UPDATE, sqlite_load
from tests.benchmarks.raw import raw_connection_at
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tests.benchmarks.fleets import Seeded
    from tests.benchmarks.ingest import Load

ROWS = 10_000
_VEHICLES = 10_000
_ROUNDS = 15
_WARM = 2
_MEDIA = "application/x-ndjson"
NAMES = "fleet_id, day, vehicle_id, meter, at_us, source_id, figure, life, status, reason, recorded_at_us"
_TYPES = ["int4"] * 4 + ["int8", "int4", "int8", "int8", "int4", "int4", "int8"]


def figures() -> Iterator[Figure]:
    """The figures of bodies in lines on both databases."""
    with disk_folder() as folder:
        url, made = seeded_sqlite(folder, _VEHICLES)
        with sqlite_load(url) as load, served(url) as port:
            yield from _of_database("SQLite", port, load, made, 0.40)
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            with copy_load(url) as load, served(url) as port:
                yield from _of_database("PostgreSQL", port, load, made, 0.45)


def _of_database(
    database: str, port: int, load: Callable[[Load, Load], None], made: Sequence[Seeded], goal: float
) -> Iterator[Figure]:
    client = Client(port)
    both = read_vehicles(made, 3_000)
    for vehicles in (both[:500], both[500:3_000]):
        sent, again, bare = measured(client, Feed(vehicles, BOTH), load)
        title = f"lines on {database}, {len(vehicles):,} vehicles"
        yield Figure(title, bare.median / sent.median, goal, (sent, bare), is_floor=True)
        yield Figure(f"{title}: sent again", sent.median / again.median, 1.0, (again, sent), is_floor=True)


def measured(
    client: Client, feed: Feed, load: Callable[[Load, Load], None], rounds: int = _ROUNDS
) -> tuple[Raw, Raw, Raw]:
    """Times of bodies over HTTP, of the same bodies again, and of the bare load, in turns."""
    taken: tuple[list[float], list[float], list[float]] = ([], [], [])
    for turn in range(_WARM + rounds):
        rows = feed.rows(ROWS)
        send = partial(_send, client, lines_of(rows))
        stored = stored_rows(rows, fleet=FLEET, source=BARE_SOURCE)
        touched = {row[2]: (row[7], row[1], FLEET, row[2]) for row in stored if row[3] == 1}
        works = (
            partial(send, b'"accepted":10000,"duplicate":0'),
            partial(send, b'"accepted":0,"duplicate":10000'),
            partial(load, stored, list(touched.values())),
        )
        with collected():
            for place, work in enumerate(works):
                elapsed_ms = timed_ms(work)
                if turn >= _WARM:
                    taken[place].append(elapsed_ms)
    return (
        Raw(f"body of {ROWS:,} lines over HTTP", tuple(taken[0])),
        Raw("the same body again", tuple(taken[1])),
        Raw("bare load and updates", tuple(taken[2])),
    )


def _send(client: Client, body: bytes, expected: bytes) -> None:
    answer = client.post("/v1/readings", body, _MEDIA)
    if expected not in answer:
        msg = f"{expected!r} is not in {answer[:300]!r}"
        raise RuntimeError(msg)


@contextmanager
def copy_load(url: str) -> Iterator[Callable[[Load, Load], None]]:
    """The bare load on PostgreSQL."""
    update = UPDATE.replace("?", "%s")
    with closing(raw_connection_at(url)) as connection, connection.cursor() as cursor:
        cursor.execute("CREATE TEMPORARY TABLE bare ON COMMIT DELETE ROWS AS SELECT * FROM reading LIMIT 0")

        def load(rows: Load, updates: Load) -> None:
            with connection.transaction():
                with cursor.copy(f"COPY bare ({NAMES}) FROM STDIN (FORMAT BINARY)") as copy:
                    copy.set_types(_TYPES)
                    for row in rows:
                        copy.write_row(row)
                cursor.execute(
                    f"INSERT INTO reading ({NAMES}) SELECT {NAMES} FROM bare"  # noqa: S608 - constants
                    " ORDER BY fleet_id, day, vehicle_id, meter, at_us, source_id, figure ON CONFLICT DO NOTHING"
                )
                cursor.executemany(update, updates)

        yield load
