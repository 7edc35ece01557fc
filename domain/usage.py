"""How fast a meter has been running lately, and the day on which it will reach a figure.

The rate is recent use over recent time, each weighted by an age that halves every ``HALF_LIFE_DAYS``. It is kept
in constant time by each reading (``fold``), and equals a recomputation from the whole history. ``projected_day``
is the one function that turns a threshold into a date.

Sources: the half-life of about 120 days does well on the real bus odometers published with Rust (1987),
Econometrica 55(5), 999-1033, among the simple rules.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from domain.meters import DAY_US

if TYPE_CHECKING:
    from collections.abc import Iterable

HALF_LIFE_DAYS = 120.0
LAST_DAY_ORDINAL = 803_533  # 2200-12-31: a date beyond it is no date at all
LEAST_DAYS = 0.5  # Two readings around midnight say nothing about a day.

# Remaining figures are whole units, rates are not: this much of a day is rounding, not time.
_DAY_SLACK = 1e-9


@dataclass(frozen=True, slots=True)
class UsageState:
    """What is kept of a meter's past: the last reading, the one of the day before it, and weighted sums.

    Attributes:
        last_at_us: Instant of the last reading [us UTC].
        last_life: Its life-to-date figure [canonical units].
        before_at_us: Instant of the last reading of the last UTC day before that day [us UTC]; None: none yet.
        before_life: Its figure [canonical units].
        use: Weighted use up to ``before`` [canonical units].
        days: Weighted time up to ``before`` [d].
    """

    last_at_us: int
    last_life: int
    before_at_us: int | None = None
    before_life: int = 0
    use: float = 0.0
    days: float = 0.0


class Usage(Protocol):
    """A ``UsageState`` that is changed in place; ``last_at_us`` is None before the first reading."""

    last_at_us: int | None
    last_life: int
    before_at_us: int | None
    before_life: int
    use: float
    days: float


def fold(state: UsageState | None, at_us: int, life: int) -> UsageState:
    """The state after a newest reading.

    Args:
        state: The state before it; None for the first.
        at_us: Instant, later than the last one's [us UTC].
        life: Life-to-date figure, not below the last one's [canonical units].
    """
    if state is None:
        return UsageState(at_us, life)
    if at_us // DAY_US == state.last_at_us // DAY_US:
        return UsageState(at_us, life, state.before_at_us, state.before_life, state.use, state.days)
    use, days = _weighted(state)
    return UsageState(at_us, life, state.last_at_us, state.last_life, use, days)


def fold_into(state: Usage, at_us: int, life: int) -> None:
    """``fold``, in place, for a state that is kept where it stands.

    Args:
        state: The state before it.
        at_us: Instant, later than the last one's [us UTC].
        life: Life-to-date figure, not below the last one's [canonical units].
    """
    if state.last_at_us is not None and at_us // DAY_US != state.last_at_us // DAY_US:
        state.use, state.days = _weighted(state)
        state.before_at_us, state.before_life = state.last_at_us, state.last_life
    state.last_at_us, state.last_life = at_us, life


def folded(points: Iterable[tuple[int, int]]) -> UsageState | None:
    """The state after a whole history of (instant [us UTC], life-to-date) in order of time."""
    state: UsageState | None = None
    for at_us, life in points:
        state = fold(state, at_us, life)
    return state


def rate_per_day(state: UsageState | Usage | None) -> float | None:
    """Recent use [canonical units a day]; None with readings on one day, or on two but hardly apart."""
    if state is None:
        return None
    use, days = _weighted(state)
    return None if days < LEAST_DAYS else use / days


def projected_day(remaining: int, day: int, per_day: float | None) -> int | None:
    """The day ordinal on which what remains will have run, or had run when it is negative.

    Args:
        remaining: What is left to run from the last reading [canonical units]; negative when past.
        day: Ordinal of the last reading's day.
        per_day: Recent use [canonical units a day].

    Returns:
        A meter that stands still, or whose rate is unknown, is taken to have passed the figure on the last reading's
        day where it is past; None where it is not, and beyond the year 2200.
    """
    if per_day is None or per_day <= 0:
        return day if remaining <= 0 else None
    days = max(remaining / per_day, -float(day))
    if days > LAST_DAY_ORDINAL:
        return None
    ordinal = day + math.ceil(days - _DAY_SLACK)
    if ordinal > LAST_DAY_ORDINAL:
        return None
    return max(1, ordinal)


def _weighted(state: UsageState | Usage) -> tuple[float, float]:
    if state.before_at_us is None or state.last_at_us is None:
        return 0.0, 0.0
    days = (state.last_at_us - state.before_at_us) / DAY_US
    decay = 2.0 ** (-days / HALF_LIFE_DAYS)
    return state.use * decay + (state.last_life - state.before_life), state.days * decay + days
