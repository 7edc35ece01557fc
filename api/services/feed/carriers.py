"""The vehicles that a batch touches: which unit number means which on which day, and how each stands now."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from api.services.grounds import EPOCH_ORDINAL, as_date
from api.services.standing import MeterNow, Usage, decode_usage, local_day
from api.services.use_patterns import terms_by_version
from api.store import queries_readings
from domain.meters import DAY_US
from domain.use_level import KeptLevel, LevelTerms, is_resting, level_before, unpacked_level

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from api.services.feed.batch import SentReading
    from api.store.session import WriteSession


@dataclass(slots=True)
class Carrier:
    """A vehicle, with the part of its standing that readings move.

    Attributes:
        key: Its key.
        usage: What the next reading of each meter needs.
        is_settled: Whether no due point rests on an extrapolation.
        first_day: First UTC day with a reading, counted from 1970.
        last_day: Last such day.
        next_due_on: As stored.
        stale_on: As stored.
        terms: How its type runs its meters, by meter code, as far as has been learned.
        levels: What ``standing`` holds of the level of each meter.
        touched: Codes of the meters that this batch moved.
        moved_levels: What is kept of the levels that this batch moved, by meter code.
    """

    key: int
    usage: Usage
    is_settled: bool
    first_day: int | None
    last_day: int | None
    next_due_on: int
    stale_on: int
    terms: Mapping[int, LevelTerms] = field(default_factory=dict)
    levels: Sequence[bytes | None] = ()
    touched: set[int] = field(default_factory=set)
    moved_levels: dict[int, KeptLevel] = field(default_factory=dict)

    def note_day(self, day: int) -> None:
        """Widen the days on which the vehicle has readings."""
        if self.first_day is None or day < self.first_day:
            self.first_day = day
        if self.last_day is None or day > self.last_day:
            self.last_day = day

    def keep_level(self, meter: int, now: MeterNow, at_us: int) -> None:
        """Take the last reading of a meter into its level, if a newest one that is to be folded in has a later day.

        Args:
            meter: Code of the meter.
            now: The meter before that reading; it has one.
            at_us: Instant of the newest reading [us UTC].
        """
        terms = self.terms.get(meter)
        if terms is None or now.last_at_us is None or at_us // DAY_US == now.last_at_us // DAY_US:
            return
        kept = self.moved_levels.get(meter)
        if kept is None:
            stored = self.levels[meter - 1]
            if stored is None or is_resting(stored, now.last_at_us // DAY_US + EPOCH_ORDINAL):
                return
            kept = unpacked_level(stored)
        moved = level_before(terms, kept, local_day(now.last_at_us, self.usage.time_zone), now.last_life)
        if moved is not kept:
            self.moved_levels[meter] = moved


@dataclass(slots=True)
class Carriers:
    """The vehicles behind some unit numbers.

    Attributes:
        vehicles: By key.
        labels: (vehicle key, first day, last day or None) of each unit number, days counted from 1970 in UTC.
    """

    vehicles: dict[int, Carrier]
    labels: dict[str, list[tuple[int, int, int | None]]]

    def of(self, unit: str, at_us: int) -> Carrier | None:
        """The vehicle that carried a unit number at an instant, or None."""
        day = at_us // DAY_US
        for vehicle, first, through in self.labels.get(unit, ()):
            if first <= day and (through is None or day <= through):
                return self.vehicles[vehicle]
        return None

    def throughout(self, unit: str, rows: Sequence[SentReading]) -> Carrier | None:
        """The one vehicle that carried a unit number whenever it was read, or None if there is no such."""
        labels = self.labels.get(unit, ())
        if len(labels) != 1:
            return None
        vehicle, first, through = labels[0]
        days = [row[3] for row in rows]
        if min(days) // DAY_US < first or (through is not None and max(days) // DAY_US > through):
            return None
        return self.vehicles[vehicle]

    def in_order(self) -> Sequence[Carrier]:
        """The vehicles by key: the order in which rows are locked everywhere."""
        return [self.vehicles[key] for key in sorted(self.vehicles)]


def carriers(session: WriteSession, fleet_key: int, units: Iterable[str]) -> Carriers:
    """The vehicles that carry or carried these unit numbers, locked where the database locks rows."""
    vehicles: dict[int, Carrier] = {}
    terms = terms_by_version(session)
    labels: defaultdict[str, list[tuple[int, int, int | None]]] = defaultdict(list)
    for row in queries_readings.labels(session, fleet_key, units):
        unit, key, valid_from, valid_through, usage, is_settled, *more = tuple(row)
        first_day, last_day, next_due_on, stale_on, version, *levels = more
        through = None if valid_through is None else _day_number(valid_through)
        labels[unit].append((key, _day_number(valid_from), through))
        if key not in vehicles:
            vehicles[key] = Carrier(
                key,
                decode_usage(usage),
                bool(is_settled),
                first_day,
                last_day,
                next_due_on,
                stale_on,
                terms.get(version, _NO_TERMS),
                levels,
            )
    return Carriers(vehicles, labels)


_NO_TERMS: Mapping[int, LevelTerms] = MappingProxyType({})


@lru_cache(maxsize=16_384)
def _day_number(day: date | str) -> int:
    """A stored day as the number of days from 1970."""
    return as_date(day).toordinal() - EPOCH_ORDINAL
