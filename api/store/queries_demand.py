"""The columns that demand is forecast from, for whole fleets: vehicles, due points, duty, deferrals, who admits what.

Rows are taken from the driver in parts and turned into arrays at once: at 100,000 vehicles of twelve services no list
of them is ever held.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Date, bindparam, text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray
    from sqlalchemy import Row

    from api.store.session import ReadSession

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

METERS = ("odometer", "engine", "second_engine", "power_take_off", "idle", "fuel")
"""Meters by the names of their columns, in the order of ``domain.sheet.Meter``."""

_FIGURES = ("odometer_m", "engine_s", "second_engine_s", "power_take_off_s", "idle_s", "fuel_ml")
_PART = 20_000


@dataclass(frozen=True, slots=True)
class Scope:
    """Which vehicles.

    Attributes:
        fleet: The fleet.
        as_of: Vehicles that have left before this day don't count.
        depot: Only this depot.
        spec_sheet: Only this type.
    """

    fleet: int
    as_of: date
    depot: int | None = None
    spec_sheet: int | None = None

    def condition(self) -> str:
        """Which rows of ``standing`` (s) and ``vehicle`` (v) they are."""
        chosen = ["s.fleet_id = :fleet", "(v.retired_on IS NULL OR v.retired_on >= :as_of)"]
        if self.depot is not None:
            chosen.append("s.depot_id = :depot")
        if self.spec_sheet is not None:
            chosen.append("v.spec_sheet_id = :spec_sheet")
        return " AND ".join(chosen)

    def values(self) -> dict[str, Any]:
        """The values that ``condition`` names."""
        values = {
            "fleet": self.fleet,
            "as_of": self.as_of,
            "depot": self.depot,
            "spec_sheet": self.spec_sheet,
        }
        return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True, slots=True, eq=False)
class VehicleColumns:
    """Vehicles in the order of their keys; NaN where nothing is known.

    Attributes:
        key: Their keys, shape (v,).
        depot: Keys of their depots.
        version: Keys of their spec sheet versions.
        retired_on: Ordinal of the last day; NaN while none is known.
        life: Life-to-date of the last reading, shape (meters, v) [canonical units].
        day: Ordinal of its day, shape (meters, v).
        per_day: Recent use, shape (meters, v) [canonical units a day].
        spec_sheet: Keys of their types.
        level: What is known of the level of each meter, as stored; a list of v for each meter.
    """

    key: Index
    depot: Index
    version: Index
    retired_on: Real
    life: Real
    day: Real
    per_day: Real
    spec_sheet: Index
    level: Sequence[Sequence[bytes | None]]


@dataclass(frozen=True, slots=True, eq=False)
class PointColumns:
    """Due points in the order of their vehicles.

    Attributes:
        vehicle: Keys of vehicles, shape (n,).
        service: Places in ``services``.
        services: Codes of services.
        is_unjudged: Whether something is missing: a baseline, or a reading.
        due: Due figures, shape (7, n): the calendar's day ordinal, then the meters'; NaN: no such limb.
        idle_m_per_h: Distance that an idle hour counts as on the odometer; NaN: not counted.
    """

    vehicle: Index
    service: Index
    services: tuple[str, ...]
    is_unjudged: NDArray[np.bool_]
    due: Real
    idle_m_per_h: Real


def vehicle_columns(session: ReadSession, scope: Scope) -> VehicleColumns:
    """The vehicles of a scope."""
    names = ["s.vehicle_id", "s.depot_id", "s.spec_sheet_version_id", "v.spec_sheet_id", "v.retired_on"]
    names += [f"s.{figure}" for figure in _FIGURES]
    names += [f"s.{meter}_on" for meter in METERS]
    names += [f"s.{figure}_per_day" for figure in _FIGURES]
    numbers = len(names)
    names += [f"s.{meter}_use" for meter in METERS]
    statement = f"""
        SELECT {", ".join(names)} FROM standing s
        JOIN vehicle v ON v.fleet_id = s.fleet_id AND v.id = s.vehicle_id
        WHERE {scope.condition()} ORDER BY s.vehicle_id
    """  # noqa: S608 - every part is a constant of this module, values are bound
    parts = []
    levels: list[list[bytes | None]] = [[] for _ in METERS]
    for rows in _parts(session, statement, scope.values()):
        columns = list(zip(*rows, strict=True))
        columns[4] = tuple(None if day is None else ordinal(day) for day in columns[4])
        parts.append(np.array(columns[:numbers], dtype=np.float64))
        for level, column in zip(levels, columns[numbers:], strict=True):
            level.extend(column)
    found = np.concatenate(parts, axis=1) if parts else np.zeros((numbers, 0))
    life, day, per_day = np.split(found[5:], 3)
    key, depot, version, spec_sheet = found[:4].astype(np.int64)
    return VehicleColumns(key, depot, version, found[4], life, day, per_day, spec_sheet, levels)


def point_columns(session: ReadSession, scope: Scope) -> PointColumns:
    """The due points of a scope's vehicles; those of work done once and for all are left out."""
    names = ["d.vehicle_id", "d.service", "d.is_always_listed", "d.due_on"]
    names += [f"d.{figure}" for figure in _FIGURES] + ["d.idle_m_per_h"]
    is_whole = scope.depot is None and scope.spec_sheet is None
    # Vehicles that have left are few, so a whole fleet's points are read as they lie.
    source = (
        "due_point d WHERE d.fleet_id = :fleet"
        if is_whole
        else f"""standing s
        JOIN vehicle v ON v.fleet_id = s.fleet_id AND v.id = s.vehicle_id
        JOIN due_point d ON d.fleet_id = s.fleet_id AND d.vehicle_id = s.vehicle_id
        WHERE {scope.condition()}"""
    )
    statement = f"SELECT {', '.join(names)} FROM {source} ORDER BY d.vehicle_id"  # noqa: S608 - as above
    values = {"fleet": scope.fleet} if is_whole else scope.values()
    codes: dict[str, int] = {}
    vehicles, services, unjudged, figures = [], [], [], []
    for rows in _parts(session, statement, values):
        vehicle, service, is_unjudged, *dues = zip(*rows, strict=True)
        vehicles.append(np.array(vehicle, dtype=np.int64))
        services.append(np.array([codes.setdefault(code, len(codes)) for code in service], dtype=np.int64))
        unjudged.append(np.array(is_unjudged, dtype=np.bool_))
        figures.append(np.array(dues, dtype=np.float64))
    if not vehicles:
        none = np.zeros(0, np.int64)
        return PointColumns(none, none, (), np.zeros(0, np.bool_), np.zeros((7, 0)), np.zeros(0))
    found = np.concatenate(figures, axis=1)
    return PointColumns(
        np.concatenate(vehicles),
        np.concatenate(services),
        tuple(codes),
        np.concatenate(unjudged),
        found[:7],
        found[7],
    )


