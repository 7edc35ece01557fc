"""The level filter: held against a state space of statsmodels, the Nile, and what is known by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.datasets import nile
from statsmodels.tsa.statespace.mlemodel import MLEModel

from domain.use_columns import (
    LevelColumns,
    PatternColumns,
    advanced_levels,
    corrected_law,
    moments,
    usual_shares,
)
from domain.use_level import (
    DRIFT_SHARE,
    MONTH_DAYS,
    KeptLevel,
    LevelState,
    LevelTerms,
    UsePattern,
    advanced,
    first_state,
    level_before,
    level_now,
    level_of,
    packed_level,
    unpacked_level,
    usual_share,
)

TERMS = LevelTerms(80.0, 80.0, pull_days=120.0, noise_share=0.2, own_days=None, between_share=0.0)
# So wide that no reading of the tests is wild.
TAME = TERMS._replace(spread_factor=1e6)


class DailyLevel(MLEModel):  # type: ignore[misc] # the package has no types
    """The model on a grid of days: level and use since the last reading, read with gaps.

    Within a day the level is followed exactly: level and use of a day are jointly normal.
    """

    def __init__(self, readings: dict[int, float], terms: LevelTerms, days: int) -> None:
        """Use since the reading before, by day."""
        use = np.full(days, np.nan)
        for day, figure in readings.items():
            use[day - 1] = figure
        super().__init__(use, k_states=2, k_posdef=2)
        decay = math.exp(-1 / terms.pull_days)
        reach = (1 - decay) * terms.pull_days
        drift = (DRIFT_SHARE * terms.slow_per_day) ** 2
        noise = (terms.noise_share * terms.slow_per_day) ** 2 * MONTH_DAYS
        of_use = 2 * drift * terms.pull_days * (1 - 2 * reach + reach * (1 + decay) / 2) + noise
        self["design"] = [[0.0, 1.0]]
        read = np.array([0, *(1 if day in readings else 0 for day in range(1, days))])
        # After a reading use begins anew.
        self["transition"] = np.array(
            [[[decay] * days, [0.0] * days], [[reach] * days, (1.0 - np.append(read[1:], 0)).tolist()]]
        )
        self["selection"] = np.eye(2)
        together = drift * reach * reach / terms.pull_days
        self["state_cov"] = [[drift * (1 - decay**2), together], [together, of_use]]
        self["state_intercept"] = np.tile(
            [[terms.level_per_day * (1 - decay)], [terms.level_per_day * (1 - reach)]], days
        )
        # The state of the first day, from what is known on the day before.
        start = first_state(terms)
        before = np.array([[start.variance, 0.0], [0.0, 0.0]])
        step = np.array([[decay, 0.0], [reach, 1.0]])
        self.initialize_known(
            step @ [start.level, 0.0]
            + [terms.level_per_day * (1 - decay), terms.level_per_day * (1 - reach)],
            step @ before @ step.T + np.asarray(self["state_cov"]),
        )


def test_the_filter_equals_a_state_space_of_statsmodels_with_readings_missing() -> None:
    """Readings on days 1, 4, 5, 19, 50, 51 and 200: the same level and variance as a daily grid with gaps."""
    figures = {1: 70.0, 4: 300.0, 5: 95.0, 19: 1_500.0, 50: 1_900.0, 51: 0.0, 200: 15_500.0}
    found = DailyLevel(figures, TAME, 200).ssm.filter()
    state, before = first_state(TAME), 0
    for day, use in figures.items():
        state, before = advanced(TAME, state, day - before, use), day
        expected = found.filtered_state[0, day - 1], found.filtered_state_cov[0, 0, day - 1]
        assert (state.level, state.variance) == pytest.approx(expected, rel=1e-8)


def test_the_nile_is_a_level_without_pull() -> None:
    """With yearly readings and an endless pull the level wanders freely, as in the local level model.

    Durbin and Koopman's variances of noise and level, 15,099 and 1,469.1 (Time Series Analysis by State Space Methods,
    2001), from memory; with them statsmodels 0.15 filters the last level to 798.370293 with variance 4,032.157942. Use
    over a year is that year's flow, and the level drifts within the year as well: a third of its variance joins the
    noise, and half of it goes with both.
    """
    flows = nile.load_pandas().data["volume"].to_numpy()
    noise, drift, pull = 15_099.0, 1_469.1, 1e4
    # drift a day such that the level's variance grows by 1,469.1 a step
    scale = math.sqrt(drift * pull / 2) / DRIFT_SHARE
    terms = LevelTerms(
        0.0,
        scale,
        pull,
        math.sqrt((noise - drift / 3) / MONTH_DAYS) / scale,
        own_days=None,
        between_share=0.0,
        spread_factor=1e9,
    )
    state = LevelState(0.0, 1e7)
    level, variance = 0.0, 1e7
    for flow in flows:
        state = advanced(terms, state, 1.0, float(flow))
        # the same by hand: level and flow before the flow is known
        together, spread = variance + drift / 2, variance + noise
        gain = together / spread
        level, variance = level + gain * (flow - level), variance + drift - gain * together
    assert (state.level, state.variance) == pytest.approx((level, variance), rel=2e-3)
    # Near the filter of the discrete model, whose level stands still within a year.
    assert state.level == pytest.approx(798.370293, rel=0.01)
    assert variance == pytest.approx(5_501.257942, rel=0.25)


def test_steady_use_is_learned_and_grows_sure() -> None:
    """A vehicle of a type that runs 80 a day itself runs 50 a day, read weekly for two years."""
    state = first_state(TERMS)
    for _ in range(104):
        state = advanced(TERMS, state, 7.0, 350.0)
    assert 50.0 < state.level < 58.0
    assert 0 < state.variance < first_state(TERMS).variance


def test_long_silence_forgets_and_a_wild_reading_is_bounded() -> None:
    known = LevelState(20.0, 4.0)
    usual = advanced(TERMS, known, 5_000.0, 80.0 * 5_000)
    assert usual.level == pytest.approx(80.0, abs=20.0)
    wild = advanced(TERMS, first_state(TERMS), 30.0, 80.0 * 30 * 50)
    wilder = advanced(TERMS, first_state(TERMS), 30.0, 80.0 * 30 * 500)
    assert wild.level == wilder.level


def test_a_vehicle_s_own_use_counts_against_its_type_s() -> None:
    """A year at half the type's use: own days of 365 / ln 2 x (1 - 1/2) against 120 of the type's."""
    terms = TERMS._replace(own_days=120.0)
    state = first_state(terms)
    for _ in range(365):
        state = advanced(terms, state, 1.0, 40.0)
    days = state.own_days
    assert days == pytest.approx(365 / math.log(2) / 2, rel=0.002)
    assert usual_share(terms, state.own_use, days) == pytest.approx((days / 2 + 120) / (days + 120), rel=1e-9)
    assert usual_share(TERMS, state.own_use, days) == 1.0
    assert usual_share(terms, 0.0, 1e9) == 0.05


def test_a_type_that_stands_has_no_level() -> None:
    stands = LevelTerms(0.0, 0.0)
    assert advanced(stands, first_state(stands), 30.0, 0.0)[:2] == (0.0, 0.0)


def test_a_level_takes_in_a_reading_a_week_and_of_a_day_the_last() -> None:
    """Days 0, 3, 6, 7 and twice 9: kept are 0 and 7; 9 is taken in by whoever asks."""
    points = [(0, 0), (3, 200), (6, 500), (7, 600), (9, 700), (9, 800)]
    kept = level_of(TERMS, points)
    assert kept is not None
    by_hand = advanced(TERMS, first_state(TERMS), 7, 600)
    assert kept == KeptLevel(by_hand, 7, 600)
    assert level_now(TERMS, kept, 9, 800) == advanced(TERMS, by_hand, 2, 200)
    assert level_now(TERMS, kept, 7, 600) == by_hand
    assert level_before(TERMS, kept, 13, 1_500) is kept
    assert level_of(TERMS, []) is None
    assert level_of(TERMS, [(5, 10), (5, 30)]) == KeptLevel(first_state(TERMS), 5, 30)
    assert unpacked_level(packed_level(kept)) == kept


def patterns() -> list[UsePattern]:
    return [
        UsePattern(TERMS),
        UsePattern(LevelTerms(30_000.0, 25_000.0, 60.0, 0.4, 120.0, 0.2, 1.5), (0.1, 0.0, -0.1, -0.2)),
        UsePattern(LevelTerms(500.0, 700.0, 960.0, 0.1, 730.0, 0.5, 0.7), widths=(2.0, 1.5, 1.0, 0.5)),
        UsePattern(LevelTerms(0.0, 0.0)),
    ]


def test_columns_equal_the_filter_one_by_one() -> None:
    """And no time passed leaves a state as it is."""
    chance = np.random.default_rng(5)
    some = [patterns()[k] for k in chance.integers(0, 4, 60)]
    states = []
    for pattern in some:
        level, variance, own_use = pattern.terms.slow_per_day * chance.uniform(0, 2, 3)
        states.append(LevelState(level, variance, own_use, chance.uniform(0, 900)))
    days = np.where(chance.random(60) < 0.2, 0, chance.integers(1, 400, 60)).astype(float)
    use = np.array([p.terms.slow_per_day for p in some]) * days * chance.uniform(0, 3, 60)
    columns, before = PatternColumns.of(some), LevelColumns.of(states)
    after = advanced_levels(columns, before, days, use)
    shares = usual_shares(columns, before)
    for row, (pattern, state) in enumerate(zip(some, states, strict=True)):
        assert shares[row] == pytest.approx(usual_share(pattern.terms, state.own_use, state.own_days))
        alone = advanced(pattern.terms, state, days[row], use[row]) if days[row] else state
        found = (after.level[row], after.variance[row], after.own_use[row], after.own_days[row])
        assert found == pytest.approx(tuple(alone), rel=1e-9, abs=1e-9)


def test_moments_are_those_of_simulated_levels() -> None:
    """Wandering levels in daily steps, with noise: mean and variance of use within 2 % of 20,000 paths."""
    chance = np.random.default_rng(11)
    state = LevelState(50.0, 100.0)
    decay = math.exp(-1 / TERMS.pull_days)
    sd = DRIFT_SHARE * 80.0 * math.sqrt(1 - decay**2)
    level = chance.normal(state.level, math.sqrt(state.variance), 20_000)
    use = np.zeros(20_000)
    noise = 0.2 * 80.0 * math.sqrt(MONTH_DAYS)
    for _ in range(183):
        before = level
        level = 80.0 + (level - 80.0) * decay + chance.normal(0, sd, 20_000)
        use += (before + level) / 2 + chance.normal(0, noise, 20_000)
    mean, variance = moments(
        PatternColumns.of([UsePattern(TERMS)]), LevelColumns.of([state]), np.array([183.0])
    )
    assert mean[0, 0] == pytest.approx(use.mean(), rel=0.01)
    assert variance[0, 0] == pytest.approx(use.var(), rel=0.03)


def test_corrections_shift_and_widen_at_their_horizons() -> None:
    """One standard deviation up at a month, twice as wide at a year; neither before nor after is missed."""
    state = LevelColumns.of([LevelState(80.0, 25.0)])
    plain = corrected_law(PatternColumns.of([UsePattern(TERMS)]), state)
    pattern = UsePattern(TERMS, (0.5, 0.0, 0.0, 0.0), (1.0, 1.0, 1.0, 2.0))
    moved = corrected_law(PatternColumns.of([pattern]), state)
    assert moved.mean(7.0)[0, 0] == pytest.approx(
        plain.mean(7.0)[0, 0] + 0.5 * plain.deviation(7.0)[0, 0], rel=0.02
    )
    assert moved.mean(365.0)[0, 0] == pytest.approx(plain.mean(365.0)[0, 0], rel=1e-3)
    assert moved.deviation(1096.0)[0, 0] == pytest.approx(2 * plain.deviation(1096.0)[0, 0], rel=1e-3)


def test_no_row_is_another_s() -> None:
    """Patterns taken, scaled and chosen between are those of their rows."""
    columns = PatternColumns.of(patterns())
    again = columns.take(np.array([2, 0])).scaled(np.array([2.0, 3.0]))
    assert again.level_per_day.tolist() == [1_000.0, 240.0]
    assert again.own_days.tolist() == [730.0, math.inf]
    chosen = columns.where(np.array([True, False, True, False]), replace(columns, pull_days=np.full(4, 7.0)))
    assert chosen.pull_days.tolist() == [120.0, 7.0, 960.0, 7.0]
    assert chosen.widths.tolist() == columns.widths.tolist()
