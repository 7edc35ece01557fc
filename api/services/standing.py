"""The one writer of ``due_point`` and ``standing``: conclusions drawn again from the facts of some vehicles.

``recompute`` is taken after anything but an ordinary newest reading. Such a reading folds into one row of
``standing`` (``api.services.feed``), by ``next_dates`` as here; a test compares the two after random
edits.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import bindparam, delete, insert, select, update

from api.services.grounds import EPOCH_ORDINAL, SourceTerms, sources_of
from api.services.history import LoadedVehicle, load_histories
from api.services.use_patterns import NO_PATTERNS, Patterns, patterns_known
from api.store.base import Row
from api.store.codes import METER_CODES, METERS_BY_CODE
from api.store.sheets import load_sheet
from api.store.tables_due import DuePoint as DuePointRow
from api.store.tables_due import Standing as StandingRow
from domain.anchors import idle_distance_m
from domain.due import DuePoint, PointStatus, Standing, due_points
from domain.sheet import Limb, Meter
from domain.usage import projected_day, rate_per_day
from domain.use_level import level_of, packed_level

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from api.store.session import ReadSession, WriteSession
    from domain.meters import Timeline

NEVER = 9_999_999
"""Stands where there is no day: later than every ordinal of a day."""

CHUNK = 500
_NO_SOURCES: dict[int, SourceTerms] = {}
_STANDING = Row.metadata.tables["standing"]
_CHANGE = (
    update(_STANDING)
    .where(
        _STANDING.c.fleet_id == bindparam("new_fleet_id"),
        _STANDING.c.vehicle_id == bindparam("new_vehicle_id"),
    )
    .values(
        {
            column.name: bindparam(f"new_{column.name}")
            for column in _STANDING.columns
            if column.name not in {"fleet_id", "vehicle_id"}
        }
    )
)

# The columns of ``standing`` and ``due_point`` that belong to a meter.
COLUMNS: dict[Meter, str] = {
    Meter.ODOMETER: "odometer_m",
    Meter.ENGINE_HOURS: "engine_s",
    Meter.SECOND_ENGINE_HOURS: "second_engine_s",
    Meter.POWER_TAKE_OFF_HOURS: "power_take_off_s",
    Meter.IDLE_HOURS: "idle_s",
    Meter.FUEL_BURNED: "fuel_ml",
}
DAY_COLUMNS = {meter: f"{name.rpartition('_')[0]}_on" for meter, name in COLUMNS.items()}
RATE_COLUMNS = {meter: f"{name}_per_day" for meter, name in COLUMNS.items()}
LEVEL_COLUMNS = {meter: f"{name.rpartition('_')[0]}_use" for meter, name in COLUMNS.items()}


class Least(msgspec.Struct, array_like=True, frozen=True):
    """The least due figure of a vehicle on one meter, with idle hours counted at one figure or not at all."""

    meter: int
    idle_m_per_h: int
    due: int


class MeterNow(msgspec.Struct, array_like=True):
    """What the next reading of a meter needs: the fold, the fitted segment, and the newest instant of any reading."""

    last_at_us: int | None
    last_life: int
    before_at_us: int | None
    before_life: int
    use: float
    days: float
    newest_at_us: int
    fitted_at_us: int
    life_offset: int
    unit: str


class Usage(msgspec.Struct, omit_defaults=True):
    """What ``standing.usage`` holds beside its columns."""

    meters: dict[int, MeterNow]
    least: list[Least]
    least_due_on: int
    is_unknown: bool
    is_retired: bool
    limb_meters: list[int]
    stale_days: int
    time_zone: str
    from_us: int
    sources: dict[int, SourceTerms] = {}


class NextDates(NamedTuple):
    """The two dates that a vehicle is found by."""

    next_due_on: int
    stale_on: int


_usage_encoder = msgspec.json.Encoder()
_usage_decoder = msgspec.json.Decoder(Usage)


def decode_usage(stored: str) -> Usage:
    """``standing.usage`` as a value."""
    return _usage_decoder.decode(stored)


def encode_usage(usage: Usage) -> str:
    """The value as ``standing.usage`` holds it."""
    return _usage_encoder.encode(usage).decode()


def encode_point(point: DuePoint) -> str:
    """A due point as ``due_point.detail`` holds it."""
    return msgspec.json.encode(point).decode()


point_decoder = msgspec.json.Decoder(DuePoint)
points_decoder = msgspec.json.Decoder(list[DuePoint])


def recompute(session: WriteSession, fleet_key: int, vehicle_keys: Iterable[int], *, now_us: int) -> None:
    """Draw the due points and the standing of vehicles again from the facts.

    Args:
        session: The unit of work; facts written in it must be flushed.
        fleet_key: The fleet.
        vehicle_keys: Keys of vehicles; locked in their order.
        now_us: The instant of the request [us UTC].
    """
    del now_us  # conclusions are absolute: the clock does not enter them
    keys = sorted(set(vehicle_keys))
    for start in range(0, len(keys), CHUNK):
        _recompute_chunk(session, fleet_key, keys[start : start + CHUNK])


def concluded(  # noqa: PLR0913 - the vehicle, and what is known beside it
    session: ReadSession,
    vehicle: LoadedVehicle,
    fleet_key: int,
    newest_at_us: Mapping[int, int],
    sources: Mapping[int, SourceTerms] = _NO_SOURCES,
    *,
    patterns: Patterns = NO_PATTERNS,
) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The row of ``standing`` and the rows of ``due_point`` that a vehicle's facts lead to.

    Args:
        session: Any unit of work, for the spec sheet.
        vehicle: The vehicle.
        fleet_key: The fleet.
        newest_at_us: Instant of the newest reading of any status, a meter code [us UTC].
        sources: What is known of sources on it.
        patterns: The patterns of use that have been learned.
    """
    sheet = load_sheet(session, fleet_key, vehicle.spec_sheet_version_key)
    standings = standings_of(vehicle)
    points = due_points(sheet, vehicle.history)
    rows = [_point_row(fleet_key, vehicle, point, standings) for point in points]
    counting = [p for p in points if p.status is PointStatus.COUNTING]
    is_unknown = any(row["is_always_listed"] for row in rows)
    usage = _usage(vehicle, counting, newest_at_us, sources, is_unknown=is_unknown)
    levels = _levels(vehicle, patterns)
    dates = next_dates(usage, standings)
    standing: dict[str, Any] = {
        "fleet_id": fleet_key,
        "vehicle_id": vehicle.key,
        "depot_id": vehicle.depot_key,
        "spec_sheet_version_id": vehicle.spec_sheet_version_key,
        "unit": vehicle.unit,
        "is_listed": vehicle.retired_on is None,
        "is_settled": all(p.is_settled for p in points),
        "next_due_on": dates.next_due_on,
        "stale_on": dates.stale_on,
        "least_odometer_m": min(
            (
                one.due
                for one in usage.least
                if one.meter == METER_CODES[Meter.ODOMETER] and not one.idle_m_per_h
            ),
            default=None,
        ),
        "usage": encode_usage(usage),
        "version": 1,
    }
    for meter in Meter:
        known = standings.get(meter)
        standing[COLUMNS[meter]] = None if known is None else known.life
        standing[DAY_COLUMNS[meter]] = None if known is None else known.day
        standing[RATE_COLUMNS[meter]] = None if known is None else known.per_day
        standing[LEVEL_COLUMNS[meter]] = levels.get(meter)
    return standing, rows


