"""How the databases find the due list in a large fleet: by index, with their statistics gathered or not."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING, Any

from sqlalchemy import event

from api.services.due import DueAsk, due_page
from api.store.session import Store
from domain.due import State
from tests.benchmarks.databases import disk_folder, durable_postgres, seeded_postgres, seeded_sqlite
from tests.benchmarks.figures import Figure, Raw
from tests.benchmarks.fleets import FLEET, TODAY, analyze

if TYPE_CHECKING:
    from collections.abc import Iterator

_VEHICLES = 100_000
_LARGE_TABLES = frozenset({"standing", "due_point", "unit_number", "vehicle"})
_ASKED = {
    "today": DueAsk(TODAY),
    "window of 30 days": DueAsk(TODAY, window_days=30),
    "window of 500 km": DueAsk(TODAY, window_m=500_000),
    "one depot": DueAsk(TODAY, depot_key=1),
    "one type": DueAsk(TODAY, spec_sheet_key=1),
    "one service": DueAsk(TODAY, service="oil"),
    "overdue only": DueAsk(TODAY, states=frozenset({State.OVERDUE})),
}


def figures() -> Iterator[Figure]:
    """The number of scans of large tables, on both databases, before and after statistics are gathered."""
    with disk_folder() as folder:
        url, _ = seeded_sqlite(folder, _VEHICLES)
        yield from _of_database("SQLite", url)
        with durable_postgres(folder) as server_url:
            url, _ = seeded_postgres(server_url, _VEHICLES)
            yield from _of_database("PostgreSQL", url)


def _of_database(database: str, url: str) -> Iterator[Figure]:
    store = Store.at(url)
    try:
        yield _scans(store, f"plans of the due list, scans on {database}")
        analyze(store)
        yield _scans(store, f"plans of the due list, scans on {database} after ANALYZE")
    finally:
        store.close()


def _scans(store: Store, name: str) -> Figure:
    raw = []
    for label, ask in _ASKED.items():
        with store.reading() as session, _statements(store) as statements:
            due_page(session, FLEET, ask, limit=100)
            found = [scan for statement in list(statements) for scan in _scanned(store, *statement)]
        raw.append(Raw(f"{label}{': ' + ', '.join(found) if found else ''}", (float(len(found)),), "scans"))
    return Figure(name, sum(one.median for one in raw), 0.0, tuple(raw))


@contextlib.contextmanager
def _statements(store: Store) -> Iterator[list[tuple[str, Any]]]:
    """The SELECTs sent inside the block, with their values."""
    seen: list[tuple[str, Any]] = []

    def on_execute(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if "SELECT" in statement:
            seen.append((statement, parameters))

    event.listen(store.engines.read, "before_cursor_execute", on_execute)
    try:
        yield seen
    finally:
        event.remove(store.engines.read, "before_cursor_execute", on_execute)


def _scanned(store: Store, statement: str, parameters: Any) -> list[str]:
    """The large tables that a statement reads from end to end."""
    with store.engines.read.connect() as connection:
        if connection.dialect.name == "sqlite":
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            # Aliases: s and d are the due list's names of standing and due_point.
            found = [str(row[3]) for row in rows if str(row[3]).startswith("SCAN ")]
            return [one for one in found if one.split()[1] in _LARGE_TABLES]
        (plan,) = connection.exec_driver_sql(f"EXPLAIN (FORMAT JSON) {statement}", parameters).one()
        nodes = json.loads(plan) if isinstance(plan, str) else plan
        return list(_sequential(nodes[0]["Plan"]))


def _sequential(node: dict[str, Any]) -> Iterator[str]:
    if node["Node Type"].startswith("Seq Scan") and node.get("Relation Name") in _LARGE_TABLES:
        yield f"{node['Node Type']} {node['Relation Name']}"
    for child in node.get("Plans", ()):
        yield from _sequential(child)
