"""Judging around a change gives what judging the whole history gives, or says that it cannot tell."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from domain.meters import Reading, plausible_chain
from domain.replay import Window, replayed
from domain.sheet import Meter

HOUR_US = 3_600_000_000
ODOMETER = Meter.ODOMETER


def whole(links: list[Reading], vouched: frozenset[Reading]) -> list[Reading]:
    """The best chain of all readings."""
    flags = plausible_chain(ODOMETER, links, vouched)
    return [link for link, is_in in zip(links, flags, strict=True) if is_in]


def rising(readings: set[Reading]) -> frozenset[Reading]:
    """Some of these that do not contradict each other, as people's decisions leave them."""
    chosen: list[Reading] = []
    for one in sorted(readings):
        if not chosen or (one.at_us > chosen[-1].at_us and one.life >= chosen[-1].life):
            chosen.append(one)
    return frozenset(chosen)


def a_history(chance: random.Random, length: int, dirt: float) -> set[Reading]:
    """A vehicle's readings, some of them wrong: too high, too low, or from another vehicle for a while."""
    links, life, at_us, other = set(), 0, 0, chance.choice([None, 5_000_000, 40_000_000])
    for _ in range(length):
        at_us += chance.choice([1, 6, 24]) * HOUR_US
        life += chance.randrange(0, 60_000)
        shown = life
        if chance.random() < dirt:
            shown = chance.choice(
                [
                    life // 2,
                    life * 2,
                    life + 5_000_000,
                    max(0, life - 30_000),
                    life + chance.randrange(-9_000, 9_000),
                    life if other is None else other + at_us // HOUR_US * 1000,
                ]
            )
        links.add(Reading(at_us, max(0, shown)))
    return links


def change_of(
    chance: random.Random, before: set[Reading], vouched: frozenset[Reading]
) -> tuple[set[Reading], frozenset[Reading], frozenset[Reading]]:
    """The set and the vouched readings after a change, and what changed."""
    after, word = set(before), set(vouched)
    ordered = sorted(before)
    middle = chance.choice(ordered)
    kind = chance.random()
    if kind < 0.6:
        new = {
            Reading(
                middle.at_us + chance.randrange(1, 40) * HOUR_US // 7,
                max(0, middle.life + chance.choice([0, 10, 3_000, 200_000, -50_000, 9_000_000])),
            )
            for _ in range(chance.choice([1, 1, 2, 5]))
        } - before
        after |= new
        changed = new
    elif kind < 0.75:
        after.discard(middle)
        word.discard(middle)
        changed = {middle}
    elif kind < 0.9:
        word.add(middle)
        changed = {middle}
    else:
        word.discard(middle)
        changed = {middle}
    return after, frozenset(word), frozenset(changed)


@pytest.mark.parametrize("seed", range(12))
def test_a_part_is_judged_as_the_whole(seed: int) -> None:
    """Over random histories, changes and windows: each answer is the whole's, and most changes get one."""
    chance = random.Random(seed)  # noqa: S311 - a test's own dice
    seen: Counter[str] = Counter()
    for _ in range(400):
        before = a_history(chance, chance.randrange(20, 160), chance.choice([0.0, 0.02, 0.05, 0.2]))
        vouched = rising({one for one in before if chance.random() < chance.choice([0.0, 0.03])})
        chain = set(whole(sorted(before), vouched))
        after, now_vouched, changed = change_of(chance, before, vouched)
        if not changed or rising(set(now_vouched)) != now_vouched:
            continue
        is_clean = len(before) == len(chain)
        expected = set(whole(sorted(after), now_vouched))
        margin = chance.choice([2, 10, 40]) * 24 * HOUR_US
        start = min(one.at_us for one in changed) - margin
        end = max(one.at_us for one in changed) + margin
        verdicts = replayed(
            ODOMETER,
            Window(
                sorted(one for one in chain if start <= one.at_us <= end),
                sorted(before - chain),
                sorted(one for one in after if start <= one.at_us <= end),
                changed,
                now_vouched,
                is_from_first=all(one.at_us >= start for one in before | after),
                is_to_last=all(one.at_us <= end for one in before | after),
            ),
        )
        seen[f"{'clean' if is_clean else 'dirty'} {'told' if verdicts else 'untold'}"] += 1
        if verdicts is None:
            continue
        from_us = -1 if verdicts.after is None else verdicts.after.at_us
        through_us = 2**62 if verdicts.through is None else verdicts.through.at_us
        assert {one for one in after if one in expected} == {
            one
            for one in after
            if (one in verdicts.accepted if from_us < one.at_us <= through_us else one in chain)
        }
    assert seen["clean told"] > 4 * seen["clean untold"]
    assert seen["dirty told"] > 20
