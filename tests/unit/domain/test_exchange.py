"""Partial exchange: cases that can be worked by hand first, then every rule that bad figures break."""

from __future__ import annotations

import math

import pytest

from domain.errors import ExchangeError
from domain.exchange import (
    DARK_FLUID,
    DRAINED_RANGE_ASSUMED,
    MAX_PASSES,
    MAX_VOLUME_ML,
    UNRUN_PASS,
    VARIABLE_TRANSMISSION_LIMIT,
    DrainedRange,
    default_drained_range,
    exchange,
    exchange_range,
    machine_exchange,
    machine_for_target,
    passes_for_target,
    passes_for_target_range,
    purchase,
    split_ml,
)
from domain.sheet import CompartmentKind
from domain.units import Dimension


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


def test_draining_everything_leaves_nothing() -> None:
    """Draining everything leaves nothing."""
    result = exchange(capacity_ml=5000, drained_ml=[5000])
    assert (result.old_share, result.new_share, result.old_ml, result.new_ml) == (0.0, 1.0, 0, 5000)


def test_two_halves_leave_a_quarter() -> None:
    """Two halves leave a quarter."""
    result = exchange(capacity_ml=8000, drained_ml=[4000, 4000])
    assert result.old_shares == (0.5, 0.25)
    assert (result.old_ml, result.new_ml, result.poured_ml) == (2000, 6000, 8000)
    assert result.notices == (DARK_FLUID,)


def test_measured_volumes_multiply() -> None:
    """Measured volumes multiply."""
    # 1 - 4/10 = 0.6; 1 - 5/10 = 0.5; 0.6 * 0.5 = 0.3
    result = exchange(capacity_ml=10_000, drained_ml=[4000, 5000])
    assert result.old_share == pytest.approx(0.3, abs=1e-15)
    assert (result.old_ml, result.new_ml) == (3000, 7000)


def test_a_pass_without_running_changes_no_shares() -> None:
    """A pass without running changes no shares."""
    once = exchange(capacity_ml=10_000, drained_ml=[4000])
    twice = exchange(capacity_ml=10_000, drained_ml=[4000, 4000], is_run_between=False)
    assert twice.old_shares == (once.old_share, once.old_share)
    assert twice.poured_ml == 8000
    assert UNRUN_PASS in twice.notices


def test_a_larger_drain_without_running_takes_the_rest_from_the_old_fluid() -> None:
    """A larger drain without running takes the rest from the old fluid."""
    # 2 L of fresh fluid in the pan, 3 L drained: 1 L of the 8 L of old fluid goes too.
    result = exchange(capacity_ml=10_000, drained_ml=[2000, 3000], is_run_between=[False])
    assert result.old_share == pytest.approx(0.7, abs=1e-15)
    step = [s for s in result.working if s.name == "old_share"][1]
    assert "max(d - u, 0)" in step.formula
    assert {f.symbol: f.value for f in step.values}["u"] == 2000


def test_running_again_mixes_what_stood_in_the_pan() -> None:
    """Running again mixes what stood in the pan."""
    result = exchange(capacity_ml=10_000, drained_ml=[4000, 4000, 4000], is_run_between=[False, True])
    assert result.old_shares == pytest.approx((0.6, 0.6, 0.36), abs=1e-15)


def test_the_working_shows_each_pass_and_the_purchase() -> None:
    """The working shows each pass and the purchase."""
    result = exchange(capacity_ml=10_000, drained_ml=[4000, 4000], margin_share=0.1)
    assert [s.name for s in result.working] == ["old_share", "old_share", "buy_at_least", "buy_at_most"]
    assert [s.formula for s in result.working][:2] == ["S0 * (1 - d/C)", "S1 * (1 - d/C)"]
    assert [s.result for s in result.working] == pytest.approx([0.6, 0.36, 8800, 22_000])
    assert result.working[2].unit_dimension is Dimension.VOLUME


def test_purchase_goes_from_drained_volume_to_capacity_and_rounds_up() -> None:
    """Purchase goes from drained volume to capacity and rounds up."""
    result = purchase(capacity_ml=5700, drained_ml=[3000, 2999], margin_share=0.1)
    assert (result.low_ml, result.high_ml) == (6599, 12_540)


@pytest.mark.parametrize(
    ("total_ml", "shares", "parts"),
    [
        (10, (0.5, 0.5), (5, 5)),
        (11, (0.5, 0.5), (6, 5)),
        (10, (1 / 3, 1 / 3, 1 / 3), (4, 3, 3)),
        (5700, (0.36, 0.64), (2052, 3648)),
        (0, (0.2, 0.8), (0, 0)),
    ],
)
def test_split_keeps_the_total(total_ml: int, shares: tuple[float, ...], parts: tuple[int, ...]) -> None:
    """Split keeps the total."""
    assert split_ml(total_ml, shares) == parts


