"""Whether work was done in time, visit by visit and over a span of days.

Invariants: only standing work counts, and none that was entered from papers, whose due points the fleet did not have;
a service is held against the sheet that its visit was.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import NotFoundError
from api.services.history import load_histories
from api.store import queries_on_time, queries_vehicles
from api.store.sheets import load_sheet
from domain.on_time import Timing, timings
from domain.sheet import Limb

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from api.store.session import ReadSession

MOST_VISITS = 1_000
"""Most visits that one summary is drawn from."""

_CHUNK = 200


@dataclass(frozen=True, slots=True)
class SpanAsked:
    """Which visits are asked about.

    Attributes:
        from_on: Done from this day on.
        through_on: Up to and including this day.
        unit: Only of the vehicle that bears this unit number, or bore it last.
        depot: Only of vehicles of this depot.
    """

    from_on: date
    through_on: date
    unit: str | None = None
    depot: str | None = None


@dataclass(frozen=True, slots=True)
class TimedService:
    """A service that a visit completed, against its due point.

    Attributes:
        entry: Key of the entry of work done.
        unit: The vehicle's newest unit number.
        depot: Code of its depot.
        name: The service in words.
        done_on: Day of the visit.
        timing: How it stood against its due point.
    """

    entry: int
    unit: str
    depot: str
    name: str
    done_on: date
    timing: Timing


@dataclass(frozen=True, slots=True)
class OnTimePage:
    """Services of visits, whole visits only, and the key of the last of them; None at the end."""

    services: tuple[TimedService, ...]
    next_after: int | None


@dataclass(frozen=True, slots=True)
class DepotTiming:
    """What the services of a depot's vehicles come to.

    Attributes:
        depot: Its code.
        on_time: How many were done in time.
        late: How many were late.
        not_judged: How many had no due point to be held against.
        latest_days: The latest of them by the calendar [d]; None where none was late by it.
    """

    depot: str
    on_time: int
    late: int
    not_judged: int
    latest_days: int | None


def on_time_page(  # noqa: PLR0913 - what a page asks for
    session: ReadSession,
    fleet_key: int,
    asked: SpanAsked,
    *,
    today: date,
    after: int | None,
    limit: int,
) -> OnTimePage:
    """Services of visits in the order of their entry.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which visits.
        today: The day on which a unit number is looked up.
        after: Key of the entry after which the page begins.
        limit: Most visits.

    Raises:
        NotFoundError: No vehicle has borne the unit number.
    """
    wishes = _wishes(session, fleet_key, asked, today)
    if after is not None:
        wishes["after"] = after
    rows = queries_on_time.visits(session, fleet_key, wishes, limit + 1)
    found = tuple(_timed(session, fleet_key, rows[:limit]))
    return OnTimePage(found, rows[limit - 1].id if len(rows) > limit else None)


def on_time_summary(
    session: ReadSession, fleet_key: int, asked: SpanAsked, *, today: date
) -> tuple[DepotTiming, ...] | None:
    """What the services of a span come to, a depot, in the order of their codes; None above ``MOST_VISITS``.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which visits.
        today: The day on which a unit number is looked up.

    Raises:
        NotFoundError: No vehicle has borne the unit number.
    """
    rows = queries_on_time.visits(
        session, fleet_key, _wishes(session, fleet_key, asked, today), MOST_VISITS + 1
    )
    if len(rows) > MOST_VISITS:
        return None
    depots: dict[str, list[Timing]] = defaultdict(list)
    for service in _timed(session, fleet_key, rows):
        depots[service.depot].append(service.timing)
    return tuple(_summed(depot, found) for depot, found in sorted(depots.items()))


_KIND = "vehicle"


def _wishes(session: ReadSession, fleet_key: int, asked: SpanAsked, today: date) -> dict[str, Any]:
    wishes: dict[str, Any] = {"from_on": asked.from_on, "through_on": asked.through_on}
    if asked.depot is not None:
        wishes["depot"] = asked.depot
    if asked.unit is not None:
        row = queries_vehicles.labelled(session, fleet_key, asked.unit, today)
        if row is None:
            raise NotFoundError(_KIND)
        wishes["vehicle"] = row.id
    return wishes


def _timed(session: ReadSession, fleet_key: int, rows: Sequence[Any]) -> Iterator[TimedService]:
    for start in range(0, len(rows), _CHUNK):
        chunk = rows[start : start + _CHUNK]
        vehicles = load_histories(session, fleet_key, sorted({row.vehicle_id for row in chunk}))
        for row in chunk:
            history = vehicles[row.vehicle_id].history
            # A visit that completed nothing is no visit to the history.
            work = next((each for each in history.work if each.key == row.id), None)
            if work is None:
                continue
            sheet = load_sheet(session, fleet_key, row.spec_sheet_version_id)
            names = {service.code: service.name for service in sheet.services}
            for timing in timings(sheet, history, work):
                yield TimedService(row.id, row.unit or "", row.depot, names[timing.service], work.on, timing)


def _summed(depot: str, found: Sequence[Timing]) -> DepotTiming:
    late_days = [
        limb.late_by
        for timing in found
        if timing.is_on_time is False
        for limb in timing.limbs
        if limb.limb is Limb.CALENDAR and limb.late_by > 0
    ]
    return DepotTiming(
        depot,
        sum(timing.is_on_time is True for timing in found),
        sum(timing.is_on_time is False for timing in found),
        sum(timing.is_on_time is None for timing in found),
        max(late_days, default=None),
    )
