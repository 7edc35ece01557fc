"""The fast path of a reading: newer than any of its meter, able to follow the last accepted one.

Such readings only move what is kept of their meter's past; all others are judged with their neighbours. The rows of one
meter go together, so that what holds for all of them is asked once.
"""

from __future__ import annotations

from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple

from api.services.feed.batch import Outcome, SentReading, Verdict, Why
from api.store.codes import METERS_BY_CODE, ReadingStatus
from domain.meters import DAY_US, can_step
from domain.usage import fold_into

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.services.feed.carriers import Carrier
    from api.services.grounds import SourceTerms
    from api.store.queries_readings import SourceKey
    from api.store.writes_readings import NewReading

_ACCEPTED = ReadingStatus.ACCEPTED.value
# Of a ``SentReading``: instant, figure, place.
_IN_TIME = itemgetter(3, 4, 0)


class Stamp(NamedTuple):
    """What all readings of a batch have in common.

    Attributes:
        fleet: The fleet.
        now_us: When they came in [us UTC].
        latest_us: The latest instant that a clock may show [us UTC].
        sources: Their sources, by code.
    """

    fleet: int
    now_us: int
    latest_us: int
    sources: Mapping[str, SourceKey]


def in_time(rows: list[SentReading], outcome: Outcome) -> list[SentReading]:
    """Rows of one meter in order of time, without those that stand twice; the second ones are noted."""
    if len(rows) == 1:
        return rows
    rows.sort(key=_IN_TIME)
    before_us = -1
    at_once: set[tuple[str, int]] = set()
    kept = []
    for row in rows:
        place, _, _, at_us, figure, source = row
        if at_us != before_us:
            before_us = at_us
            at_once = {(source, figure)}
        elif (source, figure) in at_once:
            outcome.note(place, Verdict.DUPLICATE, Why.SAME_READING_IN_BATCH)
            continue
        else:
            at_once.add((source, figure))
        kept.append(row)
    return kept


def extended(vehicle: Carrier, meter: int, rows: Sequence[SentReading], stamp: Stamp) -> list[NewReading]:
    """The first of a meter's rows, in order of time, as they are stored; the rest cannot just follow.

    Args:
        vehicle: The vehicle; its usage takes the readings in.
        meter: Code of the meter.
        rows: Its rows, in order of time.
        stamp: What they have in common.
    """
    taken: list[NewReading] = []
    now = vehicle.usage.meters.get(meter)
    if now is None or now.last_at_us is None or not vehicle.is_settled:
        return taken
    fleet, now_us, latest_us, sources = stamp
    kind, key = METERS_BY_CODE[meter], vehicle.key
    last_us, last_life, last_day = now.last_at_us, now.last_life, now.last_at_us // DAY_US
    after_us, from_us, offset = now.newest_at_us, now.fitted_at_us, now.life_offset
    code: str | None = None
    source: SourceKey
    terms: SourceTerms | None = None
    for row in rows:
        _, _, _, at_us, figure, row_code = row
        if at_us <= after_us or at_us < from_us or at_us > latest_us:
            break
        if row_code != code:
            code, source = row_code, sources[row_code]
            terms = vehicle.usage.sources.get(source.key)
        dial = figure if terms is None and not source.is_device else _on_dial(row, source, terms)
        if dial is None:
            break
        life = dial + offset
        if not can_step(kind, life - last_life, at_us - last_us):
            break
        day = at_us // DAY_US
        if day != last_day:  # of each day the last reading counts
            vehicle.keep_level(meter, now, at_us)
            fold_into(now, at_us, life)
        else:
            now.last_at_us, now.last_life = at_us, life
        after_us = last_us = at_us
        last_life, last_day = life, day
        taken.append((fleet, day, key, meter, at_us, source.key, figure, life, _ACCEPTED, 0, now_us))
    if taken:
        now.newest_at_us = after_us
        vehicle.touched.add(meter)
        vehicle.note_day(taken[0][1])
        vehicle.note_day(last_day)
    return taken


def _on_dial(row: SentReading, source: SourceKey, terms: SourceTerms | None) -> int | None:
    """What the dial showed; None where the source was not on the vehicle."""
    if terms is None or ((source.is_device or terms.fitted) and not terms.is_fitted(row.at_us)):
        return None
    return terms.on_dial(row.meter, row.at_us, row.figure)