def standings_of(vehicle: LoadedVehicle) -> dict[Meter, Standing]:
    """How the meters of a loaded vehicle stand."""
    return {
        meter: Standing(state.last_life, local_day(state.last_at_us, vehicle.time_zone), rate_per_day(state))
        for meter, state in vehicle.usage.items()
    }


def next_dates(usage: Usage, standings: Mapping[Meter, Standing]) -> NextDates:
    """The first day on which a vehicle has something due, and the first on which a reading is stale.

    Args:
        usage: The least figures.
        standings: How its meters stand.
    """
    if usage.is_retired:
        return NextDates(NEVER, NEVER)
    next_due = 0 if usage.is_unknown else usage.least_due_on
    idle = standings.get(Meter.IDLE_HOURS)
    for least in usage.least:
        standing = standings.get(METERS_BY_CODE[least.meter])
        if standing is None:
            continue
        life, read_on, per_day = standing
        if least.idle_m_per_h and idle is not None:
            life += idle_distance_m(idle.life, least.idle_m_per_h)
            per_day = (
                None
                if per_day is None or idle.per_day is None
                else per_day + idle.per_day * least.idle_m_per_h / 3600
            )
        day = projected_day(least.due - life, read_on, per_day)
        if day is not None and day < next_due:
            next_due = day
    oldest = NEVER
    for code in usage.limb_meters:
        standing = standings.get(METERS_BY_CODE[code])
        if standing is not None and standing.day < oldest:
            oldest = standing.day
    return NextDates(next_due, min(NEVER, oldest + usage.stale_days + 1))


