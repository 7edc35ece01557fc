"""The readings feed: which readings are stored, and how each stands.

Invariants: whether a stored reading is accepted or held is a function of the set of readings (and of people's
decisions), not of their order of arrival; the same reading again changes nothing. An ordinary newest reading that can
follow the last accepted one extends the chain and costs one row; anything else judges its vehicle afresh.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, text, update

from api.services.history import as_date, segment_of
from api.services.standing import (
    COLUMNS,
    DAY_COLUMNS,
    RATE_COLUMNS,
    MeterNow,
    Usage,
    decode_usage,
    encode_usage,
    local_day,
    next_dates,
    recompute,
)
from api.store import queries_history, queries_readings
from api.store.codes import METER_CODES, METERS_BY_CODE, ReadingReason, ReadingStatus
from api.store.tables_due import Standing as StandingRow
from api.store.tables_fleet import ReadingSource
from api.store.tables_reading import Reading as ReadingRow
from api.store.tables_reading import UnplacedReading
from domain.due import Standing
from domain.meters import (
    DAY_US,
    MeterSegment,
    Reading,
    can_follow,
    plausible_chain,
    segment_at,
)
from domain.usage import fold, rate_per_day

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter

CLOCK_SKEW_US = 5 * 60 * 1_000_000
"""A reading further ahead of the service's clock than this is held [us]."""

__all__ = [
    "METERS_BY_CODE",
    "METER_CODES",
    "Batch",
    "Outcome",
    "ReadingStatus",
    "Verdict",
    "Why",
    "place_waiting",
    "readings_after",
    "record",
    "rejudge",
    "why_of",
    "withdraw_figures",
]

_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()


class Verdict(StrEnum):
    """What became of a row, at the moment of the answer."""

    ACCEPTED = "accepted"
    DUPLICATE = "duplicate"
    HELD = "held"
    REFUSED = "refused"


class Why(StrEnum):
    """Why a row is not accepted."""

    SAME_READING_STORED = "same_reading_stored"
    SAME_READING_IN_BATCH = "same_reading_in_batch"
    UNIT_UNKNOWN = "unit_unknown"
    UNIT_NOT_VALID_THEN = "unit_not_valid_then"
    GOES_BACK = "goes_back"
    TOO_FAST = "too_fast"
    CONTRADICTS_SAME_INSTANT = "contradicts_same_instant"
    IN_FUTURE = "in_future"
    METER_NOT_FITTED = "meter_not_fitted"
    OUTSIDE_VEHICLE_LIFE = "outside_vehicle_life"
    WORK_WITHDRAWN = "work_withdrawn"


WHY_TEXT: dict[Why, str] = {
    Why.SAME_READING_STORED: "The same reading is stored already.",
    Why.SAME_READING_IN_BATCH: "The same reading stands earlier in this batch.",
    Why.UNIT_UNKNOWN: "No vehicle carries this unit number; the reading waits under it until one is registered.",
    Why.UNIT_NOT_VALID_THEN: "The unit number was not valid on that day; the reading waits under it.",
    Why.GOES_BACK: "The figure does not fit between the readings before and after it: a meter only rises.",
    Why.TOO_FAST: "The figure rises faster than the meter can run.",
    Why.CONTRADICTS_SAME_INSTANT: "Another reading of this meter at the same instant shows another figure.",
    Why.IN_FUTURE: "The instant lies ahead of the service's clock by more than 5 minutes.",
    Why.METER_NOT_FITTED: "No such meter was fitted to the vehicle at that instant.",
    Why.OUTSIDE_VEHICLE_LIFE: "The instant lies before the vehicle's first day.",
    Why.WORK_WITHDRAWN: "The entry of work done that noted this figure was withdrawn.",
}