def unjudged_details(session: ReadSession, fleet: int) -> Sequence[Row[Any]]:
    """Vehicle, service and the whole due point where something is missing."""
    statement = (
        "SELECT vehicle_id, service, detail FROM due_point"
        " WHERE fleet_id = :fleet AND is_always_listed = :yes ORDER BY vehicle_id, service"
    )
    return session.execute(text(statement), {"fleet": fleet, "yes": True}).all()


def deferred_details(session: ReadSession, fleet: int) -> Sequence[Row[Any]]:
    """Vehicle, service and the whole due point of services that were ever put off."""
    statement = (
        "SELECT p.vehicle_id, p.service, p.detail FROM due_point p WHERE p.fleet_id = :fleet AND EXISTS"
        " (SELECT 1 FROM deferral f WHERE f.fleet_id = p.fleet_id AND f.vehicle_id = p.vehicle_id"
        " AND f.service = p.service AND f.withdrawn_at_us IS NULL) ORDER BY p.vehicle_id, p.service"
    )
    return session.execute(text(statement), {"fleet": fleet}).all()


def duty_on(session: ReadSession, fleet: int, on: date) -> Sequence[Row[Any]]:
    """Vehicle, condition and share of the duty that holds on a day."""
    statement = text(
        "SELECT vehicle_id, condition, share FROM duty_entry WHERE fleet_id = :fleet AND withdrawn_at_us IS NULL"
        " AND from_on <= :on AND (through_on IS NULL OR through_on >= :on) ORDER BY vehicle_id, condition"
    ).bindparams(bindparam("on", type_=Date))
    return session.execute(statement, {"fleet": fleet, "on": on}).all()


def admission(session: ReadSession, fleet: int, versions: Sequence[int]) -> Sequence[Row[Any]]:
    """What limits of rules look at, of the vehicles under these sheet versions."""
    statement = text(
        "SELECT s.vehicle_id, v.model_year, v.engine, COALESCE(v.serial_number, v.vin) AS serial FROM standing s"
        " JOIN vehicle v ON v.fleet_id = s.fleet_id AND v.id = s.vehicle_id"
        " WHERE s.fleet_id = :fleet AND s.spec_sheet_version_id IN :versions ORDER BY s.vehicle_id"
    ).bindparams(bindparam("versions", expanding=True))
    return session.execute(statement, {"fleet": fleet, "versions": list(versions)}).all()


