"""The SELECTs that gather what has happened to vehicles. A number of statements that does not grow with them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, text

from api.store.codes import ReadingStatus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

# A fact holds for a question from its recording up to its withdrawal.
_KNOWN = "recorded_at_us <= :known AND (withdrawn_at_us IS NULL OR withdrawn_at_us > :known)"

_VEHICLES = text(
    """
    SELECT v.id, v.spec_sheet_id, v.depot_id, d.code AS depot, d.time_zone, v.model_year, v.engine, v.vin,
           v.serial_number, v.in_service_on, v.is_known_from_new, v.retired_on, v.recorded_at_us, f.stale_days,
           (SELECT u.unit FROM unit_number u WHERE u.fleet_id = v.fleet_id AND u.vehicle_id = v.id
            ORDER BY u.valid_from DESC, u.id DESC LIMIT 1) AS unit,
           COALESCE(
             (SELECT s.id FROM spec_sheet_version s WHERE s.fleet_id = v.fleet_id
                AND s.spec_sheet_id = v.spec_sheet_id AND s.recorded_at_us <= :sheet_known
              ORDER BY s.number DESC LIMIT 1),
             (SELECT s.id FROM spec_sheet_version s WHERE s.fleet_id = v.fleet_id
                AND s.spec_sheet_id = v.spec_sheet_id ORDER BY s.number LIMIT 1)) AS spec_sheet_version_id
    FROM vehicle v
    JOIN depot d ON d.fleet_id = v.fleet_id AND d.id = v.depot_id
    JOIN fleet f ON f.id = v.fleet_id
    WHERE v.fleet_id = :fleet AND v.id IN :vehicles ORDER BY v.id
    """
).bindparams(bindparam("vehicles", expanding=True))

_SEGMENTS = text(
    f"""
    SELECT vehicle_id, meter, fitted_at_us, removed_at_us, life_offset, unit FROM meter_segment
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles AND {_KNOWN} ORDER BY vehicle_id, meter, fitted_at_us, id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_DUTY = text(
    f"""
    SELECT vehicle_id, condition, share, from_on, through_on FROM duty_entry
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles AND {_KNOWN} ORDER BY vehicle_id, id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_WORK = text(
    f"""
    SELECT w.vehicle_id, w.id, w.done_at_us, w.done_on, w.figures, w.is_from_papers, s.service, s.restored_share
    FROM work_done w
    JOIN work_service s ON s.fleet_id = w.fleet_id AND s.work_done_id = w.id AND s.is_completed
    WHERE w.fleet_id = :fleet AND w.vehicle_id IN :vehicles AND {_KNOWN} ORDER BY w.vehicle_id, w.id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_EXCHANGES = text(
    f"""
    SELECT vehicle_id, id, compartment, exchanged_at_us, exchanged_on, figures FROM component_exchange
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles AND {_KNOWN} ORDER BY vehicle_id, id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_DEFERRALS = text(
    f"""
    SELECT vehicle_id, id, service, granted_on, authority, reason, limits FROM deferral
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles AND {_KNOWN} ORDER BY vehicle_id, id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_BOUNDS = text(
    """
    SELECT MIN(first_day) AS first_day, MAX(last_day) AS last_day FROM standing
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles
    """
).bindparams(bindparam("vehicles", expanding=True))

# Locked in the order of their keys, so that two writers never wait for each other in a ring.
_DAYS_OF = (
    "SELECT vehicle_id, first_day, last_day FROM standing"
    " WHERE fleet_id = :fleet AND vehicle_id IN :vehicles ORDER BY vehicle_id"
)
_DAYS_QUERIES = {
    "sqlite": text(_DAYS_OF).bindparams(bindparam("vehicles", expanding=True)),
    "postgresql": text(f"{_DAYS_OF} FOR UPDATE").bindparams(bindparam("vehicles", expanding=True)),
}

# Readings are keyed by day: each day is sought by itself, which costs microseconds, instead of scanning the fleet.
_DAYS = """
    WITH RECURSIVE days(day) AS (
      SELECT CAST(:first AS INTEGER) UNION ALL SELECT day + 1 FROM days WHERE day < :last)
"""
_DAY_LASTS = text(
    f"""
    {_DAYS}
    SELECT r.vehicle_id, r.meter, MAX(r.at_us) AS at_us, MAX(r.life) AS life
    FROM days CROSS JOIN reading r
    WHERE r.fleet_id = :fleet AND r.day = days.day AND r.vehicle_id IN :vehicles AND r.status = :accepted
    GROUP BY r.vehicle_id, r.meter, r.day ORDER BY r.vehicle_id, r.meter, r.day
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_COLUMNS = """
    r.vehicle_id, r.day, r.meter, r.at_us, r.source_id, r.figure, r.life, r.status, r.reason, r.recorded_at_us,
    r.withdrawn_at_us, r.is_settled, s.device_since_us
"""
_SOURCES = "JOIN reading_source s ON s.fleet_id = r.fleet_id AND s.id = r.source_id"
_ALL_READINGS = text(
    f"""
    {_DAYS}
    SELECT {_COLUMNS}
    FROM days CROSS JOIN reading r {_SOURCES}
    WHERE r.fleet_id = :fleet AND r.day = days.day AND r.vehicle_id IN :vehicles
    ORDER BY r.vehicle_id, r.meter, r.at_us, r.life, r.source_id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_READINGS_OF = text(
    f"""
    {_DAYS}
    SELECT {_COLUMNS}
    FROM days CROSS JOIN reading r {_SOURCES}
    WHERE r.fleet_id = :fleet AND r.day = days.day AND r.vehicle_id = :vehicle AND r.meter = :meter
    ORDER BY r.at_us, r.life, r.source_id
    """  # noqa: S608 - a constant of this module
)

# The status stands as a number so that the index of held readings serves it.
_HELD_READINGS = text(
    f"""
    SELECT {_COLUMNS}
    FROM reading r {_SOURCES}
    WHERE r.fleet_id = :fleet AND r.status = 2 AND r.vehicle_id IN :vehicles
    ORDER BY r.vehicle_id, r.meter, r.at_us
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_FIRST_DAYS = text(
    "SELECT id, in_service_on FROM vehicle WHERE fleet_id = :fleet AND id IN :vehicles ORDER BY id"
).bindparams(bindparam("vehicles", expanding=True))


def vehicles(session: ReadSession, fleet: int, keys: Sequence[int], sheet_known: int) -> Rows:
    """The vehicles of these keys with depot, newest unit number and the sheet version in force at an instant [us]."""
    return _rows(session, _VEHICLES, fleet, keys, sheet_known=sheet_known)


def segments(session: ReadSession, fleet: int, keys: Sequence[int], known: int) -> Rows:
    """The meter segments of vehicles."""
    return _rows(session, _SEGMENTS, fleet, keys, known=known)


def duty(session: ReadSession, fleet: int, keys: Sequence[int], known: int) -> Rows:
    """The duty entries of vehicles."""
    return _rows(session, _DUTY, fleet, keys, known=known)


def work(session: ReadSession, fleet: int, keys: Sequence[int], known: int) -> Rows:
    """The completed services of vehicles, one row a visit and service."""
    return _rows(session, _WORK, fleet, keys, known=known)


def exchanges(session: ReadSession, fleet: int, keys: Sequence[int], known: int) -> Rows:
    """The component exchanges of vehicles."""
    return _rows(session, _EXCHANGES, fleet, keys, known=known)


def deferrals(session: ReadSession, fleet: int, keys: Sequence[int], known: int) -> Rows:
    """The deferrals of vehicles."""
    return _rows(session, _DEFERRALS, fleet, keys, known=known)


def reading_days(session: ReadSession, fleet: int, keys: Sequence[int]) -> tuple[int, int] | None:
    """The first and the last UTC day on which any of these vehicles has a reading; None where none has."""
    (row,) = _rows(session, _BOUNDS, fleet, keys)
    return None if row.first_day is None else (row.first_day, row.last_day)


def locked_days(session: WriteSession, fleet: int, keys: Sequence[int]) -> Rows:
    """First and last UTC day with readings, a row a vehicle; their standings are locked where rows can be."""
    return _rows(session, _DAYS_QUERIES[session.get_bind().dialect.name], fleet, keys)


def day_lasts(session: ReadSession, fleet: int, keys: Sequence[int], days: tuple[int, int]) -> Rows:
    """The last accepted reading of each vehicle, meter and UTC day (life-to-date never falls along accepted ones)."""
    return _rows(
        session, _DAY_LASTS, fleet, keys, first=days[0], last=days[1], accepted=int(ReadingStatus.ACCEPTED)
    )


def all_readings(session: ReadSession, fleet: int, keys: Sequence[int], days: tuple[int, int]) -> Rows:
    """Every stored reading of vehicles over these UTC days, in order of vehicle, meter and time."""
    return _rows(session, _ALL_READINGS, fleet, keys, first=days[0], last=days[1])


def readings_of(session: ReadSession, fleet: int, vehicle: int, meter: int, days: tuple[int, int]) -> Rows:
    """Every stored reading of one meter of a vehicle over these UTC days, in order of time."""
    asked = {"fleet": fleet, "vehicle": vehicle, "meter": meter, "first": days[0], "last": days[1]}
    return session.execute(_READINGS_OF, asked).all()


def held_readings(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """Every held reading of vehicles, in order of vehicle, meter and time."""
    return _rows(session, _HELD_READINGS, fleet, keys)


def first_days(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """The first day of vehicles."""
    return _rows(session, _FIRST_DAYS, fleet, keys)


def _rows(session: ReadSession, statement: Any, fleet: int, keys: Sequence[int], **more: int) -> Rows:
    return session.execute(statement, {"fleet": fleet, "vehicles": list(keys), **more}).all()