_REASONS: dict[ReadingReason, Why] = {
    ReadingReason.GOES_BACK: Why.GOES_BACK,
    ReadingReason.TOO_FAST: Why.TOO_FAST,
    ReadingReason.CONTRADICTS_SAME_INSTANT: Why.CONTRADICTS_SAME_INSTANT,
    ReadingReason.IN_FUTURE: Why.IN_FUTURE,
    ReadingReason.METER_NOT_FITTED: Why.METER_NOT_FITTED,
    ReadingReason.OUTSIDE_VEHICLE_LIFE: Why.OUTSIDE_VEHICLE_LIFE,
    ReadingReason.WORK_WITHDRAWN: Why.WORK_WITHDRAWN,
}


@dataclass(slots=True)
class Batch:
    """Rows to be recorded, in columns of one length.

    Attributes:
        place: Place of each row in the request.
        unit: Unit number.
        meter: Meter code (``api.store.codes``).
        at_us: Instant [us UTC].
        figure: Figure on the dial [canonical units].
        source: Code of the reading source.
    """

    place: list[int] = field(default_factory=list)
    unit: list[str] = field(default_factory=list)
    meter: list[int] = field(default_factory=list)
    at_us: list[int] = field(default_factory=list)
    figure: list[int] = field(default_factory=list)
    source: list[str] = field(default_factory=list)

    def add(self, place: int, unit: str, meter: int, at_us: int, figure: int, source: str) -> None:
        """Add a row."""
        self.place.append(place)
        self.unit.append(unit)
        self.meter.append(meter)
        self.at_us.append(at_us)
        self.figure.append(figure)
        self.source.append(source)


@dataclass(frozen=True, slots=True)
class NotAccepted:
    """A row that was not accepted: its place in the request, what became of it, and why."""

    place: int
    verdict: Verdict
    why: Why


@dataclass(slots=True)
class Outcome:
    """What became of a batch: exact counts, and every row that was not accepted, in the order found."""

    accepted: int = 0
    duplicate: int = 0
    held: int = 0
    rows: list[NotAccepted] = field(default_factory=list)

    def note(self, place: int, verdict: Verdict, why: Why) -> None:
        """Count a row that was not accepted."""
        self.rows.append(NotAccepted(place, verdict, why))
        if verdict is Verdict.HELD:
            self.held += 1
        else:
            self.duplicate += 1


@dataclass(slots=True)
class _Vehicle:
    """A vehicle that a batch touches."""

    key: int
    usage: Usage
    is_settled: bool
    first_day: int | None
    last_day: int | None
    next_due_on: int
    stale_on: int
    touched: set[int] = field(default_factory=set)


# (vehicle, meter, at_us, source key, figure): the key of a stored reading but for fleet and day
_Key = tuple[int, int, int, int, int]


@dataclass(frozen=True, slots=True)
class _New:
    place: int
    meter: int
    at_us: int
    source: int
    figure: int


