"""Properties of exchanges and plans that hold for all admitted figures."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.errors import ExchangeError
from domain.exchange import (
    DrainedRange,
    exchange,
    exchange_range,
    machine_exchange,
    machine_for_target,
    passes_for_target,
    passes_for_target_range,
    split_ml,
)
from domain.plans import Prices, cheapest_plan, plan, plan_columns, plan_range


@st.composite
def measured(draw: st.DrawFn, most_passes: int = 8) -> tuple[int, list[int], list[bool]]:
    """A capacity, measured volumes and whether the vehicle ran between passes."""
    capacity_ml = draw(st.integers(1, 100_000))
    drained_ml = draw(st.lists(st.integers(1, capacity_ml), min_size=1, max_size=most_passes))
    run = draw(st.lists(st.booleans(), min_size=len(drained_ml) - 1, max_size=len(drained_ml) - 1))
    return capacity_ml, drained_ml, run


prices = st.builds(
    Prices,
    first_minor_per_l=st.integers(0, 5000),
    last_minor_per_l=st.integers(0, 5000),
    pass_minor=st.integers(0, 9000),
)


@given(measured())
def test_volumes_balance_and_shares_add_to_one(case: tuple[int, list[int], list[bool]]) -> None:
    """Old and new fluid fill the capacity to the millilitre; their shares add to 1 after each pass."""
    capacity_ml, drained_ml, run = case
    result = plan(capacity_ml=capacity_ml, drained_ml=drained_ml, is_run_between=run)
    assert result.old_ml + result.first_ml + result.last_ml == capacity_ml
    assert result.poured_ml == sum(drained_ml)
    for one in result.passes:
        assert one.old_share + one.first_share + one.last_share == pytest.approx(1, abs=1e-12)
        assert min(one.old_share, one.first_share, one.last_share) >= 0
    single = exchange(capacity_ml=capacity_ml, drained_ml=drained_ml, is_run_between=run)
    assert single.old_ml + single.new_ml == capacity_ml
    assert single.old_share == pytest.approx(result.old_share, abs=1e-12)


@given(measured())
def test_more_passes_never_leave_more_old_fluid(case: tuple[int, list[int], list[bool]]) -> None:
    """The share of old fluid never rises from pass to pass."""
    capacity_ml, drained_ml, run = case
    shares = (1.0, *exchange(capacity_ml=capacity_ml, drained_ml=drained_ml, is_run_between=run).old_shares)
    assert all(after <= before for before, after in itertools.pairwise(shares))


@given(measured())
def test_old_share_is_the_product_of_what_each_pass_keeps(case: tuple[int, list[int], list[bool]]) -> None:
    """With running in between, the order of the volumes does not matter either."""
    capacity_ml, drained_ml, _ = case
    product = float(np.prod([1 - d / capacity_ml for d in drained_ml]))
    for order in (drained_ml, drained_ml[::-1]):
        old = exchange(capacity_ml=capacity_ml, drained_ml=order).old_share
        assert old == pytest.approx(product, abs=1e-12)


@given(st.integers(1, 50_000), st.integers(1, 10))
def test_repeating_a_pass_without_running_changes_no_shares(drained_ml: int, times: int) -> None:
    """Draining the same volume again and again without running leaves the shares of the first pass."""
    once = exchange(capacity_ml=50_000, drained_ml=[drained_ml]).old_share
    again = exchange(capacity_ml=50_000, drained_ml=[drained_ml] * times, is_run_between=False).old_share
    assert again == once


@given(st.integers(2, 20_000), st.floats(0.05, 1), st.floats(0.01, 0.99))
def test_the_passes_for_a_target_are_the_fewest(capacity_ml: int, part: float, target: float) -> None:
    """They reach the target and one pass fewer does not."""
    drained_ml = max(1, int(capacity_ml * part))
    result = passes_for_target(capacity_ml=capacity_ml, drained_ml=drained_ml, target_share=target)
    kept = 1 - drained_ml / capacity_ml
    assert 1 - kept**result.passes >= target - 1e-12
    assert 1 - kept ** (result.passes - 1) < target


@given(st.floats(0.1, 1), st.floats(0.1, 1), st.floats(0, 1), st.floats(0.01, 0.95), st.integers(1, 6))
def test_a_range_holds_every_figure_within_it(
    one: float, other: float, between: float, target: float, passes: int
) -> None:
    """Shares, passes and volumes of any drained share inside the range lie inside the answer's ranges."""
    low, high = min(one, other), max(one, other)
    inside = low + (high - low) * between
    drained = DrainedRange(low, high, "measured")
    spread = exchange_range(capacity_ml=10_000, drained=drained, passes=passes)
    assert spread.old_low_share - 1e-12 <= (1 - inside) ** passes <= spread.old_high_share + 1e-12
    wanted = passes_for_target_range(capacity_ml=10_000, drained=drained, target_share=target)
    needed = next(n for n in range(1, 101) if 1 - (1 - inside) ** n >= target - 1e-12)
    assert wanted.passes_low <= needed <= wanted.passes_high
    assert wanted.poured_low_ml - 1 <= needed * inside * 10_000 <= wanted.poured_high_ml + 1


