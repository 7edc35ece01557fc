"""Severe duty: a dated history of conditions, and what it does to an interval.

Conditions overlap, so each share is at most 1 and their sum may exceed it. Two policies, chosen by the rule:

*Strictest*, as handbooks print it: once the share of use under a condition since the service was last done has
passed its threshold, the shortened interval runs from the last-done point, and stays until the service is done.

*Weighted*: use adds up as fractions of the allowed interval (the Palmgren-Miner sum, due at 1). Overlapping
shares fill from the most severe condition down to 1.0; what is left wears at 1; multipliers never multiply. Use
keeps the rate at which it was run.

Each limb measures use in its own unit: metres on the odometer, seconds on an hour meter, days on the calendar.

Invariants: a multiplier never lengthens an interval; splitting an entry at any day or reordering entries changes
no figure, since equal neighbours are merged before anything is computed.

Sources: linear damage accumulation as in Budynas and Nisbett, Shigley's Mechanical Engineering Design, ch. 6.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING

from domain.errors import Breach, DutyError
from domain.meters import DAY_US
from domain.sheet import DutyCondition

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()

Shares = tuple[tuple[DutyCondition, float], ...]


@dataclass(frozen=True, slots=True)
class DutyEntry:
    """A condition under which a share of use falls, over whole UTC days.

    Attributes:
        condition: The condition.
        share: Share of use under it, above 0 and at most 1.
        from_on: First day.
        through_on: Last day; None: until further notice.
    """

    condition: DutyCondition
    share: float
    from_on: date
    through_on: date | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time over which the shares stay the same, up to the next stretch.

    Attributes:
        starts_on: First day; None: from the beginning of time.
        shares: Conditions with a share above 0, in the order of their names.
    """

    starts_on: int | None
    shares: Shares


def day_start_us(ordinal: int) -> int:
    """The instant at which a UTC day begins [us UTC]."""
    return (ordinal - _EPOCH_ORDINAL) * DAY_US


def check_duty(entries: Sequence[DutyEntry]) -> None:
    """Nothing, when the entries agree with each other.

    Raises:
        DutyError: A share outside (0, 1] (``share_out_of_range``), a last day before the first
            (``range_reversed``), or two entries of one condition on one day (``duty_overlaps``).
    """
    breaches = []
    for index, entry in enumerate(entries):
        if not 0 < entry.share <= 1:
            breaches.append(
                Breach(f"/{index}/share", "share_out_of_range", "a share is above 0 and at most 1")
            )
        if entry.through_on is not None and entry.through_on < entry.from_on:
            breaches.append(
                Breach(f"/{index}/through_on", "range_reversed", "the last day lies before the first")
            )
        for other in entries[:index]:
            if other.condition is entry.condition and _overlap(other, entry):
                breaches.append(
                    Breach(
                        f"/{index}/from_on",
                        "duty_overlaps",
                        f"another entry of {entry.condition.value} holds on some of these days",
                    )
                )
                break
    if breaches:
        raise DutyError(*breaches)


def stretches(entries: Sequence[DutyEntry]) -> tuple[Stretch, ...]:
    """The duty history as stretches of constant shares, equal neighbours merged, in order of time.

    The first stretch begins before all time, so that every day falls into exactly one.
    """
    days = {entry.from_on.toordinal() for entry in entries}
    days |= {entry.through_on.toordinal() + 1 for entry in entries if entry.through_on is not None}
    merged = [Stretch(None, ())]
    for day in sorted(days):
        shares = tuple(
            sorted(
                (entry.condition, entry.share)
                for entry in entries
                if entry.from_on.toordinal() <= day
                and (entry.through_on is None or day <= entry.through_on.toordinal())
            )
        )
        if shares != merged[-1].shares:
            merged.append(Stretch(day, shares))
    return tuple(merged)


def wear_factor(shares: Shares, factors: Mapping[DutyCondition, float]) -> float:
    """How much of the interval one unit of use takes, 1 in normal duty.

    Args:
        shares: Share of use under each condition.
        factors: Multiplier of the interval under each condition that counts, in (0, 1].
    """
    wear, left = 0.0, 1.0
    for factor, _, share in sorted((factors[c], c, share) for c, share in shares if c in factors):
        filled = min(share, left)
        wear += filled / factor
        left -= filled
    return wear + left


def passing_figure(
    spans: Sequence[tuple[float, float]], threshold_share: float, *, until: float | None = None
) -> float | None:
    """The figure at which the share of use since the first span's start first passes a threshold.

    Args:
        spans: (start, share) of each span of constant share, starts not falling; the last runs on for ever.
        threshold_share: Share to be passed, in [0, 1).
        until: Figure up to which use is looked at; None: for ever.

    Returns:
        The figure, in the limb's unit; None if it never passes.
    """
    origin = spans[0][0]
    under = 0.0
    for place, (start, share) in enumerate(spans):
        end = spans[place + 1][0] if place + 1 < len(spans) else until
        if end is not None and until is not None:
            end = min(end, until)
        if end is not None and end <= start:
            continue
        if share > threshold_share:
            # under + share * d = threshold * (start - origin + d)
            ahead = max(0.0, (threshold_share * (start - origin) - under) / (share - threshold_share))
            if end is None or start + ahead < end:
                return start + ahead
        if end is not None:
            under += share * (end - start)
    return None


def weighted_figure(spans: Sequence[tuple[float, float]], allowance: float) -> float:
    """The figure at which wear since the first span's start adds up to an allowance.

    Args:
        spans: (start, wear factor) of each span, starts not falling; the last runs on for ever.
        allowance: Use allowed in normal duty, in the limb's unit.
    """
    used = 0.0
    for (start, wear), (following, _) in pairwise(spans):
        worn = wear * (following - start)
        if used + worn >= allowance:
            return start + (allowance - used) / wear
        used += worn
    start, wear = spans[-1]
    return start + (allowance - used) / wear


def worn(spans: Sequence[tuple[float, float]], until: float) -> float:
    """The wear from the first span's start to a figure: the sum of use times wear factor.

    Args:
        spans: (start, wear factor) of each span, starts not falling.
        until: Figure up to which it is added, in the limb's unit.
    """
    used = 0.0
    for place, (start, wear) in enumerate(spans):
        end = min(until, spans[place + 1][0]) if place + 1 < len(spans) else until
        if end > start:
            used += wear * (end - start)
    return used


def _overlap(one: DutyEntry, other: DutyEntry) -> bool:
    return (one.through_on is None or other.from_on <= one.through_on) and (
        other.through_on is None or one.from_on <= other.through_on
    )
