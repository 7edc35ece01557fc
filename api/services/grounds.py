"""What judging a vehicle's readings rests on, beside the readings: meters, devices, calibrations, decisions.

Invariants: ``Grounds.placed`` is the one function that says what a reading is before its neighbours are asked;
it depends on the reading and on these facts, never on the clock or on the order in which anything came. The
last decision on a reading holds; where two readings that people vouch for contradict each other, the later
decision holds.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

import msgspec

from api.store import queries_history, queries_sources
from api.store.codes import METERS_BY_CODE, ReadingReason, ReadingVerdict
from domain.meters import DAY_US, MeterSegment, Reading, segment_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from api.store.session import ReadSession
    from domain.sheet import Meter

EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
FOREVER_US = 2**62
CLOCK_SKEW_US = 5 * 60 * 1_000_000
"""A reading further ahead of the service's clock, when it is recorded, is held [us]."""
SETTLED = 0
"""Stands for the number of a decision where thinning settled a reading: any person's decision comes later."""

_PARTS = 1_000_000_000

# (meter code, instant, source key, figure) of a reading of a vehicle
ReadingKey = tuple[int, int, int, int]


class SourceTerms(msgspec.Struct, array_like=True):
    """What is known of a source on one vehicle.

    Attributes:
        fitted: (from, up to or None) of its fittings, where it is a device [us UTC].
        calibrations: (meter code, from, factor [1e-9], offset) in order of meter and time.
    """

    fitted: list[tuple[int, int | None]] = []
    calibrations: list[tuple[int, int, int, int]] = []

    def is_fitted(self, at_us: int) -> bool:
        """Whether the device was on the vehicle at an instant."""
        return any(start <= at_us and (end is None or at_us < end) for start, end in self.fitted)

    def on_dial(self, meter: int, at_us: int, figure: int) -> int:
        """What the dial showed when the source gave a figure [canonical units]."""
        shown = figure
        for code, from_us, factor_ppb, offset in self.calibrations:
            if code == meter and from_us <= at_us:
                shown = (figure * factor_ppb + _PARTS // 2) // _PARTS + offset
        return shown


@dataclass(frozen=True, slots=True)
class Decision:
    """The decision that holds on a reading: its place in time, what it says, and the figure that was meant."""

    number: int
    verdict: ReadingVerdict
    meant_figure: int | None


@dataclass(frozen=True, slots=True)
class Placed:
    """A reading before its neighbours are asked.

    Attributes:
        life: Its life-to-date [canonical units].
        reason: Why it cannot be accepted whatever its neighbours say; ``NONE``: they are asked.
        decision: Number of the decision that vouches for it; None: nobody does.
    """

    life: int
    reason: ReadingReason
    decision: int | None

    @property
    def is_in_question(self) -> bool:
        """Whether its neighbours decide."""
        return self.reason is ReadingReason.NONE


@dataclass(frozen=True, slots=True)
class Grounds:
    """What judging one vehicle's readings rests on.

    Attributes:
        first_us: No reading before this instant counts [us UTC].
        segments: Its meters.
        sources: What is known of sources on it, by the source's key.
        decisions: The decision that holds, by the reading's key.
    """

    first_us: int
    segments: tuple[MeterSegment, ...]
    sources: Mapping[int, SourceTerms] = field(default_factory=dict)
    decisions: Mapping[ReadingKey, Decision] = field(default_factory=dict)

    def placed(self, key: ReadingKey, *, recorded_at_us: int, is_device: bool) -> Placed:
        """What a reading is before its neighbours are asked.

        Args:
            key: The reading.
            recorded_at_us: When it was recorded [us UTC].
            is_device: Whether its source is a device.
        """
        code, at_us, source, figure = key
        decision = self.decisions.get(key)
        verdict = None if decision is None else decision.verdict
        if decision is not None and decision.meant_figure is not None:
            figure = decision.meant_figure
        terms = self.sources.get(source)
        segment = segment_at(self.segments, METERS_BY_CODE[code], at_us)
        life = figure if terms is None else terms.on_dial(code, at_us, figure)
        life += 0 if segment is None else segment.offset
        is_vouched = verdict in {ReadingVerdict.RELEASED, ReadingVerdict.CONVERTED}
        reason = ReadingReason.NONE
        if verdict is ReadingVerdict.DISCARDED:
            reason = ReadingReason.DISCARDED_BY_PERSON
        elif segment is None:
            reason = ReadingReason.METER_NOT_FITTED
        elif at_us < self.first_us:
            reason = ReadingReason.OUTSIDE_VEHICLE_LIFE
        elif is_vouched:
            pass
        elif (is_device or (terms is not None and terms.fitted)) and (
            terms is None or not terms.is_fitted(at_us)
        ):
            reason = ReadingReason.DEVICE_NOT_FITTED
        elif at_us > recorded_at_us + CLOCK_SKEW_US:
            reason = ReadingReason.IN_FUTURE
        number = decision.number if decision is not None and is_vouched else None
        return Placed(life, reason, number if reason is ReadingReason.NONE else None)

    def vouched(self, meter: int) -> list[tuple[int, Reading]]:
        """The readings of a meter that people vouch for, each with the number of the decision."""
        found = []
        for key, decision in self.decisions.items():
            if key[0] == meter:
                # A decision vouches whatever the source and the clock say.
                placed = self.placed(key, recorded_at_us=FOREVER_US, is_device=False)
                if placed.decision is not None:
                    found.append((decision.number, Reading(key[1], placed.life)))
        return found

    def dial_unit(self, meter: Meter, at_us: int) -> str:
        """The unit code that a meter's dial showed at an instant; the meter was fitted then."""
        segment = segment_at(self.segments, meter, at_us)
        return "" if segment is None else segment.unit


def consistent(vouched: Iterable[tuple[int, Reading]]) -> tuple[frozenset[Reading], bool]:
    """Readings that never fall, the one with the highest number first chosen; and whether some were left out.

    Args:
        vouched: Readings with the number of the decision on each.
    """
    chosen: set[Reading] = set()
    is_contradicted = False
    for _, reading in sorted(vouched, key=lambda one: (-one[0], one[1])):
        if all(
            one == reading
            or (one.at_us < reading.at_us and one.life <= reading.life)
            or (one.at_us > reading.at_us and one.life >= reading.life)
            for one in chosen
        ):
            chosen.add(reading)
        else:
            is_contradicted = True
    return frozenset(chosen), is_contradicted


def grounds_of(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int], *, known_at_us: int = FOREVER_US
) -> dict[int, Grounds]:
    """What judging rests on, by vehicle; a number of statements that does not grow with them.

    Args:
        session: Any unit of work; facts written in it are flushed.
        fleet_key: The fleet.
        vehicle_keys: Keys of vehicles.
        known_at_us: Only what was known at this instant [us UTC].
    """
    segments = _grouped(queries_history.segments(session, fleet_key, vehicle_keys, known_at_us))
    sources = sources_of(session, fleet_key, vehicle_keys, known_at_us=known_at_us)
    decisions: defaultdict[int, dict[ReadingKey, Decision]] = defaultdict(dict)
    for row in queries_sources.decisions(session, fleet_key, vehicle_keys, known_at_us):
        verdict = ReadingVerdict(row.decision)
        key = (row.meter, row.at_us, row.source_id, row.figure)
        decisions[row.vehicle_id][key] = Decision(row.id, verdict, row.meant_figure)
    return {
        row.id: Grounds(
            (as_date(row.in_service_on).toordinal() - EPOCH_ORDINAL - 1) * DAY_US,
            tuple(segment_of(segment) for segment in segments[row.id]),
            sources.get(row.id, {}),
            decisions.get(row.id, {}),
        )
        for row in queries_history.first_days(session, fleet_key, vehicle_keys)
    }


