"""Order levels against textbooks, and a year of weekly orders replayed."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from scipy import stats

from domain.errors import StockError
from domain.order_levels import (
    NOTHING,
    StepLaw,
    chance_of_lasting,
    critical_ratio,
    economic_quantity,
    expected_short,
    law_mean,
    law_variance,
    lead_nodes,
    level_for,
    levels,
    mixed,
    needed_days,
    over_lead_time,
    together,
    weighted_days,
)
from domain.purchase import Need, Pack, cheapest_purchase


def normal(mean: float, sd: float, step: float) -> StepLaw:
    """A normal demand on a lattice, each step for half a step around it."""
    edges = np.arange(0.0, mean + 9 * sd, step) + step / 2
    return StepLaw(step, np.diff(stats.norm.cdf(edges, mean, sd), prepend=0.0))


def poisson(mean: float) -> StepLaw:
    """A Poisson demand in pieces."""
    return StepLaw(1.0, stats.poisson.pmf(np.arange(80), mean))


def test_the_safety_stock_of_a_textbook() -> None:
    # W. J. Stevenson, Operations Management, 14th ed., ch. 12, example 8, p. 528: demand over the lead time 50 t with
    # sd 5 t, risk 3 %: safety stock 9.40 t, reorder point 59.40 t. Here in kilograms; exact 9,403.97.
    found = levels(law := normal(50_000, 5_000, 5.0), law, 0.97)
    assert found.safety == pytest.approx(9_403.97, abs=6)
    assert found.reorder_point == found.order_up_to == pytest.approx(59_403.97, abs=6)
    # Same book, sauce by the jar: 50 a week with sd 3, lead time 2 weeks, risk 10 %: 105.43 (exact 105.4372).
    two_weeks = together([normal(50, 3, 0.02), normal(50, 3, 0.02)])
    assert level_for(StepLaw(20.0, two_weeks.probabilities), 0.9) / 1_000 == pytest.approx(105.4372, abs=0.03)


def test_a_lead_time_that_varies_adds_its_part() -> None:
    # sd over the lead time = sqrt(L sd_d^2 + d^2 sd_L^2) (formula as in public course notes on safety stock): d = 10 a
    # day, sd_d = 2.5, L = 4, sd_L = 1.2 give exactly 13.
    nodes = lead_nodes(4.0, 1.2)
    mean = sum(n.weight * 10 * n.days for n in nodes)
    variance = sum(n.weight * (2.5**2 * n.days + (10 * n.days) ** 2) for n in nodes) - mean**2
    assert [mean, math.sqrt(variance)] == pytest.approx([40.0, 13.0])
    third = sum(n.weight * (n.days - 4.0) ** 3 for n in nodes)
    # A gamma law's third central moment is 2 sd^4 / mean.
    assert third == pytest.approx(2 * 1.2**4 / 4.0)
    narrow = lead_nodes(14.0, 0.2)
    assert sum(n.weight * n.days for n in narrow) == pytest.approx(14.0)
    assert sum(n.weight * (n.days - 14.0) ** 2 for n in narrow) == pytest.approx(0.04)
    assert [n.days for n in lead_nodes(5.0, 0.0)] == [5.0]
    assert [n.days for n in lead_nodes(0.0, 0.0)] == [0.0]


def test_days_are_split_over_whole_ones_and_keep_their_mean() -> None:
    days = weighted_days(lead_nodes(4.0, 1.2), 7.0)
    assert sum(days.values()) == pytest.approx(1.0)
    assert sum(day * weight for day, weight in days.items()) == pytest.approx(11.0)
    assert weighted_days(lead_nodes(0.0, 0.0), 0.0) == {1: 1.0}
    assert needed_days(lead_nodes(5.0, 0.0), [7.0, 14.0]) == [12, 19]
    law = over_lead_time(lambda day: poisson(day / 7), lead_nodes(7.0, 3.0), 7.0)
    assert law_mean(law) == pytest.approx(2.0, rel=1e-6)
    assert law_variance(law) > 2.0


def test_the_loss_function_of_a_textbook() -> None:
    # G. Cachon and C. Terwiesch, Matching Supply with Demand, statistics appendix: Poisson with mean 1.25.
    law = poisson(1.25)
    table = {0: (0.286505, 1.25), 1: (0.644636, 0.53650), 2: (0.868468, 0.18114), 3: (0.961731, 0.04961)}
    for quantity, (reached, loss) in table.items():
        assert chance_of_lasting(law, quantity) == pytest.approx(reached, abs=5e-6)
        assert expected_short(law, quantity) == pytest.approx(loss, abs=5e-6)
    # Same appendix: normal with mean 1000 and sd 300, 1600 at hand: 2.55 short (exact 2.547211).
    assert expected_short(normal(1_000, 300, 0.5), 1_600) == pytest.approx(2.547211, abs=0.01)


def test_the_newsvendor_of_a_textbook() -> None:
    # Problem as in public course material: normal with mean 1000 and sd 200, 30 lost a piece short, 20 a piece over:
    # ratio 0.6, quantity 1050.669, 57.0007 lost sales.
    assert critical_ratio(30, 20) == pytest.approx(0.6)
    law = normal(1_000, 200, 0.25)
    assert level_for(law, critical_ratio(30, 20)) == 1_051
    assert expected_short(law, 1_050.669) == pytest.approx(57.0007, abs=0.01)


def test_the_economic_quantity_of_a_textbook() -> None:
    # S. Nahmias, Production and Operations Analysis, example 4.1, data as in public course material: 3120 a year, 12 an
    # order, 25 % of 0.02 to hold one: 3870 from memory, by arithmetic 3869.8837.
    assert economic_quantity(3_120, 12, 0.25 * 0.02) == pytest.approx(3_869.8837, abs=1e-4)
    # By arithmetic: sqrt(2 x 1000 x 10 / 0.5) = 200.
    assert economic_quantity(1_000, 10, 0.5) == 200


def test_a_level_is_the_least_that_lasts() -> None:
    lumpy = StepLaw(5_700.0, np.array([0.5, 0.3, 0.15, 0.05]))
    assert [level_for(lumpy, share) for share in (0.5, 0.51, 0.8, 0.94, 0.99)] == [
        0,
        5_700,
        5_700,
        11_400,
        17_100,
    ]
    assert level_for(NOTHING, 0.99) == 0
    for share in (0.0, 1.0, -0.1, 1.5, math.nan):
        with pytest.raises(StockError) as refused:
            level_for(lumpy, share)
        assert refused.value.breaches[0].rule == "service_level_out_of_range"


def test_laws_on_other_steps_are_rounded_up() -> None:
    found = together([StepLaw(2.0, np.array([0.0, 1.0])), StepLaw(3.0, np.array([0.5, 0.5]))])
    # 2 becomes 3 on the coarser step.
    assert (found.step, list(found.probabilities)) == (3.0, [0.0, 0.5, 0.5])
    assert together([]) is NOTHING
    both = mixed([NOTHING, StepLaw(4.0, np.array([0.0, 1.0]))], [0.25, 0.75])
    assert (both.step, list(both.probabilities)) == (4.0, [0.25, 0.75])


# A workshop's oil: on average 2.2 services a week of 5.7 L, lead time about two weeks, looked at every week.
WEEKLY, DRAWN = 2.2, 5_700
SERVICE = 0.95


def oil_over(days: int) -> StepLaw:
    """The law of oil drawn in so many days."""
    return StepLaw(float(DRAWN), stats.poisson.pmf(np.arange(120), WEEKLY * days / 7))


def weeks_without_shortage(*, pack_ml: int, years: int, seed: int) -> tuple[float, int]:
    """The share of weeks without a shortage on any day, over simulated years, and the level kept up.

    Every seventh day the depot orders what is missing to the level, in whole packs; it arrives in the morning after a
    lead time of its own.
    """
    rng = np.random.default_rng(seed)
    level = levels(over_lead_time(oil_over, lead_nodes(14.0, 4.0), 7.0), NOTHING, SERVICE).order_up_to
    warm, days, beyond = 70, 70 + 364, 90
    stock = np.full(years, level, dtype=np.int64)
    arriving = np.zeros((years, days + beyond), dtype=np.int64)
    waiting = np.zeros(years, dtype=np.int64)
    drawn = rng.poisson(WEEKLY / 7, (days, years)) * DRAWN
    is_good, good = np.ones(years, dtype=np.bool_), 0
    for day in range(days):
        stock += arriving[:, day]
        waiting -= arriving[:, day]
        arriving[:, day] = 0
        if day % 7 == 0:
            good += int(is_good.sum()) if day > warm else 0
            is_good[:] = True
            bought = -(-np.maximum(level - stock - waiting, 0) // pack_ml) * pack_ml
            lead = rng.gamma((14.0 / 4.0) ** 2, 4.0**2 / 14.0, years)
            # Arrivals on whole days whose mean is the lead time's own.
            whole = np.floor(lead + rng.random(years)).astype(np.int64)
            arriving[np.arange(years), np.minimum(day + whole, days + beyond - 1)] += bought
            # What came on the day of its order is there at once.
            stock += arriving[:, day]
            waiting += bought - arriving[:, day]
        stock -= drawn[day]
        is_good &= stock >= 0
    return good / (years * ((days - warm) // 7 - 1)), level


def test_weeks_without_a_shortage_are_as_many_as_asked_for() -> None:
    share, level = weeks_without_shortage(pack_ml=1, years=1_500, seed=5)
    exact = chance_of_lasting(over_lead_time(oil_over, lead_nodes(14.0, 4.0), 7.0), level)
    assert share >= SERVICE
    # What is beyond the chance asked for comes from the step: one service more or less.
    assert share == pytest.approx(exact, abs=0.005)
    assert chance_of_lasting(over_lead_time(oil_over, lead_nodes(14.0, 4.0), 7.0), level - DRAWN) < SERVICE
    coarse, same = weeks_without_shortage(pack_ml=60_000, years=300, seed=5)
    assert same == level
    # Drums leave more at hand than was asked for, and so more weeks without a shortage.
    assert coarse > share


def test_a_year_of_orders_bought_in_containers() -> None:
    """The same depot for some years, each order bought by the integer programme in what the trade sells."""
    packs = (Pack(1_000, 900), Pack(5_000, 3_800), Pack(20_000, 13_000))

    @lru_cache
    def bought_ml(need: int) -> int:
        found = cheapest_purchase([Need(need, None, packs, kept_share=0.5)]).items[0]
        assert found.missing == 0
        return found.amount

    rng = np.random.default_rng(11)
    level = levels(over_lead_time(oil_over, lead_nodes(14.0, 0.0), 7.0), NOTHING, SERVICE).order_up_to
    stock, coming, good, weeks = level, [0, 0], 0, 208
    for _ in range(weeks):
        stock += coming.pop(0)
        need = max(level - stock - sum(coming), 0)
        coming.append(bought_ml(need))
        assert coming[-1] >= need
        stock -= int(rng.poisson(WEEKLY)) * DRAWN
        good += stock >= 0
    assert good / weeks >= SERVICE - 3 * math.sqrt(SERVICE * (1 - SERVICE) / weeks)
