"""The SELECTs over work done. A number of statements that does not grow with the entries of a page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Date, bindparam, select, text
from sqlmodel import col

from api.store.codes import ReadingStatus
from api.store.tables_vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Row, TextClause

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

_COLUMNS = """
    w.id, w.vehicle_id, w.spec_sheet_version_id, w.done_at_us, w.done_on, w.figures, w.is_from_papers,
    w.reference, w.note, w.recorded_at_us, w.withdrawn_at_us, w.withdrawn_reason,
    s.code AS spec_sheet, v.number AS sheet_version, undone.corrected_by AS withdrawn_by,
    undone.work_done_id AS corrected_by_entry, made.corrects_id, made.corrected_by, made.why AS corrected_why,
    (SELECT u.unit FROM unit_number u WHERE u.fleet_id = w.fleet_id AND u.vehicle_id = w.vehicle_id
     ORDER BY u.valid_from DESC, u.id DESC LIMIT 1) AS unit
    FROM work_done w
    JOIN spec_sheet_version v ON v.fleet_id = w.fleet_id AND v.id = w.spec_sheet_version_id
    JOIN spec_sheet s ON s.fleet_id = v.fleet_id AND s.id = v.spec_sheet_id
    LEFT JOIN work_correction undone ON undone.fleet_id = w.fleet_id AND undone.corrects_id = w.id
    LEFT JOIN work_correction made ON made.fleet_id = w.fleet_id AND made.work_done_id = w.id
"""
_CONDITIONS = {
    "vehicle": "w.vehicle_id = :vehicle",
    "from_on": "w.done_on >= :from_on",
    "through_on": "w.done_on <= :through_on",
    "before": "w.id < :before",
    "service": (
        "EXISTS (SELECT 1 FROM work_service x WHERE x.fleet_id = w.fleet_id AND x.work_done_id = w.id"
        " AND x.service = :service)"
    ),
}
_ENTRY = text(f"SELECT {_COLUMNS} WHERE w.fleet_id = :fleet AND w.id = :entry")


def _of_entries(statement: str) -> TextClause:
    return text(statement).bindparams(bindparam("entries", expanding=True))


_SERVICES = _of_entries(
    """
    SELECT work_done_id, service, is_named, is_completed, restored_share FROM work_service
    WHERE fleet_id = :fleet AND work_done_id IN :entries ORDER BY work_done_id, service
    """
)
_TASKS = _of_entries(
    """
    SELECT work_done_id, task, is_done FROM work_task
    WHERE fleet_id = :fleet AND work_done_id IN :entries ORDER BY work_done_id, task
    """
)
_FLUIDS = _of_entries(
    """
    SELECT f.work_done_id, f.compartment, f.drained_ml, f.filled_ml, r.code AS fluid_requirement
    FROM work_fluid f
    LEFT JOIN fluid_requirement r ON r.fleet_id = f.fleet_id AND r.id = f.fluid_requirement_id
    WHERE f.fleet_id = :fleet AND f.work_done_id IN :entries ORDER BY f.work_done_id, f.compartment
    """
)
_SIGNATURES = text(
    """
    SELECT j.work_done_id, e.kind, e.said FROM job j
    JOIN job_entry e ON e.fleet_id = j.fleet_id AND e.job_id = j.id AND e.kind = 'signed_off'
    WHERE j.fleet_id = :fleet AND j.vehicle_id = :vehicle AND j.work_done_id IS NOT NULL
    """
)
_REPEATED = text(
    """
    SELECT w.id, s.service FROM work_done w
    JOIN work_service s ON s.fleet_id = w.fleet_id AND s.work_done_id = w.id AND s.is_named
    WHERE w.fleet_id = :fleet AND w.vehicle_id = :vehicle AND w.done_at_us = :at_us
      AND w.withdrawn_at_us IS NULL
    """
)
_ACCEPTED_ON = text(
    """
    SELECT meter, at_us, life FROM reading
    WHERE fleet_id = :fleet AND day = :day AND vehicle_id = :vehicle AND status = :accepted
    """
)
_VERSIONS = text(
    """
    SELECT id, recorded_at_us FROM spec_sheet_version
    WHERE fleet_id = :fleet AND spec_sheet_id = :sheet ORDER BY number
    """
)
_REQUIREMENTS = text(
    "SELECT code, id FROM fluid_requirement WHERE fleet_id = :fleet AND code IN :codes"
).bindparams(bindparam("codes", expanding=True))


def entry(session: ReadSession, fleet: int, key: int) -> Row[Any] | None:
    """One entry with its vehicle's newest unit number and its sheet version; None where there is none."""
    return session.execute(_ENTRY, {"fleet": fleet, "entry": key}).one_or_none()


