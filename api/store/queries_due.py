"""The SELECTs of the due list: vehicles by their next date, with those due points that may be listed.

The conditions on lines are a superset, decided to within a day: the domain judges each line exactly. Vehicles
are found first and their due points looked up one vehicle at a time: as a plain join, one ANALYZE can turn
the order round and cost twenty times as much.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from sqlalchemy import Date, bindparam, text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row, TextClause

    from api.store.session import ReadSession

_METERS = ("odometer_m", "engine_s", "second_engine_s", "power_take_off_s", "idle_s", "fuel_ml")


def _day(column: str) -> str:
    return f"{column.rpartition('_')[0]}_on"


# What a vehicle's meters may show at the end of the horizon, worked out once a vehicle. Idle hours come apart, since
# each due point says how much distance they count as.
_REACH = ", ".join(
    f"{c} + COALESCE({c}_per_day, 0) * (:horizon + 1 - {_day(c)}) + 1 AS {c}_reach" for c in _METERS
)
_REACHES = ", ".join(f"{c}_reach" for c in _METERS)


def _reached(column: str) -> str:
    """Whether a due point on a meter may be reached by the horizon."""
    idle = " - COALESCE(d.idle_m_per_h * (s.idle_s_reach - 1) / 3600.0, 0)" if column == "odometer_m" else ""
    return f"d.{column}{idle} <= s.{column}_reach"


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
_UNIT_THEN = """(
    SELECT u.unit FROM unit_number u WHERE u.fleet_id = :fleet AND u.vehicle_id = s.vehicle_id
    AND u.valid_from <= :as_of_on ORDER BY u.valid_from DESC LIMIT 1)"""
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
    """The vehicles of a walk in its order.

    Each stands with those of its due points that may be listed as ``points``: the texts of ``due_point.detail``, in any
    order, with commas between. It is None where there are none, so that a walk always moves on.
    """
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
    given = frozenset(name for name, value in values.items() if value is not None)
    statement, names = _statement(_together(session), "stale_on" if walk.is_silent else "next_due_on", given)
    return session.execute(statement, {name: values[name] for name in names}).all()


@lru_cache(maxsize=64)
def _statement(together: str, key: str, given: frozenset[str]) -> tuple[TextClause, tuple[str, ...]]:
    """The statement of a walk, and the names of the values that it takes, by the values that are given."""
    is_due = _IS_DUE if "window_m" in given else "(s.next_due_on <= :horizon)"
    chosen = ["s.fleet_id = :fleet"]
    chosen += ["s.stale_on <= :as_of", f"NOT {is_due}"] if key == "stale_on" else [is_due]
    # Spelt out, since SQLite seeks the index by the first half alone.
    chosen.append(f"s.{key} >= :after_day AND (s.{key} > :after_day OR s.vehicle_id > :after_vehicle)")
    if "depot" in given:
        chosen.append("s.depot_id = :depot")
    if "spec_sheet" in given:
        chosen.append(
            "s.spec_sheet_version_id IN (SELECT id FROM spec_sheet_version"
            " WHERE fleet_id = :fleet AND spec_sheet_id = :spec_sheet)"
        )
    line = f"({_LINE if 'window_m' in given else _LINE.rpartition(' OR ')[0]})"
    if "service" in given:
        line += " AND d.service = :service"
        one = "SELECT 1 FROM due_point d WHERE d.fleet_id = :fleet AND d.vehicle_id = s.vehicle_id"
        chosen.append(f"EXISTS ({one} AND {line})")
    sql = f"""
        SELECT {_COLUMNS}, unit_then,
               (SELECT {together}(d.detail, ',') FROM due_point d
                WHERE d.fleet_id = :fleet AND d.vehicle_id = s.vehicle_id AND {line}) AS points
        FROM (SELECT {_COLUMNS}, {_REACHES}, {_UNIT_THEN} AS unit_then
              FROM (SELECT standing.*, {_REACH} FROM standing) s WHERE {" AND ".join(chosen)}
              ORDER BY s.{key}, s.vehicle_id LIMIT :limit) s
        ORDER BY s.{key}, s.vehicle_id
    """  # noqa: S608 - every part is a constant of this module, values are bound
    names = tuple(sorted(name for name in given if re.search(rf":{name}\b", sql)))
    return text(sql).bindparams(bindparam("as_of_on", type_=Date)), names


def _together(session: ReadSession) -> str:
    """The database's name of the function that strings texts together."""
    return "string_agg" if session.get_bind().dialect.name == "postgresql" else "group_concat"
