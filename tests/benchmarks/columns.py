"""Due evaluation of 1.2 million rule states in columns against a bare NumPy minimum over the same limbs."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from domain.fleet import (
    NEVER,
    DueColumns,
    SpanColumns,
    StandingColumns,
    judged,
    rounded_up,
    strictest_figures,
    weighted_figures,
)
from domain.sheet import Limb
from tests.benchmarks.figures import Figure, interleaved

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_VEHICLES = 100_000
_SERVICES = 12
_ROWS = _VEHICLES * _SERVICES
_AS_OF = 741_000
_LIMBS = (Limb.CALENDAR, Limb.ODOMETER, Limb.ENGINE_HOURS)
_STALE_DAYS = 14
_SPANS = 3


def figures() -> Iterator[Figure]:
    """The two figures of column evaluation."""
    points, standings = _points(), _standings()
    duty = _Duty()
    taken = interleaved(
        {
            "judged from stored thresholds": partial(
                judged, points, standings, as_of=_AS_OF, stale_days=_STALE_DAYS
            ),
            "judged from duty segments and rules": lambda: judged(
                duty.points(points), standings, as_of=_AS_OF, stale_days=_STALE_DAYS
            ),
            "bare minimum over limbs": partial(_bare_minimum, points, standings),
        },
        rounds=11,
    )
    stored, from_duty, bare = taken.values()
    yield Figure("columns", stored.median / bare.median, 3.0, (stored, bare))
    yield Figure("columns from duty segments", from_duty.median / bare.median, None, (from_duty, bare))


def _bare_minimum(points: DueColumns, standings: StandingColumns) -> NDArray[np.float64]:
    """The day on which the first limb is reached, as one would write it down in a hurry."""
    days: NDArray[np.float64] = points.due[0].astype(np.float64)
    for limb in (1, 2):
        vehicle = points.vehicle
        remaining = points.due[limb] - standings.life[limb][vehicle]
        reached = standings.day[limb][vehicle] + np.ceil(remaining / standings.per_day[limb][vehicle])
        days = np.minimum(days, reached)
    return days


def _points() -> DueColumns:
    dice = np.random.default_rng(1)
    vehicle = np.repeat(np.arange(_VEHICLES), _SERVICES)
    life = _standings().life
    due = np.stack(
        [
            _AS_OF + dice.integers(-100, 1_000, _ROWS),
            life[1][vehicle] + dice.integers(-1_000_000, 60_000_000, _ROWS),
            life[2][vehicle] + dice.integers(-100_000, 3_000_000, _ROWS),
        ]
    )
    # Every rule runs on the odometer; most on the calendar, some on hours.
    due[0][dice.random(_ROWS) < 0.3] = NEVER
    due[2][dice.random(_ROWS) < 0.7] = NEVER
    early = np.array([[14], [1_000_000], [36_000]])
    late = np.array([[30], [2_000_000], [72_000]])
    return DueColumns(
        _LIMBS,
        vehicle,
        due,
        np.where(due == NEVER, NEVER, due - early),
        np.where(due == NEVER, NEVER, due + late),
    )


def _standings() -> StandingColumns:
    dice = np.random.default_rng(2)
    zero = np.zeros(_VEHICLES, np.int64)
    return StandingColumns(
        np.stack(
            [zero, dice.integers(0, 400_000_000, _VEHICLES), dice.integers(0, 30_000_000, _VEHICLES)],
        ),
        np.stack(
            [
                zero,
                _AS_OF - dice.integers(0, 20, _VEHICLES),
                _AS_OF - dice.integers(0, 20, _VEHICLES),
            ]
        ),
        np.stack(
            [
                zero.astype(np.float64),
                dice.uniform(10_000, 300_000, _VEHICLES),
                dice.uniform(1_000, 30_000, _VEHICLES),
            ]
        ),
        np.ones((3, _VEHICLES), np.bool_),
    )


class _Duty:
    """Duty of every rule on its two meters: half of the rules weighted, half under the strictest policy."""

    def __init__(self) -> None:
        dice = np.random.default_rng(3)
        self._is_weighted = dice.random(_ROWS) < 0.5
        self._spans: list[tuple[SpanColumns, SpanColumns]] = []
        self._intervals: list[NDArray[np.float64]] = []
        for longest in (60_000_000.0, 3_000_000.0):
            interval = dice.uniform(0.2, 1.0, _ROWS) * longest
            start = np.sort(dice.uniform(0.0, 0.8, (_SPANS, _ROWS)), axis=0) * longest
            share = dice.uniform(0.0, 1.0, (_SPANS, _ROWS))
            self._intervals.append(interval)
            self._spans.append((SpanColumns(start, 1.0 + share), SpanColumns(start, share)))
        self._factor = np.full((1, _ROWS), 0.5)
        self._threshold = np.full((1, _ROWS), 0.25)

    def points(self, like: DueColumns) -> DueColumns:
        """The due points that the duty leads to; limbs without a threshold in ``like`` stay without."""
        due = like.due.copy()
        rows = (np.flatnonzero(self._is_weighted), np.flatnonzero(~self._is_weighted))
        for place, (interval, (wear, shares)) in enumerate(
            zip(self._intervals, self._spans, strict=True), start=1
        ):
            weighted, strictest = rows
            due[place, weighted] = rounded_up(weighted_figures(_taken(wear, weighted), interval[weighted]))
            due[place, strictest] = rounded_up(
                strictest_figures(
                    shares.start[0, strictest],
                    interval[strictest],
                    self._factor[:, strictest],
                    self._threshold[:, strictest],
                    (_taken(shares, strictest),),
                )
            )
        due[like.due == NEVER] = NEVER
        return DueColumns(
            like.limbs,
            like.vehicle,
            due,
            np.where(due == NEVER, NEVER, due - 500),
            np.where(due == NEVER, NEVER, due + 300),
        )


def _taken(spans: SpanColumns, rows: NDArray[np.int64]) -> SpanColumns:
    return SpanColumns(spans.start[:, rows], spans.measure[:, rows])
