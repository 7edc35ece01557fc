"""Judging a part of a meter's history so that the outcome is that of judging the whole.

A late reading can change verdicts around it, and in principle far away. ``replayed`` finds an accepted
reading before the change and one after it through which the best chain must pass whatever lies between
(``is_anchor``), and judges what lies between them.

Why an anchor holds. Let ``c`` be an accepted reading, ``h`` the number of readings that are not accepted, and
let the ``h + 1`` accepted readings up to ``c`` have none of those among them. A chain that avoids ``c``
contains at most ``h`` readings that are not accepted. Of the accepted readings up to ``c`` it lacks those that
a later outlier (a reading that cannot follow ``c``) contradicts. If an outlier contradicts all ``h + 1``,
the chain that takes it stays shorter than the one through ``c``, and so does every chain that turns away
before them, since the ``h`` others cannot make up for ``h + 1``. So the best chain passes through ``c``; what
stands before ``c`` does not depend on what comes after, and what stands after depends on ``c`` alone.

Invariant: ``replayed`` gives None rather than an answer that the whole history might not give.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from domain.meters import PACE, Reading, can_link, plausible_chain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from domain.sheet import Meter

# Candidates that are tried for an anchor, from the change outwards.
_TRIES = 64


@dataclass(frozen=True, slots=True)
class Window:
    """What is known of a meter's history around a change.

    Attributes:
        accepted: Readings of the window that were accepted before the change, in order of time.
        held: Readings of the whole history that were in question and not accepted before the change, by time.
        now: Readings of the window that are in question after the change, in order of time.
        changed: Readings that came, went, or are vouched for or no longer so.
        vouched: Readings that a person vouches for now.
        is_from_first: Whether nothing lies before the window.
        is_to_last: Whether nothing lies after it.
    """

    accepted: Sequence[Reading]
    held: Sequence[Reading]
    now: Sequence[Reading]
    changed: frozenset[Reading]
    vouched: frozenset[Reading]
    is_from_first: bool
    is_to_last: bool


@dataclass(frozen=True, slots=True)
class Replayed:
    """Verdicts of a part of a history; outside it they stay as they were.

    Attributes:
        after: The anchor after which verdicts begin; None: from the first reading on.
        through: The anchor with which they end; None: to the last reading.
        accepted: Accepted readings from the one anchor to the other, both among them, in order of time.
    """

    after: Reading | None
    through: Reading | None
    accepted: tuple[Reading, ...]


def replayed(meter: Meter, window: Window) -> Replayed | None:
    """The verdicts around a change, or None where the window is too narrow to be sure of them.

    Args:
        meter: The meter.
        window: What is known.
    """
    if window.is_from_first and window.is_to_last:
        return Replayed(None, None, _chain(meter, window.now, window.vouched, None))
    if not window.changed or not _is_local(meter, window):
        return None
    after: Reading | None = None
    links = window.now
    if not window.is_from_first:
        after = _anchor_before(meter, window, min(reading.at_us for reading in window.changed))
        if after is None:
            return None
        links = [after, *(reading for reading in links if reading.at_us > after.at_us)]
    chain = _chain(meter, links, window.vouched, after)
    if window.is_to_last:
        return Replayed(after, None, chain)
    through = _anchor_after(meter, window, links, chain)
    return None if through is None else Replayed(after, chain[through], chain[: through + 1])


def is_anchor(
    meter: Meter, chain: Sequence[Reading], place: int, held: Sequence[Reading], vouched: frozenset[Reading]
) -> bool:
    """Whether the best chain passes through one of its readings, whatever else may be chosen.

    Args:
        meter: The meter.
        chain: Accepted readings, in order of time; those far before ``place`` may be left out.
        place: Index of the reading.
        held: Every reading that is not accepted, or might not be, in order of time.
        vouched: Readings that a person vouches for.
    """
    least = len(held) + 1
    if place + 1 < least:
        return False
    anchor, stretch = chain[place], chain[place + 1 - least : place + 1]
    start = bisect_left(held, stretch[0].at_us, key=lambda one: one.at_us)
    pace, slack = PACE[meter].per_second, PACE[meter].slack * (least + 1)
    for other in held[start:]:
        if other.at_us <= anchor.at_us:
            return False
        if can_link(meter, anchor, other, vouched):
            continue
        if other in vouched:
            return False
        for one in stretch:
            reach = one.life + pace * (other.at_us - one.at_us) / 1e6 + slack
            if one.life <= other.life <= reach:
                return False
    return True


def _chain(
    meter: Meter, links: Sequence[Reading], vouched: frozenset[Reading], anchor: Reading | None
) -> tuple[Reading, ...]:
    flags = plausible_chain(meter, links, vouched, anchor=anchor)
    return tuple(link for link, is_in in zip(links, flags, strict=True) if is_in)


def _is_local(meter: Meter, window: Window) -> bool:
    """Whether what the change takes away leaves the rest of the chain standing, and nobody's word is overruled."""
    if any(one in window.vouched and one not in window.changed for one in window.held):
        return False  # people contradict each other: who holds may have changed anywhere
    if not window.changed.intersection(window.accepted):
        return True
    now = set(window.now)
    kept = [reading for reading in window.accepted if reading in now]
    return all(can_link(meter, one, other, window.vouched) for one, other in pairwise(kept))


def _anchor_before(meter: Meter, window: Window, first_us: int) -> Reading | None:
    chain = window.accepted
    before = bisect_left(chain, first_us, key=lambda one: one.at_us)
    known = set(window.accepted) | set(window.held)
    new = [one for one in window.now if one not in known or one in window.changed]
    for place in range(before - 1, max(-1, before - 1 - _TRIES), -1):
        anchor = chain[place]
        outliers = [one for one in new if not can_link(meter, anchor, one, window.vouched)]
        if is_anchor(meter, chain, place, _merged(window.held, outliers), window.vouched):
            return anchor
    return None


def _anchor_after(
    meter: Meter, window: Window, links: Sequence[Reading], chain: Sequence[Reading]
) -> int | None:
    """Place in the new chain of a reading that the old chain and the new one must both pass through."""
    old_place = {reading: place for place, reading in enumerate(window.accepted)}
    in_window, members = set(links), set(chain)
    held = _merged(
        [one for one in window.held if one not in in_window and one not in window.changed],
        [one for one in links if one not in members],
    )
    tries = 0
    last_us = max(reading.at_us for reading in window.changed)
    for place in range(bisect_left(chain, last_us + 1, key=lambda one: one.at_us), len(chain)):
        was = old_place.get(chain[place])
        if was is None:
            continue
        if is_anchor(meter, chain, place, held, window.vouched) and is_anchor(
            meter, window.accepted, was, window.held, window.vouched
        ):
            return place
        tries += 1
        if tries == _TRIES:
            break
    return None


def _merged(one: Iterable[Reading], other: Iterable[Reading]) -> list[Reading]:
    return sorted({*one, *other})
