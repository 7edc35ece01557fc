"""The law of use: published first passages, its invariants, and a simulation of its closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from domain.use_law import LONGEST_DAYS, NODES_DAYS, UseLaw, law_of

NODES = np.array(NODES_DAYS)


def process(a: float, b: float) -> UseLaw:
    """Stationary independent gamma increments: shape ``a`` a day, scale ``b``."""
    return law_of(a * b * NODES[None, :], a * b * b * NODES[None, :])


# P(T <= t) = Gamma(at, h/b) / Gamma(at), the form of van Noortwijk, Reliability Engineering & System Safety 94
# (2009) 2-21; figures computed with SciPy 1.17.1, the first row also by hand: a Poisson distribution function.
FIRST_PASSAGES = [
    (1, 1, 5, {1: 0.006737946999, 3: 0.124652019483, 5: 0.440493285065, 8: 0.866628325930}),
    (
        2,
        50,
        5000,
        {40: 0.017451322516, 45: 0.146346174699, 50: 0.486701201721, 55: 0.829440102092, 60: 0.971769606035},
    ),
    (
        0.5,
        200,
        10_000,
        {
            80: 0.064570368921,
            90: 0.221040232625,
            100: 0.481191684528,
            110: 0.742306048509,
            120: 0.907734948041,
        },
    ),
    (
        4,
        12.5,
        10_000,
        {
            180: 0.001926456096,
            190: 0.075175795714,
            200: 0.495298387578,
            210: 0.917905425361,
            220: 0.997212842178,
        },
    ),
    (4, 20, 3000, {30: 0.005104711603, 37: 0.424247987400, 45: 0.990582052784}),
]


@pytest.mark.parametrize(("a", "b", "h", "passed"), FIRST_PASSAGES)
def test_chance_of_first_passage(a: float, b: float, h: float, passed: dict[int, float]) -> None:
    law = process(a, b)
    found = law.chance_past(h, list(passed))[0]
    assert found == pytest.approx(list(passed.values()), abs=1e-10)


# Quantiles 5, 10, 50, 90 and 95 % of the passing day, computed with SciPy 1.17.1 by inverting the same form.
@pytest.mark.parametrize(
    ("a", "b", "h", "days"),
    [
        (1, 1, 5, (2.159279, 2.769320, 5.329370, 8.445117, 9.419820)),
        (2, 50, 5000, (42.173390, 43.899031, 50.166568, 56.708074, 58.611173)),
        (0.5, 200, 10_000, (78.338412, 83.108692, 100.665876, 119.319888, 124.801056)),
        (4, 12.5, 10_000, (188.566153, 191.090402, 200.083327, 209.213132, 211.825995)),
    ],
)
def test_days_of_passing(a: float, b: float, h: float, days: tuple[float, ...]) -> None:
    assert process(a, b).day_of_passing(h, [0.05, 0.1, 0.5, 0.9, 0.95])[0] == pytest.approx(days, abs=2e-6)


def test_an_integer_shape_is_a_poisson_count() -> None:
    """Of 5 shocks a mean of 5 in 5 days: at most 4 with the chance that 5 units take longer than 5 days."""
    by_hand = sum(math.exp(-5) * 5**k / math.factorial(k) for k in range(5))
    assert process(1, 1).chance_past(5, 5)[0, 0] == pytest.approx(by_hand, rel=1e-12)


def test_a_simulation_finds_the_same() -> None:
    """Use at a level that differs from vehicle to vehicle is no gamma variable; matched by two moments it is near."""
    chance = np.random.default_rng(7)
    level = chance.gamma(16.0, 80.0 / 16.0, 200_000)
    days = np.array([30.0, 91.0, 365.0])
    # noise of a day's use: shape 0.8 a day at this level
    use = chance.gamma(0.8 * days[:, None], level[None, :] / 0.8)
    mean, variance = 80.0 * NODES, 20.0**2 * NODES**2 + (80.0**2 + 20.0**2) / 0.8 * NODES
    law = law_of(mean[None, :], variance[None, :])
    for place, ahead in enumerate(days):
        assert law.mean(ahead)[0, 0] == pytest.approx(use[place].mean(), rel=0.01)
        for share in (0.05, 0.5, 0.95):
            simulated = np.quantile(use[place], share)
            assert law.quantile(share, ahead)[0, 0] == pytest.approx(simulated, rel=0.04)
        figure = np.quantile(use[place], 0.7)
        assert law.chance_past(figure, ahead)[0, 0] == pytest.approx(0.3, abs=0.01)


def test_first_passage_of_simulated_paths() -> None:
    """20,000 paths in quarter days of the process 2 and 50 a day; their standard error is 0.0035."""
    chance = np.random.default_rng(3)
    paths = np.cumsum(chance.gamma(0.5, 50.0, (20_000, 240)), axis=1)
    law = process(2, 50)
    for days in (45, 50, 55):
        has_passed = (paths[:, : 4 * days] >= 5_000).any(axis=1)
        assert law.chance_past(5_000, days)[0, 0] == pytest.approx(has_passed.mean(), abs=0.012)


LAWS = st.tuples(
    st.lists(st.floats(0.0, 1e5), min_size=11, max_size=11),
    st.lists(st.floats(0.0, 1e12), min_size=11, max_size=11),
)


@settings(max_examples=60, deadline=None)
@given(LAWS, st.floats(1.0, 1e7), st.floats(0.02, 0.98))
def test_whatever_the_moments_chances_rise_and_agree(
    moments: tuple[list[float], list[float]], remaining: float, share: float
) -> None:
    """Never falling with time, never rising with the figure; the passing day has its chance, and its quantile."""
    law = law_of(np.array([moments[0]]), np.array([moments[1]]))
    days = np.array([0.0, 0.3, 1, 2, 10, 45, 91, 200, 365, 700, 1096, 2000, 50_000])
    chances = law.chance_past(remaining, days)[0]
    assert (np.diff(chances) >= -1e-9).all()
    assert (law.chance_past(remaining * 2, days)[0] <= chances + 1e-9).all()
    quantiles = law.path([0.05, share, 0.999], days)[0]
    assert (np.diff(quantiles, axis=1) >= -1e-6 * (1 + np.abs(quantiles[:, 1:]))).all()
    assert (np.diff(law.path([0.05, 0.5, 0.95], days)[0], axis=0) >= -1e-9).all()
    day = law.day_of_passing(remaining, share)[0, 0]
    if np.isfinite(day) and day > 0.01:
        assert law.chance_past(remaining, day * (1 + 1e-6) + 1e-6)[0, 0] >= share - 1e-6
        assert law.chance_past(remaining, day * (1 - 1e-6) - 1e-6)[0, 0] <= share + 1e-6


def test_the_chance_at_the_median_day_is_one_half() -> None:
    law = law_of(80.0 * NODES[None, :], 30.0 * NODES[None, :] ** 1.8)
    remaining = np.array([[500.0], [5_000.0], [40_000.0], [150_000.0]])
    laws = law.take([0, 0, 0, 0])
    day = laws.day_of_passing(remaining, 0.5)
    assert laws.chance_past(remaining, day)[:, 0] == pytest.approx([0.5] * 4, abs=1e-7)
    assert laws.quantile(0.5, day)[:, 0] == pytest.approx(remaining[:, 0], rel=1e-6)


def test_moments_are_kept_where_the_invariants_allow() -> None:
    """Independent days and a level that is not known well: neither needs any widening."""
    mean = np.outer([80.0, 200.0], NODES)
    variance = np.outer([1_600.0, 4e4], NODES) + np.outer([0.0, 900.0], NODES**2)
    law = law_of(mean, variance)
    assert law.mean(NODES) == pytest.approx(mean, rel=1e-9)
    assert law.deviation(NODES) ** 2 == pytest.approx(variance, rel=1e-9)


def test_spread_that_shrinks_or_explodes_widens_earlier_horizons_only() -> None:
    mean = 80.0 * NODES[None, :]
    wild = np.where(NODES[None, :] > 100, 50.0 * NODES**2 * 25, 1_600.0 * NODES)
    law = law_of(mean, wild)
    assert (law.deviation(NODES) ** 2 >= wild * (1 - 1e-9)).all()
    assert law.mean(NODES) == pytest.approx(mean, rel=1e-9)


def test_a_meter_that_stands_and_one_that_moves_for_certain() -> None:
    stands = law_of(np.zeros((1, len(NODES))), np.zeros((1, len(NODES))))
    assert stands.chance_past([0.0, 1.0], 365.0).tolist() == [[1.0, 0.0]]
    assert stands.quantile([0.05, 0.95], 365.0).tolist() == [[0.0, 0.0]]
    assert stands.day_of_passing([-5.0, 0.0, 1.0]).tolist() == [[0.0, 0.0, np.inf]]
    certain = law_of(80.0 * NODES[None, :], np.zeros((1, len(NODES))))
    assert certain.day_of_passing(8_000.0, [0.05, 0.95])[0] == pytest.approx([100.0, 100.0], rel=1e-3)


def test_a_parked_vehicle_may_stay_or_go_on() -> None:
    """Expected 1 km a day, but as likely nothing for long: half the mass near zero, and a long tail."""
    law = law_of(1.0 * NODES[None, :], 25.0 * NODES[None, :] ** 2)
    low, middle, high = law.path([0.05, 0.5, 0.95], 91.0)[0][:, 0]
    assert low < 1e-6
    assert middle < 1.0
    assert 91.0 < high < 91.0 * 10
    assert law.chance_past(10_000.0, LONGEST_DAYS)[0, 0] < 1.0


def test_columns_equal_each_meter_by_itself() -> None:
    chance = np.random.default_rng(1)
    mean = np.cumsum(chance.gamma(1.0, 500.0, (40, len(NODES))), axis=1)
    law = law_of(mean, mean**2 * chance.uniform(0.01, 2.0, (40, 1)))
    remaining = chance.uniform(0, 20_000, (40, 1))
    together = law.chance_past(remaining, [30.0, 400.0])
    days = law.day_of_passing(remaining, [0.05, 0.5])
    for row in range(40):
        alone = law.take([row])
        assert alone.chance_past(remaining[row], [30.0, 400.0])[0] == pytest.approx(together[row], rel=1e-12)
        assert alone.day_of_passing(remaining[row], [0.05, 0.5])[0] == pytest.approx(days[row], rel=1e-12)


def test_quantiles_are_scipy_s() -> None:
    """The matched gamma variable is that of ``scipy.stats``, whatever the horizon."""
    law = law_of(70.0 * NODES[None, :], 900.0 * NODES[None, :] + 100.0 * NODES[None, :] ** 2)
    for days in (0.5, 20.0, 100.0, 500.0):
        shape, scale = law.gamma(days)
        expected = stats.gamma.ppf([0.05, 0.5, 0.95], shape[0, 0], scale=scale[0, 0])
        assert law.path([0.05, 0.5, 0.95], days)[0][:, 0] == pytest.approx(expected, rel=1e-9)
