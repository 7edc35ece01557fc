"""The laws by which the meters of a fleet run on from their last readings, in columns.

A meter whose type has a learned pattern goes by its level, kept as readings come in; another one by its own recent
rate and the spread that is usual. A meter without any rate has no law.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.store.codes import METER_CODES
from domain.use_columns import LevelColumns, PatternColumns, advanced_levels, corrected_law
from domain.use_learning import default_pattern
from domain.use_level import PACKED_DOUBLES, first_state

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from api.services.use_patterns import Patterns
    from domain.sheet import Meter
    from domain.use_law import UseLaw

    Real = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Index = NDArray[np.int64]

_NOTHING = np.full(PACKED_DOUBLES, np.nan).tobytes()


@dataclass(frozen=True, slots=True, eq=False)
class MeterColumns:
    """One meter of n vehicles, as ``standing`` has it.

    Attributes:
        spec_sheet_keys: The type of each vehicle, shape (n,).
        life: Last reading, shape (n,) [canonical units]; NaN: none.
        day: Ordinal of its day, shape (n,); NaN: none.
        per_day: Recent rate, shape (n,) [canonical units a day]; NaN: none.
        levels: What is kept of the levels, packed.
    """

    spec_sheet_keys: Index
    life: Real
    day: Real
    per_day: Real
    levels: Sequence[bytes | None]


@dataclass(frozen=True, slots=True, eq=False)
class MeterLaws:
    """How one meter of n vehicles runs on.

    Attributes:
        law: The law of each from its last reading on; where none is known it stands still.
        is_known: Whether there is one, shape (n,).
        is_by_type: Whether it goes by the type's pattern, shape (n,).
        per_day: Expected use a day at the last reading, shape (n,) [canonical units].
        spread_per_day: Standard deviation of what is known of it, shape (n,) [canonical units].
    """

    law: UseLaw
    is_known: Flags
    is_by_type: Flags
    per_day: Real
    spread_per_day: Real


def use_laws(patterns: Patterns, meter: Meter, columns: MeterColumns) -> MeterLaws:
    """How one meter of a fleet's vehicles runs on.

    Args:
        patterns: The patterns that are known.
        meter: The meter.
        columns: The meter as it stands.
    """
    sheets, kind = np.unique(columns.spec_sheet_keys, return_inverse=True)
    code = METER_CODES[meter]
    known = [patterns.get((int(key), code)) for key in sheets]
    usual = default_pattern(1.0)
    by_type = PatternColumns.of([usual if one is None else one.pattern for one in known]).take(kind)
    kept = np.frombuffer(b"".join(level or _NOTHING for level in columns.levels), dtype="<f8")
    level, variance, own_use, own_days, day, life = kept.reshape(-1, PACKED_DOUBLES).T
    is_by_type = np.array([one is not None for one in known], dtype=bool)[kind] & ~np.isnan(level)
    rate = np.maximum(np.nan_to_num(columns.per_day), 0.0)
    by_rate = PatternColumns.of([usual]).take(np.zeros(len(kind), dtype=np.int64)).scaled(rate)
    chosen = by_type.where(is_by_type, by_rate)
    start = first_state(usual.terms)
    states = LevelColumns(
        np.where(is_by_type, level, rate * start.level),
        np.where(is_by_type, variance, rate**2 * start.variance),
        np.where(is_by_type, own_use, 0.0),
        np.where(is_by_type, own_days, 0.0),
    )
    states = advanced_levels(
        chosen,
        states,
        np.where(is_by_type, np.maximum(columns.day - day, 0.0), 0.0),
        np.where(is_by_type, columns.life - life, 0.0),
    )
    return MeterLaws(
        corrected_law(chosen, states),
        is_by_type | ~np.isnan(columns.per_day),
        is_by_type,
        np.maximum(states.level, 0.0),
        np.sqrt(np.maximum(states.variance, 0.0)) * chosen.spread_factor,
    )
