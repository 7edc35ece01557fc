"""Plans with two fluids: cases that can be worked by hand, the cheapest plan, columns equal to scalars."""

from __future__ import annotations

import math

import numpy as np
import pytest

from domain.errors import ExchangeError
from domain.exchange import DRAINED_RANGE_ASSUMED, MAX_PASSES, UNRUN_PASS, DrainedRange
from domain.plans import (
    FIRST_FLUID_STAYS,
    MAX_PASS_MINOR,
    Prices,
    cheapest_plan,
    compare_with_machine,
    plan,
    plan_columns,
    plan_range,
)

PRICES = Prices(first_minor_per_l=900, last_minor_per_l=1500, pass_minor=2500)


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


def test_two_halves_by_hand() -> None:
    """Two halves by hand."""
    # Old 1 -> 1/2 -> 1/4; first 1/2 -> 1/4; last 1/2.
    result = plan(capacity_ml=8000, drained_ml=[4000, 4000], prices=PRICES)
    assert (result.old_share, result.first_share, result.last_share) == (0.25, 0.25, 0.5)
    assert (result.old_ml, result.first_ml, result.last_ml) == (2000, 2000, 4000)
    assert (result.first_poured_ml, result.last_poured_ml, result.poured_ml) == (4000, 4000, 8000)
    # 4 L at 9.00, 4 L at 15.00, two passes at 25.00
    assert (result.first_cost_minor, result.last_cost_minor, result.pass_cost_minor) == (3600, 6000, 5000)
    assert result.cost_minor == 14_600
    assert result.fresh_share == 0.75
    assert FIRST_FLUID_STAYS in result.notices
    assert [(p.number, p.is_last_fluid, p.old_share, p.first_share, p.last_share) for p in result.passes] == [
        (1, False, 0.5, 0.5, 0.0),
        (2, True, 0.25, 0.25, 0.5),
    ]


def test_one_pass_uses_the_last_fluid_only() -> None:
    """One pass uses the last fluid only."""
    result = plan(capacity_ml=10_000, drained_ml=[4000])
    assert (result.first_share, result.last_share) == pytest.approx((0.0, 0.4), abs=1e-15)
    assert result.first_purchase is None
    assert result.cost_minor is None
    assert FIRST_FLUID_STAYS not in result.notices
    assert [s.name for s in result.working] == ["old_share", "last_share", "buy_at_least", "buy_at_most"]


def test_purchase_of_both_fluids_carries_the_margin() -> None:
    """Purchase of both fluids carries the margin."""
    result = plan(capacity_ml=10_000, drained_ml=[4000, 4000, 4000], prices=PRICES, margin_share=0.1)
    assert result.first_purchase is not None
    assert (result.first_purchase.low_ml, result.first_purchase.high_ml) == (8800, 22_000)
    assert (result.last_purchase.low_ml, result.last_purchase.high_ml) == (4400, 11_000)
    assert result.working[-1].name == "cost"
    assert result.working[-1].result == result.cost_minor


def test_a_last_pass_without_running_replaces_the_first_fluid_in_the_pan_only() -> None:
    """A last pass without running replaces the first fluid in the pan only."""
    result = plan(capacity_ml=10_000, drained_ml=[4000, 4000], is_run_between=False)
    assert (result.old_share, result.first_share, result.last_share) == pytest.approx(
        (0.6, 0.0, 0.4), abs=1e-15
    )
    assert UNRUN_PASS in result.notices


def test_several_last_passes_by_hand() -> None:
    """Several last passes by hand."""
    # f = 1/2, one first and two last passes: old 1/8, first 1/4 - 1/8, last 3/4.
    result = plan(capacity_ml=8000, drained_ml=[4000] * 3, last_passes=2)
    assert (result.old_share, result.first_share, result.last_share) == (0.125, 0.125, 0.75)


def test_a_plan_over_a_range_by_hand() -> None:
    """Two passes, one last, from 0.4 to 0.6: old 0.16 to 0.36, last 0.4 to 0.6, first at most 1/4 at 0.5."""
    drained = DrainedRange(0.4, 0.6, "measured", (DRAINED_RANGE_ASSUMED,))
    result = plan_range(capacity_ml=10_000, drained=drained, passes=2, prices=PRICES)
    assert (result.old_low_share, result.old_high_share) == pytest.approx((0.16, 0.36), abs=1e-12)
    assert (result.first_low_share, result.first_high_share) == pytest.approx((0.24, 0.25), abs=1e-12)
    assert (result.last_low_share, result.last_high_share) == pytest.approx((0.4, 0.6), abs=1e-12)
    assert (result.least.cost_minor, result.most.cost_minor) == (14_600, 19_400)
    assert DRAINED_RANGE_ASSUMED in result.notices


