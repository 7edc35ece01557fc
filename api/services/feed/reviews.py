"""Readings that wait for a person, and what people decide on single readings.

Invariants: a decision is added, never changed, and the last one on a reading holds; what it brings about is
stored in the same unit of work, as if the reading had come in so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert

from api.services.errors import ConflictError, NotFoundError
from api.services.feed.batch import Why, why_of
from api.services.feed.judging import DOUBT_OF, judge_decided
from api.store import queries_reviews, queries_sources
from api.store.codes import METER_CODES, METERS_BY_CODE, ReadingReason, ReadingStatus, ReadingVerdict
from api.store.tables_source import ReadingDecision
from domain.errors import Breach
from domain.meters import DAY_US
from domain.plausibility import Doubt, in_other_unit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.services.grounds import ReadingKey
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter

__all__ = [
    "Decided",
    "HeldAsked",
    "ReadingStatus",
    "ReadingVerdict",
    "Reviewed",
    "Ruling",
    "carry_decisions",
    "decide",
    "held",
    "reading_of",
]

_WAITING_CODES = {Why.UNIT_UNKNOWN: 0, Why.UNIT_NOT_VALID_THEN: 1}
# What a person cannot release: the vehicle has no such meter then, or was not there.
_NOT_RELEASABLE = {ReadingReason.METER_NOT_FITTED, ReadingReason.OUTSIDE_VEHICLE_LIFE}
_KIND = "reading"
_LARGEST_KEY = 2**31 - 1
_LARGEST = 2**63 - 1

# Where a page ended: whether among those that wait under a number (1) or not (0); that number; then vehicle or 0,
# meter code, instant, source, figure
HeldPlace = tuple[int, str, int, int, int, int, int]
FIRST: HeldPlace = (0, "", 0, 0, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class HeldAsked:
    """Which readings that wait for a person a list shows.

    Attributes:
        unit: Only those of vehicles that carry or carried this number, and those that wait under it.
        depot: Only those of vehicles of this depot.
        meter: Only this meter.
        why: Only for this reason.
    """

    unit: str | None = None
    depot: str | None = None
    meter: Meter | None = None
    why: Why | None = None


@dataclass(frozen=True, slots=True)
class Ruling:
    """What a person decides: what, who, and why."""

    verdict: ReadingVerdict
    decided_by: str
    why: str


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision as stored.

    Attributes:
        ruling: What was decided.
        meant_figure: The figure in the other unit, where the unit was mixed up [canonical units].
        at_us: When [us UTC].
    """

    ruling: Ruling
    meant_figure: int | None
    at_us: int


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A reading as a reviewer sees it.

    Attributes:
        name: Identifies it.
        unit: Newest unit number of its vehicle, or the one that it waits under.
        depot: Code of the vehicle's depot; None while it waits under a number.
        meter: Which meter.
        at_us: Instant [us UTC].
        figure: Figure as sent [canonical units].
        life: Its life-to-date [canonical units]; None while it waits under a number.
        source: Code of its source.
        status: How it stands.
        why: Why it is not accepted; None where it is.
        meant_figure: The figure in the other unit, if that is what would make it fit [canonical units].
        recorded_at_us: When it came in [us UTC].
        place: Where a page that ends with it ended.
    """

    name: str
    unit: str
    depot: str | None
    meter: Meter
    at_us: int
    figure: int
    life: int | None
    source: str
    status: ReadingStatus
    why: Why | None
    meant_figure: int | None
    recorded_at_us: int
    place: HeldPlace


def held(
    session: ReadSession, fleet_key: int, asked: HeldAsked, *, after: HeldPlace, limit: int
) -> list[Reviewed]:
    """Readings that wait for a person: those held of vehicles, then those that wait under a unit number.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which of them.
        after: Where the page before ended.
        limit: Most readings.
    """
    if asked.why is not None and asked.why not in _WAITING_CODES and asked.why not in _REASON_OF:
        return []  # a code that no held reading has, such as that of a repeated row
    is_waiting, unit, vehicle, meter, at_us, source, figure = after
    filters: dict[str, Any] = {}
    if asked.unit is not None:
        filters["unit"] = asked.unit
    if asked.meter is not None:
        filters["only_meter"] = METER_CODES[asked.meter]
    place = {"fleet": fleet_key, "meter": meter, "at_us": at_us, "source": source, "figure": figure}
    found: list[Reviewed] = []
    if not is_waiting and asked.why not in _WAITING_CODES:
        more = {} if asked.why is None else {"reason": _REASON_OF[asked.why].value}
        if asked.depot is not None:
            more["depot"] = asked.depot  # type: ignore[assignment]
        rows = queries_reviews.held_page(
            session, place | {"vehicle": vehicle, "limit": limit}, filters | more
        )
        found = [_placed(row) for row in rows]
    if len(found) < limit and asked.depot is None and (asked.why is None or asked.why in _WAITING_CODES):
        if not is_waiting:
            place = {"fleet": fleet_key, "meter": 0, "at_us": 0, "source": 0, "figure": 0}
        more = {} if asked.why is None else {"is_known": _WAITING_CODES[asked.why]}
        rows = queries_reviews.waiting_page(
            session, place | {"after": unit, "limit": limit - len(found)}, filters | more
        )
        found += [_waiting(row) for row in rows]
    return found


def reading_of(session: ReadSession, fleet_key: int, name: str) -> tuple[Reviewed, tuple[Decided, ...]]:
    """One reading, and what people have decided on it in order of time.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        name: Identifies it.

    Raises:
        NotFoundError: There is none of that name, or it was taken in by a vehicle meanwhile.
    """
    row, key = _row(session, fleet_key, name)
    found = _waiting(row) if key is None else _placed(row)
    asked = {
        "fleet": fleet_key,
        "owner": row.unit if key is None else row.vehicle_id,
        "meter": row.meter,
        "at_us": row.at_us,
        "source": row.source_id,
        "figure": row.figure,
    }
    decisions = tuple(
        Decided(
            Ruling(ReadingVerdict(one.decision), one.decided_by, one.why),
            one.meant_figure,
            one.recorded_at_us,
        )
        for one in queries_reviews.decisions_on(session, asked, is_placed=key is not None)
    )
    if key is None and decisions and decisions[-1].ruling.verdict is ReadingVerdict.DISCARDED:
        found = _waiting(row, is_discarded=True)
    return found, decisions


def decide(session: WriteSession, fleet_key: int, name: str, ruling: Ruling, *, now_us: int) -> None:
    """Store a decision on a reading, and what follows from it.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        name: Identifies the reading.
        ruling: What is decided.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: There is no such reading.
        ConflictError: A reading cannot be released that has no meter or vehicle to belong to
            (``reading_not_releasable``), or converted whose unit does not look mixed up (``no_other_unit``).
    """
    parts = _parts(name)
    if parts is not None and not queries_reviews.lock_vehicle(session, fleet_key, parts[0]):
        raise NotFoundError(_KIND)
    row, key = _row(session, fleet_key, name, is_locking=True)
    meant = None
    if ruling.verdict in {ReadingVerdict.RELEASED, ReadingVerdict.CONVERTED}:
        reason = ReadingReason.METER_NOT_FITTED if key is None else ReadingReason(row.reason)
        if reason in _NOT_RELEASABLE or reason is ReadingReason.WORK_WITHDRAWN:
            detail = (
                "the reading belongs to no meter of a vehicle then; register or correct that, or discard it"
            )
            raise ConflictError(Breach("/decision", "reading_not_releasable", detail))
        if ruling.verdict is ReadingVerdict.CONVERTED:
            meant = _meant_figure(row)
            if meant is None:
                detail = "the figure in the other unit would not fit either"
                raise ConflictError(Breach("/decision", "no_other_unit", detail))
    session.execute(
        insert(ReadingDecision).values(
            fleet_id=fleet_key,
            vehicle_id=None if key is None else row.vehicle_id,
            unit=row.unit if key is None else None,
            meter=row.meter,
            at_us=row.at_us,
            source_id=row.source_id,
            figure=row.figure,
            decision=ruling.verdict.value,
            meant_figure=meant,
            decided_by=ruling.decided_by,
            why=ruling.why,
            recorded_at_us=now_us,
        )
    )
    if key is not None:
        judge_decided(session, fleet_key, row.vehicle_id, key, now_us=now_us)


def carry_decisions(
    session: WriteSession, fleet_key: int, unit: str, taken: Mapping[ReadingKey, int]
) -> None:
    """Let decisions on readings that waited under a unit number go with them.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        unit: The unit number.
        taken: The vehicle that each reading goes to.
    """
    rows = [
        {
            "fleet_id": fleet_key,
            "vehicle_id": taken[key],
            "unit": None,
            "meter": one.meter,
            "at_us": one.at_us,
            "source_id": one.source_id,
            "figure": one.figure,
            "decision": one.decision,
            "meant_figure": one.meant_figure,
            "decided_by": one.decided_by,
            "why": one.why,
            "recorded_at_us": one.recorded_at_us,
        }
        for one in queries_sources.decisions_under(session, fleet_key, unit)
        if (key := (one.meter, one.at_us, one.source_id, one.figure)) in taken
    ]
    if rows:
        session.connection().execute(insert(ReadingDecision), rows)


_REASON_OF = {why_of(reason): reason for reason in ReadingReason}


def _row(
    session: ReadSession, fleet_key: int, name: str, *, is_locking: bool = False
) -> tuple[Any, tuple[int, int, int, int] | None]:
    """The row of a reading, and its key where a vehicle has it."""
    parts = _parts(name)
    row: Any | None = None
    if parts is None:
        number = int(name.removeprefix("w"))
        if number <= _LARGEST_KEY:
            row = queries_reviews.waiting_reading(session, fleet_key, number, is_locking=is_locking)
        key = None
    else:
        vehicle, meter, at_us, source, figure = parts
        asked = {
            "fleet": fleet_key,
            "day": at_us // DAY_US,
            "vehicle": vehicle,
            "meter": meter,
            "at_us": at_us,
            "source": source,
            "figure": figure,
        }
        row = queries_reviews.placed_reading(session, asked)
        key = (meter, at_us, source, figure)
    if row is None:
        raise NotFoundError(_KIND)
    return row, key


def _parts(name: str) -> tuple[int, int, int, int, int] | None:
    """The parts of a vehicle's reading's name; None for one that waits under a number.

    Raises:
        NotFoundError: It is the name of nothing.
    """
    if name.startswith("w"):
        return None
    vehicle, meter, at_us, source, figure = map(int, name.split("."))
    if max(vehicle, source) > _LARGEST_KEY or max(at_us, figure) > _LARGEST:
        raise NotFoundError(_KIND)
    return vehicle, meter, at_us, source, figure


def _placed(row: Any) -> Reviewed:
    key = (row.vehicle_id, row.meter, row.at_us, row.source_id, row.figure)
    return Reviewed(
        ".".join(map(str, key)),
        row.unit,
        row.depot,
        METERS_BY_CODE[row.meter],
        row.at_us,
        row.figure,
        row.life,
        row.source,
        ReadingStatus(row.status),
        why_of(row.reason),
        _meant_figure(row),
        row.recorded_at_us,
        (0, "", *key),
    )


def _waiting(row: Any, *, is_discarded: bool = False) -> Reviewed:
    why = Why.UNIT_NOT_VALID_THEN if row.is_known else Why.UNIT_UNKNOWN
    return Reviewed(
        f"w{row.id}",
        row.unit,
        None,
        METERS_BY_CODE[row.meter],
        row.at_us,
        row.figure,
        None,
        row.source,
        ReadingStatus.DISCARDED if is_discarded else ReadingStatus.HELD,
        Why.DISCARDED_BY_PERSON if is_discarded else why,
        None,
        row.recorded_at_us,
        (1, row.unit, 0, row.meter, row.at_us, row.source_id, row.figure),
    )


def _meant_figure(row: Any) -> int | None:
    reason = DOUBT_OF.get(ReadingReason(row.reason))
    if reason not in {Doubt.MILES_GIVEN_AS_KM, Doubt.KM_GIVEN_AS_MILES}:
        return None
    return in_other_unit(METERS_BY_CODE[row.meter], row.figure, reason)
