"""The laws by which the meters of a fleet run on from their last readings, in columns.

A meter whose type has a learned pattern goes by its level, kept with each reading; another one by its own recent
rate and the spread that is usual. A meter without any rate has no law.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from api.store.codes import METER_CODES
from domain.use_columns import LevelColumns, PatternColumns, corrected_law
from domain.use_learning import default_pattern
from domain.use_level import first_state

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from api.services.use_patterns import Patterns
    from domain.sheet import Meter
    from domain.use_law import UseLaw

    Real = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Index = NDArray[np.int64]

_NOTHING = np.full(4, np.nan).tobytes()


def use_laws(
    patterns: Patterns,
    meter: Meter,
    *,
    spec_sheet_keys: Index,
    per_day: Real,
    levels: Sequence[bytes | None],
) -> tuple[UseLaw, Flags]:
    """The laws of one meter of n vehicles, and which of them have one; the others stand still.

    Args:
        patterns: The patterns that are known.
        meter: The meter.
        spec_sheet_keys: The type of each vehicle, shape (n,).
        per_day: Its recent rate, shape (n,) [canonical units a day]; NaN: none.
        levels: What ``standing`` holds of its level.
    """
    states = np.frombuffer(b"".join(level or _NOTHING for level in levels), dtype="<f8").reshape(-1, 4)
    sheets, kind = np.unique(spec_sheet_keys, return_inverse=True)
    code = METER_CODES[meter]
    known = [patterns.get((int(key), code)) for key in sheets]
    usual = default_pattern(1.0)
    columns = PatternColumns.of([usual if one is None else one.pattern for one in known])
    of_type = columns.take(kind)
    has_type = np.array([one is not None for one in known], dtype=bool)[kind] & ~np.isnan(states[:, 0])
    rate = np.maximum(np.nan_to_num(per_day), 0.0)
    is_known = has_type | ~np.isnan(per_day)
    start = first_state(usual.terms)
    mine = (
        np.where(has_type, states[:, 0], rate * start.level),
        np.where(has_type, states[:, 1], rate**2 * start.variance),
        np.where(has_type, states[:, 2], 0.0),
        np.where(has_type, states[:, 3], 0.0),
    )
    own = PatternColumns.of([usual]).take(np.zeros(len(kind), dtype=np.int64))
    chosen = of_type.where(has_type, own.scaled(rate))
    return corrected_law(chosen, LevelColumns(*mine)), is_known