def local_day(at_us: int, time_zone: str) -> int:
    """Ordinal of the day that an instant falls on in a time zone.

    Args:
        at_us: The instant [us UTC].
        time_zone: IANA name.
    """
    offset_s = _offset_s(at_us // _HOUR_US, time_zone)
    if offset_s is None:
        return datetime.fromtimestamp(at_us // 1_000_000, _zone(time_zone)).toordinal()
    return (at_us // 1_000_000 + offset_s) // _DAY_S + EPOCH_ORDINAL


@lru_cache(maxsize=16_384)
def _offset_s(hour: int, time_zone: str) -> int | None:
    """Offset from UTC during an hour counted from 1970 [s]; None where it changes in between."""
    zone = _zone(time_zone)
    first, last = (datetime.fromtimestamp(hour * 3600 + s, zone).utcoffset() for s in (0, 3599))
    return None if first is None or first != last else round(first.total_seconds())


@lru_cache(maxsize=600)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


_HOUR_US, _DAY_S = 3_600_000_000, 86_400


def _recompute_chunk(session: WriteSession, fleet_key: int, keys: Sequence[int]) -> None:
    kept = {
        row.vehicle_id: row
        for row in session.execute(
            select(
                StandingRow.vehicle_id,  # type: ignore[call-overload]
                StandingRow.usage,
                StandingRow.first_day,
                StandingRow.last_day,
                StandingRow.version,
            )
            .where(StandingRow.fleet_id == fleet_key, StandingRow.vehicle_id.in_(keys))  # type: ignore[attr-defined]
            .order_by(StandingRow.vehicle_id)
            .with_for_update()
        )
    }
    loaded = load_histories(session, fleet_key, keys)
    sources = sources_of(session, fleet_key, keys)
    patterns = patterns_known(session, fleet_key)
    new_rows: list[dict[str, Any]] = []
    changed_rows: list[dict[str, Any]] = []
    point_rows: list[dict[str, Any]] = []
    for key, vehicle in loaded.items():
        before = kept.get(key)
        newest = {} if before is None else newest_of(decode_usage(before.usage))
        standing, points = concluded(
            session, vehicle, fleet_key, newest, sources.get(key, {}), patterns=patterns
        )
        standing["first_day"] = None if before is None else before.first_day
        standing["last_day"] = None if before is None else before.last_day
        standing["version"] = 1 if before is None else before.version + 1
        (new_rows if before is None else changed_rows).append(standing)
        point_rows.extend(points)
    found = list(loaded)
    session.execute(
        delete(DuePointRow).where(
            DuePointRow.fleet_id == fleet_key,  # type: ignore[arg-type]
            DuePointRow.vehicle_id.in_(found),  # type: ignore[attr-defined]
        ),
        execution_options={"synchronize_session": False},
    )
    connection = session.connection()
    if new_rows:
        connection.execute(insert(StandingRow), new_rows)
    if changed_rows:
        # Changed in place: a feed that waits for the row finds it again when its turn comes.
        connection.execute(_CHANGE, [{f"new_{name}": v for name, v in row.items()} for row in changed_rows])
    if point_rows:
        connection.execute(insert(DuePointRow), point_rows)


def newest_of(usage: Usage) -> dict[int, int]:
    """The instant of the newest reading of any status, a meter code [us UTC]."""
    return {code: now.newest_at_us for code, now in usage.meters.items()}


def _point_row(
    fleet_key: int, vehicle: LoadedVehicle, point: DuePoint, standings: Mapping[Meter, Standing]
) -> dict[str, Any]:
    dues = {p.limb: p for p in point.limbs}
    meters = [p for p in point.limbs if p.limb is not Limb.CALENDAR]
    is_unjudged = bool(point.missing) or any(Meter(p.limb.value) not in standings for p in meters)
    row: dict[str, Any] = {
        "fleet_id": fleet_key,
        "vehicle_id": vehicle.key,
        "service": point.service,
        "spec_sheet_version_id": vehicle.spec_sheet_version_key,
        "is_always_listed": point.status is PointStatus.BASELINE_NEEDED
        or (point.status is PointStatus.COUNTING and is_unjudged),
        "has_meter": bool(meters),
        "due_on": dues[Limb.CALENDAR].due if Limb.CALENDAR in dues else None,
        "idle_m_per_h": dues[Limb.ODOMETER].idle_m_per_h if Limb.ODOMETER in dues else None,
        "detail": encode_point(point),
    }
    for meter, column in COLUMNS.items():
        limb = Limb(meter.value)
        row[column] = dues[limb].due if limb in dues else None
    return row


def _usage(
    vehicle: LoadedVehicle,
    points: Sequence[DuePoint],
    newest_at_us: Mapping[int, int],
    sources: Mapping[int, SourceTerms],
    *,
    is_unknown: bool,
) -> Usage:
    least: dict[tuple[int, int], int] = {}
    least_due_on = NEVER
    limb_meters: set[int] = set()
    for point in points:
        for limb in point.limbs:
            if limb.limb is Limb.CALENDAR:
                least_due_on = min(least_due_on, limb.due)
                continue
            code = METER_CODES[Meter(limb.limb.value)]
            limb_meters.add(code)
            at = (code, limb.idle_m_per_h or 0)
            least[at] = min(least.get(at, limb.due), limb.due)
    meters = {}
    for segment in vehicle.history.segments:
        if segment.removed_at_us is not None:
            continue
        code = METER_CODES[segment.meter]
        state = vehicle.usage.get(segment.meter)
        newest = max(newest_at_us.get(code, 0), 0 if state is None else state.last_at_us)
        meters[code] = MeterNow(
            None if state is None else state.last_at_us,
            0 if state is None else state.last_life,
            None if state is None else state.before_at_us,
            0 if state is None else state.before_life,
            0.0 if state is None else state.use,
            0.0 if state is None else state.days,
            newest,
            segment.fitted_at_us,
            segment.offset,
            segment.unit,
        )
    in_service = vehicle.history.origin.in_service_on
    return Usage(
        meters,
        [Least(code, idle, due) for (code, idle), due in sorted(least.items())],
        least_due_on,
        is_unknown,
        vehicle.retired_on is not None,
        sorted(limb_meters),
        vehicle.stale_days,
        vehicle.time_zone,
        int(datetime(in_service.year, in_service.month, in_service.day, tzinfo=UTC).timestamp()) * 1_000_000,
        dict(sources),
    )


def _levels(vehicle: LoadedVehicle, patterns: Patterns) -> dict[Meter, bytes]:
    """What is kept of the level of each meter whose type's pattern is known."""
    found = {}
    for meter, line in vehicle.history.timelines.items():
        known = patterns.get((vehicle.spec_sheet_key, METER_CODES[meter]))
        kept = None if known is None else level_of(known.pattern.terms, level_points(line, vehicle.time_zone))
        if kept is not None:
            found[meter] = packed_level(kept)
    return found


def level_points(line: Timeline, time_zone: str) -> Iterator[tuple[int, int]]:
    """Days in a time zone and figures of a timeline, as levels are learned from them.

    Args:
        line: The timeline.
        time_zone: IANA name.
    """
    return ((local_day(at_us, time_zone), life) for at_us, life in zip(line.at_us, line.life, strict=True))
