"""The trend of a measure: pooled over fills, sound against an outlier, and where it crosses a limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from domain.condition_trend import TrendPoint, crossing, pooled_slope


def points(*fills: list[tuple[float, float]]) -> list[TrendPoint]:
    return [TrendPoint(fill, used, value) for fill, row in enumerate(fills) for used, value in row]


@pytest.mark.parametrize("size", [3, 5, 9, 20])
def test_one_fill_has_the_slope_and_interval_of_theil_and_sen(size: int) -> None:
    """Against SciPy's theilslopes, on data without ties."""
    drawn = np.random.default_rng(size)
    used = np.cumsum(drawn.uniform(1, 2, size))
    value = 0.3 * used + drawn.normal(0, 0.2, size)
    theirs = theilslopes(value, used, 0.95)
    ours = pooled_slope(points(list(zip(used.tolist(), value.tolist(), strict=True))))
    assert ours is not None
    assert (ours.slope, ours.low, ours.high) == pytest.approx(
        (theirs.slope, theirs.low_slope, theirs.high_slope)
    )
    assert ours.is_interval_full is (size > 4)


def test_fills_at_other_levels_share_one_slope() -> None:
    fills = [[(1.0, level), (3.0, level + 1.0), (5.0, level + 2.0)] for level in (0.0, 40.0, -7.0)]
    found = pooled_slope(points(*fills))
    assert found is not None
    assert (found.slope, found.low, found.high, found.pairs) == (0.5, 0.5, 0.5, 9)
    there = crossing(points(*fills), found, limit=-3.0)
    assert there is not None
    assert (there.likely, there.early, there.late) == (9.0, 9.0, 9.0)


def test_an_outlier_leaves_the_slope_in_place() -> None:
    line = [(float(x), 2.0 * x) for x in range(1, 8)]
    spoilt = [*line[:3], (4.0, 500.0), *line[4:]]
    found = pooled_slope(points(spoilt))
    assert found is not None
    assert found.slope == pytest.approx(2.0)


def test_too_few_samples_have_no_slope() -> None:
    assert pooled_slope([]) is None
    assert pooled_slope(points([(1.0, 2.0)], [(1.0, 3.0)])) is None
    assert pooled_slope(points([(1.0, 2.0), (1.0, 3.0)])) is None


def test_a_slope_away_from_a_limit_never_crosses_it() -> None:
    falling = points([(0.0, 9.0), (10.0, 8.0), (20.0, 7.0)])
    slope = pooled_slope(falling)
    assert slope is not None
    assert crossing(falling, slope, limit=12.0) is None
    there = crossing(falling, slope, limit=4.0)
    assert there is not None
    assert there.likely == pytest.approx(50.0)
    level = points([(0.0, 9.0), (10.0, 9.0)])
    flat = pooled_slope(level)
    assert flat is not None
    assert crossing(level, flat, limit=4.0) is None


def test_a_crossing_beyond_all_measure_is_none() -> None:
    level = points([(0.0, 0.0), (10.0, 5e-324), (20.0, 1e-320)])
    slope = pooled_slope(level)
    assert slope is not None
    assert crossing(level, slope, limit=1e6) is None


def test_the_interval_gives_an_early_and_perhaps_no_late_crossing() -> None:
    rising = points([(0.0, 0.0), (1.0, 2.0), (2.0, 1.0), (3.0, 3.0)])
    slope = pooled_slope(rising)
    assert slope is not None
    there = crossing(rising, slope, limit=10.0)
    assert there is not None
    assert there.early < there.likely
    assert there.late is None
