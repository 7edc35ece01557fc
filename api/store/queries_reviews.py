"""The SELECTs of readings that wait for a person: those held, and those that wait under a unit number."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import text

from api.store.codes import ReadingVerdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

# The status stands as a number so that the index of held readings serves it, in its order.
_HELD = """
    SELECT r.vehicle_id, n.unit, d.code AS depot, r.meter, r.at_us, r.source_id, s.code AS source, r.figure, r.life,
           r.status, r.reason, r.recorded_at_us
    FROM reading r
    JOIN standing n ON n.fleet_id = r.fleet_id AND n.vehicle_id = r.vehicle_id
    JOIN depot d ON d.fleet_id = n.fleet_id AND d.id = n.depot_id
    JOIN reading_source s ON s.fleet_id = r.fleet_id AND s.id = r.source_id
    WHERE r.fleet_id = :fleet AND r.status = 2
      AND (r.vehicle_id, r.meter, r.at_us, r.source_id, r.figure) > (:vehicle, :meter, :at_us, :source, :figure)
"""
_HELD_ORDER = " ORDER BY r.vehicle_id, r.meter, r.at_us, r.source_id, r.figure LIMIT :limit"
_HELD_CONDITIONS = {
    "unit": " AND r.vehicle_id IN (SELECT u.vehicle_id FROM unit_number u"
    " WHERE u.fleet_id = :fleet AND u.unit = :unit)",
    "depot": " AND d.code = :depot",
    "only_meter": " AND r.meter = :only_meter",
    "reason": " AND r.reason = :reason",
}

_WAITING = f"""
    SELECT w.id, w.unit, w.meter, w.at_us, w.source_id, s.code AS source, w.figure, w.recorded_at_us,
           EXISTS (SELECT 1 FROM unit_number u WHERE u.fleet_id = w.fleet_id AND u.unit = w.unit) AS is_known
    FROM unplaced_reading w
    JOIN reading_source s ON s.fleet_id = w.fleet_id AND s.id = w.source_id
    WHERE w.fleet_id = :fleet
      AND COALESCE((SELECT d.decision FROM reading_decision d
            WHERE d.fleet_id = w.fleet_id AND d.unit = w.unit AND d.at_us = w.at_us AND d.meter = w.meter
              AND d.source_id = w.source_id AND d.figure = w.figure
            ORDER BY d.id DESC LIMIT 1), 0) <> {ReadingVerdict.DISCARDED.value}
"""  # noqa: S608 - a code of the program's own
_AFTER = " AND (w.unit, w.meter, w.at_us, w.source_id, w.figure) > (:after, :meter, :at_us, :source, :figure)"
_WAITING_ORDER = " ORDER BY w.unit, w.meter, w.at_us, w.source_id, w.figure LIMIT :limit"
_KNOWN = "EXISTS (SELECT 1 FROM unit_number u WHERE u.fleet_id = w.fleet_id AND u.unit = w.unit)"
_WAITING_CONDITIONS = {
    "unit": " AND w.unit = :unit",
    "only_meter": " AND w.meter = :only_meter",
    "is_known": f" AND CASE WHEN {_KNOWN} THEN 1 ELSE 0 END = :is_known",
}

_ONE = text(
    """
    SELECT r.vehicle_id, n.unit, d.code AS depot, r.meter, r.at_us, r.source_id, s.code AS source, r.figure, r.life,
           r.status, r.reason, r.recorded_at_us
    FROM reading r
    JOIN standing n ON n.fleet_id = r.fleet_id AND n.vehicle_id = r.vehicle_id
    JOIN depot d ON d.fleet_id = n.fleet_id AND d.id = n.depot_id
    JOIN reading_source s ON s.fleet_id = r.fleet_id AND s.id = r.source_id
    WHERE r.fleet_id = :fleet AND r.day = :day AND r.vehicle_id = :vehicle AND r.meter = :meter
      AND r.at_us = :at_us AND r.source_id = :source AND r.figure = :figure
    """
)
_ONE_WAITING = (
    "SELECT w.id, w.unit, w.meter, w.at_us, w.source_id, s.code AS source, w.figure, w.recorded_at_us,"  # noqa: S608 - as above
    f" {_KNOWN} AS is_known FROM unplaced_reading w"
    " JOIN reading_source s ON s.fleet_id = w.fleet_id AND s.id = w.source_id"
    " WHERE w.fleet_id = :fleet AND w.id = :id"
)
_ONE_WAITING_QUERIES = {
    "sqlite": text(_ONE_WAITING),
    "postgresql": text(f"{_ONE_WAITING} FOR UPDATE OF w"),
}
_LOCK = {
    "sqlite": text("SELECT 1 FROM standing WHERE fleet_id = :fleet AND vehicle_id = :vehicle"),
    "postgresql": text("SELECT 1 FROM standing WHERE fleet_id = :fleet AND vehicle_id = :vehicle FOR UPDATE"),
}
_DECISIONS = """
    SELECT id, decision, meant_figure, decided_by, why, recorded_at_us FROM reading_decision
    WHERE fleet_id = :fleet AND {} AND meter = :meter AND at_us = :at_us AND source_id = :source
      AND figure = :figure ORDER BY id