def record(session: WriteSession, fleet_key: int, batch: Batch, *, now_us: int) -> Outcome:
    """Store a batch of readings, and tell what became of each row.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        batch: The rows.
        now_us: The service's clock [us UTC].
    """
    outcome = Outcome()
    if not batch.place:
        return outcome
    sources = _source_keys(session, fleet_key, batch.source, now_us)
    vehicles, labels = _vehicles(session, fleet_key, batch.unit)
    late: defaultdict[int, list[_New]] = defaultdict(list)
    fresh: list[tuple[Any, ...]] = []
    waiting: list[tuple[str, _New]] = []
    seen: set[_Key] = set()
    latest = now_us + CLOCK_SKEW_US
    order = sorted(range(len(batch.place)), key=lambda i: (batch.at_us[i], batch.figure[i], i))
    for i in order:
        at_us, meter, figure = batch.at_us[i], batch.meter[i], batch.figure[i]
        source = sources[batch.source[i]]
        vehicle = _carrier(labels.get(batch.unit[i], ()), vehicles, at_us)
        new = _New(batch.place[i], meter, at_us, source, figure)
        if vehicle is None:
            waiting.append((batch.unit[i], new))
            continue
        key = (vehicle.key, meter, at_us, source, figure)
        if key in seen:
            outcome.note(batch.place[i], Verdict.DUPLICATE, Why.SAME_READING_IN_BATCH)
            continue
        seen.add(key)
        now = vehicle.usage.meters.get(meter)
        if (
            vehicle.key in late
            or now is None
            or at_us > latest
            or not _extends(vehicle, now, meter, at_us, figure)
        ):
            late[vehicle.key].append(new)
            continue
        life = figure + now.life_offset
        _take(now, at_us, life)
        vehicle.touched.add(meter)
        day = at_us // DAY_US
        vehicle.last_day = day if vehicle.last_day is None else max(vehicle.last_day, day)
        vehicle.first_day = day if vehicle.first_day is None else min(vehicle.first_day, day)
        fresh.append(
            (
                fleet_key,
                day,
                vehicle.key,
                meter,
                at_us,
                source,
                figure,
                life,
                ReadingStatus.ACCEPTED.value,
                0,
                now_us,
            )
        )
        outcome.accepted += 1
    _store_waiting(session, fleet_key, waiting, labels, outcome, now_us)
    _insert_readings(session, fresh)
    _update_standings(session, fleet_key, [v for v in vehicles.values() if v.touched])
    _record_late(session, fleet_key, late, vehicles, outcome, now_us)
    return outcome


def place_waiting(session: WriteSession, fleet_key: int, unit: str, *, now_us: int) -> Outcome:
    """Take in the readings that wait under a unit number, as far as a vehicle carried it on their days.

    Args:
        session: The unit of work; the vehicle, its label and its standing are flushed.
        fleet_key: The fleet.
        unit: The unit number.
        now_us: The service's clock [us UTC].
    """
    rows = queries_readings.waiting(session, fleet_key, unit)
    vehicles, labels = _vehicles(session, fleet_key, [unit])
    late: defaultdict[int, list[_New]] = defaultdict(list)
    placed = []
    for row in rows:
        vehicle = _carrier(labels.get(unit, ()), vehicles, row.at_us)
        if vehicle is not None:
            late[vehicle.key].append(_New(row.id, row.meter, row.at_us, row.source_id, row.figure))
            placed.append({"fleet": fleet_key, "id": row.id})
    if placed:
        session.connection().execute(
            text("DELETE FROM unplaced_reading WHERE fleet_id = :fleet AND id = :id"), placed
        )
    outcome = Outcome()
    _record_late(session, fleet_key, late, vehicles, outcome, now_us)
    return outcome


def rejudge(session: WriteSession, fleet_key: int, vehicle_key: int, *, now_us: int) -> None:
    """Judge every reading of a vehicle afresh, after its meters changed, and draw the conclusions.

    Args:
        session: The unit of work; the segments are flushed.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        now_us: The service's clock [us UTC].
    """
    _judge_afresh(session, fleet_key, vehicle_key, [], Outcome(), now_us)
    recompute(session, fleet_key, [vehicle_key], now_us=now_us)


def withdraw_figures(
    session: WriteSession, fleet_key: int, vehicle_key: int, *, at_us: int, source: str, now_us: int
) -> None:
    """Discard the readings that an entry noted at an instant, and judge the others afresh.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        at_us: The entry's instant [us UTC].
        source: Code of the reading source that such entries have.
        now_us: The service's clock [us UTC].
    """
    key = queries_readings.source_keys(session, fleet_key, [source]).get(source)
    session.execute(
        update(ReadingRow)
        .where(
            ReadingRow.fleet_id == fleet_key,  # type: ignore[arg-type]
            ReadingRow.day == at_us // DAY_US,  # type: ignore[arg-type]
            ReadingRow.vehicle_id == vehicle_key,  # type: ignore[arg-type]
            ReadingRow.at_us == at_us,  # type: ignore[arg-type]
            ReadingRow.source_id == key,  # type: ignore[arg-type]
        )
        .values(
            status=ReadingStatus.DISCARDED.value,
            reason=ReadingReason.WORK_WITHDRAWN.value,
            withdrawn_at_us=now_us,
        ),
        execution_options={"synchronize_session": False},
    )
    rejudge(session, fleet_key, vehicle_key, now_us=now_us)