def sources_of(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int], *, known_at_us: int = FOREVER_US
) -> dict[int, dict[int, SourceTerms]]:
    """What is known of sources on vehicles, by vehicle and source.

    Args:
        session: Any unit of work; facts written in it are flushed.
        fleet_key: The fleet.
        vehicle_keys: Keys of vehicles.
        known_at_us: Only what was known at this instant [us UTC].
    """
    found: defaultdict[int, dict[int, SourceTerms]] = defaultdict(dict)
    for row in queries_sources.terms(session, fleet_key, vehicle_keys, known_at_us):
        terms = found[row.vehicle_id].setdefault(row.source_id, SourceTerms([], []))
        if row.meter:
            terms.calibrations.append((row.meter, row.from_us, row.factor_ppb, row.figure_offset))
        else:
            terms.fitted.append((row.from_us, row.until_us))
    return dict(found)


def segment_of(row: Any) -> MeterSegment:
    """The meter segment of a stored row."""
    return MeterSegment(
        METERS_BY_CODE[row.meter], row.fitted_at_us, row.removed_at_us, row.life_offset, row.unit
    )


def as_date(value: date | str) -> date:
    """A day as the database gave it: PostgreSQL as a date, SQLite as text."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def _grouped(rows: Iterable[Any]) -> defaultdict[int, list[Any]]:
    groups: defaultdict[int, list[Any]] = defaultdict(list)
    for row in rows:
        groups[row.vehicle_id].append(row)
    return groups
