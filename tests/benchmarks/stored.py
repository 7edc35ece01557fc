"""The rate of bodies of 10,000 lines with 20 million readings stored, against 1 million. Takes about five minutes."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any

from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.feed import BOTH, Feed
from tests.benchmarks.figures import Figure
from tests.benchmarks.fleets import FLEET, NOW_US, read_vehicles
from tests.benchmarks.ingest import INSERT, sqlite_load
from tests.benchmarks.lines import NAMES, copy_load, measured
from tests.benchmarks.raw import raw_connection_at
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tests.benchmarks.figures import Raw
    from tests.benchmarks.fleets import Seeded

_VEHICLES = 10_000
_FED = 2_500
SMALL, LARGE = 1_000_000, 20_000_000
_SOURCE = 998
_ROUNDS = 9
_DAY_US = 86_400_000_000


def figures() -> Iterator[Figure]:
    """The figures on both databases."""
    with disk_folder() as folder:
        url, made = seeded_sqlite(folder, _VEHICLES)
        yield from _of_database("SQLite", url, made)
        with durable_postgres(folder) as server_url:
            url, made = seeded_postgres(server_url, _VEHICLES)
            yield from _of_database("PostgreSQL", url, made)


def _of_database(database: str, url: str, made: Sequence[Seeded]) -> Iterator[Figure]:
    vehicles = read_vehicles(made, 2 * _FED)
    loading = sqlite_load if url.startswith("sqlite") else copy_load
    sent: list[Raw] = []
    for stored, fed in ((SMALL, vehicles[:_FED]), (LARGE, vehicles[_FED:])):
        with closing(raw_connection_at(url)) as connection:
            _fill(connection, url, made, SMALL if sent else 0, stored)
        with loading(url) as load, served(url) as port:
            sent.append(measured(Client(port), Feed(fed, BOTH), load, _ROUNDS)[0])
    small, large = sent
    name = f"lines on {database} with {LARGE:,} readings stored against {SMALL:,}"
    yield Figure(name, small.median / large.median, 0.85, (large, small), is_floor=True)


def _fill(connection: Any, url: str, made: Sequence[Seeded], first: int, end: int) -> None:
    """Readings of the past into the table, day by day, so many in all."""
    rows = (
        (FLEET, day, key, 1, day * _DAY_US + round_ * 3_600_000_000, _SOURCE, n, n, 1, 0, NOW_US)
        for n, day, round_, key in _places(first, end, len(made))
    )
    if url.startswith("sqlite"):
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        connection.executemany(INSERT, rows)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return
    copying = f"COPY reading ({NAMES}) FROM STDIN"
    with connection.transaction(), connection.cursor() as cursor, cursor.copy(copying) as copy:
        for row in rows:
            copy.write_row(row)
    connection.execute("VACUUM ANALYZE reading")


def _places(first: int, end: int, vehicles: int) -> Iterator[tuple[int, int, int, int]]:
    """Number, day, hour and vehicle of rows in the order of the table's key: eight a vehicle and day."""
    a_day = 8 * vehicles
    today = NOW_US // _DAY_US
    days = -(-LARGE // a_day)
    for n in range(first, end):
        day, rest = divmod(n, a_day)
        vehicle, round_ = divmod(rest, 8)
        yield n, today - 10 - days + day, round_, vehicle + 1