def test_passes_for_a_target_that_two_passes_reach_exactly() -> None:
    """Passes for a target that two passes reach exactly."""
    result = passes_for_target(capacity_ml=10_000, drained_ml=4000, target_share=0.64, margin_share=0.05)
    assert (result.passes, result.poured_ml) == (2, 8000)
    assert result.new_share == pytest.approx(0.64, abs=1e-15)
    assert result.exact_passes == pytest.approx(2.0, abs=1e-12)
    assert (result.purchase.low_ml, result.purchase.high_ml) == (8400, 21_000)


def test_one_pass_of_everything_reaches_any_target() -> None:
    """One pass of everything reaches any target."""
    result = passes_for_target(capacity_ml=10_000, drained_ml=10_000, target_share=0.999)
    assert (result.passes, result.exact_passes, result.new_share) == (1, 1.0, 1.0)
    assert result.working[0].formula == "1, for f = 1"


def test_without_running_one_pass_is_all_that_counts() -> None:
    """Without running one pass is all that counts."""
    reached = passes_for_target(capacity_ml=10_000, drained_ml=4000, target_share=0.4, is_run_between=False)
    assert reached.passes == 1
    with pytest.raises(ExchangeError) as raised:
        passes_for_target(capacity_ml=10_000, drained_ml=4000, target_share=0.41, is_run_between=False)
    assert rules(raised) == [("/target_share", "target_not_reached")]


def test_a_target_beyond_a_hundred_passes_is_refused() -> None:
    """A target beyond a hundred passes is refused."""
    with pytest.raises(ExchangeError) as raised:
        passes_for_target(capacity_ml=1_000_000, drained_ml=1, target_share=0.5)
    assert rules(raised) == [("/target_share", "target_not_reached")]


@pytest.mark.parametrize("target", [0.0, 1.0, -0.1, 1.5, math.nan])
def test_target_zero_or_one_is_refused(target: float) -> None:
    """Target zero or one is refused."""
    with pytest.raises(ExchangeError) as raised:
        passes_for_target(capacity_ml=10_000, drained_ml=4000, target_share=target)
    assert rules(raised) == [("/target_share", "target_share_out_of_range")]


def test_a_range_stays_a_range() -> None:
    """A range stays a range."""
    drained = DrainedRange(0.4, 0.5, "measured")
    result = exchange_range(capacity_ml=10_000, drained=drained, passes=2, margin_share=0.1)
    assert (result.old_low_share, result.old_high_share) == pytest.approx((0.25, 0.36), abs=1e-15)
    assert (result.drained_low_ml, result.drained_high_ml) == (4000, 5000)
    assert (result.purchase.low_ml, result.purchase.high_ml) == (8800, 22_000)
    assert result.notices == (DARK_FLUID,)
    assert [s.result for s in result.working] == pytest.approx([0.25, 0.36, 8800, 22_000])


def test_passes_over_a_range_by_hand() -> None:
    """Passes over a range by hand."""
    # Half new: f = 0.5 needs 1 pass, f = 0.4 needs 2; least fluid 1 * 0.5 C, most just below 0.5: 2 * 0.5 C.
    drained = DrainedRange(0.4, 0.6, "measured")
    result = passes_for_target_range(capacity_ml=10_000, drained=drained, target_share=0.5)
    assert (result.passes_low, result.passes_high) == (1, 2)
    assert (result.poured_low_ml, result.poured_high_ml) == (5000, 10_000)
    assert [s.name for s in result.working] == ["passes", "passes", "poured_at_least", "poured_at_most"]


def test_a_range_of_one_figure_gives_the_figure() -> None:
    """A range of one figure gives the figure."""
    drained = DrainedRange(0.4, 0.4, "measured")
    result = passes_for_target_range(capacity_ml=10_000, drained=drained, target_share=0.95)
    assert (result.passes_low, result.passes_high) == (6, 6)
    assert (result.poured_low_ml, result.poured_high_ml) == (24_000, 24_000)


@pytest.mark.parametrize("kind", list(CompartmentKind))
def test_default_ranges_are_ranges_or_refused(kind: CompartmentKind) -> None:
    """Default ranges are ranges or refused."""
    unknown = {
        CompartmentKind.DUAL_CLUTCH_TRANSMISSION,
        CompartmentKind.BRAKE_CIRCUIT,
        CompartmentKind.CLUTCH_CIRCUIT,
        CompartmentKind.POWER_STEERING,
        CompartmentKind.ADDITIVE_TANK,
        CompartmentKind.AIR_CONDITIONING,
    }
    if kind in unknown:
        with pytest.raises(ExchangeError) as raised:
            default_drained_range(kind)
        assert rules(raised) == [("/compartment_kind", "drained_range_unknown")]
    else:
        found = default_drained_range(kind)
        assert 0 < found.low_share < found.high_share <= 1
        assert found.source == "common practice, no source"
        assert found.notices[0] is DRAINED_RANGE_ASSUMED


