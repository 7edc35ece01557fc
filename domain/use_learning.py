"""Patterns of use learned from a fleet's own past, month by month, each from what was known before it.

One walk over the months does both jobs: it learns, and it shows what would have been forecast. In each
month every candidate pattern's filter takes in the month's readings; forecasts whose day has come are
held against what happened; what was learned so far forecasts on. So a forecast never sees its own future.

Learned per type, drawn towards the whole fleet where a type has little to tell: which candidate (pull, noise, own
use, memory of the type's level) had the least error over all horizons; how wide one reading's surprises were;
and for each horizon the shift and the width with which 90 % intervals would have held 90 % of the past.

Invariants: nothing depends on the order of vehicles or on units; vehicles of one month count for less than their
number, since they have the season and the routes in common.

Sources: counting correlated members by the design effect, L. Kish, Survey Sampling (1965), section 5.4. Widths from
past coverage are the idea of conformal prediction: Vovk, Gammerman & Shafer, Algorithmic Learning in a Random
World (2005). Both cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise, product
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammainc, gammaincinv, ndtr, ndtri

from domain.use_columns import LEAST_MEAN_SHARE, LevelColumns, PatternColumns, corrected_law, moments
from domain.use_history import HORIZON_MONTHS
from domain.use_law import LEAST_SHAPE
from domain.use_level import (
    DRIFT_SHARE,
    LEAST_SHARE,
    MONTH_DAYS,
    MOST_SHARE,
    OWN_HALF_LIFE_DAYS,
    WILDEST,
    LevelTerms,
    UsePattern,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from domain.use_history import UseHistories

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

# What a candidate can be: (pull [d], noise of a month, days of own use that weigh as much as the type's [d],
# half-life of the type's level [d]). Spaced by factors of two or so: finer steps change no forecast by 1 %.
PULLS_DAYS = (60.0, 120.0, 240.0, 480.0, 960.0)
NOISE_SHARES = (0.1, 0.2, 0.4)
OWN_DAYS = (120.0, 730.0, np.inf)
TYPE_HALF_LIVES_DAYS = (45.0, 90.0, 180.0, 360.0)
_CANDIDATES = tuple(product(TYPE_HALF_LIVES_DAYS, PULLS_DAYS, NOISE_SHARES, OWN_DAYS))
_DEFAULT = _CANDIDATES.index((90.0, 240.0, 0.2, 730.0))

# The past fades, so that a fleet that changes is learned anew, over a few years.
MEMORY_DAYS = 1095.0
# Vehicles of one month are not independent: so much of their errors is common (an ordinary intra-class correlation).
COMMON_SHARE = 0.3
# How much what was believed before weighs, in months of one vehicle: about half a year.
PRIOR_WEIGHT = 6.0
# How much the other types weigh: less than a type's own first months.
POOL_WEIGHT = 3.0
POOL_FORECASTS = 40
# The default candidate is left only for a gain, counted in whole shares of error of one forecast.
_DEFAULT_GAIN = 0.2
# A shift follows half of what the past says: a regime seldom lasts as long as the past that told of it.
SHIFT_DAMPING = 0.5
_MOST_SHIFT = 0.5
_WILD_SQUARE = 16.0
# Long-run use is compared from so many days on, and as if so many more vehicles lay an ordinary spread apart.
_TOLD_DAYS = 60.0
_BETWEEN_WEIGHT = 4.0
# Mean age of a day in the long-run use.
_OWN_MEMORY_DAYS = OWN_HALF_LIFE_DAYS / np.log(2.0)
# The first months' surprises tell of the start, not of the type.
_FIRST_TOLD = 3
_LEAST_RANK, _WILDEST_RANK = 1e-6, 2.0

COVERAGE = 0.9
_WIDTHS = np.array([0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3, 1.5, 1.75, 2.0, 2.4, 3.0])
# What intervals of a right law, stretched so, would cover.
_BELIEVED = 2.0 * ndtr(float(ndtri(0.95)) * _WIDTHS) - 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """What a walk has learned by its end.

    Attributes:
        patterns: One a type, in the order of the types.
        forecasts: How many forecasts each type was held to.
    """

    patterns: tuple[UsePattern, ...]
    forecasts: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Foretold:
    """The laws that a walk forecast by, shape (vehicles, months, horizons); NaN where there was none.

    Attributes:
        shape: Shape of use over the horizon.
        scale: Its scale [canonical units].
    """

    shape: Real
    scale: Real


def learned(
    histories: UseHistories, *, told: Callable[[int], None] | None = None
) -> tuple[Learned, Foretold]:
    """The patterns of each type, and what would have been forecast on the way.

    Args:
        histories: Use by month.
        told: Called with the number of months done, after each.
    """
    walk = _Walk(histories)
    for month in range(histories.day.shape[1]):
        walk.take(month)
        if told is not None:
            told(month + 1)
    return Learned(tuple(walk.patterns()), tuple(int(n) for n in walk.held)), Foretold(walk.shape, walk.scale)


def default_pattern(per_day: float) -> UsePattern:
    """The pattern of a meter whose type has told nothing yet: a vehicle reverts to its own use.

    Args:
        per_day: Its recent use [canonical units a day].
    """
    return UsePattern(LevelTerms(per_day, per_day, *_terms(_DEFAULT)))


def _terms(candidate: int) -> tuple[float, float, float | None]:
    """Pull, noise and own days of a candidate, as a pattern has them."""
    _, pull, noise, own = _CANDIDATES[candidate]
    return pull, noise, own if np.isfinite(own) else None


class _Walk:
    """A walk over the months, and what it has learned so far.

    Arrays are (candidates, vehicles) for filters, (candidates, types) for what is learned of candidates, and
    (horizons, widths, types) or (horizons, types) for what is learned of horizons.
    """

    def __init__(self, histories: UseHistories) -> None:
        self.histories = histories
        vehicles, months = histories.day.shape
        horizons, candidates = len(HORIZON_MONTHS), len(_CANDIDATES)
        self.types = types = int(histories.type_of.max(initial=-1)) + 1
        self.month_days = histories.month_days
        half_lives, pulls, noises, owns = (np.array(c) for c in zip(*_CANDIDATES, strict=True))
        self.half_life = np.searchsorted(TYPE_HALF_LIVES_DAYS, half_lives)
        self.pull, self.noise, self.own = pulls[:, None], noises[:, None], owns[:, None]
        # the filters
        self.level = np.full((candidates, vehicles), np.nan)
        self.variance = self.level.copy()
        self.own_use, self.own_days = np.zeros(vehicles), np.zeros(vehicles)
        self.last_day, self.last_life = np.full(vehicles, np.nan), np.zeros(vehicles)
        # the types
        self.type_use = np.zeros((len(TYPE_HALF_LIVES_DAYS), types))
        self.type_days = self.type_use.copy()
        self.type_level = np.full(self.type_use.shape, np.nan)
        self.slow_use, self.slow_days = np.zeros(types), np.zeros(types)
        self.slow = np.full(types, np.nan)
        self.between = np.full(types, DRIFT_SHARE)
        # what candidates and horizons have told
        self.surprise = np.zeros((candidates, types))
        self.surprises = np.zeros(types)
        self.loss = np.zeros((candidates, types))
        self.held = np.zeros(types)
        self.covered = np.zeros((horizons, len(_WIDTHS), types))
        self.shifted, self.weight = np.zeros((horizons, types)), np.zeros((horizons, types))
        # what was forecast, until it is known
        self.means = np.full((horizons, candidates, vehicles, months), np.nan, dtype=np.float32)
        self.mean = np.full((vehicles, months, horizons), np.nan)
        self.deviation, self.shift = self.mean.copy(), self.mean.copy()
        self.shape, self.scale = self.mean.copy(), self.mean.copy()
        self.due: list[list[tuple[Index, Index]]] = [_cells_by_month(histories, h) for h in range(horizons)]

    def take(self, month: int) -> None:
        """Take a month's readings in, learn from the forecasts that they settle, and forecast on."""
        self._fade(month)
        read = np.flatnonzero(~np.isnan(self.histories.day[:, month]))
        if len(read):
            self._filter(month, read)
            for place in range(len(HORIZON_MONTHS)):
                self._learn(place, *self.due[place][month])
            self._forecast(month, read)

    def patterns(self) -> list[UsePattern]:
        """The pattern of each type by what is known now."""
        picks = self._picks()
        kinds = np.arange(self.types)
        spreads = np.sqrt(
            self._drawn(self.surprise[picks, kinds], self.surprise[picks].sum(axis=1), self.surprises, 1.0)
        )
        shifts, widths = self._corrections()
        levels, slow = np.nan_to_num(self.type_level[self.half_life[picks], kinds]), np.nan_to_num(self.slow)
        pulls, noises = self.pull[picks, 0], self.noise[picks, 0]
        wandering = DRIFT_SHARE**2 * pulls / (pulls + _OWN_MEMORY_DAYS)
        noise = noises**2 * MONTH_DAYS / (2.0 * _OWN_MEMORY_DAYS)
        between = np.sqrt(np.maximum(self.between**2 - spreads**2 * (wandering + noise), 0.0))
        return [
            UsePattern(
                LevelTerms(
                    float(levels[kind]),
                    float(slow[kind]),
                    *_terms(pick),
                    float(between[kind]),
                    float(spreads[kind]),
                ),
                _four(shifts[:, kind]),
                _four(widths[:, kind]),
            )
            for kind, pick in enumerate(picks)
        ]

    def _fade(self, month: int) -> None:
        """Let the past fade by the length of a month."""
        days = self.month_days[month]
        memory = 0.5 ** (days / MEMORY_DAYS)
        self.surprise *= memory
        self.surprises *= memory
        self.covered *= memory
        self.shifted *= memory
        self.weight *= memory
        fading = 0.5 ** (days / np.array(TYPE_HALF_LIVES_DAYS))[:, None]
        self.type_use *= fading
        self.type_days *= fading
        slow = 0.5 ** (days / OWN_HALF_LIFE_DAYS)
        self.slow_use *= slow
        self.slow_days *= slow
        self.own_use *= slow
        self.own_days *= slow

    def _filter(self, month: int, read: Index) -> None:
        """Advance every candidate's filter of the vehicles read by their use since the reading before."""
        day, life = self.histories.day[read, month], self.histories.life[read, month]
        had = ~np.isnan(self.last_day[read])
        rows, days, use = read[had], (day - self.last_day[read])[had], (life - self.last_life[read])[had]
        self.last_day[read], self.last_life[read] = day, life
        if not len(rows):
            return
        kind = self.histories.type_of[rows]
        share = self._shares(rows)
        # A type's first use stands for what it was before: there is nothing else to go by.
        level_before, slow_before = self.type_level.copy(), self.slow.copy()
        self._take_types(kind, days, use)
        level_before = np.where(np.isnan(level_before), self.type_level, level_before)
        slow_before = np.where(np.isnan(slow_before), self.slow, slow_before)
        usual = level_before[self.half_life][:, kind] * share
        scale = slow_before[kind] * share
        start = (np.maximum(DRIFT_SHARE, self.between[kind]) * scale) ** 2
        level, variance = self.level[:, rows], self.variance[:, rows]
        level = np.where(np.isnan(level), usual, level)
        variance = np.where(np.isnan(variance), start, variance)
        decay = np.exp(-days / self.pull)
        reach = (1.0 - decay) * self.pull
        drift = (DRIFT_SHARE * scale) ** 2
        spread = (
            variance * reach**2
            + 2.0 * drift * self.pull * (days - 2.0 * reach + reach * (1.0 + decay) / 2.0)
            + (self.noise * scale) ** 2 * MONTH_DAYS * days
        )
        spread = np.maximum(spread, np.finfo(float).tiny)
        surprise = use - usual * days - (level - usual) * reach
        factor = np.sqrt((self.surprise + PRIOR_WEIGHT) / (self.surprises + PRIOR_WEIGHT))[:, kind]
        limit = WILDEST * factor * np.sqrt(spread)
        together = variance * decay * reach + drift * reach**2 / self.pull
        gain = together / spread
        self.level[:, rows] = usual + (level - usual) * decay + gain * np.clip(surprise, -limit, limit)
        self.variance[:, rows] = variance * decay**2 + drift * (1.0 - decay**2) - gain * together
        if month >= _FIRST_TOLD:
            squares = np.minimum(surprise**2 / spread, _WILD_SQUARE)
            count = np.bincount(kind, minlength=self.types)
            weight = _counted(count)
            self.surprise += _sums(squares, kind, self.types) / np.maximum(count, 1) * weight
            self.surprises += weight
        self.own_use[rows] += use
        self.own_days[rows] += days
        self._compare(kind_of=self.histories.type_of)

    def _take_types(self, kind: Index, days: Real, use: Real) -> None:
        run = np.bincount(kind, use, self.types)
        time = np.bincount(kind, days, self.types)
        self.type_use += run
        self.type_days += time
        self.slow_use += run
        self.slow_days += time
        with np.errstate(invalid="ignore", divide="ignore"):
            self.type_level = np.where(self.type_days > 0, self.type_use / self.type_days, np.nan)
            self.slow = np.where(self.slow_days > 0, self.slow_use / self.slow_days, np.nan)

    def _shares(self, rows: Index) -> Real:
        """How much vehicles run over their types, for every candidate, as ``usual_share`` has it."""
        slow = self.slow[self.histories.type_of[rows]]
        is_told = (slow > 0) & np.isfinite(self.own)
        weight = np.where(np.isfinite(self.own), self.own, 1.0)
        own = self.own_use[rows] / np.where(slow > 0, slow, 1.0)
        ratio = (own + weight) / (self.own_days[rows] + weight)
        return np.where(is_told, np.clip(ratio, LEAST_SHARE, MOST_SHARE), 1.0)

    def _compare(self, kind_of: Index) -> None:
        """How far the long-run use of a type's vehicles lies apart."""
        slow = self.slow[kind_of]
        is_told = (self.own_days > _TOLD_DAYS) & (slow > 0)
        apart = self.own_use[is_told] / self.own_days[is_told] / slow[is_told] - 1.0
        kind = kind_of[is_told]
        squares = np.bincount(kind, apart**2, self.types)
        count = np.bincount(kind, minlength=self.types)
        self.between = np.sqrt((squares + _BETWEEN_WEIGHT * DRIFT_SHARE**2) / (count + _BETWEEN_WEIGHT))

    def _learn(self, place: int, rows: Index, months: Index) -> None:
        """Hold the forecasts of one horizon that have come due against what happened."""
        if not len(rows):
            return
        # Neither where nothing was forecast, nor where a type has stood still so far.
        is_forecast = self.deviation[rows, months, place] > 0
        rows, months = rows[is_forecast], months[is_forecast]
        if not len(rows):
            return
        kind = self.histories.type_of[rows]
        use = self.histories.use[rows, months, place]
        mean, deviation = self.mean[rows, months, place], self.deviation[rows, months, place]
        count = np.bincount(kind, minlength=self.types)
        expected = np.bincount(kind, mean, self.types) / np.maximum(count, 1)
        scale = np.maximum(expected[kind], np.finfo(float).tiny)
        self.loss += _sums(np.abs(self.means[place][:, rows, months] - use) / scale, kind, self.types)
        self.held += count
        weight = _counted(count) / HORIZON_MONTHS[place]
        each = (weight / np.maximum(count, 1))[kind]
        shape = np.maximum((mean / deviation) ** 2, LEAST_SHAPE)
        rank = ndtri(np.clip(gammainc(shape, use * shape / mean), _LEAST_RANK, 1.0 - _LEAST_RANK))
        self.shifted[place] += np.bincount(
            kind, np.clip(rank, -_WILDEST_RANK, _WILDEST_RANK) * each, self.types
        )
        moved = np.maximum(mean + self.shift[rows, months, place] * deviation, LEAST_MEAN_SHARE * deviation)
        low, high = _interval(moved, deviation * _WIDTHS[:, None])
        is_covered = (np.where(low < 1.0, 0.0, low) <= use) & (use <= high)
        self.covered[place] += _sums(is_covered * each, kind, self.types)
        self.weight[place] += weight

    def _picks(self) -> Index:
        """The candidate of each type that would have erred least."""
        others = self.held.sum() - self.held
        pooled = (self.loss.sum(axis=1, keepdims=True) - self.loss) / np.maximum(others, 1.0)
        score = self.loss + pooled * np.minimum(others, POOL_FORECASTS)
        score[_DEFAULT] -= _DEFAULT_GAIN
        picks: Index = np.argmin(score, axis=0)
        return picks

    def _drawn(self, told: Real, told_of_all: Real, weight: Real, believed: Real | float) -> Real:
        """What each type tells, drawn towards what the others tell and what was believed before."""
        others = weight.sum(axis=-1, keepdims=True) - weight
        share = np.minimum(others, POOL_WEIGHT) / np.maximum(others, np.finfo(float).tiny)
        total = told + (told_of_all - told) * share + believed * PRIOR_WEIGHT
        drawn: Real = total / (weight + others * share + PRIOR_WEIGHT)
        return drawn

    def _corrections(self) -> tuple[Real, Real]:
        """Shift and width of each horizon and type, shape (horizons, types)."""
        shifts = self._drawn(self.shifted, self.shifted.sum(axis=1, keepdims=True), self.weight, 0.0)
        curves = np.stack(
            [
                self._drawn(c, c.sum(axis=1, keepdims=True), w, _BELIEVED[:, None])
                for c, w in zip(self.covered, self.weight, strict=True)
            ]
        )
        curves = np.maximum.accumulate(curves, axis=1)
        # A tie goes to the narrower.
        rising = curves + np.arange(len(_WIDTHS))[:, None] * 1e-9
        widths = np.array([[np.interp(COVERAGE, curve, _WIDTHS) for curve in one.T] for one in rising])
        return np.clip(SHIFT_DAMPING * shifts, -_MOST_SHIFT, _MOST_SHIFT), widths.reshape(shifts.shape)

    def _forecast(self, month: int, read: Index) -> None:
        """Forecast from the readings of a month, by every candidate and by the law of what has been learned."""
        rows = read[~np.isnan(self.level[0, read])]
        if not len(rows):
            return
        kind = self.histories.type_of[rows]
        share = self._shares(rows)
        usual = self.type_level[self.half_life][:, kind] * share
        for place in range(len(HORIZON_MONTHS)):
            days = self.histories.horizon_days[rows, month, place]
            reach = (1.0 - np.exp(-days / self.pull)) * self.pull
            self.means[place][:, rows, month] = usual * days + (self.level[:, rows] - usual) * reach
        pick = self._picks()[kind]
        patterns = PatternColumns.of(self.patterns()).take(kind)
        states = LevelColumns(
            self.level[pick, rows], self.variance[pick, rows], self.own_use[rows], self.own_days[rows]
        )
        days = self.histories.horizon_days[rows, month]
        mean, variance = moments(patterns, states, days)
        shape, scale = corrected_law(patterns, states).gamma(days)
        # What the law widened to keep its invariants was not for past errors to ask for again.
        asked = np.sqrt(variance) * patterns.widths
        widened = np.sqrt(shape) * scale / np.where(asked > 0, asked, 1.0)
        self.mean[rows, month], self.deviation[rows, month] = (
            mean,
            np.sqrt(variance) * np.maximum(widened, 1.0),
        )
        self.shift[rows, month] = patterns.shifts
        self.shape[rows, month], self.scale[rows, month] = shape, scale


