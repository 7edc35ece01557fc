"""The vehicles that a batch touches: which unit number means which on which day, and how each stands now."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from api.services.grounds import EPOCH_ORDINAL, as_date
from api.services.standing import Usage, decode_usage
from api.store import queries_readings
from domain.meters import DAY_US

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

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
        self.first_day = day if self.first_day is None else min(self.first_day, day)
        self.last_day = day if self.last_day is None else max(self.last_day, day)


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
        through = (
            None if row.valid_through is None else as_date(row.valid_through).toordinal() - EPOCH_ORDINAL
        )
        first = as_date(row.valid_from).toordinal() - EPOCH_ORDINAL
        labels[row.unit].append((row.vehicle_id, first, through))
        if row.vehicle_id not in vehicles:
            vehicles[row.vehicle_id] = Carrier(
                row.vehicle_id,
                decode_usage(row.usage),
                bool(row.is_settled),
                row.first_day,
                row.last_day,
                row.next_due_on,
                row.stale_on,
            )
    return Carriers(vehicles, labels)
