"""Judging a vehicle's readings afresh: the path of late and contradicting readings, and of changed meters."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import update

from api.services.feed.batch import Outcome, Verdict, why_of
from api.services.feed.carriers import EPOCH_ORDINAL
from api.services.history import as_date, segment_of
from api.services.standing import recompute
from api.store import queries_history, queries_readings
from api.store.codes import METERS_BY_CODE, ReadingReason, ReadingStatus
from api.store.tables_reading import Reading as ReadingRow
from api.store.writes_readings import add_readings, change_readings
from domain.meters import DAY_US, MeterSegment, Reading, plausible_chain, segment_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.store.session import WriteSession
    from domain.sheet import Meter

CLOCK_SKEW_US = 5 * 60 * 1_000_000
"""A reading further ahead of the service's clock than this is held [us]."""

_ALL_KNOWN_US = 2**62


@dataclass(frozen=True, slots=True)
class NewReading:
    """A reading to be stored: place in the request, meter code, instant [us], source key, figure."""

    place: int
    meter: int
    at_us: int
    source: int
    figure: int


def rejudge(session: WriteSession, fleet_key: int, vehicle_key: int, *, now_us: int) -> None:
    """Judge every reading of a vehicle afresh, after its meters changed, and draw the conclusions.

    Args:
        session: The unit of work; the segments are flushed.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        now_us: The service's clock [us UTC].
    """
    judge_afresh(session, fleet_key, vehicle_key, [], now_us=now_us)
    recompute(session, fleet_key, [vehicle_key], now_us=now_us)


def withdraw_figures(  # noqa: PLR0913 - an entry's place
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


def judge_afresh(
    session: WriteSession, fleet_key: int, vehicle_key: int, rows: Sequence[NewReading], *, now_us: int
) -> Outcome:
    """Store new readings of a vehicle and judge all its readings, since one may change the others.

    Args:
        session: The unit of work; the vehicle's reading days in ``standing`` cover the new readings.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        rows: Readings that are not stored yet.
        now_us: The service's clock [us UTC].
    """
    outcome = Outcome()
    (vehicle,) = queries_history.vehicles(session, fleet_key, [vehicle_key], now_us)
    first_us = (as_date(vehicle.in_service_on).toordinal() - EPOCH_ORDINAL - 1) * DAY_US
    segments = [
        segment_of(row) for row in queries_history.segments(session, fleet_key, [vehicle_key], _ALL_KNOWN_US)
    ]
    days = queries_history.reading_days(session, fleet_key, [vehicle_key])
    stored = [] if days is None else queries_history.all_readings(session, fleet_key, [vehicle_key], days)
    readings = [
        _Judged(r.day, r.meter, r.at_us, r.source_id, r.figure, r.life, r.status, r.reason, None)
        for r in stored
    ]
    readings += [
        _Judged(r.at_us // DAY_US, r.meter, r.at_us, r.source, r.figure, 0, 0, 0, r.place) for r in rows
    ]
    added, changed = [], []
    for meter in sorted({reading.meter for reading in readings}):
        of_meter = [r for r in readings if r.meter == meter]
        verdicts = _verdicts(
            METERS_BY_CODE[meter], of_meter, segments, first_us=first_us, latest_us=now_us + CLOCK_SKEW_US
        )
        for one, (life, status, reason) in zip(of_meter, verdicts, strict=True):
            key = (fleet_key, one.day, vehicle_key, meter, one.at_us, one.source, one.figure)
            if one.place is not None:
                added.append((*key, life, status, reason, now_us))
                _count(outcome, one.place, reason)
            elif (life, status, reason) != (one.life, one.status, one.reason):
                changed.append((life, status, reason, *key))
    add_readings(session, added)
    change_readings(session, changed)
    return outcome


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


def _count(outcome: Outcome, place: int, reason: int) -> None:
    why = why_of(reason)
    if why is None:
        outcome.accepted += 1
    else:
        outcome.note(place, Verdict.HELD, why)


def _verdicts(
    meter: Meter,
    readings: Sequence[_Judged],
    segments: Sequence[MeterSegment],
    *,
    first_us: int,
    latest_us: int,
) -> list[tuple[int, int, int]]:
    """Life-to-date, status and reason of each reading of one meter.

    A reading held for a future instant stays held when that instant has come, until a person releases it: the
    status must not depend on when it is looked at.
    """
    verdicts: list[tuple[int, int, int]] = []
    in_question: list[tuple[int, Reading]] = []
    for place, reading in enumerate(readings):
        if reading.status == ReadingStatus.DISCARDED:
            verdicts.append((reading.life, reading.status, reading.reason))
            continue
        segment = segment_at(segments, meter, reading.at_us)
        life = reading.figure + (0 if segment is None else segment.offset)
        is_ahead = reading.place is not None and reading.at_us > latest_us
        reason = ReadingReason.NONE
        if segment is None:
            reason = ReadingReason.METER_NOT_FITTED
        elif reading.at_us < first_us:
            reason = ReadingReason.OUTSIDE_VEHICLE_LIFE
        elif is_ahead or reading.reason == ReadingReason.IN_FUTURE:
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
