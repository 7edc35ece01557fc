"""What a drain is expected to take out, learned from simulated jobs; seeds are fixed."""

from __future__ import annotations

import numpy as np
import pytest

from domain.drain_expectation import (
    DrainExpectation,
    DrainVerdict,
    learned,
    prior_of_range,
)

TRUE_ML, SPREAD_ML = 3_800, 150


def test_a_sheet_alone_expects_the_middle_of_its_range() -> None:
    one, ranged = prior_of_range(4_000, 4_000), prior_of_range(3_500, 4_500)
    # One volume: a twentieth of it; a range: its width over twice 1.645, nine tenths of normal drains.
    assert (one.mean_ml, one.spread_ml, one.drains) == (4_000, 200, 0)
    assert ranged.mean_ml == 4_000
    assert ranged.spread_ml == pytest.approx(303.95, abs=0.01)
    assert learned(one, []) == one


def test_the_sheet_counts_as_four_drains() -> None:
    after_four = learned(prior_of_range(4_000, 4_000), [3_600, 3_600, 3_600, 3_600])
    assert after_four.mean_ml == pytest.approx(3_800)
    assert after_four.drains == 4


def test_a_spread_never_falls_below_what_a_jug_reads() -> None:
    sure = learned(prior_of_range(4_000, 4_000), [4_000] * 200)
    assert sure.spread_ml >= 40
    assert sure.verdict(4_030) is DrainVerdict.AS_EXPECTED


@pytest.mark.parametrize(
    ("drained_ml", "verdict"),
    # 4,000 mL and 200 mL: sound within 2.1 standard deviations, 420 mL.
    [
        (3_579, DrainVerdict.LESS),
        (3_581, DrainVerdict.AS_EXPECTED),
        (4_419, DrainVerdict.AS_EXPECTED),
        (4_421, DrainVerdict.MORE),
    ],
)
def test_a_drain_outside_is_told_by_its_side(drained_ml: int, verdict: DrainVerdict) -> None:
    assert DrainExpectation(4_000, 200).verdict(drained_ml) is verdict


@pytest.mark.parametrize("share_of_faults", [0.0, 0.03])
def test_after_200_jobs_the_mean_is_known_and_faults_are_found(share_of_faults: float) -> None:
    """40 fleets of 200 jobs, some of them faulty; then 400 sound drains and 400 that are off by 4 deviations."""
    generator = np.random.default_rng(20310505)
    false_alarms, found, judged = 0, 0, 0
    for _ in range(40):
        jobs = generator.normal(TRUE_ML, SPREAD_ML, 200)
        is_faulty = generator.random(200) < share_of_faults
        jobs[is_faulty] -= generator.uniform(4, 8, int(is_faulty.sum())) * SPREAD_ML
        # The sheet's range has its middle 50 mL beside the truth.
        expected = learned(prior_of_range(3_500, 4_200), [int(one) for one in jobs])
        assert abs(expected.mean_ml / TRUE_ML - 1) < 0.02
        sound = generator.normal(TRUE_ML, SPREAD_ML, 400)
        short = generator.normal(TRUE_ML - 4 * SPREAD_ML, SPREAD_ML, 400)
        judged += 400
        reach_ml = 2.1 * expected.spread_ml
        false_alarms += int((np.abs(sound - expected.mean_ml) > reach_ml).sum())
        found += int((expected.mean_ml - short > reach_ml).sum())
        assert expected.verdict(expected.mean_ml - 1.01 * reach_ml) is DrainVerdict.LESS
    assert false_alarms / judged < 0.05
    assert found / judged >= 0.95
