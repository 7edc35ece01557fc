"""Purchases: equal to trying every one of them, on every small case; published covers; what may not be bought."""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain import purchase
from domain.errors import StockError
from domain.purchase import Need, Pack, cheapest_purchase

OIL = (Pack(1_000, 900), Pack(5_000, 3_800), Pack(20_000, 13_000), Pack(60_000, 36_000))


@pytest.mark.parametrize(
    ("litres", "counts", "cost"),
    [
        # Sizes 1, 5, 20 and 60 L at 9, 38, 130 and 360; by exhaustive search (own check values, computed).
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
def test_one_item_without_bounds_is_the_cheapest_cover(
    litres: int, counts: tuple[int, ...], cost: int
) -> None:
    found = cheapest_purchase([Need(litres * 1_000, None, OIL)])
    assert (found.items[0].counts, found.cost_minor) == (counts, cost * 100)


def test_what_is_left_over_counts_at_its_worth() -> None:
    # 13 L: exact cover costs 103; 20 L cost 130, and 7 L at 0.8 of 6.00 a litre are worth 33.60: 96.40.
    worth = cheapest_purchase([Need(13_000, None, OIL, kept_share=0.8)]).items[0]
    assert (worth.counts, worth.left_over, worth.kept_value_minor) == ((0, 0, 1, 0), 7_000, 3_360)
    # Where only 15 L have room, or can be used before they expire, it stays with the exact cover.
    assert cheapest_purchase([Need(13_000, 15_000, OIL, kept_share=0.8)]).items[0].counts == (3, 2, 0, 0)


def test_a_room_that_is_too_small_is_filled_and_what_is_missing_told() -> None:
    found = cheapest_purchase([Need(13_000, 11_500, (Pack(5_000, 3_800), Pack(2_000, 1_900)))]).items[0]
    assert (found.amount, found.missing, found.counts) == (11_000, 2_000, (1, 3))
    none = cheapest_purchase([Need(13_000, 900, OIL)]).items[0]
    assert (none.amount, none.missing, none.cost_minor) == (0, 13_000, 0)
    two = (Pack(999_999, 5), Pack(1_000_000, 6))
    apart = cheapest_purchase([Need(900_000_000, 899_999_999, two)]).items[0]
    assert apart.amount >= 900 * 999_999
    wide = cheapest_purchase([Need(1_000_000_000, 900_000_000, (Pack(999_999, 5),))]).items[0]
    assert (wide.counts, wide.missing) == ((900,), 1_000_000_000 - 900 * 999_999)


def test_a_least_amount_of_money_is_filled_up_with_what_keeps_its_worth() -> None:
    filters = Need(0, 40, (Pack(10, 4_000),), kept_share=0.9)
    found = cheapest_purchase([Need(13_000, 13_000, OIL), filters], least_minor=15_000)
    # 10,300 for the oil; two packs of filters keep nine tenths of their price.
    assert ([one.counts for one in found.items], found.cost_minor) == ([(3, 2, 0, 0), (2,)], 18_300)
    assert found.is_minimum_met
    too_much = cheapest_purchase([Need(13_000, 13_000, OIL), filters], least_minor=90_000)
    assert (too_much.is_minimum_met, too_much.cost_minor) == (False, 10_300)
    nothing = cheapest_purchase([filters], least_minor=15_000)
    assert (nothing.cost_minor, nothing.is_minimum_met) == (0, True)


def test_what_cannot_be_is_refused() -> None:
    wrong = [
        Need(-1, None, OIL),
        Need(1, -1, OIL),
        Need(1, None, ()),
        Need(1, None, (Pack(0, 5),)),
        Need(1, None, (Pack(5, -5),)),
        Need(1, None, OIL, kept_share=1.0),
    ]
    with pytest.raises(StockError) as refused:
        cheapest_purchase(wrong)
    assert [breach.pointer for breach in refused.value.breaches] == [
        "/needs/0/amount",
        "/needs/1/amount",
        "/needs/2/packs",
        "/needs/3/packs/0/size",
        "/needs/4/packs/0/price",
        "/needs/5/kept_share",
    ]


def test_a_purchase_that_takes_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    needs = [
        Need(
            997 + n,
            None,
            tuple(Pack(int(rng.integers(50, 150)), int(rng.integers(500, 1_500))) for _ in range(6)),
        )
        for n in range(8)
    ]
    monkeypatch.setattr(purchase, "_LONGEST_S", 1e-6)
    with pytest.raises(StockError) as refused:
        cheapest_purchase(needs, least_minor=120_000)
    assert refused.value.breaches[0].rule == "purchase_too_many_ways"


def test_what_is_tidied_in_vain_is_still_the_cheapest(monkeypatch: pytest.MonkeyPatch) -> None:
    solved = purchase._Programme.least

    def only_the_cost(programme: Any, cost: Any, held: Any) -> Any:
        if held:
            raise purchase._NotProvenError
        return solved(programme, cost, held)

    monkeypatch.setattr(purchase._Programme, "least", only_the_cost)
    assert cheapest_purchase([Need(58_000, None, OIL)]).cost_minor == 36_000


def test_an_answer_that_does_not_hold_in_whole_numbers_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    class Short:
        status = 0
        x = np.array([0.4, 0.0, 0.0, 0.0])

    monkeypatch.setattr("scipy.optimize.milp", lambda *_, **__: Short())
    with pytest.raises(StockError) as refused:
        cheapest_purchase([Need(58_000, None, OIL)])
    assert refused.value.breaches[0].rule == "purchase_too_many_ways"


PACKS = st.lists(
    st.builds(Pack, st.integers(1, 5), st.sampled_from([0, 5, 6, 7, 9, 12, 20])), min_size=1, max_size=2
)
NEEDS = st.lists(
    st.builds(
        Need,
        st.integers(0, 7),
        st.one_of(st.none(), st.integers(0, 12)),
        PACKS.map(tuple),
        st.sampled_from([0.0, 0.5, 0.9]),
    ),
    min_size=1,
    max_size=2,
)
Rank = tuple[float, int, int]


def best_by_trying(needs: list[Need], least_minor: int) -> Rank | None:
    """The rank of the best purchase, over all numbers of packs that could matter; needs that cannot be covered aside."""
    spans = [
        range(
            -(-need.amount // pack.size)
            + (-(-least_minor // pack.price_minor) if pack.price_minor else 0)
            + 1
        )
        for need in needs
        for pack in need.packs
    ]
    best: Rank | None = None
    for counts in product(*spans):
        left, cost, size, pieces, is_covered = list(counts), 0.0, 0, sum(counts), True
        paid = 0
        for need in needs:
            own, left = left[: len(need.packs)], left[len(need.packs) :]
            amount = sum(n * pack.size for n, pack in zip(own, need.packs, strict=True))
            price = sum(n * pack.price_minor for n, pack in zip(own, need.packs, strict=True))
            paid += price
            cost += price - need.kept_share * need.lowest_unit_price * amount
            size += amount
            is_covered &= need.amount <= amount and (need.most is None or amount <= need.most)
        rank = (round(cost, 6), size, pieces)
        if is_covered and paid >= least_minor and (best is None or rank < best):
            best = rank
    return best


@settings(max_examples=80)
@given(NEEDS, st.sampled_from([0, 12]))
def test_a_purchase_is_the_best_of_all(needs: list[Need], least_minor: int) -> None:
    found = cheapest_purchase(needs, least_minor=least_minor)
    for need, one in zip(needs, found.items, strict=True):
        assert need.most is None or one.amount <= need.most
        assert one.amount - one.left_over == need.amount - one.missing
    if not any(need.amount for need in needs):
        assert found.cost_minor == 0
        return
    best = best_by_trying(needs, least_minor)
    if any(one.missing for one in found.items) or not found.is_minimum_met:
        assert best is None
        return
    assert best is not None
    cost = sum(
        one.cost_minor - need.kept_share * need.lowest_unit_price * one.amount
        for need, one in zip(needs, found.items, strict=True)
    )
    pieces = sum(sum(one.counts) for one in found.items)
    assert cost == pytest.approx(best[0], abs=1e-3)
    assert (sum(one.amount for one in found.items), pieces) == best[1:]
