"""Recording readings: the newest ones in one row a vehicle, the others by judging their vehicle afresh."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from api.services.feed.batch import Outcome, SentReading, Verdict, Why
from api.services.feed.carriers import Carrier, Carriers, carriers
from api.services.feed.judging import CLOCK_SKEW_US, NewReading, judge_late
from api.services.feed.reviews import carry_decisions
from api.services.standing import (
    COLUMNS,
    DAY_COLUMNS,
    RATE_COLUMNS,
    MeterNow,
    Usage,
    encode_usage,
    local_day,
    next_dates,
    recompute,
)
from api.store import queries_readings, writes_readings
from api.store.codes import METERS_BY_CODE, ReadingStatus
from api.store.new_rows import insert_new
from api.store.tables_fleet import ReadingSource
from domain.due import Standing
from domain.meters import DAY_US, Reading, can_follow
from domain.usage import fold, rate_per_day

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from api.services.grounds import ReadingKey
    from api.store.queries_readings import SourceKey
    from api.store.session import WriteSession
    from domain.sheet import Meter


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
    late: defaultdict[int, list[NewReading]] = defaultdict(list)
    fresh: list[writes_readings.NewReading] = []
    waiting: list[tuple[str, NewReading]] = []
    seen: set[tuple[int, int, int, int, int]] = set()
    for row in sorted(sent, key=lambda r: (r.at_us, r.figure, r.place)):
        source = sources[row.source]
        new = NewReading(row.place, row.meter, row.at_us, source.key, row.figure, source.is_device)
        vehicle = known.of(row.unit, row.at_us)
        if vehicle is None:
            waiting.append((row.unit, new))
            continue
        key = (vehicle.key, new.meter, new.at_us, new.source, new.figure)
        if key in seen:
            outcome.note(row.place, Verdict.DUPLICATE, Why.SAME_READING_IN_BATCH)
            continue
        seen.add(key)
        life = None if vehicle.key in late or row.at_us > now_us + CLOCK_SKEW_US else _extending(vehicle, new)
        if life is None:
            late[vehicle.key].append(new)
            continue
        fresh.append((fleet_key, *_extended(vehicle, new, life), ReadingStatus.ACCEPTED.value, 0, now_us))
        outcome.accepted += 1
    _store_waiting(session, fleet_key, waiting, known, outcome, now_us=now_us)
    writes_readings.add_readings(session, fresh)
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


def _extending(vehicle: Carrier, new: NewReading) -> int | None:
    """Life-to-date of a reading that is newer than any of its meter and can follow the last accepted one; or None."""
    now = vehicle.usage.meters.get(new.meter)
    if now is None or now.last_at_us is None or not vehicle.is_settled:
        return None
    if new.at_us <= now.newest_at_us or new.at_us < now.fitted_at_us:
        return None
    terms = vehicle.usage.sources.get(new.source)
    if terms is None:
        if new.is_device:
            return None
        life = new.figure + now.life_offset
    elif (new.is_device or terms.fitted) and not terms.is_fitted(new.at_us):
        return None
    else:
        life = terms.on_dial(new.meter, new.at_us, new.figure) + now.life_offset
    last = Reading(now.last_at_us, now.last_life)
    return life if can_follow(METERS_BY_CODE[new.meter], last, Reading(new.at_us, life)) else None


def _extended(vehicle: Carrier, new: NewReading, life: int) -> tuple[int, int, int, int, int, int, int]:
    """Take an extending reading into the vehicle's usage; its key but for the fleet, and its life-to-date."""
    _take(vehicle.usage.meters[new.meter], new.at_us, life)
    vehicle.touched.add(new.meter)
    day = new.at_us // DAY_US
    vehicle.note_day(day)
    return day, vehicle.key, new.meter, new.at_us, new.source, new.figure, life


def _take(now: MeterNow, at_us: int, life: int) -> None:
    state = fold(now.state(), at_us, life)
    now.last_at_us, now.last_life = state.last_at_us, state.last_life
    now.before_at_us, now.before_life = state.before_at_us, state.before_life
    now.use, now.days = state.use, state.days
    now.newest_at_us = at_us


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
    standings = _standings(vehicle.usage)
    dates = next_dates(vehicle.usage, standings)
    values: dict[str, Any] = {
        "usage": encode_usage(vehicle.usage),
        "first_day": vehicle.first_day,
        "last_day": vehicle.last_day,
    }
    for code in sorted(vehicle.touched):
        meter = METERS_BY_CODE[code]
        standing = standings[meter]
        values[COLUMNS[meter]] = standing.life
        values[DAY_COLUMNS[meter]] = standing.day
        values[RATE_COLUMNS[meter]] = standing.per_day
    if dates.next_due_on != vehicle.next_due_on:
        values["next_due_on"] = dates.next_due_on
    if dates.stale_on != vehicle.stale_on:
        values["stale_on"] = dates.stale_on
    return values


def _standings(usage: Usage) -> dict[Meter, Standing]:
    found = {}
    for code, now in usage.meters.items():
        state = now.state()
        if state is not None:
            day = local_day(state.last_at_us, usage.time_zone)
            found[METERS_BY_CODE[code]] = Standing(state.last_life, day, rate_per_day(state))
    return found


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
    places = {(new.at_us // DAY_US, key) for key, rows in late.items() for new in rows}
    stored = {
        (row.vehicle_id, row.meter, row.at_us, row.source_id, row.figure)
        for row in queries_readings.stored_at(session, fleet_key, places)
    }
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
