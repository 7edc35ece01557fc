"""Meters: segments between replacements, plausible readings, and the life-to-date figure at any instant.

A meter's *figure* is what its dial shows; its *life-to-date* adds an offset that changes only when the meter is
replaced. Rules count life-to-date. Figures are whole canonical units (metres, seconds, millilitres); instants
are integer UTC microseconds.

Invariants: which readings are plausible is a function of the set of readings alone, whatever their order of
arrival; life-to-date never falls along plausible readings; interpolation and rates use the last plausible
reading of each UTC day only, so that thinning a history to one reading a day changes no answer.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from domain.errors import Breach, MeterError
from domain.sheet import Meter
from domain.units import Dimension

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

DAY_US = 86_400_000_000
# More members than any history has.
_CERTAIN = 1 << 40

METER_DIMENSION: dict[Meter, Dimension] = {
    Meter.ODOMETER: Dimension.DISTANCE,
    Meter.ENGINE_HOURS: Dimension.DURATION,
    Meter.SECOND_ENGINE_HOURS: Dimension.DURATION,
    Meter.POWER_TAKE_OFF_HOURS: Dimension.DURATION,
    Meter.IDLE_HOURS: Dimension.DURATION,
    Meter.FUEL_BURNED: Dimension.VOLUME,
}


@dataclass(frozen=True, slots=True)
class Pace:
    """How fast a meter can run: ``per_second`` canonical units a second, plus ``slack`` for coarse dials."""

    per_second: float
    slack: int


# Common practice, no source: 180 km/h for long; an hour meter counts hours; 360 L/h is a very large engine.
# The slack covers dials that show whole miles or whole hours.
PACE: dict[Meter, Pace] = {
    Meter.ODOMETER: Pace(50.0, 2_000),
    Meter.ENGINE_HOURS: Pace(1.0, 3_600),
    Meter.SECOND_ENGINE_HOURS: Pace(1.0, 3_600),
    Meter.POWER_TAKE_OFF_HOURS: Pace(1.0, 3_600),
    Meter.IDLE_HOURS: Pace(1.0, 3_600),
    Meter.FUEL_BURNED: Pace(100.0, 10_000),
}


@dataclass(frozen=True, slots=True)
class MeterSegment:
    """One physical meter between its fitting and its removal.

    Attributes:
        meter: Which meter it is.
        fitted_at_us: From this instant on [us UTC].
        removed_at_us: Up to, not including, this instant [us UTC]; None while it is fitted.
        offset: Life-to-date minus figure [canonical units].
        unit: Unit code that the dial shows.
    """

    meter: Meter
    fitted_at_us: int
    removed_at_us: int | None
    offset: int
    unit: str

    def covers(self, at_us: int) -> bool:
        """Whether the meter was fitted at that instant."""
        return self.fitted_at_us <= at_us and (self.removed_at_us is None or at_us < self.removed_at_us)


def segment_at(segments: Iterable[MeterSegment], meter: Meter, at_us: int) -> MeterSegment | None:
    """The segment of a meter that was fitted at an instant, or None."""
    for segment in segments:
        if segment.meter is meter and segment.covers(at_us):
            return segment
    return None


def fitted_segment(segments: Iterable[MeterSegment], meter: Meter) -> MeterSegment | None:
    """The segment of a meter that is fitted now, or None."""
    for segment in segments:
        if segment.meter is meter and segment.removed_at_us is None:
            return segment
    return None


def replaced(
    fitted: MeterSegment, *, at_us: int, old_figure: int, new_figure: int, unit: str
) -> tuple[MeterSegment, MeterSegment]:
    """The old segment, closed, and the new one, when a meter is replaced.

    Args:
        fitted: The segment that is fitted.
        at_us: Instant of the replacement [us UTC].
        old_figure: Figure on the old meter then [canonical units].
        new_figure: Figure on the new meter then [canonical units].
        unit: Unit code that the new dial shows.

    Raises:
        MeterError: The meter was already removed, or not yet fitted then (``replacement_out_of_order``).
    """
    if fitted.removed_at_us is not None or at_us <= fitted.fitted_at_us:
        raise MeterError(
            Breach(
                "/replaced_at", "replacement_out_of_order", "the meter fitted now was fitted later than that"
            )
        )
    life = old_figure + fitted.offset
    return (
        replace(fitted, removed_at_us=at_us),
        MeterSegment(fitted.meter, at_us, None, life - new_figure, unit),
    )


@dataclass(frozen=True, slots=True, order=True)
class Reading:
    """A reading in life-to-date, in order of time, then figure."""

    at_us: int
    life: int


def can_follow(meter: Meter, earlier: Reading, later: Reading) -> bool:
    """Whether a meter can have shown both: not backwards, nor faster than it can run."""
    return can_step(meter, later.life - earlier.life, later.at_us - earlier.at_us)


def can_step(meter: Meter, step: int, elapsed_us: int) -> bool:
    """Whether a meter can run so far in a time.

    Args:
        meter: The meter.
        step: How far [canonical units].
        elapsed_us: The time [us].
    """
    pace = PACE[meter]
    return elapsed_us > 0 and 0 <= step <= pace.per_second * (elapsed_us / 1e6) + pace.slack


def plausible_chain(
    meter: Meter,
    readings: Sequence[Reading],
    vouched: frozenset[Reading] = frozenset(),
    *,
    anchor: Reading | None = None,
) -> list[bool]:
    """Which readings are plausible: those of the longest chain in which each can follow the one before.

    A reading that a person vouches for counts for more than any number of others, and between two such
    readings only the order is asked, not the pace. Among longest chains the one whose members are latest, then
    lowest, is taken, counted from its end, so that a newest reading that can follow the last plausible one
    always just extends the chain.

    Args:
        meter: The meter that they are of.
        readings: The set, in any order; no two equal.
        vouched: Those that a person vouches for; each can follow the one before it.
        anchor: The earliest reading, where the chain is known to pass through it; None: nothing is known.

    Returns:
        One flag a reading, in the order given.
    """
    order = sorted(range(len(readings)), key=lambda i: readings[i])
    # (members vouched for, members, preference, place) of the best chain that ends here: the best one stands last
    ranked: list[tuple[int, int, int, int, int]] = []
    before: dict[int, int] = {}
    for index in order:
        reading = readings[index]
        known, length = (_CERTAIN, 1) if reading == anchor else (int(reading in vouched), 1)
        for candidate in reversed(ranked):
            if can_link(meter, readings[candidate[4]], reading, vouched):
                known, length = known + candidate[0], length + candidate[1]
                before[index] = candidate[4]
                break
        insort(ranked, (known, length, reading.at_us, -reading.life, index))
    flags = [False] * len(readings)
    at: int | None = ranked[-1][4] if ranked else None
    while at is not None:
        flags[at] = True
        at = before.get(at)
    return flags


def can_link(meter: Meter, earlier: Reading, later: Reading, vouched: frozenset[Reading]) -> bool:
    """Whether one reading can stand next after another in a chain.

    Args:
        meter: The meter that they are of.
        earlier: The one.
        later: The other.
        vouched: Those that a person vouches for: between two of them only the order is asked.
    """
    if vouched and earlier in vouched and later in vouched:
        return later.at_us > earlier.at_us and later.life >= earlier.life
    return can_follow(meter, earlier, later)


@dataclass(frozen=True, slots=True)
class Fix:
    """A life-to-date figure at some instant, and whether it was measured or estimated."""

    life: int
    is_estimated: bool


@dataclass(frozen=True, slots=True)
class Timeline:
    """The course of one meter: the last plausible reading of each UTC day, in order of time.

    Attributes:
        at_us: Instants, strictly rising [us UTC].
        life: Life-to-date figures, never falling [canonical units].
        per_day: Rate at which it is carried beyond its last point [canonical units a day]; None: not carried.
    """

    at_us: tuple[int, ...] = ()
    life: tuple[int, ...] = ()
    per_day: float | None = None

    def at(self, at_us: int) -> Fix | None:
        """The life-to-date figure at an instant, rounded to a whole unit; None where nothing tells.

        Between two points it is interpolated; past the last it runs on at ``per_day`` and is an estimate;
        before the first nothing is known.
        """
        place = bisect_right(self.at_us, at_us)
        if place == 0:
            return None
        start_us, start = self.at_us[place - 1], self.life[place - 1]
        if start_us == at_us:
            return Fix(start, is_estimated=False)
        if place == len(self.at_us):
            if self.per_day is None:
                return None
            return Fix(start + round(self.per_day * (at_us - start_us) / DAY_US), is_estimated=True)
        end_us, end = self.at_us[place], self.life[place]
        # integer arithmetic: the same on every machine, and exact for any history
        return Fix(start + ((end - start) * (at_us - start_us)) // (end_us - start_us), is_estimated=False)

    def until(self, at_us: int) -> Timeline:
        """The part up to and including an instant, with the same rate."""
        place = bisect_right(self.at_us, at_us)
        return Timeline(self.at_us[:place], self.life[:place], self.per_day)


def day_lasts(readings: Iterable[Reading]) -> Timeline:
    """The timeline of plausible readings, any number a day, in any order."""
    last: dict[int, Reading] = {}
    for reading in readings:
        day = reading.at_us // DAY_US
        if day not in last or last[day] < reading:
            last[day] = reading
    points = [last[day] for day in sorted(last)]
    return Timeline(tuple(p.at_us for p in points), tuple(p.life for p in points))
