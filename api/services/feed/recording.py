"""Recording readings: the newest ones in one row a vehicle, the others by judging their vehicle afresh."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from api.services.feed.batch import Outcome, SentReading, Verdict, Why
from api.services.feed.carriers import Carrier, Carriers, carriers
from api.services.feed.extending import Stamp, extended, in_time
from api.services.feed.judging import CLOCK_SKEW_US, NewReading, judge_late
from api.services.feed.reviews import carry_decisions
from api.services.standing import (
    COLUMNS,
    DAY_COLUMNS,
    LEVEL_COLUMNS,
    RATE_COLUMNS,
    encode_usage,
    local_day,
    next_dates,
    recompute,
)
from api.store import queries_readings, writes_readings
from api.store.codes import METERS_BY_CODE
from api.store.new_rows import insert_new
from api.store.tables_fleet import ReadingSource
from domain.due import Standing
from domain.meters import DAY_US
from domain.usage import rate_per_day
from domain.use_level import packed_level

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from api.services.grounds import ReadingKey
    from api.store.queries_readings import SourceKey
    from api.store.session import WriteSession


def record(session: WriteSession, fleet_key: int, sent: Sequence[SentReading], *, now_us: int) -> Outcome:
    """Store a batch of readings, and tell what became of each row.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        sent: The rows.
        now_us: The service's clock [us UTC].
    """
    outcome = Outcome()
    if not sent:
        return outcome
    sources = _source_keys(session, fleet_key, {row.source for row in sent}, now_us)
    known = carriers(session, fleet_key, {row.unit for row in sent})
    stamp = Stamp(fleet_key, now_us, now_us + CLOCK_SKEW_US, sources)
    late: defaultdict[int, list[NewReading]] = defaultdict(list)
    fresh: defaultdict[int, list[writes_readings.NewReading]] = defaultdict(list)
    waiting: list[tuple[str, NewReading]] = []
    for vehicle, meter, sent_rows in _of_one_meter(sent, known):
        if vehicle is None:
            waiting += ((row.unit, _new(row, sources)) for row in sent_rows)
            continue
        rows = in_time(sent_rows, outcome)
        taken = extended(vehicle, meter, rows, stamp)
        for row in taken:
            fresh[row[1]].append(row)
        outcome.accepted += len(taken)
        if len(taken) < len(rows):
            late[vehicle.key] += (_new(row, sources) for row in rows[len(taken) :])
    _store_waiting(session, fleet_key, waiting, known, outcome, now_us=now_us)
    # By day, vehicle and meter: nearly the order of their key.
    writes_readings.add_readings(session, [row for day in sorted(fresh) for row in fresh[day]])
    moved = [vehicle for vehicle in known.in_order() if vehicle.touched]
    writes_readings.move_standings(session, fleet_key, [(v.key, _moved(v)) for v in moved])
    _record_late(session, fleet_key, late, known, outcome, now_us=now_us)
    return outcome


def place_waiting(session: WriteSession, fleet_key: int, unit: str, *, now_us: int) -> Outcome:
    """Take in the readings that wait under a unit number, as far as a vehicle carried it on their days.

    Args:
        session: The unit of work; the vehicle, its label and its standing are flushed.
        fleet_key: The fleet.
        unit: The unit number.
        now_us: The service's clock [us UTC].
    """
    known = carriers(session, fleet_key, [unit])
    late: defaultdict[int, list[NewReading]] = defaultdict(list)
    placed = []
    taken: dict[ReadingKey, int] = {}
    for row in queries_readings.waiting(session, fleet_key, unit):
        vehicle = known.of(unit, row.at_us)
        if vehicle is not None:
            is_device = row.device_since_us is not None
            new = NewReading(
                row.id, row.meter, row.at_us, row.source_id, row.figure, is_device, row.recorded_at_us
            )
            late[vehicle.key].append(new)
            placed.append(row.id)
            taken[row.meter, row.at_us, row.source_id, row.figure] = vehicle.key
    carry_decisions(session, fleet_key, unit, taken)
    writes_readings.take_waiting(session, fleet_key, placed)
    outcome = Outcome()
    _record_late(session, fleet_key, late, known, outcome, now_us=now_us)
    return outcome


def _of_one_meter(
    sent: Sequence[SentReading], known: Carriers
) -> list[tuple[Carrier | None, int, list[SentReading]]]:
    """The rows of each meter of each vehicle, by vehicle and meter; those without a vehicle at the end."""
    by_number: defaultdict[tuple[str, int], list[SentReading]] = defaultdict(list)
    for row in sent:
        by_number[row[1], row[2]].append(row)
    groups: defaultdict[tuple[int, int], list[SentReading]] = defaultdict(list)
    homeless = []
    for (unit, meter), rows in by_number.items():
        vehicle = known.throughout(unit, rows)
        if vehicle is not None:
            groups[vehicle.key, meter] += rows
            continue
        for row in rows:
            found = known.of(unit, row.at_us)
            if found is None:
                homeless.append(row)
            else:
                groups[found.key, meter].append(row)
    vehicles = known.vehicles
    return [
        *((vehicles[key], meter, groups[key, meter]) for key, meter in sorted(groups)),
        *((None, row.meter, [row]) for row in homeless),
    ]


def _new(row: SentReading, sources: Mapping[str, SourceKey]) -> NewReading:
    source = sources[row.source]
    return NewReading(row.place, row.meter, row.at_us, source.key, row.figure, source.is_device)


def _source_keys(
    session: WriteSession, fleet_key: int, codes: set[str], now_us: int
) -> Mapping[str, SourceKey]:
    known = queries_readings.source_keys(session, fleet_key, codes)
    missing = sorted(codes - known.keys())
    if missing:
        # Two feeds may meet a new source at once: the second one takes what the first has stored.
        rows = [{"fleet_id": fleet_key, "code": code, "recorded_at_us": now_us} for code in missing]
        insert_new(session, ReadingSource, rows)
        known = queries_readings.source_keys(session, fleet_key, codes)
    return known


def _store_waiting(  # noqa: PLR0913 - one step of ``record``
    session: WriteSession,
    fleet_key: int,
    waiting: Sequence[tuple[str, NewReading]],
    known: Carriers,
    outcome: Outcome,
    *,
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
        is_label = bool(known.labels.get(unit))
        outcome.note(new.place, Verdict.HELD, Why.UNIT_NOT_VALID_THEN if is_label else Why.UNIT_UNKNOWN)
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
    writes_readings.add_waiting(session, rows)


def _moved(vehicle: Carrier) -> dict[str, Any]:
    """The columns that a vehicle's new readings change; the indexed days are written only when they move."""
    usage = vehicle.usage
    standings = {
        METERS_BY_CODE[code]: Standing(
            now.last_life, local_day(now.last_at_us, usage.time_zone), rate_per_day(now)
        )
        for code, now in usage.meters.items()
        if now.last_at_us is not None
    }
    next_due_on, stale_on = next_dates(usage, standings)
    values: dict[str, Any] = {
        "usage": encode_usage(usage),
        "first_day": vehicle.first_day,
        "last_day": vehicle.last_day,
    }
    for code in sorted(vehicle.touched):
        meter, life, day, per_day = _WRITTEN[code]
        values[life], values[day], values[per_day] = standings[meter]
        if code in vehicle.moved_levels:
            values[LEVEL_COLUMNS[meter]] = packed_level(vehicle.moved_levels[code])
    if next_due_on != vehicle.next_due_on:
        values["next_due_on"] = next_due_on
    if stale_on != vehicle.stale_on:
        values["stale_on"] = stale_on
    return values


