"""Judging a vehicle's readings again: the path of late and contradicting ones, of decisions, of changed meters.

Invariant: what is stored afterwards is what judging the whole history would store. Around a late reading only
the part that can change is read and judged (``domain.replay``); the whole where that cannot be told.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import update

from api.services.feed.batch import Outcome, Verdict, why_of
from api.services.grounds import CLOCK_SKEW_US, SETTLED, Grounds, Placed, consistent, grounds_of
from api.services.standing import recompute
from api.store import queries_history, queries_readings
from api.store.codes import METERS_BY_CODE, ReadingReason, ReadingStatus
from api.store.tables_reading import Reading as ReadingRow
from api.store.writes_readings import add_readings, change_readings
from domain.meters import DAY_US, Reading
from domain.plausibility import Doubt, Shown, doubt
from domain.replay import Replayed, Window, replayed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from api.services.grounds import ReadingKey
    from api.store.session import WriteSession
    from api.store.writes_readings import ChangedReading
    from api.store.writes_readings import NewReading as NewRow

__all__ = [
    "CLOCK_SKEW_US",
    "DOUBT_OF",
    "NewReading",
    "judge_decided",
    "judge_late",
    "rejudge",
    "withdraw_figures",
]

_REASONS: dict[Doubt, ReadingReason] = {
    Doubt.GOES_BACK: ReadingReason.GOES_BACK,
    Doubt.TOO_FAST: ReadingReason.TOO_FAST,
    Doubt.CONTRADICTS_SAME_INSTANT: ReadingReason.CONTRADICTS_SAME_INSTANT,
    Doubt.MILES_GIVEN_AS_KM: ReadingReason.MILES_GIVEN_AS_KM,
    Doubt.KM_GIVEN_AS_MILES: ReadingReason.KM_GIVEN_AS_MILES,
    Doubt.ROLLED_OVER: ReadingReason.ROLLED_OVER,
}
DOUBT_OF = {reason: found for found, reason in _REASONS.items()}
"""The reasons for which a reading's neighbours speak."""

# With more held readings than this an anchor would need a longer clean stretch than a dirty history has.
_MOST_HELD = 64
_WIDENINGS = 3


@dataclass(frozen=True, slots=True)
class NewReading:
    """A reading to be stored.

    Attributes:
        place: Its place in the request.
        meter: Meter code.
        at_us: Instant [us UTC].
        source: Key of its source.
        figure: Figure as sent [canonical units].
        is_device: Whether its source is a device.
        recorded_at_us: When it came in [us UTC]; None: now.
    """

    place: int
    meter: int
    at_us: int
    source: int
    figure: int
    is_device: bool = False
    recorded_at_us: int | None = None


def rejudge(session: WriteSession, fleet_key: int, vehicle_key: int, *, now_us: int) -> None:
    """Judge every reading of a vehicle again, after its meters or sources changed, and draw the conclusions.

    Args:
        session: The unit of work; the changes are flushed.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        now_us: The service's clock [us UTC].
    """
    days = _locked_days(session, fleet_key, [vehicle_key])[vehicle_key]
    if days is not None:
        grounds = grounds_of(session, fleet_key, [vehicle_key])[vehicle_key]
        rows = queries_history.all_readings(session, fleet_key, [vehicle_key], days)
        work = _Work(fleet_key, now_us)
        for meter in sorted({row.meter for row in rows}):
            case = _Case(vehicle_key, meter, grounds, days)
            known = [_Judged.stored(row, grounds) for row in rows if row.meter == meter]
            work.take(case, known, _whole(case, known))
        work.store(session)
    recompute(session, fleet_key, [vehicle_key], now_us=now_us)