"""
_DECISIONS_OF = text(_DECISIONS.format("vehicle_id = :owner"))
_DECISIONS_UNDER = text(_DECISIONS.format("unit = :owner"))


def held_page(session: ReadSession, asked: dict[str, Any], filters: dict[str, Any]) -> Rows:
    """A page of held readings in order of vehicle, meter, instant, source and figure.

    Args:
        session: Any unit of work.
        asked: fleet, limit, and the position after which the page begins (vehicle, meter, at_us, source, figure).
        filters: Any of unit, depot, only_meter, reason.
    """
    wheres = "".join(_HELD_CONDITIONS[name] for name in filters)
    return session.execute(text(_HELD + wheres + _HELD_ORDER), asked | filters).all()


def waiting_page(session: ReadSession, asked: dict[str, Any], filters: dict[str, Any]) -> Rows:
    """A page of readings that wait under a unit number, in order of number, meter, instant, source and figure.

    Args:
        session: Any unit of work.
        asked: fleet, limit, and the position after which the page begins (after: a unit number; meter, at_us, source,
            figure).
        filters: Any of unit, only_meter, is_known (1: a vehicle carries or carried the number).
    """
    wheres = "".join(_WAITING_CONDITIONS[name] for name in filters)
    return session.execute(text(_WAITING + _AFTER + wheres + _WAITING_ORDER), asked | filters).all()


def placed_reading(session: ReadSession, asked: dict[str, Any]) -> Any | None:
    """One reading of a vehicle (fleet, day, vehicle, meter, at_us, source, figure); None where there is none."""
    return session.execute(_ONE, asked).first()


def waiting_reading(session: ReadSession, fleet: int, key: int, *, is_locking: bool = False) -> Any | None:
    """One reading that waits under a unit number; None where there is none.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        key: The reading.
        is_locking: Whether it is kept from other writers, where rows can be.
    """
    dialect = session.get_bind().dialect.name if is_locking else "sqlite"
    return session.execute(_ONE_WAITING_QUERIES[dialect], {"fleet": fleet, "id": key}).first()


def lock_vehicle(session: WriteSession, fleet: int, vehicle: int) -> bool:
    """Whether the vehicle is there; nobody else stores readings of it until the unit of work ends."""
    statement = _LOCK[session.get_bind().dialect.name]
    return session.execute(statement, {"fleet": fleet, "vehicle": vehicle}).first() is not None


def decisions_on(session: ReadSession, asked: dict[str, Any], *, is_placed: bool) -> Rows:
    """Decisions on one reading (fleet, owner, meter, at_us, source, figure) in order of time.

    Args:
        session: Any unit of work.
        asked: The reading; its owner is a vehicle's key, or the unit number that it waits under.
        is_placed: Which of the two.
    """
    return session.execute(_DECISIONS_OF if is_placed else _DECISIONS_UNDER, asked).all()