# The columns of a meter, by its code.
_WRITTEN = {
    code: (meter, COLUMNS[meter], DAY_COLUMNS[meter], RATE_COLUMNS[meter])
    for code, meter in METERS_BY_CODE.items()
}


def _record_late(  # noqa: PLR0913 - one step of ``record``
    session: WriteSession,
    fleet_key: int,
    late: Mapping[int, list[NewReading]],
    known: Carriers,
    outcome: Outcome,
    *,
    now_us: int,
) -> None:
    """Readings that extend no chain: leave out what is stored, judge the vehicles of the rest afresh."""
    if not late:
        return
    stored = queries_readings.stored_at(
        session,
        fleet_key,
        (
            (new.at_us // DAY_US, key, new.meter, new.at_us, new.source, new.figure)
            for key, rows in late.items()
            for new in rows
        ),
    )
    unknown: dict[int, list[NewReading]] = {}
    for key in sorted(late):
        rows = []
        for new in late[key]:
            if (key, new.meter, new.at_us, new.source, new.figure) in stored:
                outcome.note(new.place, Verdict.DUPLICATE, Why.SAME_READING_STORED)
            else:
                rows.append(new)
        if rows:
            unknown[key] = rows
    if unknown:
        widened = [(key, _widened(known.vehicles[key], rows)) for key, rows in unknown.items()]
        writes_readings.move_standings(session, fleet_key, widened)
        _add(outcome, judge_late(session, fleet_key, unknown, now_us=now_us))
        recompute(session, fleet_key, unknown, now_us=now_us)


def _widened(vehicle: Carrier, rows: Iterable[NewReading]) -> dict[str, Any]:
    """The columns for wider days on which the vehicle has readings, and for the newest instant of each meter."""
    for new in rows:
        vehicle.note_day(new.at_us // DAY_US)
        now = vehicle.usage.meters.get(new.meter)
        if now is not None:
            now.newest_at_us = max(now.newest_at_us, new.at_us)
    return {
        "usage": encode_usage(vehicle.usage),
        "first_day": vehicle.first_day,
        "last_day": vehicle.last_day,
    }


def _add(outcome: Outcome, more: Outcome) -> None:
    outcome.accepted += more.accepted
    outcome.duplicate += more.duplicate
    outcome.held += more.held
    outcome.rows.extend(replace(row) for row in more.rows)
