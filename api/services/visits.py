"""What one visit of each vehicle would do: the services that are due, and those whose last time is unknown.

Invariant: a service is called for when it is due or overdue by the last reading or by projection, or falls
due within the window; one that is put off is called for only where its new limit is. That a reading is
missing or stale calls for a reading, not for parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from api.services.due import DueAsk, DueLine, Place, due_lines, due_page, is_listed, vehicle_due
from api.services.errors import RefusedError
from api.store import queries_names
from api.store.sheets import load_sheet
from domain.due import State
from domain.errors import Breach
from domain.work import knows_all

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from api.store.session import ReadSession
    from domain.due import Judgement


@dataclass(frozen=True, slots=True)
class Visit:
    """One vehicle's visit.

    Attributes:
        vehicle_key: The vehicle.
        unit: Its unit number.
        depot: Code of its depot.
        version_key: The sheet version that holds.
        due: Codes of the services called for.
        baseline: Codes of the services whose last time is unknown.
    """

    vehicle_key: int
    unit: str
    depot: str
    version_key: int
    due: tuple[str, ...]
    baseline: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class VisitPage:
    """Visits, and the place at which the next page begins; None at the end."""

    visits: tuple[Visit, ...]
    next_place: Place | None


def visits(session: ReadSession, fleet_key: int, ask: DueAsk) -> Iterator[Visit]:
    """The visits of all vehicles that something is called for on, in the order of the due list."""
    depots = queries_names.depot_codes(session, fleet_key)
    return _visits(due_lines(session, fleet_key, ask), ask, depots)


def visit_page(
    session: ReadSession, fleet_key: int, ask: DueAsk, *, limit: int, after: Place | None
) -> VisitPage:
    """A page of visits, in the order of the due list; a vehicle's services are never split.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.
        limit: Services on the due list after which the page ends with the vehicle then at hand.
        after: Where the page before ended.
    """
    depots = queries_names.depot_codes(session, fleet_key)
    page = due_page(session, fleet_key, ask, limit=limit, after=after)
    return VisitPage(tuple(_visits(page.lines, ask, depots)), page.next_place)


def vehicle_visit(  # noqa: PLR0913 - a vehicle, a question, and what to do instead
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    ask: DueAsk,
    *,
    unit: str,
    today: date,
    services: Sequence[str] | None = None,
) -> Visit:
    """The visit of one vehicle; nothing may be called for on it.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle; it exists.
        ask: The day and the window; filters don't count.
        unit: The unit number that it is shown under.
        today: The day of the request.
        services: Codes of the services that the visit is to do; None: those called for.

    Raises:
        RefusedError: The vehicle's sheet has no such service (``service_unknown``).
    """
    found = vehicle_due(session, fleet_key, vehicle_key, unit=unit, as_of=ask.as_of, today=today)
    vehicle = found.vehicle
    due, baseline = _split(found.lines, ask)
    if services is not None:
        sheet = load_sheet(session, fleet_key, vehicle.spec_sheet_version_key)
        due, baseline = tuple(dict.fromkeys(services)), ()
        if not knows_all(sheet, due):
            detail = "the vehicle's spec sheet lacks a service of these codes"
            raise RefusedError(Breach("/services", "service_unknown", detail))
    return Visit(vehicle_key, unit, vehicle.depot, vehicle.spec_sheet_version_key, due, baseline)


def _visits(lines: Iterable[DueLine], ask: DueAsk, depots: Mapping[int, str]) -> Iterator[Visit]:
    for key, grouped in groupby(lines, attrgetter("vehicle_key")):
        of_vehicle = list(grouped)
        due, baseline = _split(of_vehicle, ask)
        if due or baseline:
            first = of_vehicle[0]
            yield Visit(key, first.unit, depots[first.depot_key], first.spec_sheet_version_key, due, baseline)


def _split(lines: Iterable[DueLine], ask: DueAsk) -> tuple[tuple[str, ...], tuple[str, ...]]:
    due, baseline = [], []
    for line in lines:
        if line.judgement.state is State.BASELINE_NEEDED:
            baseline.append(line.service)
        elif _is_called_for(line.judgement, ask):
            due.append(line.service)
    return tuple(due), tuple(baseline)


def _is_called_for(judgement: Judgement, ask: DueAsk) -> bool:
    as_of = ask.as_of.toordinal()
    horizon = as_of + ask.window_days
    if judgement.state in _DUE or judgement.projected_state in _DUE:
        return True
    if judgement.point.deferral is not None:
        return judgement.due_day is not None and judgement.due_day <= horizon
    if judgement.state is State.DONE:
        return False
    # What calls for a reading is listed whatever the window; here the window alone decides.
    unlisted = replace(judgement, state=State.NOT_DUE)
    return is_listed(unlisted, as_of=as_of, horizon=horizon, window_m=ask.window_m)


_DUE = frozenset({State.DUE, State.OVERDUE})
