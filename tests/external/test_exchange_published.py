"""Partial exchange against published examples of the same algebra, and against common practice."""

from __future__ import annotations

import math

import pytest

from domain.exchange import (
    DARK_FLUID,
    MACHINE_SHARE,
    default_drained_range,
    exchange,
    machine_exchange,
    machine_for_target,
    passes_for_target,
    purchase,
)
from domain.plans import FIRST_FLUID_PRACTICE, plan
from domain.refill import COMMON_LEVEL_WINDOW_C, LEVEL_FALLS, LEVEL_WINDOW, refill
from domain.requirements import FluidKind
from domain.sheet import CompartmentKind
from domain.units import Dimension, to_canonical, to_canonical_whole


@pytest.mark.parametrize(
    ("drained_share", "passes", "old_share"),
    # By arithmetic: (1 - f)^n
    [
        (0.40, 1, 0.6),
        (0.40, 2, 0.36),
        (0.40, 3, 0.216),
        (0.40, 4, 0.1296),
        (0.35, 3, 0.274625),
        (0.45, 2, 0.3025),
        (0.50, 3, 0.125),
        (0.30, 5, 0.16807),
    ],
)
def test_old_fluid_left(drained_share: float, passes: int, old_share: float) -> None:
    """Old fluid after n passes of a share, to 1e-12."""
    found = exchange(capacity_ml=10_000, drained_ml=[round(drained_share * 10_000)] * passes)
    assert found.old_share == pytest.approx(old_share, abs=1e-12)
    assert found.new_share == pytest.approx(1 - old_share, abs=1e-12)


def test_passes_for_95_percent() -> None:
    """Six passes: ln 0.05/ln 0.6 = 5.86449 for a share of 0.4; by arithmetic."""
    found = passes_for_target(capacity_ml=10_000, drained_ml=4000, target_share=0.95)
    assert found.exact_passes == pytest.approx(5.86449, abs=5e-6)
    assert found.passes == 6


@pytest.mark.parametrize(
    ("partition", "old_volume", "fresh_volume", "times", "left"),
    [
        # Repeated extraction, q = (V1/(V1 + K V2))^n: justaaa.com 321415; its "0.98 %" is a slip for 0.098 %
        (3, 100, 500, 1, 0.0625),
        (3, 100, 100, 5, 0.0009765625),
        # A worked answer (freddyo 13180153): 50, 75, 87.5, 93.75 % removed
        (2, 100, 50, 1, 0.5),
        (2, 100, 50, 2, 0.25),
        (2, 100, 50, 3, 0.125),
        (2, 100, 50, 4, 0.0625),
        # expertsmind.com 912320, D = 10, 50 mL: one of 100 mL leaves 0.047619, five of 20 mL 0.00032
        (10, 50, 100, 1, 0.047619047619),
        (10, 50, 20, 5, 0.00032),
    ],
)
def test_serial_extraction(
    *, partition: int, old_volume: int, fresh_volume: int, times: int, left: float
) -> None:
    """A stage of extraction keeps V1 of V1 + K V2, as a pass keeps capacity less drained of the capacity."""
    capacity_ml = old_volume + partition * fresh_volume
    found = exchange(capacity_ml=capacity_ml, drained_ml=[partition * fresh_volume] * times)
    assert found.old_share == pytest.approx(left, abs=1e-12)


@pytest.mark.parametrize(
    ("changes", "left"),
    # exp(-V/V0) of a well-mixed volume, by arithmetic
    [(1, 0.3678794412), (1.5, 0.2231301601), (2, 0.1353352832), (3, 0.0497870684)],
)
def test_perfect_mixing(changes: float, left: float) -> None:
    """Old fluid that a perfectly mixing machine leaves."""
    found = machine_exchange(capacity_ml=10_000, poured_ml=round(changes * 10_000))
    assert 1 - found.perfect_mixing_share == pytest.approx(left, abs=5e-11)


def test_volume_for_five_percent_left() -> None:
    """Changes that leave 5 %: ln 20 = 2.9957322736; by arithmetic."""
    found = machine_for_target(capacity_ml=1_000_000, target_share=0.95)
    assert found.perfect_mixing_ml == 2_995_733


@pytest.mark.parametrize(
    ("changes_per_hour", "minutes"),
    # CDC, MMWR 28 Oct 1994, Table S3-1 (copy at scribd.com 320588265): minutes for 90, 99 and 99.9 % removal
    [(1, (138, 276, 414)), (6, (23, 46, 69)), (12, (12, 23, 35)), (20, (7, 14, 21))],
)
def test_cdc_wash_out(changes_per_hour: int, minutes: tuple[int, int, int]) -> None:
    """Air changes wash out a room as fresh fluid does a circuit; whole minutes, so within 1 minute."""
    for removed, printed in zip((0.90, 0.99, 0.999), minutes, strict=True):
        found = machine_for_target(capacity_ml=1_000_000, target_share=removed)
        assert found.perfect_mixing_ml / 1_000_000 / changes_per_hour * 60 == pytest.approx(printed, abs=1)


