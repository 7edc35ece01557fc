"""The SELECTs of jobs. A number of statements that does not grow with the jobs of a page or their entries."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Date, bindparam, text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from sqlalchemy import Row, TextClause

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

_COLUMNS = """
    j.id, j.vehicle_id, j.depot_id, j.spec_sheet_version_id, j.unit AS unit_then, j.state, j.waits_for, j.opened_by,
    j.opened_at_us, j.changed_at_us, j.closed_at_us, j.reference, j.note, j.frozen, j.work_done_id, j.version,
    d.code AS depot, d.time_zone, v.number AS sheet_version, s.id AS spec_sheet_id, s.code AS spec_sheet,
    (SELECT u.unit FROM unit_number u WHERE u.fleet_id = j.fleet_id AND u.vehicle_id = j.vehicle_id
     ORDER BY u.valid_from DESC, u.id DESC LIMIT 1) AS unit
    FROM job j
    JOIN depot d ON d.fleet_id = j.fleet_id AND d.id = j.depot_id
    JOIN spec_sheet_version v ON v.fleet_id = j.fleet_id AND v.id = j.spec_sheet_version_id
    JOIN spec_sheet s ON s.fleet_id = v.fleet_id AND s.id = v.spec_sheet_id
"""
_ONE = f"SELECT {_COLUMNS} WHERE j.fleet_id = :fleet AND j.id = :job"
_JOB = text(_ONE)
_JOB_LOCKED = {"sqlite": text(_ONE), "postgresql": text(f"{_ONE} FOR UPDATE OF j")}
_CONDITIONS = {
    "state": "j.state = :state",
    "depot": "d.code = :depot",
    "vehicle": "j.vehicle_id = :vehicle",
    "before": "j.id < :before",
}
_ENTRIES = text(
    """
    SELECT number, kind, by, noted_at_us, recorded_at_us, said FROM job_entry
    WHERE fleet_id = :fleet AND job_id = :job ORDER BY number
    """
)
_SERVICES = text(
    """
    SELECT job_id, service, is_named FROM job_service
    WHERE fleet_id = :fleet AND job_id IN :jobs ORDER BY job_id, service
    """
).bindparams(bindparam("jobs", expanding=True))
_OPEN_FOR = text(
    """
    SELECT job_id, service FROM job_service
    WHERE fleet_id = :fleet AND vehicle_id = :vehicle AND is_open AND service IN :services
    """
).bindparams(bindparam("services", expanding=True))
_DRAINS = text(
    """
    SELECT drained_15c_ml FROM job_drain
    WHERE fleet_id = :fleet AND spec_sheet_id = :sheet AND compartment = :compartment
    ORDER BY job_id DESC, number DESC LIMIT :most
    """
)
_FREE = text(
    """
    SELECT p.code, b.on_hand - b.reserved AS free FROM fluid_product p
    JOIN stock_item i ON i.fleet_id = p.fleet_id AND i.fluid_product_id = p.id
    JOIN stock_balance b ON b.fleet_id = i.fleet_id AND b.stock_item_id = i.id AND b.depot_id = :depot
    WHERE p.fleet_id = :fleet AND p.code IN :codes
    """
).bindparams(bindparam("codes", expanding=True))
_STATING = text(
    """
    SELECT p.code, p.kind, s.standard, s.service_class, s.grade FROM fluid_product p
    JOIN fluid_statement s ON s.fleet_id = p.fleet_id AND s.fluid_product_id = p.id
    WHERE p.fleet_id = :fleet AND p.withdrawn_at_us IS NULL AND EXISTS (
        SELECT 1 FROM fluid_statement t WHERE t.fleet_id = p.fleet_id AND t.fluid_product_id = p.id
          AND t.standard IN :standards
    )
    ORDER BY p.code, s.rank
    """
).bindparams(bindparam("standards", expanding=True))
_LOTS = text(
    """
    SELECT p.code, l.keeps_through_on FROM stock_lot l
    JOIN stock_item i ON i.fleet_id = l.fleet_id AND i.id = l.stock_item_id
    JOIN fluid_product p ON p.fleet_id = i.fleet_id AND p.id = i.fluid_product_id
    WHERE l.fleet_id = :fleet AND l.depot_id = :depot AND p.code = :product AND l.code = :lot AND l.on_hand > 0
    """
).columns(keeps_through_on=Date)


def job(session: ReadSession, fleet: int, key: int) -> Row[Any] | None:
    """One job with the names of its depot, sheet and vehicle; None where there is none."""
    return session.execute(_JOB, {"fleet": fleet, "job": key}).one_or_none()


def job_locked(session: WriteSession, fleet: int, key: int) -> Row[Any] | None:
    """As ``job``, kept from other writers until the unit of work ends; SQLite's one writer holds all already."""
    statement: TextClause = _JOB_LOCKED[session.get_bind().dialect.name]
    return session.execute(statement, {"fleet": fleet, "job": key}).one_or_none()


