"""The Miner sum against textbook examples, and intervals against common practice."""

from __future__ import annotations

from datetime import date
from itertools import pairwise, permutations

import pytest

from domain.due import due_points
from domain.duty import DutyEntry, weighted_figure, worn
from domain.history import Origin, VehicleHistory, WorkDone
from domain.kits import Part, PartKind, kit_for
from domain.meters import Reading, day_lasts
from domain.sheet import (
    Amount,
    Compartment,
    CompartmentKind,
    Counting,
    DutyCondition,
    DutyPolicy,
    FluidAction,
    IntervalRule,
    Limb,
    Meter,
    Plug,
    Service,
    SevereCondition,
    SpecSheet,
    Task,
)
from domain.units import Dimension, to_canonical_whole


def lives_spans(*blocks: tuple[float, float]) -> list[tuple[float, float]]:
    """Blocks of (cycles, cycles to failure) as spans of wear: a cycle takes 1 / N of the life."""
    spans, start = [], 0.0
    for cycles, to_failure in blocks:
        spans.append((start, 1 / to_failure))
        start += cycles
    return spans


def test_remaining_cycles_at_the_third_stress() -> None:
    """Of N = 19,460, 137,880 and 582,150 after 4,000 and 60,000 cycles: 209,160 are left at the third."""
    # Budynas and Nisbett, Shigley's Mechanical Engineering Design, instructor's solutions, ch. 6, problem 6-30a:
    # printed 209 160; from the unrounded S-N line 209 219, hence 3e-4.
    spans = lives_spans((4_000, 19_460), (60_000, 137_880), (0, 582_150))
    remaining = weighted_figure(spans, 1.0) - 64_000
    assert remaining == pytest.approx(209_160, rel=3e-4)
    assert worn(spans, 64_000 + 209_160) == pytest.approx(1.0, rel=3e-4)


def test_remaining_cycles_at_the_second_stress() -> None:
    """50,000 of 131,200, then N = 40,200: 24,880 are left."""
    # The same manual, the problem before it; exact from the printed N: 24 879.88.
    spans = lives_spans((50_000, 131_200), (0, 40_200))
    assert weighted_figure(spans, 1.0) - 50_000 == pytest.approx(24_880, abs=0.5)


def test_blocks_until_failure() -> None:
    """One cycle of N = 10^4 and four of N = 10^5 a block: 0.00014 a block, so 7,142 whole blocks."""
    # A published block-loading exercise, homeworksource.com 974669.
    blocks = lives_spans(*([(1, 1e4), (4, 1e5)] * 7_143), (0, 1e5))
    assert worn(blocks, 5) == pytest.approx(0.00014, rel=1e-12)
    assert int(weighted_figure(blocks, 1.0) // 5) == 7_142


def test_used_interval_of_fifteen_thousand_kilometres() -> None:
    """6,000 km at twice the wear and 4,000 at normal use 16,000 of 15,000: overdue by 1,000 equivalent km."""
    # By arithmetic from the definition above: sum of n / N.
    spans = [(0.0, 2.0), (6_000.0, 1.0)]
    assert worn(spans, 10_000) / 15_000 == pytest.approx(1.066667, abs=5e-7)
    assert worn(spans, 10_000) - 15_000 == 1_000


def test_the_order_of_blocks_does_not_matter_to_the_sum() -> None:
    """Which is a convention and no physics: sums at failure from 0.33 to 3 are reported."""
    # Linear damage has no memory; the spread is from the articles on fatigue of wikibooks.org.
    blocks = ((4_000, 19_460), (60_000, 137_880), (100_000, 582_150))
    sums = [worn(lives_spans(*order), 164_000) for order in permutations(blocks)]
    assert all(one == pytest.approx(other, rel=1e-12) for one, other in pairwise(sums))


GEARBOX = Compartment(
    "gearbox",
    CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION,
    "Continuously variable transmission",
    fluid_requirement="cvt-fluid",
    dry_capacity_ml=8_000,
    plugs=(Plug("drain", seal_part="S-19"),),
)
FLUID = Task(
    "gearbox_fluid",
    "Change transmission fluid",
    compartment="gearbox",
    fluid_action=FluidAction.EXCHANGE,
    passes=3,
    plugs=("drain",),
)


def fluid_due(conditions: tuple[SevereCondition, ...], policy: DutyPolicy) -> dict[Limb, int]:
    """When the fluid of a transmission filled new on 15 January 2024 is due, on each limb."""
    rule = IntervalRule(
        (
            Amount(Limb.ODOMETER, to_canonical_whole(60_000, "mi", Dimension.DISTANCE)),
            Amount(Limb.CALENDAR, 48),
        ),
        counting=Counting.FROM_LAST_DONE,
        policy=policy,
        conditions=conditions,
    )
    service = Service("fluid", "Fluid", (FLUID,), (rule,))
    history = VehicleHistory(
        Origin(date(2024, 1, 15), is_known_from_new=True),
        {Meter.ODOMETER: day_lasts([Reading(1_718_000_000_000_000, 9_000_000)])},
        work=(
            WorkDone(1, 1_705_320_000_000_000, date(2024, 1, 15), {Meter.ODOMETER: 0}, frozenset({"fluid"})),
        ),
        duty=(DutyEntry(DutyCondition.TOWING, 1.0, date(2024, 1, 1)),),
    )
    (point,) = due_points(SpecSheet("van", "Van", (Meter.ODOMETER,), (GEARBOX,), (service,)), history)
    return {limb.limb: limb.due for limb in point.limbs}


def test_fluid_of_a_continuously_variable_transmission_in_normal_duty() -> None:
    """60,000 miles or 48 months, whichever comes first: 96,560.640 km or 15 January 2028."""
    # Common practice, no source.
    assert fluid_due((), DutyPolicy.STRICTEST) == {
        Limb.ODOMETER: 96_560_640,
        Limb.CALENDAR: date(2028, 1, 15).toordinal(),
    }


@pytest.mark.parametrize("policy", DutyPolicy)
def test_severe_duty_halves_many_intervals(policy: DutyPolicy) -> None:
    """Towing all along: 30,000 miles or 24 months, under either policy."""
    # Common practice, no source.
    halved = SevereCondition(DutyCondition.TOWING, 0.5, 0.25, (Limb.ODOMETER, Limb.CALENDAR))
    found = fluid_due((halved,), policy)
    assert found[Limb.ODOMETER] == to_canonical_whole(30_000, "mi", Dimension.DISTANCE)
    # Weighted, half of the 1,461 days is 730.5, that is the same day of the year or the one after it.
    assert abs(found[Limb.CALENDAR] - date(2026, 1, 15).toordinal()) <= 1


def test_the_drain_plug_s_seal_is_renewed_at_every_drain() -> None:
    """Three passes, three seals, though the sheet says nothing of it."""
    # Common practice, no source.
    rule = IntervalRule((Amount(Limb.CALENDAR, 48),))
    service = Service("fluid", "Fluid", (FLUID,), (rule,))
    sheet = SpecSheet("van", "Van", (Meter.ODOMETER,), (GEARBOX,), (service,))
    kit = kit_for(sheet, ["fluid"], {"S-19": Part("S-19", "Sealing ring", kind=PartKind.SEAL)})
    assert [(line.part.code, line.quantity) for line in kit.lines] == [("S-19", 3)]
