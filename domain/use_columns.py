"""Levels and patterns in columns, and the law of use that is read from them.

Nothing here has a formula of its own for the filter: ``advanced_levels`` does in columns what its scalar twin in
``domain.use_level`` does. States are turned into means and variances over horizons, corrected by what past errors
said, and made a law (``domain.use_law``).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from domain.use_law import NODES_DAYS, UseLaw, law_of
from domain.use_level import (
    CORRECTED_DAYS,
    DRIFT_SHARE,
    LEAST_SHARE,
    MONTH_DAYS,
    MOST_SHARE,
    OWN_HALF_LIFE_DAYS,
    WILDEST,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from domain.use_level import LevelState, UsePattern

    Real = NDArray[np.float64]

LEAST_MEAN_SHARE = 0.05
"""Expected use is at least this share of its standard deviation: a vehicle that stands may move again."""


@dataclass(frozen=True, slots=True, eq=False)
class PatternColumns:
    """Patterns of n meters as columns, each of shape (n,) or, where a correction, (n, 4)."""

    level_per_day: Real
    slow_per_day: Real
    pull_days: Real
    noise_share: Real
    own_days: Real
    between_share: Real
    spread_factor: Real
    shifts: Real
    widths: Real

    @classmethod
    def of(cls, patterns: Sequence[UsePattern]) -> PatternColumns:
        """The columns of patterns, in their order."""
        level, slow, pull, noise, own, between, spread = (
            np.array([p.terms for p in patterns], dtype=np.float64).reshape(len(patterns), 7).T
        )
        corrections = len(CORRECTED_DAYS)
        return cls(
            level,
            slow,
            pull,
            noise,
            # NumPy has made NaN of None
            np.where(np.isnan(own), np.inf, own),
            between,
            spread,
            np.array([p.shifts for p in patterns], dtype=np.float64).reshape(-1, corrections),
            np.array([p.widths for p in patterns], dtype=np.float64).reshape(-1, corrections),
        )

    def take(self, rows: NDArray[np.int64]) -> PatternColumns:
        """Some of them, in the order asked for."""
        return PatternColumns(*(getattr(self, f.name)[rows] for f in fields(self)))

    def scaled(self, per_day: Real) -> PatternColumns:
        """The same patterns at other uses a day, each multiplied [canonical units a day]."""
        return replace(
            self, level_per_day=self.level_per_day * per_day, slow_per_day=self.slow_per_day * per_day
        )

    def where(self, is_mine: NDArray[np.bool_], others: PatternColumns) -> PatternColumns:
        """These patterns where they hold, and the others elsewhere."""
        chosen = [
            np.where(is_mine if a.ndim == 1 else is_mine[:, None], a, b)
            for a, b in ((getattr(self, f.name), getattr(others, f.name)) for f in fields(self))
        ]
        return PatternColumns(*chosen)


@dataclass(frozen=True, slots=True, eq=False)
class LevelColumns:
    """States of n meters as columns, shape (n,), as ``LevelState`` has them."""

    level: Real
    variance: Real
    own_use: Real
    own_days: Real

    @classmethod
    def of(cls, states: Sequence[LevelState]) -> LevelColumns:
        """The columns of states, in their order."""
        return cls(*np.array(states, dtype=np.float64).reshape(len(states), 4).T)


def advanced_levels(patterns: PatternColumns, states: LevelColumns, days: Real, use: Real) -> LevelColumns:
    """``domain.use_level.advanced`` in columns; where no time has passed a state stays as it is.

    Args:
        patterns: The patterns, n rows.
        states: The states before, n rows.
        days: Time since then, shape (n,) [d].
        use: Use since then, shape (n,) [canonical units].
    """
    has_run = days > 0
    ratio = usual_shares(patterns, states)
    usual, scale = patterns.level_per_day * ratio, patterns.slow_per_day * ratio
    decay = np.exp(-days / patterns.pull_days)
    reach = (1.0 - decay) * patterns.pull_days
    drift = (DRIFT_SHARE * scale) ** 2
    spread = (
        states.variance * reach * reach
        + 2.0 * drift * patterns.pull_days * (days - 2.0 * reach + reach * (1.0 + decay) / 2.0)
        + (patterns.noise_share * scale) ** 2 * MONTH_DAYS * days
    )
    is_moving = spread > 0
    spread = np.where(is_moving, spread, 1.0)
    together = states.variance * decay * reach + drift * reach * reach / patterns.pull_days
    limit = WILDEST * patterns.spread_factor * np.sqrt(spread)
    surprise = np.clip(use - usual * days - (states.level - usual) * reach, -limit, limit)
    level = usual + (states.level - usual) * decay + together / spread * surprise
    variance = states.variance * decay * decay + drift * (1.0 - decay * decay) - together * together / spread
    fade = 0.5 ** (days / OWN_HALF_LIFE_DAYS)
    return LevelColumns(
        np.where(has_run, np.where(is_moving, level, usual), states.level),
        np.where(has_run, np.where(is_moving, variance, 0.0), states.variance),
        np.where(has_run, states.own_use * fade + use, states.own_use),
        np.where(has_run, states.own_days * fade + days, states.own_days),
    )


def usual_shares(patterns: PatternColumns, states: LevelColumns) -> Real:
    """``usual_share`` in columns."""
    is_told = (patterns.slow_per_day > 0) & np.isfinite(patterns.own_days)
    weight = np.where(is_told, patterns.own_days, 1.0)
    own = states.own_use / np.where(is_told, patterns.slow_per_day, 1.0)
    ratio = (own + weight) / (states.own_days + weight)
    return np.where(is_told, np.clip(ratio, LEAST_SHARE, MOST_SHARE), 1.0)


def moments(patterns: PatternColumns, states: LevelColumns, days: Real) -> tuple[Real, Real]:
    """Mean [canonical units] and variance of use over horizons by the model alone, before any correction.

    Args:
        patterns: The patterns, n rows.
        states: The states after the last reading, n rows.
        days: The horizons, shape (k,) or (n, k) [d].
    """
    pull = patterns.pull_days[:, None]
    share = usual_shares(patterns, states)
    usual = (patterns.level_per_day * share)[:, None]
    scale = (patterns.slow_per_day * share)[:, None]
    decay = np.exp(-days / pull)
    reach = (1.0 - decay) * pull
    drift = (DRIFT_SHARE * scale) ** 2
    variance = (
        states.variance[:, None] * reach * reach
        + 2.0 * drift * pull * (days - 2.0 * reach + reach * (1.0 + decay) / 2.0)
        + (patterns.noise_share[:, None] * scale) ** 2 * MONTH_DAYS * days
    )
    # How far a vehicle's usual use lies from its type's is itself known from its own days only.
    own = patterns.own_days
    is_told = np.isfinite(own)
    doubt = np.where(is_told, own / (states.own_days + np.where(is_told, own, 1.0)), 0.0)
    unsure = patterns.between_share**2 * np.where(is_told, doubt, 0.0)
    mean = usual * days + (states.level[:, None] - usual) * reach
    variance = np.maximum(variance, 0.0) * patterns.spread_factor[:, None] ** 2
    variance = variance + unsure[:, None] * (patterns.level_per_day[:, None] * (days - reach)) ** 2
    return np.maximum(mean, LEAST_MEAN_SHARE * np.sqrt(variance)), variance


def corrected_law(patterns: PatternColumns, states: LevelColumns) -> UseLaw:
    """The law of use after the last reading, corrected by past errors: what everything is read from.

    Args:
        patterns: The patterns, n rows.
        states: The states after the last reading, n rows.
    """
    days = np.asarray(NODES_DAYS)
    mean, variance = moments(patterns, states, days)
    deviation = np.sqrt(variance)
    shift, width = (_along(values, days) for values in (patterns.shifts, np.log(patterns.widths)))
    mean = np.maximum(mean + shift * deviation, LEAST_MEAN_SHARE * deviation)
    return law_of(mean, variance * np.exp(2.0 * width))


def _along(values: Real, days: Real) -> Real:
    """Corrections at horizons: linear in the logarithm of time between those learned, constant outside."""
    known = np.log(CORRECTED_DAYS)
    place = np.clip(np.interp(np.log(days), known, np.arange(len(known))), 0, len(known) - 1)
    before = np.minimum(place.astype(np.int64), len(known) - 2)
    part = place - before
    return values[:, before] * (1.0 - part) + values[:, before + 1] * part
