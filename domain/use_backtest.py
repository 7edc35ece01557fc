"""What forecasts of use would have been worth: the law beside three simple rules, over horizons, types and years.

Every forecast from a vehicle's ``FIRST_MONTH``th month with a reading on is held against what it then ran, none
skipped. Error is the sum of errors over the sum of use, so that a mile counts the same whoever ran it;
pinball loss is counted over the 5, 50 and 95 % quantiles, by the same sum.

Sources: pinball (quantile) loss: Koenker & Bassett, Econometrica 46 (1978) 33-50, cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaincinv

from domain.usage import HALF_LIFE_DAYS
from domain.use_history import HORIZON_MONTHS
from domain.use_learning import COVERAGE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from domain.use_history import UseHistories
    from domain.use_learning import Foretold

    Real = NDArray[np.float64]
    Flags = NDArray[np.bool_]

FIRST_MONTH = 13
SHARES = (0.05, 0.5, 0.95)
YEAR_DAYS = 365.0

# Fewer forecasts than these say nothing about a group.
TELLING = 30
# Coverage of a group outside it is named; the wider bounds are for groups, which have a fate in common.
EVEN_COVERAGE = (0.87, 0.93)
GROUP_COVERAGE = (0.75, 0.97)


class Rule(StrEnum):
    """A simple rule that the law is held against."""

    LAST_RATE = "last_rate"
    YEAR_MEAN = "12_month_mean"
    SMOOTHED = "exponential_smoothing"


_WORDS = {
    Rule.LAST_RATE: "the last rate",
    Rule.YEAR_MEAN: "the mean of 12 months",
    Rule.SMOOTHED: "smoothed use",
}


@dataclass(frozen=True, slots=True)
class Score:
    """How some forecasts over one horizon turned out.

    Attributes:
        months: The horizon [month].
        forecasts: How many.
        coverage: Share of outcomes within the 5 and 95 % quantiles.
        below: Share below the 5 % quantile.
        above: Share above the 95 % quantile.
        error: Sum of errors of the median over the sum of use.
        pinball: Pinball loss of the three quantiles over the sum of use.
        rules: The error of each simple rule.
    """

    months: int
    forecasts: int
    coverage: float
    below: float
    above: float
    error: float
    pinball: float
    rules: Mapping[Rule, float]

    @property
    def best_rule(self) -> Rule:
        """The simple rule that erred least."""
        return min(self.rules, key=lambda rule: self.rules[rule])

    @property
    def against_best(self) -> float:
        """Error over that of the best simple rule."""
        best = self.rules[self.best_rule]
        return self.error / best if best > 0 else float(self.error > 0)


@dataclass(frozen=True, slots=True)
class Backtest:
    """How forecasts turned out: over all, by type and by calendar year; each by horizon, where there were any.

    Attributes:
        overall: Over all.
        by_type: By type, counted as in the histories.
        by_year: By the year that the forecast was made in.
    """

    overall: tuple[Score, ...]
    by_type: Mapping[int, tuple[Score, ...]]
    by_year: Mapping[int, tuple[Score, ...]]


def backtest(histories: UseHistories, foretold: Foretold, *, first_month: int = FIRST_MONTH) -> Backtest:
    """How the forecasts of a walk turned out.

    Args:
        histories: Use by month.
        foretold: What was forecast, walking over the same months.
        first_month: Forecasts count from a vehicle's so many-th month with a reading on.
    """
    rates = _rates(histories)
    counts = (histories.months_read >= first_month) & ~np.isnan(histories.day)
    whole = np.ones(counts.shape, dtype=bool)
    kind = np.broadcast_to(histories.type_of[:, None], counts.shape)
    years = np.broadcast_to(histories.years[None, :], counts.shape)
    horizons = [_Horizon(histories, foretold, rates, counts, place) for place in range(len(HORIZON_MONTHS))]

    def scores(chosen: Flags) -> tuple[Score, ...]:
        found = (horizon.score(chosen) for horizon in horizons)
        return tuple(score for score in found if score is not None)

    return Backtest(
        scores(whole),
        {int(k): scores(kind == k) for k in np.unique(kind[counts])},
        {int(y): scores(years == y) for y in np.unique(years[counts])},
    )


def losses(test: Backtest) -> Iterator[tuple[str, int | None, Score, str]]:
    """Where the law loses: (``overall``, ``type`` or ``year``, which one, its score, what is wrong)."""
    low, high = EVEN_COVERAGE
    for score in test.overall:
        yield from _complaints("overall", None, score, low, high)
    low, high = GROUP_COVERAGE
    for name, groups in (("type", test.by_type), ("year", test.by_year)):
        for which, found in groups.items():
            for score in found:
                if score.forecasts >= TELLING:
                    yield from _complaints(name, which, score, low, high)


def _complaints(
    name: str, which: int | None, score: Score, low: float, high: float
) -> Iterator[tuple[str, int | None, Score, str]]:
    if not low <= score.coverage <= high:
        yield name, which, score, "too narrow" if score.coverage < COVERAGE else "too wide"
    if score.against_best > 1.0:
        yield name, which, score, f"beaten by {_WORDS[score.best_rule]}"


class _Horizon:
    """The forecasts over one horizon."""

    def __init__(
        self,
        histories: UseHistories,
        foretold: Foretold,
        rates: Mapping[Rule, Real],
        counts: Flags,
        place: int,
    ) -> None:
        self.months = HORIZON_MONTHS[place]
        shape, scale = foretold.shape[:, :, place], foretold.scale[:, :, place]
        use = histories.use[:, :, place]
        self.is_held = counts & ~np.isnan(use) & ~np.isnan(shape)
        self.use = use[self.is_held]
        # Dials show whole units: so do quantiles.
        self.quantiles = [
            np.round(gammaincinv(shape[self.is_held], share) * scale[self.is_held]) for share in SHARES
        ]
        days = histories.horizon_days[:, :, place][self.is_held]
        self.by_rule = {rule: np.abs(rate[self.is_held] * days - self.use) for rule, rate in rates.items()}

    def score(self, chosen: Flags) -> Score | None:
        picked = chosen[self.is_held]
        if not picked.any():
            return None
        use = self.use[picked]
        low, middle, high = (quantile[picked] for quantile in self.quantiles)
        total = max(float(use.sum()), 1.0)
        pinball = sum(
            np.maximum(share * (use - quantile), (share - 1.0) * (use - quantile)).sum()
            for share, quantile in zip(SHARES, (low, middle, high), strict=True)
        )
        below, above = float((use < low).mean()), float((use > high).mean())
        return Score(
            self.months,
            len(use),
            1.0 - below - above,
            below,
            above,
            float(np.abs(middle - use).sum()) / total,
            float(pinball) / total,
            {rule: float(error[picked].sum()) / total for rule, error in self.by_rule.items()},
        )


def _rates(histories: UseHistories) -> dict[Rule, Real]:
    """What each rule says a day's use is, from each month's reading, shape (vehicles, months)."""
    shape = histories.day.shape
    found = {rule: np.zeros(shape) for rule in Rule}
    for row in range(shape[0]):
        at = np.flatnonzero(~np.isnan(histories.day[row]))
        if len(at) < 2:  # noqa: PLR2004 - one reading has no rate
            continue
        day, life = histories.day[row, at], histories.life[row, at]
        days, use = np.diff(day), np.diff(life)
        found[Rule.LAST_RATE][row, at[1:]] = use / days
        start = np.maximum(day[1:] - YEAR_DAYS, day[0])
        found[Rule.YEAR_MEAN][row, at[1:]] = (life[1:] - np.interp(start, day, life)) / (day[1:] - start)
        run = time = 0.0
        for place, (took, ran) in enumerate(zip(days, use, strict=True), start=1):
            fade = 0.5 ** (took / HALF_LIFE_DAYS)
            run, time = run * fade + ran, time * fade + took
            found[Rule.SMOOTHED][row, at[place]] = run / time
    return found
