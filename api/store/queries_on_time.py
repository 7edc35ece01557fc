"""The SELECT of visits whose timing is asked for: standing work of a span, not from papers, in order of entry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import Date, bindparam, text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession

_COLUMNS = """
    w.id, w.vehicle_id, w.spec_sheet_version_id, d.code AS depot,
    (SELECT u.unit FROM unit_number u WHERE u.fleet_id = w.fleet_id AND u.vehicle_id = w.vehicle_id
     ORDER BY u.valid_from DESC, u.id DESC LIMIT 1) AS unit
    FROM work_done w
    JOIN vehicle v ON v.fleet_id = w.fleet_id AND v.id = w.vehicle_id
    JOIN depot d ON d.fleet_id = v.fleet_id AND d.id = v.depot_id
"""
_CONDITIONS = {
    "after": "w.id > :after",
    "vehicle": "w.vehicle_id = :vehicle",
    "depot": "d.code = :depot",
}


def visits(session: ReadSession, fleet: int, asked: Mapping[str, Any], limit: int) -> Sequence[Row[Any]]:
    """Visits with their vehicle's depot and newest unit number, in the order in which they were entered.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        asked: ``from_on`` and ``through_on``; ``vehicle``, ``depot``, and ``after``: only keys above it.
        limit: Most visits.
    """
    wheres = [
        "w.fleet_id = :fleet",
        "w.withdrawn_at_us IS NULL",
        "NOT w.is_from_papers",
        "w.done_on >= :from_on",
        "w.done_on <= :through_on",
        *(_CONDITIONS[name] for name in asked if name in _CONDITIONS),
    ]
    statement = text(f"SELECT {_COLUMNS} WHERE {' AND '.join(wheres)} ORDER BY w.id LIMIT :limit")
    dated = statement.bindparams(bindparam("from_on", type_=Date()), bindparam("through_on", type_=Date()))
    return session.execute(dated, {"fleet": fleet, "limit": limit, **asked}).all()
