"""The SELECTs of the readings feed: which vehicle a unit number means, and what is stored already."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

# Locked in the order of their keys, so that two batches with the same vehicles never wait for each other in a ring.
_LABELS = """
    SELECT u.unit, u.vehicle_id, u.valid_from, u.valid_through, s.usage, s.is_settled, s.first_day, s.last_day,
           s.next_due_on, s.stale_on, s.spec_sheet_version_id, s.odometer_use, s.engine_use, s.second_engine_use,
           s.power_take_off_use, s.idle_use, s.fuel_use
    FROM {}
    JOIN standing s ON s.fleet_id = u.fleet_id AND s.vehicle_id = u.vehicle_id
    WHERE u.fleet_id = :fleet AND u.unit = {} ORDER BY u.vehicle_id, u.valid_from
"""
# One parameter for all unit numbers: hundreds of parameters cost more than the rows. SQLite keeps the order of a CROSS
# JOIN; by itself it may walk every unit number of the fleet instead.
_LABELS_SQLITE = text(_LABELS.format("json_each(:units) asked CROSS JOIN unit_number u", "asked.value"))
_LABELS_POSTGRESQL = text(_LABELS.format("unit_number u", "ANY(:units)") + " FOR UPDATE OF s")

# Shared with other feeds; whoever makes a device of a source waits until they have ended.
_SOURCES = "SELECT code, id, device_since_us FROM reading_source WHERE fleet_id = :fleet AND code IN :codes ORDER BY id"
_SOURCE_QUERIES = {
    "sqlite": text(_SOURCES).bindparams(bindparam("codes", expanding=True)),
    "postgresql": text(f"{_SOURCES} FOR KEY SHARE").bindparams(bindparam("codes", expanding=True)),
}

# By their whole key but for source and figure: a gateway may have sent a thousand other readings of that day.
_STORED_SQLITE_TEXT = """
    SELECT r.vehicle_id, r.meter, r.at_us, r.source_id, r.figure
    FROM {} JOIN reading r ON r.day = asked.day AND r.vehicle_id = asked.vehicle AND r.meter = asked.meter
    WHERE r.fleet_id = :fleet AND r.day BETWEEN :first_day AND :last_day AND r.at_us BETWEEN :first_us AND :last_us
"""
_ASKED = """
    (SELECT json_extract(value, '$[0]') AS day, json_extract(value, '$[1]') AS vehicle,
            json_extract(value, '$[2]') AS meter
     FROM json_each(:places)) asked CROSS"""
_STORED_SQLITE = text(_STORED_SQLITE_TEXT.format(_ASKED))
# Sought one by one by their whole key, whatever the planner thinks of a table that has just grown.
_STORED_POSTGRESQL = text(
    """
    SELECT asked.place
    FROM json_array_elements(CAST(:keys AS json)) WITH ORDINALITY AS asked(key, place)
    CROSS JOIN LATERAL (
        SELECT 1 FROM reading r
        WHERE r.fleet_id = :fleet AND r.day = CAST(key->>0 AS integer) AND r.vehicle_id = CAST(key->>1 AS integer)
        AND r.meter = CAST(key->>2 AS integer) AND r.at_us = CAST(key->>3 AS bigint)
        AND r.source_id = CAST(key->>4 AS integer) AND r.figure = CAST(key->>5 AS bigint) LIMIT 1
    ) found
    """
)

_WAITING = text(
    """
    SELECT w.id, w.unit, w.meter, w.at_us, w.source_id, w.figure, w.recorded_at_us, s.device_since_us
    FROM unplaced_reading w JOIN reading_source s ON s.fleet_id = w.fleet_id AND s.id = w.source_id
    WHERE w.fleet_id = :fleet AND w.unit = :unit ORDER BY w.at_us, w.id
    """
)

_WAITING_STORED = text(
    """
    SELECT unit, meter, at_us, source_id, figure FROM unplaced_reading
    WHERE fleet_id = :fleet AND unit IN :units
    """
).bindparams(bindparam("units", expanding=True))

_WITH_READINGS = text(
    "SELECT vehicle_id FROM standing WHERE fleet_id = :fleet AND first_day < :day ORDER BY vehicle_id"
)

_OF_VEHICLE = """
    WITH RECURSIVE days(day) AS (
      SELECT CAST(:first AS INTEGER) UNION ALL SELECT day + 1 FROM days WHERE day < :last)
    SELECT r.day, r.meter, r.at_us, r.figure, r.life, r.status, r.reason, r.recorded_at_us, s.code AS source
    FROM days CROSS JOIN reading r JOIN reading_source s ON s.fleet_id = r.fleet_id AND s.id = r.source_id
    WHERE r.fleet_id = :fleet AND r.day = days.day AND r.vehicle_id = :vehicle
      AND (r.at_us, r.meter, s.code, r.figure) > (:at_us, :meter, :source, :figure)
      AND r.at_us >= :from_us AND r.at_us < :until_us
      AND (:only_meter = 0 OR r.meter = :only_meter) AND (:only_status = 0 OR r.status = :only_status)
    ORDER BY r.at_us, r.meter, s.code, r.figure LIMIT :limit
