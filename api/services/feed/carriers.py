"""The vehicles that a batch touches: which unit number means which on which day, and how each stands now."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

from api.services.grounds import EPOCH_ORDINAL, as_date
from api.services.standing import Usage, decode_usage
from api.store import queries_readings
from domain.meters import DAY_US

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

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
        touched: Codes of the meters that this batch moved.
    """

    key: int
    usage: Usage
    is_settled: bool
    first_day: int | None
    last_day: int | None
    next_due_on: int
    stale_on: int
    touched: set[int] = field(default_factory=set)

    def note_day(self, day: int) -> None:
        """Widen the days on which the vehicle has readings."""
        if self.first_day is None or day < self.first_day:
            self.first_day = day
        if self.last_day is None or day > self.last_day:
            self.last_day = day


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

    def in_order(self) -> Sequence[Carrier]:
        """The vehicles by key: the order in which rows are locked everywhere."""
        return [self.vehicles[key] for key in sorted(self.vehicles)]


def carriers(session: WriteSession, fleet_key: int, units: Iterable[str]) -> Carriers:
    """The vehicles that carry or carried these unit numbers, locked where the database locks rows."""
    vehicles: dict[int, Carrier] = {}
    labels: defaultdict[str, list[tuple[int, int, int | None]]] = defaultdict(list)
    for row in queries_readings.labels(session, fleet_key, units):
        unit, key, valid_from, valid_through, usage, is_settled, *days = tuple(row)
        through = None if valid_through is None else _day_number(valid_through)
        labels[unit].append((key, _day_number(valid_from), through))
        if key not in vehicles:
            vehicles[key] = Carrier(key, decode_usage(usage), bool(is_settled), *days)
    return Carriers(vehicles, labels)


@lru_cache(maxsize=16_384)
def _day_number(day: date | str) -> int:
    """A stored day as the number of days from 1970."""
    return as_date(day).toordinal() - EPOCH_ORDINAL
