"""Occasions of repeated services against renewal functions that are known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import poisson

from domain.occasions import NO_LIMB, Course, Rules, occasions

_LEVELS = 40_000


def expected(counts: np.ndarray, interval: int) -> float:
    """Expected occasions of a service due at every so many counts, where each level ends at its count."""
    figures = np.stack([np.zeros(_LEVELS), counts + 0.5], axis=1)[None, None]
    course = Course(700_000, np.array([0.0, 1_000.0]), figures, np.array([np.inf]))
    rules = Rules(
        np.array([0]),
        np.array([[NO_LIMB], [float(interval)]]),
        np.array([[0.0], [float(interval)]]),
        np.zeros((2, 1)),
        np.array([False]),
        np.array([False]),
        np.array([0]),
        np.array([[-1]]),
    )
    return len(occasions(rules, course).rule) / _LEVELS


SHARES = (np.arange(_LEVELS) + 0.5) / _LEVELS


@pytest.mark.parametrize(
    ("t", "m"),
    # m(t) = t/2 - 1/4 + exp(-2t)/4 for intervals of two exponential stages of rate 1 (Erlang); the figures are also
    # the sum of gamma distribution functions, computed with SciPy 1.17.1.
    [(0.5, 0.0919698603), (1, 0.2838338208), (2, 0.7545789097), (5, 2.2500113500), (10, 4.7500000005)],
)
def test_intervals_of_two_stages(t: float, m: float) -> None:
    assert m == pytest.approx(t / 2 - 1 / 4 + math.exp(-2 * t) / 4, abs=1e-9)
    # Every second event of a Poisson process ends an interval.
    assert expected(poisson.ppf(SHARES, t), 2) == pytest.approx(m, abs=2e-4)


def test_uniform_intervals_up_to_their_longest() -> None:
    # m(t) = exp(t) - 1 for t <= 1: k uniform intervals end by 1 with a chance of 1/k!, exact arithmetic.
    counts = sum((1 - 1 / math.factorial(k) < SHARES).astype(float) for k in range(1, 12))
    assert expected(np.asarray(counts), 1) == pytest.approx(math.e - 1, abs=2e-4)


@pytest.mark.parametrize("rate", [0.3, 1.0, 7.5])
def test_a_poisson_process_has_its_rate(rate: float) -> None:
    # m(t) = rate t, exact.
    assert expected(poisson.ppf(SHARES, rate), 1) == pytest.approx(rate, abs=5e-4)