def _four(values: Real) -> tuple[float, float, float, float]:
    first, second, third, fourth = (float(value) for value in values)
    return first, second, third, fourth


def _cells_by_month(histories: UseHistories, place: int) -> list[tuple[Index, Index]]:
    """Which forecasts of a horizon become known in each month: their vehicles and months."""
    known = histories.known_in[:, :, place]
    rows, months = np.nonzero(known < histories.day.shape[1])
    order = np.argsort(known[rows, months], kind="stable")
    rows, months = rows[order], months[order]
    bounds = np.searchsorted(known[rows, months], np.arange(histories.day.shape[1] + 1))
    return [(rows[a:b], months[a:b]) for a, b in pairwise(bounds)]


def _counted(count: Index) -> Real:
    """How many independent vehicles some of one month are worth."""
    worth: Real = count / (1.0 + COMMON_SHARE * np.maximum(count - 1, 0))
    return worth


def _sums(values: Real, kind: Index, types: int) -> Real:
    """Sums over the vehicles of each type: the last axis becomes the types."""
    member = np.zeros((len(kind), types))
    member[np.arange(len(kind)), kind] = 1.0
    sums: Real = values @ member
    return sums


@lru_cache(maxsize=1)
def _standard_quantiles() -> tuple[Real, Real, Real]:
    """Logarithms of shape, and of the 5 and 95 % quantiles over the mean at it: quicker than each by itself."""
    shape = np.geomspace(LEAST_SHAPE, 1e6, 4000)
    tail = (1.0 - COVERAGE) / 2.0
    low, high = (np.log(np.maximum(gammaincinv(shape, p), 1e-300) / shape) for p in (tail, 1.0 - tail))
    return np.log(shape), low, high


def _interval(mean: Real, deviation: Real) -> tuple[Real, Real]:
    """The 90 % interval of the gamma law with a mean and a standard deviation, to about a thousandth."""
    at, low, high = _standard_quantiles()
    shape = np.log(np.maximum((mean / deviation) ** 2, LEAST_SHAPE))
    return mean * np.exp(np.interp(shape, at, low)), mean * np.exp(np.interp(shape, at, high))
