"""Months added to days, in columns; element by element what ``domain.calendar.add_part_months`` gives.

Invariants: months are counted from the day given and clamped to the month's end; a part of a month is that share of
its days, rounded up to a whole day.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Index = NDArray[np.int64]

_EPOCH = date(1970, 1, 1).toordinal()
_DAY_SLACK = 1e-6

# Beyond it a day is no date any more; nothing that is looked ahead to lies there.
_MOST_MONTHS = 84_000.0


def months_after(ordinals: Index, months: Real) -> Index:
    """Ordinals of the days so many months after others.

    Args:
        ordinals: Day ordinals, shape (n,).
        months: Calendar months, at least 0, also in part, shape (n,) [month].
    """
    held = np.minimum(months, _MOST_MONTHS)
    whole = np.floor(held + 1e-9)
    part = np.maximum(0.0, held - whole)
    start = _moved(ordinals, whole.astype(np.int64))
    has_part = part >= 1e-9  # noqa: PLR2004 - 2.4 x 5 counts as whole
    if not has_part.any():
        return start
    days = _moved(ordinals, whole.astype(np.int64) + 1) - start
    return np.where(has_part, start + np.ceil(days * part - _DAY_SLACK).astype(np.int64), start)


def _moved(ordinals: Index, months: Index) -> Index:
    days = (ordinals - _EPOCH).astype("datetime64[D]")
    month = days.astype("datetime64[M]")
    into = (days - month.astype("datetime64[D]")).astype(np.int64)
    target = month + months
    first = target.astype("datetime64[D]")
    length = ((target + 1).astype("datetime64[D]") - first).astype(np.int64)
    found: Index = first.astype(np.int64) + np.minimum(into, length - 1) + _EPOCH
    return found
