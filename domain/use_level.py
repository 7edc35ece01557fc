"""A meter's daily use as a level that wanders in continuous time: learned by each reading, read as a law.

The level reverts to what the vehicle is used to: its type's recent use, times how much more or less than its
type the vehicle has run. Around that it drifts (Ornstein-Uhlenbeck), and use between two readings is the level
over that time plus noise of independent increments. The Kalman filter of this model takes each reading in
at constant cost, whatever the time between readings; a wild reading moves the level by no more than three
standard deviations' worth.

Invariants: shares are of the type's use over the last years, so one pattern fits fast and slow types alike;
only the ratio of noise to drift shapes the level, and ``spread_factor`` scales both; what a reading changes
depends on the pattern and the state before it alone.

Sources: the filter is that of R. E. Kalman, Journal of Basic Engineering 82 (1960) 35-45; moments of the integrated
Ornstein-Uhlenbeck process by integration of its transition, and held against a state space of statsmodels in tests.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable

DRIFT_SHARE = 0.3
"""Standing spread of the level around what it reverts to, before ``spread_factor``. Its size is a convention: only its
ratio to the noise matters, and that is learned."""

MONTH_DAYS = 30.4375
CORRECTED_DAYS: tuple[float, ...] = tuple(months * MONTH_DAYS for months in (1, 3, 6, 12))
"""Horizons at which past errors correct the law [d]: 1, 3, 6 and 12 months."""

OWN_HALF_LIFE_DAYS = 365.0
"""Half-life of a vehicle's and a type's long-run use [d]: a year holds each season once."""

REST_DAYS = 7
"""Days from one reading that the filter takes in to the next: a week holds each weekday once."""

WILDEST = 3.0
"""Standard deviations beyond which a reading says no more than one at that distance."""


class LevelTerms(NamedTuple):
    """How the vehicles of one type run one meter, as far as the level goes.

    Attributes:
        level_per_day: Recent use of the type's vehicles [canonical units a day].
        slow_per_day: Their use over the last years, by which shares are measured [canonical units a day].
        pull_days: Time in which a level goes most of the way back [d].
        noise_share: Noise of a month's use, as a share of ``slow_per_day``.
        own_days: Days of a vehicle's own use that weigh as much as its type's [d]; None: vehicles differ for no long.
        between_share: Spread of long-run use between vehicles beyond what wandering explains, as a share.
        spread_factor: How much wider than by the shares things turned out from one reading to the next.
    """

    level_per_day: float
    slow_per_day: float
    pull_days: float = 240.0
    noise_share: float = 0.2
    own_days: float | None = 730.0
    between_share: float = 0.3
    spread_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class UsePattern:
    """How the vehicles of one type run one meter, and what past errors say of forecasts.

    Attributes:
        terms: What the level is known by.
        shifts: Correction of expected use at ``CORRECTED_DAYS`` [standard deviations].
        widths: Correction of the standard deviation at ``CORRECTED_DAYS``, a factor.
    """

    terms: LevelTerms
    shifts: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    widths: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)


class LevelState(NamedTuple):
    """What is known of a meter's level after a reading.

    Attributes:
        level: Expected level [canonical units a day].
        variance: Its variance, before ``spread_factor`` [(canonical units a day) squared].
        own_use: Use, each day's weight halved every ``OWN_HALF_LIFE_DAYS`` [canonical units].
        own_days: Days with the same weights [d].
    """

    level: float
    variance: float
    own_use: float = 0.0
    own_days: float = 0.0


def usual_share(terms: LevelTerms, own_use: float, own_days: float) -> float:
    """How much a vehicle runs over its type, as a ratio drawn towards 1."""
    if terms.slow_per_day <= 0 or terms.own_days is None:
        return 1.0
    ratio = (own_use / terms.slow_per_day + terms.own_days) / (own_days + terms.own_days)
    return min(max(ratio, LEAST_SHARE), MOST_SHARE)


LEAST_SHARE, MOST_SHARE = 0.05, 20.0


def first_state(terms: LevelTerms) -> LevelState:
    """What is known of the level of a vehicle of the type before it has run."""
    spread = max(DRIFT_SHARE, terms.between_share) * terms.slow_per_day
    return LevelState(terms.level_per_day, spread * spread)


def advanced(terms: LevelTerms, state: LevelState, days: float, use: float) -> LevelState:
    """The state after a further reading.

    Args:
        terms: The type's terms.
        state: The state after the reading before it.
        days: Time between the two, above 0 [d].
        use: Use between the two [canonical units].
    """
    ratio = usual_share(terms, state.own_use, state.own_days)
    usual, scale = terms.level_per_day * ratio, terms.slow_per_day * ratio
    decay = math.exp(-days / terms.pull_days)
    reach = (1.0 - decay) * terms.pull_days
    drift = (DRIFT_SHARE * scale) ** 2
    noise = (terms.noise_share * scale) ** 2 * MONTH_DAYS
    spread = (
        state.variance * reach * reach
        + 2.0 * drift * terms.pull_days * (days - 2.0 * reach + reach * (1.0 + decay) / 2.0)
        + noise * days
    )
    fade = 2.0 ** (-days / OWN_HALF_LIFE_DAYS)
    own_use, own_days = state.own_use * fade + use, state.own_days * fade + days
    if spread <= 0:
        return LevelState(usual, 0.0, own_use, own_days)
    together = state.variance * decay * reach + drift * reach * reach / terms.pull_days
    limit = WILDEST * terms.spread_factor * math.sqrt(spread)
    surprise = min(max(use - usual * days - (state.level - usual) * reach, -limit), limit)
    return LevelState(
        usual + (state.level - usual) * decay + together / spread * surprise,
        state.variance * decay * decay + drift * (1.0 - decay * decay) - together * together / spread,
        own_use,
        own_days,
    )


class KeptLevel(NamedTuple):
    """What is kept of a level between readings: the state after the last reading that was taken in for good.

    A reading is taken in once one of a later day has come, since of a day the last one counts; and the filter takes in
    one a week at most: those between say next to nothing more about a level, and most readings then cost nothing.
    Whoever asks takes in the last reading too (``level_now``), and keeps nothing of that.

    Attributes:
        state: What is known of the level after the reading.
        day: Ordinal of its day.
        life: Its life-to-date figure [canonical units].
    """

    state: LevelState
    day: int
    life: int


def level_before(terms: LevelTerms, kept: KeptLevel | None, day: int, life: int) -> KeptLevel:
    """What is kept once a reading of a later day has come; the same object where nothing is taken in.

    Args:
        terms: The type's terms.
        kept: What was kept before; None: nothing, this is the first reading.
        day: Ordinal of the day of the last reading before the newest one's day, in the depot's time zone.
        life: Its life-to-date figure [canonical units].
    """
    if kept is None:
        return KeptLevel(first_state(terms), day, life)
    if day - kept.day < REST_DAYS:
        return kept
    return KeptLevel(advanced(terms, kept.state, day - kept.day, life - kept.life), day, life)


def level_now(terms: LevelTerms, kept: KeptLevel, day: int, life: int) -> LevelState:
    """The state after the last reading.

    Args:
        terms: The type's terms.
        kept: What is kept.
        day: Ordinal of the last reading's day.
        life: Its life-to-date figure [canonical units].
    """
    if day <= kept.day:
        return kept.state
    return advanced(terms, kept.state, day - kept.day, life - kept.life)


def level_of(terms: LevelTerms, points: Iterable[tuple[int, int]]) -> KeptLevel | None:
    """What is kept after a whole history; None without a reading.

    Args:
        terms: The type's terms.
        points: (ordinal of the day, life-to-date), in order of time; of points on one day the last counts.
    """
    kept: KeptLevel | None = None
    last: tuple[int, int] | None = None
    for point in points:
        if last is not None and point[0] > last[0]:
            kept = level_before(terms, kept, *last)
        last = point
    if last is None:
        return None
    return level_before(terms, None, *last) if kept is None else kept


_PACKED = struct.Struct("<6d")
PACKED_DOUBLES = 6


def packed_level(kept: KeptLevel) -> bytes:
    """What is kept as six little-endian doubles: the state, the day and the figure."""
    return _PACKED.pack(*kept.state, kept.day, kept.life)


_DAY_OF = struct.Struct("<d")
_DAY_PLACE = 4 * 8


def is_resting(packed: bytes, day: int) -> bool:
    """Whether a reading within a day of ``day`` surely leaves what is kept as it is.

    Args:
        packed: What is kept, packed.
        day: Ordinal of a day.
    """
    return day - float(_DAY_OF.unpack_from(packed, _DAY_PLACE)[0]) < REST_DAYS - 1


def unpacked_level(packed: bytes) -> KeptLevel:
    """What ``packed_level`` has packed."""
    level, variance, own_use, own_days, day, life = _PACKED.unpack(packed)
    return KeptLevel(LevelState(level, variance, own_use, own_days), int(day), int(life))
