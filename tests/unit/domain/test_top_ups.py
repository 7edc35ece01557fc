"""Rates of top-ups: learned from counts, drawn to the type, and told when they rise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom

from domain.demand_law import quantiles
from domain.top_ups import is_rising, rates_of, rising_chances, top_up_demand, volumes_of


def test_the_rates_of_a_type_are_found_again() -> None:
    # 4,000 vehicles with rates spread as a gamma law of shape 3 around 2 in 10,000 km.
    dice = np.random.default_rng(3)
    use = dice.uniform(10_000e3, 80_000e3, 4_000)
    rates = dice.gamma(3.0, 2e-7 / 3.0, 4_000)
    counts = dice.poisson(rates * use).astype(np.float64)
    found = rates_of(counts, use)
    assert found is not None
    assert np.mean(found.shape - counts) == pytest.approx(3.0, rel=0.1)
    told = found.shape / found.use
    assert told.mean() == pytest.approx(2e-7, rel=0.03)
    # Own entries and the type together are nearer to the truth than either alone.
    error = np.abs(told - rates).mean()
    assert error < np.abs(counts / use - rates).mean()
    assert error < np.abs(2e-7 - rates).mean()


def test_a_vehicle_without_entries_has_less_than_its_type_but_something() -> None:
    found = rates_of(np.array([4.0, 0.0, 2.0]), np.array([40e6, 60e6, 20e6]))
    assert found is not None
    told = found.shape / found.use
    assert 0 < told[1] < 6 / 120e6 < told[2]


def test_nothing_entered_or_nothing_run_tells_nothing() -> None:
    assert rates_of(np.zeros(3), np.array([1e6, 1e6, 1e6])) is None
    assert rates_of(np.array([2.0]), np.zeros(1)) is None


def test_what_top_ups_take_equals_a_million_draws() -> None:
    dice = np.random.default_rng(4)
    volumes = np.array([500.0, 1_000.0, 1_000.0, 2_000.0])
    found = rates_of(np.array([6.0, 2.0, 9.0]), np.array([30e6, 30e6, 30e6]))
    assert found is not None
    use = np.array([20e6, 30e6, 45e6])[None, :, None].repeat(3, axis=0)
    told = top_up_demand(found, volumes_of(volumes), use)
    draws = 300_000
    total = np.zeros(draws)
    for vehicle in range(3):
        run = dice.choice([20e6, 30e6, 45e6], draws)
        counts = dice.poisson(dice.gamma(found.shape[vehicle], 1 / found.use[vehicle], draws) * run)
        drawn = volumes[dice.integers(0, 4, counts.sum())]
        taken = np.bincount(np.repeat(np.arange(draws), counts), weights=drawn, minlength=draws)
        assert told.mean[vehicle, 0] == pytest.approx(taken.mean(), rel=0.01)
        assert told.variance[vehicle, 0] == pytest.approx(taken.var(), rel=0.02)
        assert told.third[vehicle, 0] == pytest.approx(((taken - taken.mean()) ** 3).mean(), rel=0.05)
        total += taken
    sums = type(told)(*(part.sum(axis=0) for part in (told.mean, told.variance, told.third)))
    (ninety,) = quantiles(sums, np.zeros(1), (0.9,))
    assert ninety[0] == pytest.approx(np.percentile(total, 90), rel=0.02)


def test_a_rising_rate_is_told_by_the_exact_test() -> None:
    recent, before = np.array([5.0, 2.0, 3.0, 0.0]), np.array([1.0, 6.0, 9.0, 4.0])
    share = np.full(4, 90 / 365)
    chances = rising_chances(recent, before, share)
    # Chance of so many or more, by another implementation (SciPy's binomial law).
    assert chances == pytest.approx(binom.sf(recent - 1, recent + before, share))
    assert is_rising(recent, chances).tolist() == [True, False, False, False]
