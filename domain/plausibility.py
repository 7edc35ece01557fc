"""Why a reading does not fit its neighbours, and which meter stands still while the vehicle runs.

Invariant: a reason depends on the reading, on the accepted ones next before and next after it, and on nothing
else.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.meters import METER_DIMENSION, Pace, Reading, can_follow
from domain.sheet import Meter
from domain.units import Dimension, to_canonical_whole

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from domain.meters import Timeline


class Doubt(StrEnum):
    """Why a reading is not part of the plausible course of its meter."""

    GOES_BACK = "goes_back"
    TOO_FAST = "too_fast"
    CONTRADICTS_SAME_INSTANT = "contradicts_same_instant"
    MILES_GIVEN_AS_KM = "miles_given_as_km"
    KM_GIVEN_AS_MILES = "km_given_as_miles"
    ROLLED_OVER = "rolled_over"


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading as its dial showed it.

    Attributes:
        at_us: Instant [us UTC].
        life: Life-to-date [canonical units].
        figure: Figure on the dial [canonical units].
        dial_unit: Unit code that the dial shows.
    """

    at_us: int
    life: int
    figure: int
    dial_unit: str


@dataclass(frozen=True, slots=True)
class StandingStill:
    """A meter that stands while another one runs.

    Attributes:
        meter: The meter that stands.
        life: Its life-to-date [canonical units].
        since_us: First reading that shows it [us UTC].
        last_us: Last reading that shows it [us UTC].
        other: A meter that ran meanwhile.
        other_gain: By how much [its canonical units].
        expected: By how much the first would have risen, as both ran before [canonical units].
    """

    meter: Meter
    life: int
    since_us: int
    last_us: int
    other: Meter
    other_gain: int
    expected: int


# Common practice, no source: 1,500 km a day take two drivers, and an hour meter counts at most the hours of the day.
_A_DAY: dict[Meter, Pace] = {
    Meter.ODOMETER: Pace(1_500_000 / 86_400, 2_000),
    Meter.ENGINE_HOURS: Pace(1.0, 720),
    Meter.SECOND_ENGINE_HOURS: Pace(1.0, 720),
    Meter.POWER_TAKE_OFF_HOURS: Pace(1.0, 720),
    Meter.IDLE_HOURS: Pace(1.0, 720),
}
# The international mile: 1,609.344 m (NIST SP 811, appendix B.8; from memory).
_MILE_MM = 1_609_344
# A figure in the other unit continues the history: it lies at most this share beyond the reading before it.
_CONTINUES_SHARE = 0.1
# Common practice, no source: mechanical odometers have five or six digits, mechanical hour meters four or five.
_TURNS = {Dimension.DISTANCE: (100_000, 1_000_000), Dimension.DURATION: (10_000, 100_000)}
# Common practice, no source: what a running vehicle would have shown before anybody speaks of a stuck meter.
_STUCK_FROM = {Dimension.DISTANCE: 200_000, Dimension.DURATION: 10 * 3600, Dimension.VOLUME: 200_000}
_STUCK_DAYS = 3


def doubt(meter: Meter, shown: Shown, accepted: Sequence[Reading]) -> Doubt:
    """Why a reading does not fit between the accepted ones next to it.

    Args:
        meter: The meter.
        shown: The reading.
        accepted: Accepted readings in order of time, at least those next to it.
    """
    place = bisect_left(accepted, shown.at_us, key=lambda other: other.at_us)
    earlier = accepted[place - 1] if place else None
    later = accepted[place] if place < len(accepted) else None
    if later is not None and later.at_us == shown.at_us:
        return Doubt.CONTRADICTS_SAME_INSTANT
    if earlier is not None:
        for reason in (Doubt.MILES_GIVEN_AS_KM, Doubt.KM_GIVEN_AS_MILES):
            figure = in_other_unit(meter, shown.figure, reason)
            if figure is not None and _continues(meter, shown, figure, earlier, later):
                return reason
        if _has_rolled_over(meter, shown, earlier, later):
            return Doubt.ROLLED_OVER
    is_below = earlier is not None and shown.life < earlier.life
    is_above = later is not None and shown.life > later.life
    return Doubt.GOES_BACK if is_below or is_above else Doubt.TOO_FAST


def in_other_unit(meter: Meter, figure: int, reason: Doubt) -> int | None:
    """The figure as it was meant, if the unit was mixed up as ``reason`` says [m]; None for anything else.

    Args:
        meter: The meter.
        figure: The figure as recorded [m].
        reason: How the unit was mixed up.
    """
    if METER_DIMENSION[meter] is not Dimension.DISTANCE:
        return None
    if reason is Doubt.MILES_GIVEN_AS_KM:
        return (figure * _MILE_MM + 500_000) // 1_000_000
    if reason is Doubt.KM_GIVEN_AS_MILES:
        return (figure * 1_000_000 + _MILE_MM // 2) // _MILE_MM
    return None


def standing_still(lines: Mapping[Meter, Timeline]) -> tuple[StandingStill, ...]:
    """Meters that stand while another one runs, judged by how both ran before.

    A parked vehicle's meters all stand; one that stands alone is stuck, or is not sent any longer.

    Args:
        lines: The timelines of a vehicle.
    """
    found = []
    for meter, line in lines.items():
        place = len(line.life)
        while place and line.life[place - 1] == line.life[-1]:
            place -= 1
        if len(line.life) - place < _STUCK_DAYS or place == 0:
            continue
        since_us, last_us = line.at_us[place], line.at_us[-1]
        ran = [
            one
            for other, its_line in lines.items()
            if other is not meter and (one := _expected(line, its_line, other)) is not None
        ]
        best = max(ran, key=lambda one: one[1], default=None)
        if best is not None and best[1] >= _STUCK_FROM[METER_DIMENSION[meter]]:
            other, expected, gain = best
            found.append(StandingStill(meter, line.life[-1], since_us, last_us, other, gain, expected))
    return tuple(found)


def _expected(line: Timeline, its_line: Timeline, other: Meter) -> tuple[Meter, int, int] | None:
    """What a meter would have shown since it stands, as it ran beside another one before, and the other's gain."""
    place = line.life.index(line.life[-1])
    start, stood, end = (its_line.at(us) for us in (line.at_us[0], line.at_us[place], line.at_us[-1]))
    if start is None or stood is None or end is None or stood.life <= start.life or end.is_estimated:
        return None
    gain = end.life - stood.life
    ran = line.life[place] - line.life[0]
    return other, gain * ran // (stood.life - start.life), gain


def _continues(meter: Meter, shown: Shown, figure: int, earlier: Reading, later: Reading | None) -> bool:
    meant = Reading(shown.at_us, shown.life - shown.figure + figure)
    pace = _A_DAY[meter]
    gain = meant.life - earlier.life
    most = pace.slack + pace.per_second * (meant.at_us - earlier.at_us) / 1e6
    return (
        can_follow(meter, earlier, meant)
        and (later is None or can_follow(meter, meant, later))
        and gain <= most
        and gain <= pace.slack + _CONTINUES_SHARE * earlier.life
    )


def _has_rolled_over(meter: Meter, shown: Shown, earlier: Reading, later: Reading | None) -> bool:
    if shown.life >= earlier.life:
        return False
    dimension = METER_DIMENSION[meter]
    for turn in _TURNS.get(dimension, ()):
        whole = to_canonical_whole(float(turn), shown.dial_unit, dimension)
        if shown.figure <= whole // 10 and _continues(meter, shown, shown.figure + whole, earlier, later):
            return True
    return False
