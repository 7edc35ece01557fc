"""The SELECTs of use: learned patterns, and what is known of the levels of a fleet, in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession

_PATTERNS = text(
    """
    SELECT p.spec_sheet_id, p.meter, p.version, p.vehicles, p.forecasts, p.pattern, p.learned_at_us
    FROM use_pattern p
    WHERE p.fleet_id = :fleet AND p.learned_at_us <= :known AND NOT EXISTS (
      SELECT 1 FROM use_pattern q WHERE q.fleet_id = p.fleet_id AND q.spec_sheet_id = p.spec_sheet_id
      AND q.meter = p.meter AND q.version > p.version AND q.learned_at_us <= :known)
    """
)


def patterns(session: ReadSession, fleet: int, known_us: int) -> Sequence[Row[Any]]:
    """The newest pattern of each type and meter that was learned by an instant [us UTC]."""
    return session.execute(_PATTERNS, {"fleet": fleet, "known": known_us}).all()


_STAMP = text(
    "SELECT (SELECT MAX(id) FROM use_pattern) AS pattern, (SELECT MAX(id) FROM spec_sheet_version) AS version"
)
_BY_VERSION = text(
    """
    SELECT v.id, p.meter, p.pattern
    FROM use_pattern p
    JOIN spec_sheet_version v ON v.fleet_id = p.fleet_id AND v.spec_sheet_id = p.spec_sheet_id
    WHERE NOT EXISTS (
      SELECT 1 FROM use_pattern q WHERE q.fleet_id = p.fleet_id AND q.spec_sheet_id = p.spec_sheet_id
      AND q.meter = p.meter AND q.version > p.version)
    """
)
_STANDINGS_STAMP = text(
    "SELECT COUNT(*) AS vehicles, COALESCE(SUM(version), 0) AS versions, COALESCE(SUM(last_day), 0) AS days"
    " FROM standing WHERE fleet_id = :fleet"
)
_READ_VEHICLES = text(
    """
    SELECT s.vehicle_id, v.spec_sheet_id, d.time_zone, s.first_day, s.last_day
    FROM standing s
    JOIN vehicle v ON v.fleet_id = s.fleet_id AND v.id = s.vehicle_id
    JOIN depot d ON d.fleet_id = v.fleet_id AND d.id = v.depot_id
    WHERE s.fleet_id = :fleet AND s.first_day IS NOT NULL AND s.last_day > s.first_day
    ORDER BY s.vehicle_id
    """
)
_LEVELS = text(
    """
    SELECT s.vehicle_id, v.spec_sheet_id,
           s.odometer_m, s.odometer_on, s.odometer_m_per_day, s.odometer_use,
           s.engine_s, s.engine_on, s.engine_s_per_day, s.engine_use,
           s.second_engine_s, s.second_engine_on, s.second_engine_s_per_day, s.second_engine_use,
           s.power_take_off_s, s.power_take_off_on, s.power_take_off_s_per_day, s.power_take_off_use,
           s.idle_s, s.idle_on, s.idle_s_per_day, s.idle_use, s.fuel_ml, s.fuel_on, s.fuel_ml_per_day, s.fuel_use
    FROM standing s JOIN vehicle v ON v.fleet_id = s.fleet_id AND v.id = s.vehicle_id
    WHERE s.fleet_id = :fleet AND s.vehicle_id IN :vehicles ORDER BY s.vehicle_id
    """
).bindparams(bindparam("vehicles", expanding=True))
_SHEET_CODES = text("SELECT id, code FROM spec_sheet WHERE fleet_id = :fleet ORDER BY id")
_VERSIONS = text(
    "SELECT spec_sheet_id, meter, MAX(version) AS version FROM use_pattern WHERE fleet_id = :fleet"
    " GROUP BY spec_sheet_id, meter"
)


def read_vehicles(session: ReadSession, fleet: int) -> Sequence[Row[Any]]:
    """Every vehicle with readings of more than one day: its type, time zone, and its first and last such UTC day."""
    return session.execute(_READ_VEHICLES, {"fleet": fleet}).all()


def sheet_codes(session: ReadSession, fleet: int) -> dict[int, str]:
    """The code of each spec sheet, by key."""
    return {row.id: row.code for row in session.execute(_SHEET_CODES, {"fleet": fleet})}


def versions(session: ReadSession, fleet: int) -> dict[tuple[int, int], int]:
    """The newest version of each type's and meter's pattern."""
    rows = session.execute(_VERSIONS, {"fleet": fleet})
    return {(row.spec_sheet_id, row.meter): row.version for row in rows}


def levels(session: ReadSession, fleet: int, vehicles: Sequence[int]) -> Sequence[Row[Any]]:
    """The type of vehicles, and how each meter stands, a row a vehicle."""
    return session.execute(_LEVELS, {"fleet": fleet, "vehicles": list(vehicles)}).all()


def stamp(session: ReadSession) -> tuple[int | None, int | None]:
    """The newest pattern and sheet version of any fleet: while they stay, so does what ``by_version`` gives."""
    row = session.execute(_STAMP).one()
    return row.pattern, row.version


def by_version(session: ReadSession) -> Sequence[Row[Any]]:
    """The newest pattern of each meter, a row a sheet version, of every fleet."""
    return session.execute(_BY_VERSION).all()


def standings_stamp(session: ReadSession, fleet: int) -> tuple[int, ...]:
    """Figures that change when a vehicle is concluded afresh, or read on a new day."""
    row = session.execute(_STANDINGS_STAMP, {"fleet": fleet}).one()
    return (int(row.vehicles), int(row.versions), int(row.days))