@given(st.floats(0.05, 1), st.floats(0.05, 1), st.floats(0, 1), st.integers(0, 6), st.integers(1, 6))
def test_a_plan_range_holds_every_plan_within_it(
    one: float, other: float, between: float, first_passes: int, last_passes: int
) -> None:
    """The three shares of any drained share inside the range lie inside the answer's ranges."""
    low, high = min(one, other), max(one, other)
    kept = 1 - (low + (high - low) * between)
    passes = first_passes + last_passes
    found = plan_range(
        capacity_ml=10_000,
        drained=DrainedRange(low, high, "measured"),
        passes=passes,
        last_passes=last_passes,
    )
    old, first, last = kept**passes, kept**last_passes - kept**passes, 1 - kept**last_passes
    assert found.old_low_share - 1e-12 <= old <= found.old_high_share + 1e-12
    assert found.first_low_share - 1e-12 <= first <= found.first_high_share + 1e-12
    assert found.last_low_share - 1e-12 <= last <= found.last_high_share + 1e-12
    for each in found.passes:
        of_last = max(each.number - first_passes, 0)
        old, first = kept**each.number, kept**of_last - kept**each.number
        assert each.is_last_fluid is (of_last > 0)
        assert each.old_low_share - 1e-12 <= old <= each.old_high_share + 1e-12
        assert each.first_low_share - 1e-12 <= first <= each.first_high_share + 1e-12
        assert each.last_low_share - 1e-12 <= 1 - kept**of_last <= each.last_high_share + 1e-12
        assert each.drained_low_ml <= (1 - kept) * 10_000 + 1e-6
        assert each.drained_high_ml >= (1 - kept) * 10_000 - 1e-6


@given(
    st.integers(10, 10_000),
    st.floats(0.15, 1),
    st.floats(0.01, 0.9),
    st.one_of(st.none(), st.floats(0.01, 0.9)),
    prices,
)
def test_the_cheapest_plan_equals_brute_force(
    capacity_ml: int, part: float, fresh: float, last: float | None, price: Prices
) -> None:
    """No plan of up to 20 first and 20 last passes that reaches the shares costs less."""
    drained_ml = max(2, int(capacity_ml * part))
    kept = 1 - drained_ml / capacity_ml
    candidates = [
        (price.cost(a * drained_ml, b * drained_ml, a + b), a + b, a)
        for a in range(21)
        for b in range(1, 21)
        if 1 - kept ** (a + b) >= fresh - 1e-12 and (last is None or 1 - kept**b >= last - 1e-12)
    ]
    result = cheapest_plan(
        capacity_ml=capacity_ml, drained_ml=drained_ml, fresh_share=fresh, last_share=last, cost=price
    )
    first_passes = sum(not p.is_last_fluid for p in result.passes)
    assert (result.cost_minor, len(result.passes), first_passes) == min(candidates)