def part_names(session: ReadSession, fleet: int, codes: Sequence[str]) -> dict[str, str]:
    """Names of parts by number."""
    if not codes:
        return {}
    statement = text("SELECT code, name FROM part WHERE fleet_id = :fleet AND code IN :codes").bindparams(
        bindparam("codes", expanding=True)
    )
    return {row.code: row.name for row in session.execute(statement, {"fleet": fleet, "codes": list(codes)})}


def top_ups(session: ReadSession, fleet: int, *, since: int, before: int) -> Sequence[Row[Any]]:
    """Top-ups that stand, of the days from one ordinal up to, not including, another."""
    statement = text(
        "SELECT id, vehicle_id, compartment, fluid_requirement, volume_ml, reason, topped_up_on FROM top_up"
        " WHERE fleet_id = :fleet AND topped_up_on >= :since AND topped_up_on < :before AND withdrawn_at_us IS NULL"
        " ORDER BY id"
    ).bindparams(bindparam("since", type_=Date), bindparam("before", type_=Date))
    days = {"since": date.fromordinal(since), "before": date.fromordinal(before)}
    return session.execute(statement, {"fleet": fleet, **days}).all()


def first_days(session: ReadSession, fleet: int) -> Sequence[Row[Any]]:
    """The first day of every vehicle, in the order of their keys."""
    statement = text("SELECT id, in_service_on FROM vehicle WHERE fleet_id = :fleet ORDER BY id")
    return session.execute(statement, {"fleet": fleet}).all()


def unit_numbers(session: ReadSession, fleet: int, vehicles: Sequence[int]) -> dict[int, str]:
    """The newest unit number of vehicles, by key."""
    if not vehicles:
        return {}
    statement = text(
        "SELECT vehicle_id, unit FROM standing WHERE fleet_id = :fleet AND vehicle_id IN :vehicles"
    ).bindparams(bindparam("vehicles", expanding=True))
    rows = session.execute(statement, {"fleet": fleet, "vehicles": list(vehicles)})
    return {row.vehicle_id: row.unit for row in rows}


def sheet_versions(session: ReadSession, fleet: int) -> dict[str, tuple[int, dict[int, int]]]:
    """Key of each spec sheet, and the numbers of its versions by their keys, by its code."""
    statement = text(
        "SELECT s.code, s.id, v.id AS version, v.number FROM spec_sheet s JOIN spec_sheet_version v"
        " ON v.fleet_id = s.fleet_id AND v.spec_sheet_id = s.id WHERE s.fleet_id = :fleet ORDER BY s.id, v.id"
    )
    found: dict[str, tuple[int, dict[int, int]]] = {}
    for row in session.execute(statement, {"fleet": fleet}):
        found.setdefault(row.code, (row.id, {}))[1][row.version] = row.number
    return found


def ordinal(day: date | str) -> int:
    """The ordinal of a day as a driver gives it: SQLite as text."""
    return (date.fromisoformat(day) if isinstance(day, str) else day).toordinal()


def fleet_stamp(session: ReadSession, fleet: int) -> str:
    """A text that changes with every reading, entry and pattern that moves a due point or how a meter stands."""
    # Conclusions raise the version; an ordinary reading raises a figure, or at least its day.
    sums = ["version", *_FIGURES, *(f"{meter}_on" for meter in METERS)]
    standing = ", ".join(f"SUM({name})" for name in sums)
    statement = f"""
        SELECT COUNT(*), {standing},
          (SELECT COUNT(*) FROM use_pattern WHERE fleet_id = :fleet),
          (SELECT COUNT(*) FROM depot WHERE fleet_id = :fleet),
          (SELECT COUNT(*) FROM top_up WHERE fleet_id = :fleet),
          (SELECT COUNT(withdrawn_at_us) FROM top_up WHERE fleet_id = :fleet)
        FROM standing WHERE fleet_id = :fleet
    """  # noqa: S608 - every part is a constant of this module
    return ".".join(str(figure) for figure in session.execute(text(statement), {"fleet": fleet}).one())


def _parts(session: ReadSession, statement: str, values: dict[str, Any]) -> Iterator[list[Any]]:
    asked = text(statement)
    if "as_of" in values:
        asked = asked.bindparams(bindparam("as_of", type_=Date))
    connection = session.connection()
    if connection.dialect.name == "postgresql":
        # The rows wait on the server's side, so that this one never holds them all.
        streaming = {"stream_results": True, "max_row_buffer": _PART}
        with connection.execute(asked, values, execution_options=streaming) as streamed:
            while rows := streamed.fetchmany(_PART):
                yield list(rows)
        return
    result = connection.execute(asked, values)
    # The driver's own cursor: rows of the toolkit would cost more than the driver's.
    cursor: Any = result.cursor
    try:
        while rows := cursor.fetchmany(_PART):
            yield rows
    finally:
        result.close()