def test_the_assumed_range_is_named_in_the_answer() -> None:
    """The assumed range is named in the answer."""
    drained = default_drained_range(CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION)
    notices = exchange_range(capacity_ml=8000, drained=drained, passes=1).notices
    assert notices == (DARK_FLUID, DRAINED_RANGE_ASSUMED, VARIABLE_TRANSMISSION_LIMIT)


def test_machine_models_by_hand() -> None:
    """Machine models by hand."""
    result = machine_exchange(capacity_ml=8000, poured_ml=16_000, mixing_factor=2.0)
    assert result.plug_flow_share == 1.0
    assert result.perfect_mixing_share == pytest.approx(1 - math.exp(-2), abs=1e-15)
    assert result.bypassing_share == pytest.approx(1 - math.exp(-1), abs=1e-15)
    assert [s.name for s in result.working] == ["plug_flow_share", "perfect_mixing_share", "bypassing_share"]


def test_plug_flow_of_half_the_capacity_is_half() -> None:
    """Plug flow of half the capacity is half."""
    assert machine_exchange(capacity_ml=8000, poured_ml=4000).plug_flow_share == 0.5


def test_machine_volumes_for_a_target_by_hand() -> None:
    """Machine volumes for a target by hand."""
    # -ln(1 - 0.5) = 0.693147...: 8 L * 0.693147 = 5545.2 mL, up to 5546
    result = machine_for_target(capacity_ml=8000, target_share=0.5, mixing_factor=3.0)
    assert (result.plug_flow_ml, result.perfect_mixing_ml, result.bypassing_ml) == (4000, 5546, 16_636)


@pytest.mark.parametrize(
    ("capacity_ml", "drained_ml", "broken"),
    [
        (5000, [5001], [("/drained_volumes/0", "drained_volume_above_capacity")]),
        (5000, [0, -3], [("/drained_volumes/0", "drained_volume_not_positive"),
                         ("/drained_volumes/1", "drained_volume_not_positive")]),
        (0, [10], [("/capacity", "capacity_not_positive")]),
        (MAX_VOLUME_ML + 1, [10], [("/capacity", "capacity_too_large")]),
        (5000, [], [("/passes", "passes_out_of_range")]),
        (5000, [10] * 10_000, [("/passes", "passes_out_of_range")]),
    ],
)  # fmt: skip
def test_bad_volumes_are_named(
    capacity_ml: int, drained_ml: list[int], broken: list[tuple[str, str]]
) -> None:
    """Bad volumes are named."""
    with pytest.raises(ExchangeError) as raised:
        exchange(capacity_ml=capacity_ml, drained_ml=drained_ml)
    assert rules(raised) == broken


def test_gaps_have_to_fit_the_passes() -> None:
    """Gaps have to fit the passes."""
    with pytest.raises(ExchangeError) as raised:
        exchange(capacity_ml=5000, drained_ml=[1000, 1000], is_run_between=[True, True])
    assert rules(raised) == [("/is_run_between", "gaps_do_not_fit")]


@pytest.mark.parametrize("margin", [-0.01, 1.01, math.nan])
def test_bad_margins_are_refused(margin: float) -> None:
    """Bad margins are refused."""
    with pytest.raises(ExchangeError) as raised:
        purchase(capacity_ml=5000, drained_ml=[1000], margin_share=margin)
    assert rules(raised) == [("/margin_share", "margin_out_of_range")]


@pytest.mark.parametrize("factor", [0.99, 10.1, math.inf])
def test_bad_mixing_factors_are_refused(factor: float) -> None:
    """Bad mixing factors are refused."""
    with pytest.raises(ExchangeError) as raised:
        machine_exchange(capacity_ml=5000, poured_ml=0, mixing_factor=factor)
    assert rules(raised) == [
        ("/poured", "poured_volume_not_positive"),
        ("/mixing_factor", "mixing_factor_out_of_range"),
    ]


@pytest.mark.parametrize(
    ("low", "high", "passes", "broken"),
    [
        (0.0, 1.1, 1, [("/drained_share/low", "drained_share_out_of_range"),
                       ("/drained_share/high", "drained_share_out_of_range")]),
        (0.6, 0.4, 1, [("/drained_share", "range_reversed")]),
        (0.4, 0.6, MAX_PASSES + 1, [("/passes", "passes_out_of_range")]),
    ],
)  # fmt: skip
def test_bad_ranges_are_named(low: float, high: float, passes: int, broken: list[tuple[str, str]]) -> None:
    """Bad ranges are named."""
    with pytest.raises(ExchangeError) as raised:
        exchange_range(capacity_ml=5000, drained=DrainedRange(low, high, "measured"), passes=passes)
    assert rules(raised) == broken
