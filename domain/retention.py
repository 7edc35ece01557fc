"""How long an entry of a vehicle's record is kept: never shorter than the rule says, and while a due point rests on it.

Invariants: months are rounded up, so that a day that a month lacks becomes the first of the next; an entry that a
live due point is counted from has no end; the record of a vehicle that left has no live due points.

Sources: 49 CFR 396.3(c), one year where the vehicle is housed and six months after it leaves, from public copies of
the rule. That the later of the two counts is our reading. Other places have other rules; this is no legal advice.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from domain.calendar import add_months
from domain.due import due_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from domain.history import VehicleHistory, WorkDone
    from domain.sheet import SpecSheet

KEPT_MONTHS = 12
KEPT_AFTER_LEAVING_MONTHS = 6


def months_later(on: date, months: int) -> date:
    """The day so many calendar months after another; where the month lacks it, the first of the next one.

    Args:
        on: The day.
        months: Calendar months, 0 or more [month].
    """
    clamped = add_months(on, months)
    return clamped if clamped.day == on.day else clamped + timedelta(days=1)


def kept_until(entered_on: date, left_on: date | None) -> date:
    """The first day on which an entry may go, as far as the rule alone is concerned.

    Args:
        entered_on: Day of what the entry tells, or of the entry where that is later.
        left_on: The vehicle's last day; None while it is in the fleet.
    """
    kept = months_later(entered_on, KEPT_MONTHS)
    return kept if left_on is None else max(kept, months_later(left_on, KEPT_AFTER_LEAVING_MONTHS))


def counted_from(sheet: SpecSheet, history: VehicleHistory) -> frozenset[int]:
    """Keys of the work done that due points rest on: without any of them some due point would be another.

    The newest entries of each service are taken, twice as many again until the due points are those of the whole
    past; of these the oldest that can go without a due point moving are left out.

    Args:
        sheet: The spec sheet in force.
        history: The vehicle's past.
    """
    conclusion = due_points(sheet, history)
    ordered = sorted(history.work, key=lambda work: (work.at_us, work.key))
    taken, each = _newest(ordered, 1), 1
    while due_points(sheet, replace(history, work=tuple(taken))) != conclusion:
        each *= 2
        taken = _newest(ordered, each)
    held: list[WorkDone] = []
    while taken:
        work = taken.pop(0)
        if due_points(sheet, replace(history, work=(*held, *taken))) != conclusion:
            held.append(work)
    return frozenset(work.key for work in held)


def _newest(ordered: Sequence[WorkDone], each: int) -> list[WorkDone]:
    """The newest entries that completed each service, in order of time; all of them where ``each`` is that many."""
    seen: Counter[str] = Counter()
    taken = []
    for work in reversed(ordered):
        if any(seen[service] < each for service in work.completed):
            taken.append(work)
        seen.update(work.completed)
    return taken[::-1]
