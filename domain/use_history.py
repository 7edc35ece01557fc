"""Use by month, in columns: what learning and backtests walk over.

Of each month the last reading of a vehicle stands: forecasts are made from it, and held against what the
vehicle had run one, three, six and twelve months later to the day. Figures between readings are interpolated,
and count as known once the later of the two has been read; beyond the last reading nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]
    Dates = NDArray[np.datetime64]

HORIZON_MONTHS: tuple[int, ...] = (1, 3, 6, 12)
"""Horizons that forecasts are held to [month]."""

NEVER = np.iinfo(np.int64).max
"""Month in which a use that was never read becomes known."""


@dataclass(frozen=True, slots=True, eq=False)
class DaySeries:
    """One meter's readings, one a day at most.

    Attributes:
        days: Days counted from 1970, strictly rising [d].
        life: Life-to-date on them, never falling [canonical units].
    """

    days: Index
    life: Real


@dataclass(frozen=True, slots=True, eq=False)
class UseHistories:
    """Use of n vehicles over m months; the last axis of three is the horizon.

    Attributes:
        type_of: Which type each vehicle is, counted from 0, shape (n,).
        first_month: The first month, counted from January 1970.
        day: Day of the last reading of a month, counted from 1970, shape (n, m); NaN: none was read.
        life: Its life-to-date figure, shape (n, m) [canonical units].
        months_read: Months with a reading up to and including it, shape (n, m).
        horizon_days: Length of each horizon from that reading, shape (n, m, horizons) [d].
        use: What was run over it, shape (n, m, horizons) [canonical units]; NaN: not known.
        known_in: Place of the month in which that was known, shape (n, m, horizons); ``NEVER``: not known.
    """

    type_of: Index
    first_month: int
    day: Real
    life: Real
    months_read: Index
    horizon_days: Real
    use: Real
    known_in: Index

    @property
    def month_days(self) -> Real:
        """The length of each month, shape (m,) [d]."""
        starts = (self.first_month + np.arange(self.day.shape[1] + 1)).astype("datetime64[M]")
        return np.diff(starts.astype("datetime64[D]").astype(np.float64))

    @property
    def years(self) -> Index:
        """The calendar year of each month, shape (m,)."""
        return 1970 + (self.first_month + np.arange(self.day.shape[1])) // 12

    def take(self, rows: Index) -> UseHistories:
        """Some of the vehicles, in the order asked for."""
        return UseHistories(
            self.type_of[rows],
            self.first_month,
            self.day[rows],
            self.life[rows],
            self.months_read[rows],
            self.horizon_days[rows],
            self.use[rows],
            self.known_in[rows],
        )


def use_histories(series: Sequence[DaySeries], type_of: Sequence[int]) -> UseHistories:
    """The use of vehicles by month.

    Args:
        series: The readings of each vehicle; at least one of them has some.
        type_of: The type of each, counted from 0.
    """
    months = [one.days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) for one in series]
    first = min((int(m[0]) for m in months if len(m)), default=0)
    last = max((int(m[-1]) for m in months if len(m)), default=-1)
    shape = (len(series), last - first + 1)
    horizons = (*shape, len(HORIZON_MONTHS))
    day, life = np.full(shape, np.nan), np.full(shape, np.nan)
    horizon_days, use = np.full(horizons, np.nan), np.full(horizons, np.nan)
    known_in = np.full(horizons, NEVER, dtype=np.int64)
    for row, (one, month) in enumerate(zip(series, months, strict=True)):
        if not len(month):
            continue
        ends = np.flatnonzero(np.append(month[1:] != month[:-1], True))
        at = month[ends] - first
        day[row, at], life[row, at] = one.days[ends], one.life[ends]
        for place, ahead in enumerate(HORIZON_MONTHS):
            target = _months_later(one.days[ends], ahead)
            later = np.searchsorted(one.days, target)
            is_known = later < len(one.days)
            figure = np.interp(target, one.days, one.life)
            horizon_days[row, at, place] = target - one.days[ends]
            use[row, at, place] = np.where(is_known, figure - one.life[ends], np.nan)
            known = month[np.minimum(later, len(month) - 1)] - first
            known_in[row, at, place] = np.where(is_known, known, NEVER)
    return UseHistories(
        np.asarray(type_of, dtype=np.int64),
        first,
        day,
        life,
        np.cumsum(~np.isnan(day), axis=1),
        horizon_days,
        use,
        known_in,
    )


def _months_later(days: Index, months: int) -> Index:
    """The same day of the month so many months later, or the last day of that month."""
    dates = days.astype("datetime64[D]")
    month = dates.astype("datetime64[M]")
    day_of_month = dates - month.astype("datetime64[D]")
    target = (month + months).astype("datetime64[D]") + day_of_month
    last = (month + (months + 1)).astype("datetime64[D]") - 1
    found: Index = np.minimum(target, last).astype(np.int64)
    return found
