"""Thinning old readings to the last one of each UTC day, without changing any answer about due services.

A meter only rises, and dates, rates and interpolation use the last accepted reading of each day alone. What is
kept of a thinned day is settled: it stays accepted whatever comes later, unless a person decides otherwise, so
that one reading a day is never outvoted by those that the others were there to outvote.

Invariants: nothing is removed that is held or discarded, that a person decided on, that an entry noted, or
whose absence would let a held reading fit (the accepted ones next to it); nor a reading that was known on a
day when the day's last one was not yet.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from api.services.feed.judging import DOUBT_OF
from api.store import queries_history, queries_readings, queries_sources
from api.store.codes import METERS_BY_CODE, ReadingStatus
from api.store.writes_readings import ReadingPlace, remove_readings, settle_readings
from domain.meters import DAY_US

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from api.services.grounds import ReadingKey
    from api.store.session import Store, WriteSession
    from domain.sheet import Meter

LEAST_DAYS = 2
"""A day is thinned when it is at least so old [d]: readings of yesterday are still on their way."""

NOTED_SOURCES = ("work-done", "registration", "meter-replacement")
"""Sources of figures that belong to an entry."""

_VEHICLES = 100


@dataclass(slots=True)
class Thinned:
    """What was removed.

    Attributes:
        vehicles: Vehicles that lost readings.
        days: Days of a meter of a vehicle that were thinned.
        removed: Readings removed, by meter.
        kept: Readings of the days looked at that were kept.
    """

    vehicles: int = 0
    days: int = 0
    removed: dict[Meter, int] = field(default_factory=dict)
    kept: int = 0

    def add(self, other: Thinned) -> None:
        """Take in what was removed elsewhere."""
        self.vehicles += other.vehicles
        self.days += other.days
        self.kept += other.kept
        for meter, count in other.removed.items():
            self.removed[meter] = self.removed.get(meter, 0) + count


def thin(store: Store, fleet_key: int, *, before_day: int) -> Iterator[Thinned]:
    """What was removed, a value for each unit of work; broken off, what was yielded is done and the rest is not.

    Args:
        store: The store.
        fleet_key: The fleet.
        before_day: Days before this one are thinned [UTC days since 1970].
    """
    with store.reading() as session:
        keys = queries_readings.vehicles_with_readings(session, fleet_key, before_day)
    for start in range(0, len(keys), _VEHICLES):
        some = keys[start : start + _VEHICLES]

        def work(session: WriteSession, some: Sequence[int] = some) -> Thinned:
            return _thin_vehicles(session, fleet_key, some, before_day)

        yield store.write(work)


def _thin_vehicles(session: WriteSession, fleet_key: int, keys: Sequence[int], before_day: int) -> Thinned:
    thinned = Thinned()
    spans = [
        (row.first_day, row.last_day)
        for row in queries_history.locked_days(session, fleet_key, keys)
        if row.first_day is not None and row.first_day < before_day
    ]
    if not spans:
        return thinned
    decided: defaultdict[int, set[ReadingKey]] = defaultdict(set)
    for row in queries_sources.decisions(session, fleet_key, keys, 2**62):
        decided[row.vehicle_id].add((row.meter, row.at_us, row.source_id, row.figure))
    noted = {one.key for one in queries_readings.source_keys(session, fleet_key, NOTED_SOURCES).values()}
    # One day more: the accepted reading after a held one may lie on the first day that is not thinned.
    days = (min(first for first, _ in spans), before_day)
    groups: defaultdict[tuple[int, int], list[Any]] = defaultdict(list)
    for row in queries_history.all_readings(session, fleet_key, keys, days):
        groups[row.vehicle_id, row.meter].append(row)
    removed: list[ReadingPlace] = []
    settled: list[ReadingPlace] = []
    for (vehicle, meter), rows in groups.items():
        gone, kept = _split(rows, before_day, decided[vehicle], noted)
        removed += [_place(fleet_key, row) for row in gone]
        settled += [_place(fleet_key, row) for row in kept]
        thinned.kept += sum(row.day < before_day for row in rows) - len(gone)
        thinned.days += len({row.day for row in gone})
        if gone:
            thinned.removed[METERS_BY_CODE[meter]] = thinned.removed.get(METERS_BY_CODE[meter], 0) + len(gone)
    thinned.vehicles = len({place[2] for place in removed})
    remove_readings(session, removed)
    settle_readings(session, settled)
    return thinned


def _split(
    rows: Sequence[Any], before_day: int, decided: set[ReadingKey], noted: set[int]
) -> tuple[list[Any], list[Any]]:
    """The readings of one meter that go, and the last ones of the days that they go from."""
    accepted = [row for row in rows if row.status == ReadingStatus.ACCEPTED]
    instants = [row.at_us for row in accepted]
    last_of = {row.day: row for row in accepted}
    guarded = _beside(instants, (row.at_us for row in rows if row.reason in DOUBT_OF))
    gone = [
        row
        for row in accepted
        if row.day < before_day
        and row.at_us < last_of[row.day].at_us
        and row.at_us not in guarded
        and row.source_id not in noted
        and (row.meter, row.at_us, row.source_id, row.figure) not in decided
        and last_of[row.day].recorded_at_us // DAY_US <= row.recorded_at_us // DAY_US
    ]
    days = {row.day for row in gone}
    ends = {last_of[day].at_us for day in days}
    return gone, [row for row in accepted if row.at_us in ends and not row.is_settled]


def _beside(instants: Sequence[int], held: Iterable[int]) -> set[int]:
    """Instants of the accepted readings next to held ones."""
    found: set[int] = set()
    for at_us in held:
        start, end = bisect_left(instants, at_us), bisect_right(instants, at_us)
        found.update(instants[max(0, start - 1) : end + 1])
    return found


def _place(fleet_key: int, row: Any) -> ReadingPlace:
    return (fleet_key, row.day, row.vehicle_id, row.meter, row.at_us, row.source_id, row.figure)
