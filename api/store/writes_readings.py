"""The statements that store readings and move standings, many rows at a time."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, text

from api.store import bulk
from api.store.errors import StoreConflictError
from api.store.tables_reading import UnplacedReading

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from api.store.session import WriteSession

# fleet, day, vehicle, meter, instant, source, figure, life, status, reason, recorded
NewReading = tuple[int, int, int, int, int, int, int, int, int, int, int]
# fleet, day, vehicle, meter, instant, source, figure
ReadingPlace = tuple[int, int, int, int, int, int, int]
# life, status, reason, then the key: fleet, day, vehicle, meter, instant, source, figure
ChangedReading = tuple[int, int, int, int, int, int, int, int, int, int]

_COLUMNS = (
    "fleet_id", "day", "vehicle_id", "meter", "at_us", "source_id", "figure", "life", "status", "reason",
    "recorded_at_us",
)  # fmt: skip
_NAMES = ", ".join(_COLUMNS)
_INSERT = f"INSERT INTO reading ({_NAMES}) VALUES ({', '.join('{0}' for _ in _COLUMNS)})"  # noqa: S608 - constants
_MERGE = (
    "INSERT INTO reading ({names}) SELECT {names} FROM {staged}"
    " ORDER BY fleet_id, day, vehicle_id, meter, at_us, source_id, figure ON CONFLICT DO NOTHING"
)
_CHANGE = (
    "UPDATE reading SET life = {0}, status = {0}, reason = {0} WHERE fleet_id = {0} AND day = {0}"
    " AND vehicle_id = {0} AND meter = {0} AND at_us = {0} AND source_id = {0} AND figure = {0}"
)
_KEY = _COLUMNS[:7]
_SAME_KEY = " AND ".join(f"{column} = {{0}}" for column in _KEY)
_SAME_AS_STAGED = " AND ".join(f"t.{column} = s.{column}" for column in _KEY)
_TAKE_WAITING = text("DELETE FROM unplaced_reading WHERE fleet_id = :fleet AND id = :id")


def add_readings(session: WriteSession, rows: list[NewReading]) -> None:
    """Store readings in the order of their key: neighbours share pages, two writers never lock in a ring.

    Args:
        session: The unit of work.
        rows: The readings, none twice and none stored.

    Raises:
        StoreConflictError: Another writer has stored one of them meanwhile.
    """
    if not rows:
        return
    rows.sort()
    connection = session.connection()
    if not bulk.is_worth_it(session, len(rows)):
        connection.exec_driver_sql(_INSERT.format(_mark(session)), rows)
        return
    staged = bulk.stage(session, "reading", _COLUMNS, rows)
    merged = connection.exec_driver_sql(_MERGE.format(names=_NAMES, staged=staged))
    if merged.rowcount != len(rows):
        msg = "another writer has stored some of these readings"
        raise StoreConflictError(msg)


def change_readings(session: WriteSession, rows: list[ChangedReading]) -> None:
    """Change life-to-date, status and reason of stored readings."""
    if rows:
        session.connection().exec_driver_sql(_CHANGE.format(_mark(session)), rows)


def remove_readings(session: WriteSession, places: list[ReadingPlace]) -> None:
    """Remove stored readings."""
    if not places:
        return
    connection = session.connection()
    if bulk.is_worth_it(session, len(places)):
        staged = bulk.stage(session, "reading", _KEY, places)
        connection.exec_driver_sql(f"DELETE FROM reading t USING {staged} s WHERE {_SAME_AS_STAGED}")  # noqa: S608 - constants
    else:
        connection.exec_driver_sql(f"DELETE FROM reading WHERE {_SAME_KEY}".format(_mark(session)), places)  # noqa: S608 - constants


def settle_readings(session: WriteSession, places: list[ReadingPlace]) -> None:
    """Mark stored readings as what thinning kept."""
    if not places:
        return
    connection = session.connection()
    if bulk.is_worth_it(session, len(places)):
        staged = bulk.stage(session, "reading", _KEY, places)
        connection.exec_driver_sql(
            f"UPDATE reading t SET is_settled = TRUE FROM {staged} s WHERE {_SAME_AS_STAGED}"  # noqa: S608 - constants
        )
    else:
        sql = f"UPDATE reading SET is_settled = TRUE WHERE {_SAME_KEY}"  # noqa: S608 - constants
        connection.exec_driver_sql(sql.format(_mark(session)), places)


def move_standings(
    session: WriteSession, fleet: int, changes: Iterable[tuple[int, Mapping[str, Any]]]
) -> None:
    """Change columns of ``standing``, a row a vehicle; vehicles that change the same columns go together.

    Args:
        session: The unit of work.
        fleet: The fleet.
        changes: (vehicle, new values by column); the columns are names of the table, never a client's text.
    """
    groups: defaultdict[tuple[str, ...], list[tuple[Any, ...]]] = defaultdict(list)
    for vehicle, values in changes:
        groups[tuple(values)].append((*values.values(), fleet, vehicle))
    mark = _mark(session)
    connection = session.connection()
    for columns, rows in groups.items():
        if bulk.is_worth_it(session, len(rows)):
            staged = bulk.stage(session, "standing", (*columns, "fleet_id", "vehicle_id"), rows)
            settings = ", ".join(f"{column} = s.{column}" for column in columns)
            sql = (
                f"UPDATE standing t SET {settings} FROM {staged} s"  # noqa: S608 - names of the program's own
                " WHERE t.fleet_id = s.fleet_id AND t.vehicle_id = s.vehicle_id"
            )
            connection.exec_driver_sql(sql)
            continue
        settings = ", ".join(f"{column} = {mark}" for column in columns)
        sql = f"UPDATE standing SET {settings} WHERE fleet_id = {mark} AND vehicle_id = {mark}"  # noqa: S608 - as above
        connection.exec_driver_sql(sql, rows)


def add_waiting(session: WriteSession, rows: list[dict[str, Any]]) -> None:
    """Store readings that wait under a unit number."""
    if rows:
        session.connection().execute(insert(UnplacedReading), rows)


def take_waiting(session: WriteSession, fleet: int, keys: Iterable[int]) -> None:
    """Remove readings that have found their vehicle from those that wait."""
    rows = [{"fleet": fleet, "id": key} for key in keys]
    if rows:
        session.connection().execute(_TAKE_WAITING, rows)


def _mark(session: WriteSession) -> str:
    return "%s" if session.connection().dialect.name == "postgresql" else "?"