def test_a_range_without_a_first_fluid_has_none() -> None:
    """All passes use the last fluid."""
    drained = DrainedRange(0.4, 0.6, "measured")
    result = plan_range(capacity_ml=10_000, drained=drained, passes=2, last_passes=2)
    assert (result.first_low_share, result.first_high_share) == pytest.approx((0, 0), abs=1e-15)


def test_a_bad_range_is_named() -> None:
    """Capacity, range and passes are judged together."""
    with pytest.raises(ExchangeError) as raised:
        plan_range(capacity_ml=0, drained=DrainedRange(0.6, 0.4, "measured"), passes=0)
    assert rules(raised) == [
        ("/capacity", "capacity_not_positive"),
        ("/drained_share", "range_reversed"),
        ("/passes", "passes_out_of_range"),
    ]


def test_the_cheapest_plan_by_hand() -> None:
    """The cheapest plan by hand."""
    # f = 0.4: 0.8 fresh takes 4 passes (1 - 0.6^4 = 0.8704), 0.6 of the last 2 (0.64); the first is cheaper.
    result = cheapest_plan(capacity_ml=10_000, drained_ml=4000, fresh_share=0.8, last_share=0.6, cost=PRICES)
    assert [p.is_last_fluid for p in result.passes] == [False, False, True, True]
    assert result.cost_minor == 2 * 3600 + 2 * 6000 + 4 * 2500


def test_equal_prices_need_no_second_fluid() -> None:
    """Equal prices need no second fluid."""
    prices = Prices(1000, 1000)
    result = cheapest_plan(capacity_ml=10_000, drained_ml=4000, fresh_share=0.8, cost=prices)
    assert [p.is_last_fluid for p in result.passes] == [True] * 4


def test_more_of_the_last_than_of_fresh_fluid_wanted() -> None:
    """More of the last than of fresh fluid wanted."""
    result = cheapest_plan(capacity_ml=10_000, drained_ml=4000, fresh_share=0.3, last_share=0.6, cost=PRICES)
    assert [p.is_last_fluid for p in result.passes] == [True, True]