"""


def labels(session: ReadSession, fleet: int, units: Iterable[str]) -> Rows:
    """Every vehicle that carried one of these unit numbers, with its standing, locked where the database locks rows."""
    asked = sorted(set(units))
    if session.get_bind().dialect.name == "postgresql":
        return session.execute(_LABELS_POSTGRESQL, {"fleet": fleet, "units": asked}).all()
    return session.execute(_LABELS_SQLITE, {"fleet": fleet, "units": json.dumps(asked)}).all()


@dataclass(frozen=True, slots=True)
class SourceKey:
    """The key of a source, and whether it is a device."""

    key: int
    is_device: bool


def source_keys(session: WriteSession, fleet: int, codes: Iterable[str]) -> dict[str, SourceKey]:
    """The keys of known reading sources, by code; none becomes a device until the unit of work ends."""
    statement = _SOURCE_QUERIES[session.get_bind().dialect.name]
    rows = session.execute(statement, {"fleet": fleet, "codes": sorted(set(codes))})
    return {row.code: SourceKey(row.id, row.device_since_us is not None) for row in rows}


def stored_at(
    session: ReadSession, fleet: int, keys: Iterable[tuple[int, int, int, int, int, int]]
) -> set[tuple[int, int, int, int, int]]:
    """Those readings that are stored, as (vehicle, meter, instant, source, figure); others may be among them.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        keys: (UTC day, vehicle, meter, instant [us UTC], source, figure) of each reading.
    """
    asked = sorted(keys)
    if not asked:
        return set()
    values: dict[str, Any] = {"fleet": fleet}
    if session.get_bind().dialect.name == "postgresql":
        # As one text: a driver takes longer over a parameter of ten thousand numbers than the database over this.
        values["keys"] = json.dumps(asked)
        return {asked[place - 1][1:] for place in session.execute(_STORED_POSTGRESQL, values).scalars()}
    instants = [key[3] for key in asked]
    values |= {
        "first_day": asked[0][0],
        "last_day": asked[-1][0],
        "first_us": min(instants),
        "last_us": max(instants),
        "places": json.dumps(sorted({key[:3] for key in asked})),
    }
    return {tuple(row) for row in session.execute(_STORED_SQLITE, values)}


def waiting(session: ReadSession, fleet: int, unit: str) -> Rows:
    """The readings that wait under a unit number, in order of time."""
    return session.execute(_WAITING, {"fleet": fleet, "unit": unit}).all()


def waiting_keys(
    session: ReadSession, fleet: int, units: Iterable[str]
) -> set[tuple[str, int, int, int, int]]:
    """(unit, meter, instant, source, figure) of the readings that wait under these unit numbers."""
    asked = sorted(set(units))
    if not asked:
        return set()
    return {tuple(row) for row in session.execute(_WAITING_STORED, {"fleet": fleet, "units": asked})}


def vehicles_with_readings(session: ReadSession, fleet: int, before_day: int) -> list[int]:
    """Keys of the vehicles that may have readings before a UTC day, in order."""
    return list(session.execute(_WITH_READINGS, {"fleet": fleet, "day": before_day}).scalars())


def readings_page(session: ReadSession, **asked: Any) -> Rows:
    """A page of one vehicle's readings in order of (instant, meter, source, figure).

    Args:
        session: Any unit of work.
        asked: Every parameter of the statement: fleet, vehicle, first and last UTC day, the position after which the
            page begins (at_us, meter, source, figure), from_us, until_us, only_meter and only_status (0: any), limit.
    """
    return session.execute(text(_OF_VEHICLE), asked).all()