def withdraw_figures(  # noqa: PLR0913 - an entry's place
    session: WriteSession, fleet_key: int, vehicle_key: int, *, at_us: int, source: str, now_us: int
) -> None:
    """Discard the readings that an entry noted at an instant, and judge the others again.

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
            ReadingRow.source_id == (None if key is None else key.key),  # type: ignore[arg-type]
        )
        .values(
            status=ReadingStatus.DISCARDED.value,
            reason=ReadingReason.WORK_WITHDRAWN.value,
            withdrawn_at_us=now_us,
        ),
        execution_options={"synchronize_session": False},
    )
    rejudge(session, fleet_key, vehicle_key, now_us=now_us)


def judge_late(
    session: WriteSession, fleet_key: int, late: Mapping[int, Sequence[NewReading]], *, now_us: int
) -> Outcome:
    """Store new readings of vehicles and judge what they can change; conclusions are drawn by the caller.

    Args:
        session: The unit of work; the vehicles' reading days in ``standing`` cover the new readings.
        fleet_key: The fleet.
        late: Readings that are not stored yet, by vehicle.
        now_us: The service's clock [us UTC].
    """
    keys = sorted(late)
    days = _locked_days(session, fleet_key, keys)
    grounds = grounds_of(session, fleet_key, keys)
    held: defaultdict[tuple[int, int], list[Any]] = defaultdict(list)
    for row in queries_history.held_readings(session, fleet_key, keys):
        held[row.vehicle_id, row.meter].append(row)
    work = _Work(fleet_key, now_us)
    for key in keys:
        span = days[key]
        if span is None:
            continue
        for meter in sorted({new.meter for new in late[key]}):
            case = _Case(key, meter, grounds[key], span)
            new = [_Judged.new(one, grounds[key], now_us) for one in late[key] if one.meter == meter]
            changed = frozenset(one.link for one in new if one.placed.is_in_question)
            work.take(case, *_around(session, fleet_key, case, new, changed, held[key, meter]))
    work.store(session)
    return work.outcome


def judge_decided(
    session: WriteSession, fleet_key: int, vehicle_key: int, reading: ReadingKey, *, now_us: int
) -> None:
    """Judge what a decision on a stored reading can change, and draw the conclusions.

    Args:
        session: The unit of work; the decision is flushed.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        reading: The reading.
        now_us: The service's clock [us UTC].
    """
    days = _locked_days(session, fleet_key, [vehicle_key])[vehicle_key]
    if days is None:
        return
    grounds = grounds_of(session, fleet_key, [vehicle_key])[vehicle_key]
    day = reading[1] // DAY_US
    case = _Case(vehicle_key, reading[0], grounds, days)
    rows = queries_history.readings_of(session, fleet_key, vehicle_key, case.meter, (day, day))
    (row,) = (row for row in rows if (row.meter, row.at_us, row.source_id, row.figure) == reading)
    decided = _Judged.stored(row, grounds)
    held = [
        row
        for row in queries_history.held_readings(session, fleet_key, [vehicle_key])
        if row.meter == case.meter
    ]
    changed = frozenset({Reading(row.at_us, row.life), decided.link})
    work = _Work(fleet_key, now_us)
    work.take(case, *_around(session, fleet_key, case, [], changed, held))
    work.store(session)
    recompute(session, fleet_key, [vehicle_key], now_us=now_us)


@dataclass(frozen=True, slots=True)
class _Case:
    """One meter of a vehicle, with what judging it rests on and the UTC days that it may have readings on."""

    vehicle: int
    meter: int
    grounds: Grounds
    days: tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Judged:
    """A reading of a vehicle, stored or new, before its neighbours are asked."""

    key: ReadingKey
    placed: Placed
    link: Reading
    recorded_at_us: int
    place: int | None
    was: tuple[int, int, int]
    is_settled: bool

    @classmethod
    def stored(cls, row: Any, grounds: Grounds) -> _Judged:
        """A stored one."""
        key = (row.meter, row.at_us, row.source_id, row.figure)
        is_device = row.device_since_us is not None
        placed = grounds.placed(key, recorded_at_us=row.recorded_at_us, is_device=is_device)
        if row.reason == ReadingReason.WORK_WITHDRAWN:
            placed = Placed(row.life, ReadingReason.WORK_WITHDRAWN, None)
        return cls(
            key,
            placed,
            Reading(row.at_us, placed.life),
            row.recorded_at_us,
            None,
            (row.life, row.status, row.reason),
            bool(row.is_settled),
        )

    @classmethod
    def new(cls, new: NewReading, grounds: Grounds, now_us: int) -> _Judged:
        """A new one."""
        key = (new.meter, new.at_us, new.source, new.figure)
        recorded = now_us if new.recorded_at_us is None else new.recorded_at_us
        placed = grounds.placed(key, recorded_at_us=recorded, is_device=new.is_device)
        return cls(
            key, placed, Reading(new.at_us, placed.life), recorded, new.place, (0, 0, 0), is_settled=False
        )

    @property
    def was_link(self) -> Reading:
        """It as it was stored."""
        return Reading(self.link.at_us, self.was[0])


@dataclass(slots=True)
class _Work:
    """Rows to add and to change, and what became of the new ones."""

    fleet: int
    now_us: int
    added: list[NewRow] = field(default_factory=list)
    changed: list[ChangedReading] = field(default_factory=list)
    outcome: Outcome = field(default_factory=Outcome)

    def take(self, case: _Case, readings: Iterable[_Judged], verdicts: Replayed) -> None:
        """Take in the verdicts of the part of a meter's history that was judged, and of what is new."""
        members = set(verdicts.accepted)
        from_us = -1 if verdicts.after is None else verdicts.after.at_us
        through_us = None if verdicts.through is None else verdicts.through.at_us
        for one in readings:
            at_us = one.link.at_us
            is_judged = from_us < at_us and (through_us is None or at_us <= through_us)
            if one.placed.is_in_question and not is_judged:
                continue
            status, reason = _verdict(case, one, verdicts.accepted, members)
            key = (self.fleet, at_us // DAY_US, case.vehicle, *one.key)
            verdict = (one.placed.life, status.value, reason.value)
            if one.place is not None:
                self.added.append((*key, *verdict, one.recorded_at_us))
                self._count(one.place, reason)
            elif verdict != one.was:
                self.changed.append((*verdict, *key))

    def store(self, session: WriteSession) -> None:
        """Store what was taken in."""
        add_readings(session, self.added)
        change_readings(session, self.changed)

    def _count(self, place: int, reason: ReadingReason) -> None:
        why = why_of(reason)
        if why is None:
            self.outcome.accepted += 1
        else:
            self.outcome.note(place, Verdict.HELD, why)


def _verdict(
    case: _Case, one: _Judged, accepted: Sequence[Reading], members: set[Reading]
) -> tuple[ReadingStatus, ReadingReason]:
    reason = one.placed.reason
    if reason in {ReadingReason.DISCARDED_BY_PERSON, ReadingReason.WORK_WITHDRAWN}:
        return ReadingStatus.DISCARDED, reason
    if not one.placed.is_in_question:
        return ReadingStatus.HELD, reason
    if one.link in members:
        return ReadingStatus.ACCEPTED, ReadingReason.NONE
    meter, at_us = METERS_BY_CODE[case.meter], one.link.at_us
    shown = Shown(at_us, one.link.life, one.key[3], case.grounds.dial_unit(meter, at_us))
    return ReadingStatus.HELD, _REASONS[doubt(meter, shown, accepted)]


def _around(  # noqa: PLR0913, PLR0917 - a change's place
    session: WriteSession,
    fleet_key: int,
    case: _Case,
    new: Sequence[_Judged],
    changed: frozenset[Reading],
    held_rows: Sequence[Any],
) -> tuple[list[_Judged], Replayed]:
    """The readings around a change, and their verdicts: from as few days as suffice to be sure of them."""
    held = sorted({Reading(row.at_us, row.life) for row in held_rows if row.reason in DOUBT_OF})
    decided = case.grounds.vouched(case.meter)
    whole = case.days
    spans = [whole] if len(held) > _MOST_HELD else _spans(case, changed, len(held))
    for days in spans:
        rows = queries_history.readings_of(session, fleet_key, case.vehicle, case.meter, days)
        stored = [_Judged.stored(row, case.grounds) for row in rows]
        known = [*stored, *new]
        if days == whole or not changed:
            return known, _whole(case, known) if changed else _nothing()
        vouched, is_contradicted = consistent(decided + _settled(stored))
        if is_contradicted:
            continue
        window = Window(
            sorted({one.was_link for one in stored if one.was[1] == ReadingStatus.ACCEPTED}),
            held,
            sorted({one.link for one in known if one.placed.is_in_question}),
            changed,
            vouched,
            is_from_first=days[0] <= whole[0],
            is_to_last=days[1] >= whole[1],
        )
        verdicts = replayed(METERS_BY_CODE[case.meter], window)
        if verdicts is not None:
            return known, verdicts
    raise AssertionError  # the last span is the whole history, which always answers


def _spans(case: _Case, changed: frozenset[Reading], held: int) -> Iterator[tuple[int, int]]:
    """Days around a change, wider each time; the whole history last."""
    first, last = case.days
    if changed:
        start = min(one.at_us for one in changed) // DAY_US
        end = max(one.at_us for one in changed) // DAY_US
        margin = held + 3
        for _ in range(_WIDENINGS):
            days = max(first, start - margin), min(last, end + margin)
            if 2 * (days[1] - days[0]) > last - first:
                break
            yield days
            margin *= 4
    yield case.days


def _whole(case: _Case, readings: Sequence[_Judged]) -> Replayed:
    """Verdicts from all readings of a meter."""
    in_question = [one for one in readings if one.placed.is_in_question]
    decided = [(one.placed.decision, one.link) for one in in_question if one.placed.decision is not None]
    vouched, _ = consistent(decided + _settled(in_question))
    # Two sources that show the same figure at the same instant agree: they are one link of the chain.
    links = sorted({one.link for one in in_question})
    window = Window((), (), links, frozenset(links), vouched, is_from_first=True, is_to_last=True)
    verdicts = replayed(METERS_BY_CODE[case.meter], window)
    assert verdicts is not None  # noqa: S101 - the whole history always answers
    return verdicts


def _settled(readings: Iterable[_Judged]) -> list[tuple[int, Reading]]:
    """The readings that thinning settled, unless a person has decided on them."""
    return [
        (SETTLED, one.link)
        for one in readings
        if one.is_settled and one.placed.is_in_question and one.placed.decision is None
    ]


def _nothing() -> Replayed:
    """No verdict at all: nothing that is new is in question."""
    beyond = Reading(2**62, 0)
    return Replayed(beyond, beyond, ())


def _locked_days(
    session: WriteSession, fleet_key: int, vehicle_keys: Sequence[int]
) -> dict[int, tuple[int, int] | None]:
    """The UTC days that vehicles have readings on; nobody else stores readings of them until the end."""
    return {
        row.vehicle_id: None if row.first_day is None else (row.first_day, row.last_day)
        for row in queries_history.locked_days(session, fleet_key, vehicle_keys)
    }