def entries(session: ReadSession, fleet: int, asked: Mapping[str, Any], limit: int) -> Rows:
    """Entries, the newest recorded first.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        asked: ``vehicle``, ``service``, ``from_on``, ``through_on``, and ``before``: only keys below it.
        limit: Most entries.
    """
    wheres = " AND ".join(["w.fleet_id = :fleet", *(_CONDITIONS[name] for name in asked)])
    days = [bindparam(name, type_=Date()) for name in ("from_on", "through_on") if name in asked]
    statement = text(f"SELECT {_COLUMNS} WHERE {wheres} ORDER BY w.id DESC LIMIT :limit").bindparams(*days)
    return session.execute(statement, {"fleet": fleet, "limit": limit, **asked}).all()


def services(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """The services of entries, named and included."""
    return session.execute(_SERVICES, {"fleet": fleet, "entries": list(keys)}).all()


def tasks(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """The tasks of entries, done and left undone."""
    return session.execute(_TASKS, {"fleet": fleet, "entries": list(keys)}).all()


def fluids(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """What entries drained and filled, with the requirement's code."""
    return session.execute(_FLUIDS, {"fleet": fleet, "entries": list(keys)}).all()


def signatures(session: ReadSession, fleet: int, vehicle: int) -> Rows:
    """How jobs on a vehicle were signed off (``kind``, ``said``), by the entry that each made."""
    return session.execute(_SIGNATURES, {"fleet": fleet, "vehicle": vehicle}).all()


def standing_entries_at(session: ReadSession, fleet: int, vehicle: int, at_us: int) -> dict[int, set[str]]:
    """Services named by the entries of a vehicle at an instant that are not withdrawn, by entry."""
    found: dict[int, set[str]] = {}
    for row in session.execute(_REPEATED, {"fleet": fleet, "vehicle": vehicle, "at_us": at_us}):
        found.setdefault(row.id, set()).add(row.service)
    return found


def accepted_readings_on(session: ReadSession, fleet: int, vehicle: int, day: int) -> Rows:
    """Every accepted reading of a vehicle on one UTC day (days since 1970)."""
    asked = {"fleet": fleet, "vehicle": vehicle, "day": day, "accepted": int(ReadingStatus.ACCEPTED)}
    return session.execute(_ACCEPTED_ON, asked).all()


def lock_vehicle(session: WriteSession, fleet: int, vehicle: int) -> None:
    """Hold a vehicle until the unit of work ends; SQLite's one writer holds everything already."""
    session.execute(
        select(col(Vehicle.id))
        .where(col(Vehicle.fleet_id) == fleet, col(Vehicle.id) == vehicle)
        .with_for_update(key_share=True)
    )


def sheet_versions(session: ReadSession, fleet: int, sheet: int) -> Rows:
    """The versions of a sheet with the instants of their recording, oldest first."""
    return session.execute(_VERSIONS, {"fleet": fleet, "sheet": sheet}).all()


def fluid_requirement_keys(session: ReadSession, fleet: int, codes: Sequence[str]) -> dict[str, int]:
    """The keys of fluid requirements by code; a code that the fleet does not keep is left out."""
    if not codes:
        return {}
    rows = session.execute(_REQUIREMENTS, {"fleet": fleet, "codes": list(codes)})
    return {row.code: row.id for row in rows}
