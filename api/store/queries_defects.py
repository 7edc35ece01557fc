"""The SELECTs over defects and their steps, and the statement that moves one on.

Invariant: the statement that adds a step's outcome checks the state that the step starts from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
from sqlalchemy import bindparam, insert, text, update
from sqlmodel import col

from api.store.tables_defect import Defect, DefectStep

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

_COLUMNS = """
    d.id, d.vehicle_id, d.compartment, d.what, d.is_off_road, d.found_by, d.found_at_us, d.reference, d.state,
    d.assigned_to, d.recorded_at_us, d.withdrawn_at_us, d.withdrawn_by, d.withdrawn_reason,
    (SELECT u.unit FROM unit_number u WHERE u.fleet_id = d.fleet_id AND u.vehicle_id = d.vehicle_id
     ORDER BY u.valid_from DESC, u.id DESC LIMIT 1) AS unit
    FROM defect d
"""
_CONDITIONS = {
    "entry": "d.id = :entry",
    "vehicle": "d.vehicle_id = :vehicle",
    "before": "d.id < :before",
    "state": "d.state = :state",
    "is_off_road": "d.is_off_road = :is_off_road",
    "assigned_to": "d.assigned_to = :assigned_to",
    "reference": "d.reference = :reference",
    "depot": (
        "EXISTS (SELECT 1 FROM vehicle v JOIN depot p ON p.fleet_id = v.fleet_id AND p.id = v.depot_id"
        " WHERE v.fleet_id = d.fleet_id AND v.id = d.vehicle_id AND p.code = :depot)"
    ),
}
_STEPS = text(
    """
    SELECT defect_id, step, taken_by, taken_at_us, assigned_to, note, recorded_at_us FROM defect_step
    WHERE fleet_id = :fleet AND defect_id IN :defects ORDER BY defect_id, id
    """
).bindparams(bindparam("defects", expanding=True))
# The same text for any number of vehicles, so that it is put together once.
_LISTED = {
    "sqlite": "(SELECT value FROM json_each(:vehicles))",
    "postgresql": "(SELECT CAST(value AS integer) FROM json_array_elements_text(CAST(:vehicles AS json)))",
}
_STANDING_QUERIES = {
    dialect: text(
        f"SELECT {_COLUMNS} WHERE d.fleet_id = :fleet AND d.vehicle_id IN {listed}"
        " AND d.state IN ('open', 'seen_to') AND d.withdrawn_at_us IS NULL ORDER BY d.id"
    )
    for dialect, listed in _LISTED.items()
}


def defects(
    session: ReadSession, fleet: int, asked: Mapping[str, Any], *, has_withdrawn: bool, limit: int | None
) -> Rows:
    """Defects with their vehicle's newest unit number, the newest recorded first.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        asked: Values of ``entry``, ``vehicle``, ``depot``, ``state``, ``is_off_road``, ``assigned_to``,
            ``reference``, and ``before``: only keys below it.
        has_withdrawn: Whether withdrawn ones are among them.
        limit: Most defects; None: all.
    """
    wheres = ["d.fleet_id = :fleet", *(_CONDITIONS[name] for name in asked)]
    if not has_withdrawn:
        wheres.append("d.withdrawn_at_us IS NULL")
    most = "" if limit is None else " LIMIT :limit"
    statement = f"SELECT {_COLUMNS} WHERE {' AND '.join(wheres)} ORDER BY d.id DESC{most}"
    named = {"fleet": fleet, **asked} if limit is None else {"fleet": fleet, "limit": limit, **asked}
    return session.execute(text(statement), named).all()


def standing(session: ReadSession, fleet: int, vehicles: Sequence[int]) -> Rows:
    """Defects of vehicles that are not released, the oldest first; one statement for any number of them."""
    statement = _STANDING_QUERIES[session.get_bind().dialect.name]
    return session.execute(
        statement, {"fleet": fleet, "vehicles": msgspec.json.encode(list(vehicles)).decode()}
    ).all()


def steps(session: ReadSession, fleet: int, keys: Sequence[int]) -> Rows:
    """The steps of defects, in the order in which they were entered."""
    if not keys:
        return []
    return session.execute(_STEPS, {"fleet": fleet, "defects": list(keys)}).all()


def add(session: WriteSession, fleet: int, values: Mapping[str, Any]) -> int:
    """The key of a new defect with these columns."""
    added = session.execute(insert(Defect).values(fleet_id=fleet, **values).returning(col(Defect.id)))
    return int(added.scalar_one() or 0)


def add_step(session: WriteSession, fleet: int, defect: int, values: Mapping[str, Any]) -> None:
    """Add a step with these columns."""
    session.execute(insert(DefectStep).values(fleet_id=fleet, defect_id=defect, **values))


def move(session: WriteSession, fleet: int, defect: int, *, state: str, values: Mapping[str, Any]) -> bool:
    """Whether the defect stood in that state, not withdrawn, and has these columns now.

    Args:
        session: The unit of work.
        fleet: The fleet.
        defect: The defect.
        state: The state that the change starts from.
        values: Columns to set.
    """
    changed = session.execute(
        update(Defect)
        .where(
            col(Defect.fleet_id) == fleet,
            col(Defect.id) == defect,
            col(Defect.state) == state,
            col(Defect.withdrawn_at_us).is_(None),
        )
        .values(**values)
        .returning(col(Defect.id)),
        execution_options={"synchronize_session": False},
    )
    return changed.first() is not None
