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
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from domain.meters import DAY_US

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


def learned_state(terms: LevelTerms, points: Iterable[tuple[int, int]]) -> LevelState | None:
    """The state after a whole history; None without a reading.

    Args:
        terms: The type's terms.
        points: (instant [us UTC], life-to-date), in order of time, one a day at most.
    """
    state: LevelState | None = None
    before_us, before_life = 0, 0
    for at_us, life in points:
        if state is None:
            state = first_state(terms)
        else:
            state = advanced(terms, state, (at_us - before_us) / DAY_US, life - before_life)
        before_us, before_life = at_us, life
    return state


class KeptLevel(Protocol):
    """What is kept of a meter between readings, as ``domain.usage.Usage`` has it, with its level at ``before``."""

    last_at_us: int | None
    last_life: int
    before_at_us: int | None
    before_life: int
    level: LevelState | None


def level_at_last(terms: LevelTerms, kept: KeptLevel) -> LevelState | None:
    """The state after the last reading; None without one."""
    if kept.last_at_us is None:
        return None
    if kept.before_at_us is None or kept.level is None:
        return first_state(terms)
    days = (kept.last_at_us - kept.before_at_us) / DAY_US
    return advanced(terms, kept.level, days, kept.last_life - kept.before_life)


def advance_level(terms: LevelTerms, kept: KeptLevel, at_us: int) -> None:
    """Make way for a newest reading, before it is folded in: of each UTC day the last reading counts.

    Args:
        terms: The type's terms.
        kept: What is kept, changed in place.
        at_us: Instant of the reading, later than the last one's [us UTC].
    """
    if kept.last_at_us is not None and at_us // DAY_US != kept.last_at_us // DAY_US:
        kept.level = level_at_last(terms, kept)