@dataclass(frozen=True, slots=True)
class ReadingsAsked:
    """Which readings of a vehicle a list shows.

    Attributes:
        meter: Only this meter; None: all.
        status: Only this status; None: all.
        from_us: From this instant on [us UTC].
        until_us: Up to, not including, this instant [us UTC].
    """

    meter: Meter | None = None
    status: ReadingStatus | None = None
    from_us: int = 0
    until_us: int = 2**62


# (instant, meter code, source, figure): where a page of readings ended
ReadingPlace = tuple[int, int, str, int]


def readings_after(
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    asked: ReadingsAsked,
    *,
    after: ReadingPlace,
    limit: int,
) -> Sequence[Any]:
    """Stored readings of a vehicle in order of time, from the one after ``after`` on.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        asked: Which of them.
        after: Where the page before ended.
        limit: Most rows.
    """
    days = queries_history.reading_days(session, fleet_key, [vehicle_key])
    if days is None:
        return []
    first_us, last_us = max(asked.from_us, after[0]), min(asked.until_us, (days[1] + 1) * DAY_US)
    return queries_readings.readings_page(
        session,
        fleet=fleet_key,
        vehicle=vehicle_key,
        first=max(days[0], first_us // DAY_US),
        last=min(days[1], last_us // DAY_US),
        at_us=after[0],
        meter=after[1],
        source=after[2],
        figure=after[3],
        from_us=asked.from_us,
        until_us=asked.until_us,
        only_meter=0 if asked.meter is None else METER_CODES[asked.meter],
        only_status=0 if asked.status is None else asked.status.value,
        limit=limit,
    )


def why_of(reason: int) -> Why | None:
    """The reason of a stored reading; None where it is accepted."""
    return _REASONS.get(ReadingReason(reason))


def _extends(vehicle: _Vehicle, now: MeterNow, meter: int, at_us: int, figure: int) -> bool:
    if (
        not vehicle.is_settled
        or now.last_at_us is None
        or at_us <= now.newest_at_us
        or at_us < now.fitted_at_us
    ):
        return False
    last = Reading(now.last_at_us, now.last_life)
    return can_follow(METERS_BY_CODE[meter], last, Reading(at_us, figure + now.life_offset))


def _take(now: MeterNow, at_us: int, life: int) -> None:
    state = fold(now.state(), at_us, life)
    now.last_at_us, now.last_life = state.last_at_us, state.last_life
    now.before_at_us, now.before_life = state.before_at_us, state.before_life
    now.use, now.days = state.use, state.days
    now.newest_at_us = at_us


def _source_keys(session: WriteSession, fleet_key: int, codes: Iterable[str], now_us: int) -> dict[str, int]:
    asked = set(codes)
    known = queries_readings.source_keys(session, fleet_key, asked)
    missing = sorted(asked - known.keys())
    if missing:
        rows = [{"fleet_id": fleet_key, "code": code, "recorded_at_us": now_us} for code in missing]
        session.connection().execute(insert(ReadingSource), rows)
        known = queries_readings.source_keys(session, fleet_key, asked)
    return known


# (vehicle key, first day, last day) of a unit number, days counted from 1970 in UTC
_Label = tuple[int, int, int | None]


def _vehicles(
    session: WriteSession, fleet_key: int, units: Iterable[str]
) -> tuple[dict[int, _Vehicle], dict[str, list[_Label]]]:
    vehicles: dict[int, _Vehicle] = {}
    labels: defaultdict[str, list[_Label]] = defaultdict(list)
    for row in queries_readings.labels(session, fleet_key, units):
        through = (
            None if row.valid_through is None else as_date(row.valid_through).toordinal() - _EPOCH_ORDINAL
        )
        labels[row.unit].append(
            (row.vehicle_id, as_date(row.valid_from).toordinal() - _EPOCH_ORDINAL, through)
        )
        if row.vehicle_id not in vehicles:
            vehicles[row.vehicle_id] = _Vehicle(
                row.vehicle_id,
                decode_usage(row.usage),
                bool(row.is_settled),
                row.first_day,
                row.last_day,
                row.next_due_on,
                row.stale_on,
            )
    return vehicles, labels


def _carrier(labels: Sequence[_Label], vehicles: Mapping[int, _Vehicle], at_us: int) -> _Vehicle | None:
    day = at_us // DAY_US
    for vehicle, first, through in labels:
        if first <= day and (through is None or day <= through):
            return vehicles[vehicle]
    return None


def _store_waiting(
    session: WriteSession,
    fleet_key: int,
    waiting: Sequence[tuple[str, _New]],
    labels: Mapping[str, Sequence[_Label]],
    outcome: Outcome,
    now_us: int,
) -> None:
    stored = queries_readings.waiting_keys(session, fleet_key, (unit for unit, _ in waiting))
    rows = []
    for unit, new in waiting:
        key = (unit, new.meter, new.at_us, new.source, new.figure)
        if key in stored:
            outcome.note(new.place, Verdict.DUPLICATE, Why.SAME_READING_STORED)
            continue
        stored.add(key)
        outcome.note(
            new.place, Verdict.HELD, Why.UNIT_NOT_VALID_THEN if labels.get(unit) else Why.UNIT_UNKNOWN
        )
        rows.append(
            {
                "fleet_id": fleet_key,
                "unit": unit,
                "meter": new.meter,
                "at_us": new.at_us,
                "source_id": new.source,
                "figure": new.figure,
                "recorded_at_us": now_us,
            }
        )
    if rows:
        session.connection().execute(insert(UnplacedReading), rows)


_INSERT = (
    "INSERT INTO reading (fleet_id, day, vehicle_id, meter, at_us, source_id, figure, life, status, reason,"
    " recorded_at_us) VALUES ({0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0}, {0})"
)


def _insert_readings(session: WriteSession, rows: list[tuple[Any, ...]]) -> None:
    if rows:
        # In the order of their key: neighbours share pages, and two writers never lock rows in a ring.
        rows.sort()
        connection = session.connection()
        mark = "%s" if connection.dialect.name == "postgresql" else "?"
        connection.exec_driver_sql(_INSERT.format(mark), rows)


def _update_standings(session: WriteSession, fleet_key: int, vehicles: Sequence[_Vehicle]) -> None:
    """One row a vehicle; the indexed days are written only when they move."""
    groups: defaultdict[tuple[str, ...], list[tuple[Any, ...]]] = defaultdict(list)
    for vehicle in sorted(vehicles, key=lambda v: v.key):
        standings = _standings(vehicle.usage)
        dates = next_dates(vehicle.usage, standings)
        columns = ["usage", "first_day", "last_day"]
        values: list[Any] = [encode_usage(vehicle.usage), vehicle.first_day, vehicle.last_day]
        for code in sorted(vehicle.touched):
            meter = METERS_BY_CODE[code]
            standing = standings[meter]
            columns += [COLUMNS[meter], DAY_COLUMNS[meter], RATE_COLUMNS[meter]]
            values += [standing.life, standing.day, standing.per_day]
        if dates.next_due_on != vehicle.next_due_on:
            columns.append("next_due_on")
            values.append(dates.next_due_on)
        if dates.stale_on != vehicle.stale_on:
            columns.append("stale_on")
            values.append(dates.stale_on)
        groups[tuple(columns)].append((*values, fleet_key, vehicle.key))
    connection = session.connection()
    mark = "%s" if connection.dialect.name == "postgresql" else "?"
    for names, rows in groups.items():
        settings = ", ".join(f"{name} = {mark}" for name in names)
        # The names are this module's own constants.
        sql = f"UPDATE standing SET {settings} WHERE fleet_id = {mark} AND vehicle_id = {mark}"  # noqa: S608
        connection.exec_driver_sql(sql, rows)


def _standings(usage: Usage) -> dict[Meter, Standing]:
    found = {}
    for code, now in usage.meters.items():
        state = now.state()
        if state is not None:
            found[METERS_BY_CODE[code]] = Standing(
                state.last_life, local_day(state.last_at_us, usage.time_zone), rate_per_day(state)
            )
    return found


def _record_late(
    session: WriteSession,
    fleet_key: int,
    late: Mapping[int, list[_New]],
    vehicles: Mapping[int, _Vehicle],
    outcome: Outcome,
    now_us: int,
) -> None:
    """Rows that do not just extend a chain: leave out what is stored, judge the vehicles of the rest afresh."""
    places = {(new.at_us // DAY_US, key) for key, rows in late.items() for new in rows}
    stored = {
        (row.vehicle_id, row.meter, row.at_us, row.source_id, row.figure)
        for row in queries_readings.stored_at(session, fleet_key, places)
    }
    changed = []
    for key in sorted(late):
        rows = []
        for new in late[key]:
            if (key, new.meter, new.at_us, new.source, new.figure) in stored:
                outcome.note(new.place, Verdict.DUPLICATE, Why.SAME_READING_STORED)
            else:
                rows.append(new)
        if rows:
            _note_days(session, fleet_key, vehicles[key], rows)
            _judge_afresh(session, fleet_key, key, rows, outcome, now_us)
            changed.append(key)
    recompute(session, fleet_key, changed, now_us=now_us)


def _note_days(session: WriteSession, fleet_key: int, vehicle: _Vehicle, rows: Sequence[_New]) -> None:
    """Widen the days on which the vehicle has readings, and keep the newest instant of each meter."""
    days = [new.at_us // DAY_US for new in rows]
    first = min(days) if vehicle.first_day is None else min(vehicle.first_day, *days)
    last = max(days) if vehicle.last_day is None else max(vehicle.last_day, *days)
    for new in rows:
        now = vehicle.usage.meters.get(new.meter)
        if now is not None:
            now.newest_at_us = max(now.newest_at_us, new.at_us)
    session.execute(
        update(StandingRow)
        .where(StandingRow.fleet_id == fleet_key, StandingRow.vehicle_id == vehicle.key)  # type: ignore[arg-type]
        .values(first_day=first, last_day=last, usage=encode_usage(vehicle.usage)),
        execution_options={"synchronize_session": False},
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """A reading of a vehicle, stored or new."""

    day: int
    meter: int
    at_us: int
    source: int
    figure: int
    life: int
    status: int
    reason: int
    place: int | None


def _judge_afresh(
    session: WriteSession,
    fleet_key: int,
    vehicle_key: int,
    rows: Sequence[_New],
    outcome: Outcome,
    now_us: int,
) -> None:
    """Store new readings of a vehicle and judge all its readings, since one may change the others."""
    (vehicle,) = queries_history.vehicles(session, fleet_key, [vehicle_key], now_us)
    first_us = (as_date(vehicle.in_service_on).toordinal() - _EPOCH_ORDINAL - 1) * DAY_US
    known = 2**62
    segments = [segment_of(row) for row in queries_history.segments(session, fleet_key, [vehicle_key], known)]
    days = queries_history.reading_days(session, fleet_key, [vehicle_key])
    stored = [] if days is None else queries_history.all_readings(session, fleet_key, [vehicle_key], days)
    before = [
        _Judged(r.day, r.meter, r.at_us, r.source_id, r.figure, r.life, r.status, r.reason, None)
        for r in stored
    ]
    new = [_Judged(r.at_us // DAY_US, r.meter, r.at_us, r.source, r.figure, 0, 0, 0, r.place) for r in rows]
    latest = now_us + CLOCK_SKEW_US
    inserts, changes = [], []
    for meter in sorted({reading.meter for reading in (*before, *new)}):
        readings = [r for r in (*before, *new) if r.meter == meter]
        verdicts = _verdicts(METERS_BY_CODE[meter], readings, segments, first_us, latest)
        for reading, (life, status, reason) in zip(readings, verdicts, strict=True):
            key = (
                fleet_key,
                reading.day,
                vehicle_key,
                meter,
                reading.at_us,
                reading.source,
                reading.figure,
            )
            if reading.place is not None:
                inserts.append((*key, life, status, reason, now_us))
                _count(outcome, reading.place, status, reason)
            elif (life, status, reason) != (reading.life, reading.status, reading.reason):
                changes.append((life, status, reason, *key))
    _insert_readings(session, inserts)
    if changes:
        connection = session.connection()
        mark = "%s" if connection.dialect.name == "postgresql" else "?"
        where = " AND ".join(
            f"{name} = {mark}"
            for name in ("fleet_id", "day", "vehicle_id", "meter", "at_us", "source_id", "figure")
        )
        # The names are this module's own constants.
        sql = f"UPDATE reading SET life = {mark}, status = {mark}, reason = {mark} WHERE {where}"  # noqa: S608
        connection.exec_driver_sql(sql, changes)


def _count(outcome: Outcome, place: int, status: int, reason: int) -> None:
    if status == ReadingStatus.ACCEPTED:
        outcome.accepted += 1
    else:
        outcome.note(place, Verdict.HELD, _REASONS[ReadingReason(reason)])


def _verdicts(
    meter: Meter,
    readings: Sequence[_Judged],
    segments: Sequence[MeterSegment],
    first_us: int,
    latest_us: int,
) -> list[tuple[int, int, int]]:
    """Life-to-date, status and reason of each reading of one meter.

    A reading held for a future instant stays held when that instant has come, until a person releases it: the status
    must not depend on when it is looked at.
    """
    verdicts: list[tuple[int, int, int]] = []
    in_question: list[tuple[int, Reading]] = []
    for place, reading in enumerate(readings):
        segment = segment_at(segments, meter, reading.at_us)
        life = reading.figure + (0 if segment is None else segment.offset)
        reason = ReadingReason.NONE
        if reading.status == ReadingStatus.DISCARDED:
            verdicts.append((reading.life, reading.status, reading.reason))
            continue
        if segment is None:
            reason = ReadingReason.METER_NOT_FITTED
        elif reading.at_us < first_us:
            reason = ReadingReason.OUTSIDE_VEHICLE_LIFE
        elif reading.reason == ReadingReason.IN_FUTURE or (
            reading.place is not None and reading.at_us > latest_us
        ):
            reason = ReadingReason.IN_FUTURE
        else:
            in_question.append((place, Reading(reading.at_us, life)))
        verdicts.append((life, ReadingStatus.HELD.value, reason.value))
    # Two sources that show the same figure at the same instant agree: they are one link of the chain.
    links = sorted({link for _, link in in_question})
    accepted = [link for link, is_in in zip(links, plausible_chain(meter, links), strict=True) if is_in]
    members = set(accepted)
    for place, link in in_question:
        if link in members:
            verdicts[place] = (link.life, ReadingStatus.ACCEPTED.value, ReadingReason.NONE.value)
        else:
            verdicts[place] = (link.life, ReadingStatus.HELD.value, _reason(link, accepted).value)
    return verdicts


def _reason(reading: Reading, accepted: Sequence[Reading]) -> ReadingReason:
    place = bisect_left(accepted, reading.at_us, key=lambda other: other.at_us)
    following = accepted[place] if place < len(accepted) else None
    if following is not None and following.at_us == reading.at_us:
        return ReadingReason.CONTRADICTS_SAME_INSTANT
    is_below = place > 0 and reading.life < accepted[place - 1].life
    is_above = following is not None and reading.life > following.life
    return ReadingReason.GOES_BACK if is_below or is_above else ReadingReason.TOO_FAST