def test_the_cost_may_be_one_of_whole_containers() -> None:
    """The cost may be one of whole containers."""

    # The first fluid comes in 20 L pails at 50.00, the last one in single litres at 15.00.
    def cost(first_ml: int, last_ml: int, _passes: int) -> int:
        return -(-first_ml // 20_000) * 5000 + -(-last_ml // 1000) * 1500

    result = cheapest_plan(capacity_ml=10_000, drained_ml=1000, fresh_share=0.25, last_share=0.05, cost=cost)
    assert [p.is_last_fluid for p in result.passes] == [True] * 3
    assert result.cost_minor is None


@pytest.mark.parametrize(
    ("fresh", "last", "pointer"), [(0.99, 0.1, "/fresh_share"), (0.1, 0.99, "/last_share")]
)
def test_shares_beyond_the_passes_allowed_are_refused(fresh: float, last: float, pointer: str) -> None:
    """Shares beyond the passes allowed are refused."""
    with pytest.raises(ExchangeError) as raised:
        cheapest_plan(
            capacity_ml=10_000, drained_ml=4000, fresh_share=fresh, last_share=last, cost=PRICES, max_passes=3
        )
    assert rules(raised) == [(pointer, "target_not_reached")]


def test_shares_that_no_plan_reaches_are_refused() -> None:
    """Shares that no plan reaches are refused."""
    with pytest.raises(ExchangeError) as raised:
        cheapest_plan(capacity_ml=1_000_000, drained_ml=1, fresh_share=0.5, cost=PRICES)
    assert rules(raised) == [("/fresh_share", "target_not_reached")]


def test_bad_figures_of_the_cheapest_plan_are_named_together() -> None:
    """Bad figures of the cheapest plan are named together."""
    with pytest.raises(ExchangeError) as raised:
        cheapest_plan(
            capacity_ml=5000,
            drained_ml=6000,
            fresh_share=1.0,
            last_share=0.0,
            cost=Prices(-1, math.inf, MAX_PASS_MINOR + 1),
            max_passes=10_000,
            margin_share=2,
        )
    assert rules(raised) == [
        ("/drained_volumes/0", "drained_volume_above_capacity"),
        ("/fresh_share", "target_share_out_of_range"),
        ("/last_share", "target_share_out_of_range"),
        ("/max_passes", "passes_out_of_range"),
        ("/margin_share", "margin_out_of_range"),
        ("/prices/first", "price_out_of_range"),
        ("/prices/last", "price_out_of_range"),
        ("/prices/pass", "price_out_of_range"),
    ]


@pytest.mark.parametrize(
    ("drained_ml", "last_passes", "run", "broken"),
    [
        ([1000], 2, True, [("/last_passes", "last_passes_out_of_range")]),
        ([1000], 0, True, [("/last_passes", "last_passes_out_of_range")]),
        ([], 1, True, [("/passes", "passes_out_of_range")]),
        ([1000] * 10_000, 1, True, [("/passes", "passes_out_of_range")]),
        ([1000, 1000], 1, [], [("/is_run_between", "gaps_do_not_fit")]),
    ],
)
def test_bad_plans_are_named(
    *, drained_ml: list[int], last_passes: int, run: bool | list[bool], broken: list[tuple[str, str]]
) -> None:
    """Bad plans are named."""
    with pytest.raises(ExchangeError) as raised:
        plan(capacity_ml=5000, drained_ml=drained_ml, last_passes=last_passes, is_run_between=run)
    assert rules(raised) == broken


def test_a_machine_beside_a_plan_by_hand() -> None:
    """A machine beside a plan by hand."""
    compared = plan(capacity_ml=8000, drained_ml=[4000], prices=PRICES)
    result = compare_with_machine(compared, mixing_factor=2.0, prices=PRICES, machine_minor=9000)
    # Half fresh: 4 L with plug flow, 8 L * ln 2 = 5.546 L mixing at once, 11.091 L with the factor.
    assert result.for_same_share.plug_flow_ml == 4000
    assert result.plug_flow_cost_minor == 4 * 1500 + 9000
    assert result.perfect_mixing_cost_minor == 8319 + 9000
    assert result.bypassing_cost_minor == 16_637 + 9000
    assert result.plan_cost_minor == compared.cost_minor == 6000 + 2500
    assert result.with_same_fluid.perfect_mixing_share == pytest.approx(1 - math.exp(-0.5), abs=1e-15)


def test_a_comparison_without_prices_has_no_cost() -> None:
    """A comparison without prices has no cost."""
    result = compare_with_machine(plan(capacity_ml=8000, drained_ml=[4000]))
    assert result.plan_cost_minor is None
    assert result.plug_flow_cost_minor is None


def test_a_plan_that_leaves_nothing_has_no_machine_beside_it() -> None:
    """A plan that leaves nothing has no machine beside it."""
    with pytest.raises(ExchangeError) as raised:
        compare_with_machine(plan(capacity_ml=8000, drained_ml=[8000]), machine_minor=-1, mixing_factor=0)
    assert rules(raised) == [
        ("/mixing_factor", "mixing_factor_out_of_range"),
        ("/machine_cost", "price_out_of_range"),
        ("/plan", "target_share_out_of_range"),
    ]


def test_columns_equal_scalars() -> None:
    """Columns equal scalars."""
    capacity = np.array([8000, 10_000, 5700, 9000])
    drained = np.array([4000, 4000, 5700, 1])
    first, last = np.array([1, 0, 2, 50]), np.array([1, 3, 1, 50])
    columns = plan_columns(
        capacity_ml=capacity, drained_ml=drained, first_passes=first, last_passes=last, prices=PRICES
    )
    for i in range(len(capacity)):
        one = plan(
            capacity_ml=int(capacity[i]),
            drained_ml=[int(drained[i])] * int(first[i] + last[i]),
            last_passes=int(last[i]),
            prices=PRICES,
        )
        assert columns.old_share[i] == pytest.approx(one.old_share, abs=1e-12)
        assert columns.first_share[i] == pytest.approx(one.first_share, abs=1e-12)
        assert columns.last_share[i] == pytest.approx(one.last_share, abs=1e-12)
        assert columns.first_poured_ml[i] == one.first_poured_ml
        assert columns.last_poured_ml[i] == one.last_poured_ml
        assert columns.cost_minor[i] == one.cost_minor


def test_bad_columns_name_their_plans() -> None:
    """Bad columns name their plans."""
    five = np.array([5000] * 5)
    with pytest.raises(ExchangeError) as raised:
        plan_columns(
            capacity_ml=five,
            drained_ml=np.array([5001, 5000, 0, 10, 10]),
            first_passes=np.array([0, 0, 0, -1, MAX_PASSES]),
            last_passes=np.array([1, 1, 1, 1, 1]),
            prices=Prices(1, math.nan),
        )
    assert rules(raised) == [(f"/plans/{i}", "plan_out_of_range") for i in (0, 2, 3, 4)] + [
        ("/prices/last", "price_out_of_range")
    ]
