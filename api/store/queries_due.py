"""The SELECTs of the due list: vehicles by their next date, with those due points that may be listed.

The conditions on lines are a superset, decided to within a day: the domain judges each line exactly. The
order of the join is pinned (vehicles first), since one ANALYZE can otherwise turn it round and cost twenty
times as much.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sqlalchemy import Date, bindparam, text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession

_METERS = ("odometer_m", "engine_s", "second_engine_s", "power_take_off_s", "idle_s", "fuel_ml")


def _day(column: str) -> str:
    return f"{column.rpartition('_')[0]}_on"


def _reached(column: str) -> str:
    """Whether a due point on a meter may be reached by the horizon."""
    idle = ""
    if column == "odometer_m":
        idle = (
            " + COALESCE(d.idle_m_per_h * (s.idle_s + COALESCE(s.idle_s_per_day, 0)"
            " * (:horizon + 1 - s.idle_on)) / 3600.0, 0)"
        )
    return f"d.{column} <= s.{column} + COALESCE(s.{column}_per_day, 0) * (:horizon + 1 - s.{_day(column)}) + 1{idle}"


_LINE = " OR ".join(
    (
        "d.is_always_listed",
        "d.due_on <= :horizon",
        *(_reached(column) for column in _METERS),
        "(d.has_meter AND s.stale_on <= :as_of)",
        "d.odometer_m <= s.odometer_m + :window_m + COALESCE(d.idle_m_per_h * s.idle_s / 3600.0, 0) + 1",
    )
)
_COLUMNS = ", ".join(
    (
        "vehicle_id",
        "unit",
        "depot_id",
        "spec_sheet_version_id",
        "next_due_on",
        "stale_on",
        "usage",
        *(f"{c}, {_day(c)}, {c}_per_day" for c in _METERS),
    )
)
_IS_DUE = (
    "(s.next_due_on <= :horizon OR s.least_odometer_m <= s.odometer_m + :window_m"
    " OR (:window_m > 0 AND EXISTS (SELECT 1 FROM due_point d WHERE d.fleet_id = s.fleet_id"
    " AND d.vehicle_id = s.vehicle_id AND d.idle_m_per_h IS NOT NULL"
    " AND d.odometer_m <= s.odometer_m + :window_m + d.idle_m_per_h * s.idle_s / 3600.0 + 1)))"
)


@dataclass(frozen=True, slots=True)
class Walk:
    """Which vehicles to walk, and from where.

    Attributes:
        is_silent: False: vehicles with something due by the horizon, by that date; True: the others whose readings are
            stale, by the date on which they became so.
        after: (date, vehicle) after which the walk begins.
        limit: Most vehicles.
    """

    is_silent: bool
    after: tuple[int, int]
    limit: int


@dataclass(frozen=True, slots=True)
class Filter:
    """Which lines may be listed.

    Attributes:
        fleet: The fleet.
        as_of: Ordinal of the day asked about.
        horizon: Ordinal of the last day of the window.
        window_m: Window on the odometer [m]; None: none.
        depot: Only this depot.
        spec_sheet: Only this type.
        service: Only this service.
        vehicle: Only this vehicle.
    """

    fleet: int
    as_of: int
    horizon: int
    window_m: int | None = None
    depot: int | None = None
    spec_sheet: int | None = None
    service: str | None = None


def walked(session: ReadSession, ask: Filter, walk: Walk) -> Sequence[Row[Any]]:
    """The vehicles of a walk in its order, each with those of its due points that may be listed, by service.

    A vehicle none of whose due points may be listed stands with ``service`` None, so that a walk always moves on.
    """
    key = "stale_on" if walk.is_silent else "next_due_on"
    chosen = ["s.fleet_id = :fleet"]
    if walk.is_silent:
        chosen += ["s.stale_on <= :as_of", f"NOT {_is_due(ask)}"]
    else:
        chosen.append(_is_due(ask))
    # Spelt out, since SQLite seeks the index by the first half alone.
    chosen.append(f"s.{key} >= :after_day AND (s.{key} > :after_day OR s.vehicle_id > :after_vehicle)")
    if ask.depot is not None:
        chosen.append("s.depot_id = :depot")
    if ask.spec_sheet is not None:
        chosen.append(
            "s.spec_sheet_version_id IN (SELECT id FROM spec_sheet_version"
            " WHERE fleet_id = :fleet AND spec_sheet_id = :spec_sheet)"
        )
    line = f"({_line(ask)})"
    if ask.service is not None:
        line += " AND d.service = :service"
        chosen.append(
            "EXISTS (SELECT 1 FROM due_point d WHERE d.fleet_id = :fleet AND d.vehicle_id = s.vehicle_id"
            f" AND {line})"
        )
    sql = f"""
        SELECT s.*, d.service, d.detail,
               (SELECT u.unit FROM unit_number u WHERE u.fleet_id = :fleet AND u.vehicle_id = s.vehicle_id
                  AND u.valid_from <= :as_of_on ORDER BY u.valid_from DESC LIMIT 1) AS unit_then
        FROM (SELECT {_COLUMNS} FROM standing s WHERE {" AND ".join(chosen)}
              ORDER BY s.{key}, s.vehicle_id LIMIT :limit) s
        LEFT JOIN due_point d ON d.fleet_id = :fleet AND d.vehicle_id = s.vehicle_id AND {line}
        ORDER BY s.{key}, s.vehicle_id, d.service
    """  # noqa: S608 - every part is a constant of this module, values are bound
    values: dict[str, Any] = {
        "fleet": ask.fleet,
        "as_of": ask.as_of,
        "as_of_on": date.fromordinal(ask.as_of),
        "horizon": ask.horizon,
        "window_m": ask.window_m,
        "depot": ask.depot,
        "spec_sheet": ask.spec_sheet,
        "service": ask.service,
        "after_day": walk.after[0],
        "after_vehicle": walk.after[1],
        "limit": walk.limit,
    }
    statement = text(sql).bindparams(bindparam("as_of_on", type_=Date))
    return session.execute(statement, {name: v for name, v in values.items() if f":{name}" in sql}).all()


def _is_due(ask: Filter) -> str:
    return "(s.next_due_on <= :horizon)" if ask.window_m is None else _IS_DUE


def _line(ask: Filter) -> str:
    return _LINE if ask.window_m is not None else _LINE.rpartition(" OR ")[0]