@given(
    st.lists(st.tuples(st.integers(1, 9000), st.floats(0.001, 1), st.integers(0, 9), st.integers(1, 9))),
    prices,
)
def test_columns_equal_scalars(rows: list[tuple[int, float, int, int]], price: Prices) -> None:
    """Each element of the columns is the plan worked alone."""
    figures = [(c, max(1, int(c * part)), a, b) for c, part, a, b in rows]
    capacity, drained, first, last = np.array(figures, dtype=np.int64).reshape(-1, 4).T
    columns = plan_columns(
        capacity_ml=capacity, drained_ml=drained, first_passes=first, last_passes=last, prices=price
    )
    for i, (c, d, a, b) in enumerate(figures):
        one = plan(capacity_ml=c, drained_ml=[d] * (a + b), last_passes=b, prices=price)
        assert columns.old_share[i] == pytest.approx(one.old_share, abs=1e-12)
        assert columns.first_share[i] == pytest.approx(one.first_share, abs=1e-12)
        assert columns.last_share[i] == pytest.approx(one.last_share, abs=1e-12)
        assert columns.cost_minor[i] == one.cost_minor


@given(st.integers(100, 20_000), st.floats(0.01, 0.99), st.floats(1, 10))
def test_a_machine_volume_reaches_its_target(capacity_ml: int, target: float, factor: float) -> None:
    """The volume for a share, put through, gives that share; worse mixing never needs less."""
    needed = machine_for_target(capacity_ml=capacity_ml, target_share=target, mixing_factor=factor)
    assert needed.plug_flow_ml <= needed.perfect_mixing_ml <= needed.bypassing_ml
    reached = machine_exchange(capacity_ml=capacity_ml, poured_ml=needed.bypassing_ml, mixing_factor=factor)
    assert reached.bypassing_share >= target - 1e-9
    assert reached.bypassing_share <= reached.perfect_mixing_share <= reached.plug_flow_share


@given(st.integers(1, 5000), st.integers(2, 10))
def test_drains_beat_a_mixing_machine_with_the_same_fluid(drained_ml: int, passes: int) -> None:
    """For equal fluid a perfectly mixing machine leaves more old fluid than drain passes do."""
    old = exchange(capacity_ml=10_000, drained_ml=[drained_ml] * passes).old_share
    machine = machine_exchange(capacity_ml=10_000, poured_ml=drained_ml * passes)
    assert 1 - machine.perfect_mixing_share >= old


@given(st.integers(0, 10**9), st.lists(st.integers(0, 1000), min_size=1, max_size=6).filter(any))
def test_split_adds_up(total_ml: int, weights: list[int]) -> None:
    """Parts add up to the total and none is further than 1 mL from its exact share."""
    shares = [w / sum(weights) for w in weights]
    parts = split_ml(total_ml, shares)
    assert sum(parts) == total_ml
    assert all(abs(part - total_ml * s) < 1 + 1e-6 for part, s in zip(parts, shares, strict=True))


@given(st.integers(-5, 5), st.lists(st.integers(-5, 12), max_size=3), st.floats(-1, 2))
def test_bad_figures_raise_one_error_or_none(capacity_ml: int, drained_ml: list[int], margin: float) -> None:
    """Any figures either compute or break named rules."""
    try:
        result = exchange(capacity_ml=capacity_ml, drained_ml=drained_ml, margin_share=margin)
    except ExchangeError as error:
        breaches = error.breaches
    else:
        assert result.old_ml + result.new_ml == capacity_ml
        return
    assert all(b.pointer.startswith("/") and b.rule and b.detail for b in breaches)
