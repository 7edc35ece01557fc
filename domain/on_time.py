"""Whether work was done in time: each service that a visit completed against its due point just before the visit.

Invariants: only what had happened by then counts, under the sheet then in force; a service is late when it was
overdue, so the sheet's tolerance and a deferral in force excuse; by how much is counted from the due point itself. A
service whose due point was not known is not judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from domain.anchors import figure_at
from domain.due import Standing, State, due_points, judge
from domain.sheet import METER_LIMBS, METER_OF, Limb

if TYPE_CHECKING:
    from domain.due import Judgement
    from domain.history import VehicleHistory, WorkDone
    from domain.sheet import Meter, SpecSheet

# The figures are those of the visit itself, so none of them is old.
_NEVER_STALE_DAYS = 10_000_000


@dataclass(frozen=True, slots=True)
class LimbTiming:
    """A service against its due point on one limb, when it was done.

    Attributes:
        limb: The limb.
        due: The due point: a day ordinal on the calendar, life-to-date on a meter [canonical units].
        done: The figure when it was done, the same way.
        late_by: By how much that was past the due point [d or canonical units]; 0 when it was not.
    """

    limb: Limb
    due: int
    done: int
    late_by: int


@dataclass(frozen=True, slots=True)
class Timing:
    """A service that a visit completed, against its due point just before.

    Attributes:
        service: Code of the service.
        is_on_time: Whether it was not overdue; None where that could not be told.
        is_deferred: Whether a deferral was in force.
        limbs: Its limbs; those without a figure left out.
    """

    service: str
    is_on_time: bool | None
    is_deferred: bool
    limbs: tuple[LimbTiming, ...]


def timings(sheet: SpecSheet, history: VehicleHistory, work: WorkDone) -> tuple[Timing, ...]:
    """Each service that a visit completed against its due point just before the visit, in sheet order.

    Args:
        sheet: The sheet in force at the visit.
        history: The vehicle's past, the visit and later ones among it.
        work: The visit.
    """
    asked = replace(sheet, services=tuple(each for each in sheet.services if each.code in work.completed))
    before = _before(history, work)
    standings = _standings(history, work)
    return tuple(
        _timing(point.service, judge(point, standings, work.on.toordinal(), _NEVER_STALE_DAYS))
        for point in due_points(asked, before)
    )


def _before(history: VehicleHistory, work: WorkDone) -> VehicleHistory:
    until = history.until(work.on, work.at_us)
    return replace(
        until,
        work=tuple(each for each in until.work if (each.at_us, each.key) < (work.at_us, work.key)),
        exchanges=tuple(each for each in until.exchanges if each.at_us < work.at_us),
    )


def _standings(history: VehicleHistory, work: WorkDone) -> dict[Meter, Standing]:
    found = {}
    for limb in METER_LIMBS:
        meter = METER_OF[limb]
        fix = figure_at(history, limb, work.at_us, work.on)
        life = work.figures.get(meter, None if fix is None else fix.life)
        if life is not None:
            found[meter] = Standing(life, work.on.toordinal(), None)
    return found


def _timing(service: str, judgement: Judgement) -> Timing:
    limbs = tuple(
        LimbTiming(one.point.limb, one.point.due, one.figure, max(-(one.remaining or 0), 0))
        for one in judgement.limbs
        if one.figure is not None
    )
    is_judged = judgement.state not in _UNJUDGED
    return Timing(
        service,
        judgement.state is not State.OVERDUE if is_judged else None,
        judgement.point.deferral is not None,
        limbs,
    )


_UNJUDGED = frozenset({State.BASELINE_NEEDED, State.NO_READING, State.READING_STALE, State.DONE})