def test_cdc_mixing_factor() -> None:
    """The same page multiplies the time by a factor of 1 to 10 where mixing is poor."""
    found = machine_for_target(capacity_ml=1_000_000, target_share=0.99, mixing_factor=3)
    assert found.bypassing_ml == pytest.approx(3 * found.perfect_mixing_ml, abs=3)


def test_drains_approach_a_continuous_flush() -> None:
    """(1 - x/n)^n -> exp(-x); for equal fluid the flush leaves more: 0.1353 against 0.6^5 at x = 2."""
    five = exchange(capacity_ml=10_000, drained_ml=[4000] * 5)
    flush = machine_exchange(capacity_ml=10_000, poured_ml=20_000)
    assert five.old_share == pytest.approx(0.07776, abs=1e-12)
    assert 1 - flush.perfect_mixing_share == pytest.approx(0.1353352832, abs=5e-11)
    hundred = exchange(capacity_ml=10_000, drained_ml=[200] * 100)
    assert hundred.old_share == pytest.approx(math.exp(-2), abs=3e-3)


# The rest is common practice, no source.


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [
        (CompartmentKind.ENGINE_SUMP, 0.90, 0.95),
        (CompartmentKind.MANUAL_GEARBOX, 0.90, 0.95),
        (CompartmentKind.AUTOMATIC_TRANSMISSION, 0.30, 0.50),
        (CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION, 0.40, 0.85),
        (CompartmentKind.COOLANT_CIRCUIT, 0.50, 0.70),
        (CompartmentKind.HYDRAULIC_TANK, 0.40, 0.70),
    ],
)
def test_practice_drained_ranges(kind: CompartmentKind, low: float, high: float) -> None:
    """What one drain takes out, by kind of compartment; common practice, no source."""
    found = default_drained_range(kind)
    assert (found.low_share, found.high_share) == (low, high)
    assert found.source == "common practice, no source"


def test_practice_machine_beats_one_drain() -> None:
    """A drain of such a transmission takes out at most about 85 %, a machine close to 100 %.

    Common practice, no source. The machine's figure is what plug flow gives for one filling, and what perfect
    mixing gives for three.
    """
    one_drain = exchange(capacity_ml=8000, drained_ml=[6800])
    assert one_drain.new_share == pytest.approx(0.85, abs=1e-12)
    machine = machine_exchange(capacity_ml=8000, poured_ml=24_000)
    assert machine.plug_flow_share == 1.0
    assert machine.perfect_mixing_share > 0.95
    assert machine.notices == (MACHINE_SHARE,)


@pytest.mark.parametrize("passes", [1, 2, 3])
def test_practice_purchase(passes: int) -> None:
    """Buy 85 to 100 % of the capacity for one pass, two or three times that for two or three.

    Common practice, no source.
    """
    found = purchase(capacity_ml=8000, drained_ml=[6800] * passes)
    assert (found.low_ml, found.high_ml) == (passes * 6800, passes * 8000)


def test_practice_level_window() -> None:
    """Level read between 122 and 176 degF, that is 50 and 80 degC, after about ten minutes; no source."""
    low, high = (to_canonical(f, "degF", Dimension.TEMPERATURE) for f in (122, 176))
    assert (low, high) == pytest.approx(COMMON_LEVEL_WINDOW_C, abs=1e-12)
    assert "ten minutes" in LEVEL_WINDOW.detail


def test_practice_refill_what_came_out() -> None:
    """Refill exactly what came out, about 6 US quarts in one case; a cold level then reads slightly high.

    Common practice, no source.
    """
    six_quarts = to_canonical_whole(6, "qt_us", Dimension.VOLUME)
    found = refill(fluid_kind=FluidKind.CONTINUOUSLY_VARIABLE_FLUID, drained_ml=six_quarts)
    assert found.pour_ml == six_quarts == 5678
    assert LEVEL_FALLS in found.notices


def test_practice_dark_fluid_and_cheaper_first_pass() -> None:
    """Dark fluid may mean another pass; a first one may use a cheaper fluid; common practice, no source."""
    found = plan(capacity_ml=8000, drained_ml=[4000, 4000])
    assert DARK_FLUID in found.notices
    assert FIRST_FLUID_PRACTICE in found.notices
