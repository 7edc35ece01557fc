"""Learning from invented fleets: calibrated, blind to the future, the same in any order and unit."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from domain.use_backtest import Backtest, Rule, backtest, losses
from domain.use_history import NEVER, DaySeries, UseHistories, use_histories
from domain.use_learning import Foretold, Learned, learned
from tests.support.use_fleets import wandering


@lru_cache(maxsize=1)
def fleet() -> tuple[UseHistories, Learned, Foretold, Backtest]:
    """Three types of 14 vehicles each, one running a tenth of the others, five years."""
    histories = use_histories(*wandering([80_000.0, 150_000.0, 9_000.0], 14, 61, seed=4))
    found, foretold = learned(histories)
    return histories, found, foretold, backtest(histories, foretold)


def test_a_90_percent_interval_holds_about_90_percent() -> None:
    """Over all and of each type, at every horizon; and the median errs less than the best simple rule."""
    _, _, _, test = fleet()
    assert [score.months for score in test.overall] == [1, 3, 6, 12]
    assert test.overall[0].forecasts == 42 * 49
    for score in test.overall:
        assert 0.86 <= score.coverage <= 0.95
        assert score.against_best < 1.0
        assert score.below + score.above == pytest.approx(1 - score.coverage)
        assert score.pinball < score.error
    for scores in test.by_type.values():
        for score in scores:
            assert 0.8 <= score.coverage <= 0.985


def test_patterns_tell_the_types_apart() -> None:
    _, found, _, _ = fleet()
    for pattern, usual in zip(found.patterns, (80_000.0, 150_000.0, 9_000.0), strict=True):
        assert pattern.terms.slow_per_day == pytest.approx(0.96 * usual, rel=0.1)
        assert 0.6 < pattern.terms.spread_factor < 1.6
        assert all(0.5 < width < 1.6 for width in pattern.widths)
    assert found.forecasts == (14 * (60 + 58 + 55 + 49),) * 3


def test_a_forecast_never_sees_its_future() -> None:
    """Whatever happens after a month, forecasts made up to it are the same to the last bit."""
    histories, _, foretold, _ = fleet()
    series, types = wandering([80_000.0, 150_000.0, 9_000.0], 14, 61, seed=4)
    cut = 30
    changed = []
    for one in series:
        life = one.life.copy()
        life[cut + 1 :] = life[cut] + 7 * (life[cut + 1 :] - life[cut])
        changed.append(DaySeries(one.days, life))
    _, other = learned(use_histories(changed, types))
    assert np.array_equal(other.shape[:, : cut + 1], foretold.shape[:, : cut + 1], equal_nan=True)
    assert np.array_equal(other.scale[:, : cut + 1], foretold.scale[:, : cut + 1], equal_nan=True)
    assert not np.array_equal(other.shape[:, cut + 2], foretold.shape[:, cut + 2], equal_nan=True)
    assert histories.day.shape[1] == 62


def test_neither_order_nor_unit_matters() -> None:
    """The same fleet back to front, in units a thousandth as large."""
    series, types = wandering([60_000.0, 9_000.0], 5, 30, seed=9)
    first, foretold = learned(use_histories(series, types))
    turned = [DaySeries(one.days, one.life * 1_000) for one in series[::-1]]
    second, other = learned(use_histories(turned, types[::-1]))
    for mine, theirs in zip(first.patterns, second.patterns, strict=True):
        assert theirs.terms.level_per_day == pytest.approx(1_000 * mine.terms.level_per_day, rel=1e-9)
        assert theirs.terms[2:5] == mine.terms[2:5]
        assert theirs.widths == pytest.approx(mine.widths, rel=1e-6)
    assert other.shape[::-1] == pytest.approx(foretold.shape, rel=1e-6, nan_ok=True)
    assert other.scale[::-1] == pytest.approx(1_000 * foretold.scale, rel=1e-6, nan_ok=True)


def test_vehicles_that_differ_for_long_are_told_from_those_that_do_not() -> None:
    alike, _ = learned(use_histories(*wandering([80_000.0], 20, 40, seed=2)))
    apart, _ = learned(use_histories(*wandering([80_000.0], 20, 40, seed=2, apart_share=0.7)))
    assert apart.patterns[0].terms.own_days == 120.0
    assert alike.patterns[0].terms.own_days != 120.0
    assert apart.patterns[0].terms.between_share > 0.3 > alike.patterns[0].terms.between_share


def test_a_vehicle_parked_for_a_year_and_one_alone() -> None:
    """Its low quantile falls to nothing, its law stays one; a type of one vehicle learns as well."""
    series, types = wandering([80_000.0, 40_000.0], 6, 40, seed=3)
    life = series[0].life.copy()
    life[20:33] = life[20]
    life[33:] -= life[33] - life[20]
    series[0] = DaySeries(series[0].days, life)
    series, types = series[:7], types[:7]
    histories = use_histories(series, types)
    found, foretold = learned(histories)
    parked, before = (
        foretold.shape[0, 32] * foretold.scale[0, 32],
        foretold.shape[0, 19] * foretold.scale[0, 19],
    )
    assert (parked[:2] < 0.6 * before[:2]).all()
    assert np.isfinite(foretold.shape[0, 2:]).all()
    assert found.patterns[1].terms.slow_per_day > 0
    assert np.isfinite(found.patterns[1].widths).all()


def test_a_fleet_that_stands_or_was_read_once_learns_nothing() -> None:
    days = np.array([0, 31, 59])
    stands, foretold = learned(use_histories([DaySeries(days, np.full(3, 500.0))], [0]))
    assert stands.patterns[0].terms.slow_per_day == 0.0
    assert np.nan_to_num(foretold.shape * foretold.scale).max() == 0.0
    once, _ = learned(use_histories([DaySeries(days[:1], np.array([5.0]))], [0]))
    assert once.patterns[0].terms.level_per_day == 0.0
    assert once.forecasts == (0,)


def test_histories_by_month() -> None:
    """Of a month the last reading; months later to the day, or the month's last; known once it has been read.

    From 31 January to 28 February two thirds of the way from 1,000 to 1,300 on 14 to 28 February: 1,300 itself.
    """
    january = np.datetime64("1981-01-20").astype(int)
    days = january + np.array([0, 11, 25, 39, 70])  # 20, 31 January; 14, 28 February; 31 March
    found = use_histories([DaySeries(days, np.array([900.0, 1_000.0, 1_100.0, 1_300.0, 2_000.0]))], [0])
    assert found.life.tolist() == [[1_000.0, 1_300.0, 2_000.0]]
    assert found.months_read.tolist() == [[1, 2, 3]]
    assert found.horizon_days[0, 0].tolist() == [28.0, 89.0, 181.0, 365.0]
    assert found.use[0, 0, 0] == 300.0
    assert found.use[0, 1, 0] == pytest.approx(28 / 31 * 700.0)
    assert found.known_in[0, :, 0].tolist() == [1, 2, NEVER]
    assert np.isnan(found.use[0, 0, 1])
    assert found.years.tolist() == [1981] * 3
    assert found.take(np.array([0, 0])).life.shape == (2, 3)
    assert use_histories([DaySeries(days[:0], np.zeros(0))], [0]).day.shape == (1, 0)


def test_simple_rules_and_where_the_law_loses() -> None:
    """100 a day for ever, but for one month at 200: rules by hand from the month after it."""
    days = (np.datetime64("1980-01", "M") + np.arange(20)).astype("datetime64[D]").astype(np.int64)
    use = 100.0 * np.diff(days)
    use[13] *= 2
    histories = use_histories([DaySeries(days, np.cumsum([0.0, *use]))], [0])
    nothing = np.full((*histories.day.shape, 4), np.nan)
    nothing[:, 14] = 1.0
    test = backtest(histories, Foretold(nothing, nothing), first_month=15)
    (month, _) = test.overall
    run = 31 * 100.0
    assert month.forecasts == 1
    assert month.rules[Rule.LAST_RATE] == pytest.approx(1.0)
    assert month.rules[Rule.YEAR_MEAN] == pytest.approx(29 * 100.0 / 365 * 31 / run, rel=0.1)
    assert 0.1 < month.rules[Rule.SMOOTHED] < 0.3
    assert month.best_rule is Rule.YEAR_MEAN
    assert (month.coverage, month.above) == (0.0, 1.0)
    assert [(name, what) for name, _, score, what in losses(test) if score is month] == [
        ("overall", "too narrow"),
        ("overall", "beaten by the mean of 12 months"),
    ]
    best = replace(month, error=0.0, rules=dict.fromkeys(Rule, 0.0))
    assert best.against_best == 0.0