def jobs(session: ReadSession, fleet: int, asked: Mapping[str, Any], limit: int) -> Rows:
    """Jobs, the newest first.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        asked: ``state``, ``depot``, ``vehicle``, and ``before``: only keys below it.
        limit: Most jobs.
    """
    wheres = " AND ".join(["j.fleet_id = :fleet", *(_CONDITIONS[name] for name in asked)])
    statement = text(f"SELECT {_COLUMNS} WHERE {wheres} ORDER BY j.id DESC LIMIT :limit")
    return session.execute(statement, {"fleet": fleet, "limit": limit, **asked}).all()


def entries(session: ReadSession, fleet: int, key: int) -> Rows:
    """The entries of a job, by number."""
    return session.execute(_ENTRIES, {"fleet": fleet, "job": key}).all()


def services(session: ReadSession, fleet: int, keys: Sequence[int]) -> dict[int, list[tuple[str, bool]]]:
    """Services with whether they are named, by job."""
    found: dict[int, list[tuple[str, bool]]] = {key: [] for key in keys}
    if keys:
        for row in session.execute(_SERVICES, {"fleet": fleet, "jobs": list(keys)}):
            found[row.job_id].append((row.service, bool(row.is_named)))
    return found


def open_for(session: ReadSession, fleet: int, vehicle: int, codes: Sequence[str]) -> dict[str, int]:
    """The open job of a vehicle, by service."""
    asked = {"fleet": fleet, "vehicle": vehicle, "services": list(codes)}
    return {row.service: row.job_id for row in session.execute(_OPEN_FOR, asked)}


def drains(session: ReadSession, fleet: int, sheet: int, compartment: str, most: int) -> list[int]:
    """The newest drains of a compartment on vehicles of a type [mL]."""
    asked = {"fleet": fleet, "sheet": sheet, "compartment": compartment, "most": most}
    return [int(row.drained_15c_ml) for row in session.execute(_DRAINS, asked)]


def free_products(session: ReadSession, fleet: int, depot: int, codes: Sequence[str]) -> dict[str, int]:
    """What a depot has free of fluid products, by code [mL]; those that it never had are left out."""
    if not codes:
        return {}
    asked = {"fleet": fleet, "depot": depot, "codes": list(codes)}
    return {row.code: int(row.free) for row in session.execute(_FREE, asked)}


def lot_days(session: ReadSession, fleet: int, depot: int, product: str, lot: str) -> list[date | None]:
    """Through which days what a depot has of a lot of a fluid product keeps; None where nothing ends it."""
    asked = {"fleet": fleet, "depot": depot, "product": product, "lot": lot}
    return [row.keeps_through_on for row in session.execute(_LOTS, asked)]


def products_stating(session: ReadSession, fleet: int, standards: Sequence[str]) -> Rows:
    """Every statement of the products, none withdrawn, that state something of these standards, by product."""
    if not standards:
        return []
    return session.execute(_STATING, {"fleet": fleet, "standards": list(standards)}).all()
