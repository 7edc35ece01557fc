"""The cheapest containers: published cases, cases by hand, brute force, and what is refused."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.containers import MAX_NEED_ML, MAX_SIZES, Container, Tries, cheapest_containers
from domain.errors import ExchangeError

SHELF = (Container(1000, 9), Container(5000, 38), Container(20_000, 130), Container(60_000, 360))
US = (Container(946, 899), Container(3785, 2999), Container(18_927, 11_999), Container(208_198, 89_900))


@pytest.mark.parametrize(
    ("need_l", "counts", "cost"),
    [
        # By exhaustive search apart from this project
        (3, (3, 0, 0, 0), 27),
        (4, (4, 0, 0, 0), 36),
        (7, (2, 1, 0, 0), 56),
        (13, (3, 2, 0, 0), 103),
        (18, (0, 0, 1, 0), 130),
        (27, (2, 1, 1, 0), 186),
        (47, (2, 1, 2, 0), 316),
        (58, (0, 0, 0, 1), 360),
        (73, (3, 2, 0, 1), 463),
    ],
)
def test_cheapest_sets(need_l: int, counts: tuple[int, ...], cost: int) -> None:
    """Buying more can be cheaper than an exact cover: 18 L come in one container of 20 L."""
    found = cheapest_containers(need_l * 1000, SHELF)
    assert (found.counts, found.cost_minor) == (counts, cost)
    assert found.left_over_ml == found.bought_ml - need_l * 1000 >= 0


def test_nothing_needed_is_nothing_bought() -> None:
    """A need of 0 takes no container."""
    assert cheapest_containers(0, SHELF).counts == (0, 0, 0, 0)


def test_of_equal_cost_the_least_left_over_then_the_fewest() -> None:
    """3 L are three of 1 L and not one of 4 L for the same money; larger containers are fewer pieces."""
    assert cheapest_containers(3000, (Container(1000, 10), Container(4000, 30))).counts == (3, 0)
    assert cheapest_containers(4000, (Container(1000, 10), Container(2000, 20))).counts == (0, 2)
    assert cheapest_containers(5000, (Container(2000, 20), Container(3000, 30))).counts == (1, 1)


def test_a_fleet_of_odd_sizes_is_bought_at_once() -> None:
    """Ten cubic metres in US quarts, gallons, pails and drums: 48 drums but for a little."""
    found = cheapest_containers(10_000_000, US)
    assert found.counts[3] in {47, 48, 49}
    assert 0 <= found.left_over_ml < 208_198


@given(
    st.integers(0, 30),
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 30)), min_size=1, max_size=3),
)
def test_brute_force(need_ml: int, offered: list[tuple[int, int]]) -> None:
    """No set that holds the need ranks before the one found."""
    containers = [Container(*one) for one in offered]
    ranks = []
    for counts in (
        itertools.product(range(need_ml + 1), repeat=len(containers)) if len(containers) < 3 else ()
    ):
        held = sum(n * c.size_ml for n, c in zip(counts, containers, strict=True))
        if held >= need_ml:
            cost = sum(n * c.price_minor for n, c in zip(counts, containers, strict=True))
            ranks.append((cost, held, sum(counts)))
    found = cheapest_containers(need_ml, containers)
    assert found.bought_ml >= need_ml
    if ranks:
        assert (found.cost_minor, found.bought_ml, sum(found.counts)) == min(ranks)


def test_too_many_nearly_equal_ways_are_refused() -> None:
    """Twelve sizes at one price a millilitre leave too many sets to try."""
    containers = [
        Container(size, size) for size in (101, 103, 107, 109, 113, 127, 131, 137, 139, 149, 151, 157)
    ]
    with pytest.raises(ExchangeError) as raised:
        cheapest_containers(100_000, containers)
    assert [b.rule for b in raised.value.breaches] == ["containers_too_many_ways"]


def test_searches_that_belong_together_share_their_tries() -> None:
    """The second one is refused where the first has used up what both may try."""
    tries = Tries()
    cheapest_containers(25_000, US, tries=tries)
    tries.left = min(tries.left, 3)
    with pytest.raises(ExchangeError) as raised:
        cheapest_containers(25_000, US, tries=tries)
    assert [b.rule for b in raised.value.breaches] == ["containers_too_many_ways"]


def test_bad_figures_are_named_together() -> None:
    """Need, number, size and price."""
    with pytest.raises(ExchangeError) as raised:
        cheapest_containers(MAX_NEED_ML + 1, [Container(0, -1)] * (MAX_SIZES + 1))
    assert [b.rule for b in raised.value.breaches][:4] == [
        "volume_out_of_range",
        "containers_out_of_range",
        "volume_out_of_range",
        "price_out_of_range",
    ]
    with pytest.raises(ExchangeError) as raised:
        cheapest_containers(1, [])
    assert [b.rule for b in raised.value.breaches] == ["containers_out_of_range"]
