"""What is due, over the fleet and for one vehicle.

``due_page`` and ``due_lines`` walk the fleet by the stored conclusions; ``vehicle_due`` replays one
vehicle, at any day, past or future. Both judge by the same function of the domain.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple
from weakref import WeakKeyDictionary

from api.services.defects import standing_at, vehicle_defects
from api.services.errors import NotFoundError
from api.services.history import FOREVER_US, LoadedVehicle
from api.services.standing import (
    COLUMNS,
    DAY_COLUMNS,
    RATE_COLUMNS,
    decode_usage,
    points_decoder,
    standings_of,
)
from api.services.vehicle_then import vehicle_as_of
from api.store import queries_due, queries_names
from api.store.codes import METERS_BY_CODE
from api.store.session import ReadSession, WriteSession
from api.store.sheets import load_sheet
from domain.due import DuePoint, Judgement, LimbJudgement, Standing, State, due_points, judge
from domain.meters import fitted_segment
from domain.sheet import Limb, Meter

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, MutableMapping

    from api.services.defects import Defect
    from domain.sheet import Service, SpecSheet

BEGINNING = (-1, -1)
_DEPOT, _SPEC_SHEET = "depot", "spec sheet"
_CHUNK = 500
_LEAST_CHUNK = 25
_MOST_REMEMBERED = 2_000
_MOST_CHUNKS = 20

# States that call for someone, whatever the window.
CALLING = frozenset({State.DUE, State.OVERDUE, State.BASELINE_NEEDED, State.NO_READING, State.READING_STALE})


_DUE = frozenset({State.DUE, State.OVERDUE})


@dataclass(frozen=True, slots=True)
class DueAsk:
    """What a due list is asked for.

    Attributes:
        as_of: The day.
        window_days: Services that fall due within so many days after it are listed too [d].
        window_m: Services that fall due within this distance of the last reading are listed too [m].
        depot_key: Only this depot.
        spec_sheet_key: Only this type.
        service: Only this service.
        states: Only these states; None: all.
    """

    as_of: date
    window_days: int = 0
    window_m: int | None = None
    depot_key: int | None = None
    spec_sheet_key: int | None = None
    service: str | None = None
    states: frozenset[State] | None = None

    @property
    def through(self) -> date:
        """The last day of the window."""
        return self.as_of + timedelta(days=self.window_days)

    def filter(self, fleet_key: int) -> queries_due.Filter:
        """The question as the store takes it."""
        ordinal = self.as_of.toordinal()
        return queries_due.Filter(
            fleet_key,
            ordinal,
            ordinal + self.window_days,
            self.window_m,
            self.depot_key,
            self.spec_sheet_key,
            self.service,
        )


@dataclass(frozen=True, slots=True)
class FleetQuestion:
    """A question about the fleet as it is asked, with codes in place of keys.

    Attributes:
        as_of: The day.
        window_days: As ``DueAsk`` has it [d].
        window_m: As ``DueAsk`` has it [m].
        depot: Code of the only depot.
        spec_sheet: Code of the only type.
        service: Code of the only service.
    """

    as_of: date
    window_days: int = 0
    window_m: int | None = None
    depot: str | None = None
    spec_sheet: str | None = None
    service: str | None = None


def fleet_ask(session: ReadSession, fleet_key: int, question: FleetQuestion) -> DueAsk:
    """The question with keys in place of codes.

    Raises:
        NotFoundError: The fleet has no depot or spec sheet of that code.
    """
    depot_key = sheet_key = None
    if question.depot is not None:
        codes = queries_names.depot_codes(session, fleet_key)
        depot_key = next((key for key, code in codes.items() if code == question.depot), None)
        if depot_key is None:
            raise NotFoundError(_DEPOT)
    if question.spec_sheet is not None:
        sheet_key = queries_names.spec_sheet_key(session, fleet_key, question.spec_sheet)
        if sheet_key is None:
            raise NotFoundError(_SPEC_SHEET)
    return DueAsk(
        question.as_of, question.window_days, question.window_m, depot_key, sheet_key, question.service
    )


@dataclass(frozen=True, slots=True)
class Dial:
    """The meter that is fitted now: what its figure lacks to life-to-date, and the unit that it shows."""

    life_offset: int
    unit: str


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class DueLine:
    """One service of one vehicle, judged. The same object comes again while nothing about it has changed.

    Attributes:
        vehicle_key: The vehicle.
        unit: Its unit number.
        depot_key: Its depot.
        spec_sheet_version_key: The sheet version that holds.
        judgement: How the service stands.
        standings: How the vehicle's meters stand.
        dials: The meters fitted now.
    """

    vehicle_key: int
    unit: str
    depot_key: int
    spec_sheet_version_key: int
    judgement: Judgement
    standings: Mapping[Meter, Standing]
    dials: Mapping[Meter, Dial]

    @property
    def service(self) -> str:
        """Code of the service."""
        return self.judgement.point.service


# (0: due, 1: silent; date; vehicle): where a page ended
Place = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class DuePage:
    """Lines, whole vehicles only, and the place at which the next page begins; None at the end."""

    lines: list[DueLine] = field(default_factory=list)
    next_place: Place | None = None


def due_page(
    session: ReadSession, fleet_key: int, ask: DueAsk, *, limit: int, after: Place | None = None
) -> DuePage:
    """A page of the due list, by the vehicles' next date; after them the vehicles that have fallen silent.

    A vehicle's lines are never split, so a page may hold a few more lines than asked for. With a filter on states a
    page may hold fewer, even none, and still have a next one: the walk is bounded.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.
        limit: Lines after which the page ends with the vehicle then at hand.
        after: Where the page before ended.
    """
    lines: list[DueLine] = []
    place = (0, *BEGINNING) if after is None else after
    for _ in range(_MOST_CHUNKS):
        # A vehicle that is listed mostly has more than one line.
        chunk = max(_LEAST_CHUNK, (limit - len(lines)) * 2 // 3) if ask.states is None else _CHUNK
        walk = queries_due.Walk(is_silent=place[0] == 1, after=(place[1], place[2]), limit=chunk)
        seen = 0
        for vehicle_lines, at in _walked(session, ask, fleet_key, walk):
            lines.extend(vehicle_lines)
            seen += 1
            place = (place[0], *at)
            if len(lines) >= limit:
                return DuePage(lines, place)
        if seen < chunk:
            if place[0] == 1:
                return DuePage(lines)
            place = (1, *BEGINNING)
    return DuePage(lines, place)


def due_lines(session: ReadSession, fleet_key: int, ask: DueAsk) -> Iterator[DueLine]:
    """Every line of the due list, in its order."""
    for is_silent in (False, True):
        after = BEGINNING
        while True:
            walk = queries_due.Walk(is_silent=is_silent, after=after, limit=_CHUNK)
            seen = 0
            for vehicle_lines, at in _walked(session, ask, fleet_key, walk):
                yield from vehicle_lines
                seen += 1
                after = at
            if seen < _CHUNK:
                break


@dataclass(frozen=True, slots=True)
class VehicleDue:
    """How all services of one vehicle stand on a day.

    Attributes:
        vehicle: The vehicle.
        as_of: The day.
        lines: One line a service, in sheet order.
        known_us: The last instant that counts [us UTC].
        defects: What stands against the vehicle, the oldest first.
    """

    vehicle: LoadedVehicle
    as_of: date
    lines: list[DueLine]
    known_us: int
    defects: tuple[Defect, ...]


def vehicle_due(  # noqa: PLR0913 - a day, and what was known
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    *,
    unit: str,
    as_of: date,
    today: date,
    known_at_us: int | None = None,
) -> VehicleDue:
    """How all services of one vehicle stand on a day, past or future, replayed from the facts.

    A past day is judged by what had happened by its end, under the sheet version then in force.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle; it exists.
        unit: The unit number that it is shown under.
        as_of: The day, in the depot's time zone.
        today: The day of the request.
        known_at_us: Only what had been entered by then [us UTC]; None: by now.
    """
    loaded, end_us = vehicle_as_of(
        session, fleet_key, vehicle_key, as_of=as_of, today=today, known_at_us=known_at_us
    )
    sheet = load_sheet(session, fleet_key, loaded.spec_sheet_version_key)
    standings = standings_of(loaded)
    dials = {
        meter: Dial(segment.offset, segment.unit)
        for meter in Meter
        if (segment := fitted_segment(loaded.history.segments, meter)) is not None
    }
    lines = [
        DueLine(
            loaded.key,
            unit,
            loaded.depot_key,
            loaded.spec_sheet_version_key,
            judge(point, standings, as_of.toordinal(), loaded.stale_days),
            standings,
            dials,
        )
        for point in due_points(sheet, loaded.history)
    ]
    defects = standing_at(
        vehicle_defects(session, fleet_key, vehicle_key),
        end_us,
        FOREVER_US if known_at_us is None else known_at_us,
    )
    known_us = end_us if known_at_us is None else min(end_us, known_at_us)
    return VehicleDue(loaded, as_of, lines, known_us, defects)


@dataclass(frozen=True, slots=True)
class SheetNames:
    """What the lines of one sheet version share.

    Attributes:
        code: The sheet's code.
        number: The version's number.
        services: Its services, by code.
    """

    code: str
    number: int
    services: Mapping[str, Service]


def sheet_names(session: ReadSession, fleet_key: int, version_keys: Iterable[int]) -> dict[int, SheetNames]:
    """Names and rules of sheet versions, by key; a committed version never changes, so each is read once."""
    known = _names.setdefault(session.get_bind(), {}) if not isinstance(session, WriteSession) else {}
    asked = set(version_keys)
    missing = [key for key in asked if (fleet_key, key) not in known]
    for key, (code, number) in queries_names.version_names(session, fleet_key, missing).items():
        services = services_by_code(load_sheet(session, fleet_key, key))
        known[fleet_key, key] = SheetNames(code, number, services)
    return {key: known[fleet_key, key] for key in asked}


def depot_codes(session: ReadSession, fleet_key: int, depot_keys: Iterable[int]) -> dict[int, str]:
    """The code of each depot, by key; a depot keeps its code, so each is read once."""
    known = _depots.setdefault(session.get_bind(), {}) if not isinstance(session, WriteSession) else {}
    asked = set(depot_keys)
    if any((fleet_key, key) not in known for key in asked):
        known.update(
            {(fleet_key, k): code for k, code in queries_names.depot_codes(session, fleet_key).items()}
        )
    return {key: known[fleet_key, key] for key in asked}


def services_by_code(sheet: SpecSheet) -> dict[str, Service]:
    """The services of a sheet, by code."""
    return {service.code: service for service in sheet.services}


def is_listed(judgement: Judgement, *, as_of: int, horizon: int, window_m: int | None) -> bool:
    """Whether a line belongs on the due list.

    Args:
        judgement: How the service stands.
        as_of: Ordinal of the day.
        horizon: Ordinal of the last day of the window.
        window_m: Window on the odometer [m]; None: none.
    """
    if judgement.state in CALLING or judgement.projected_state in _DUE:
        return True
    if judgement.state is State.DONE:
        return False
    is_dated = judgement.due_day is not None and judgement.due_day <= max(horizon, as_of)
    return is_dated or any(_calls(limb, horizon, window_m) for limb in judgement.limbs)


def _calls(limb: LimbJudgement, horizon: int, window_m: int | None) -> bool:
    """Whether one limb by itself puts a line on the list, as those of a deferred service may."""
    if limb.state in _DUE or (limb.due_day is not None and limb.due_day <= horizon):
        return True
    is_odometer = limb.point.limb is Limb.ODOMETER
    return window_m is not None and is_odometer and limb.remaining is not None and limb.remaining <= window_m


def _walked(
    session: ReadSession, ask: DueAsk, fleet_key: int, walk: queries_due.Walk
) -> Iterator[tuple[tuple[DueLine, ...], tuple[int, int]]]:
    """Each vehicle's listed lines, by service, with its place in the walk."""
    question = ask.filter(fleet_key)
    judging = _Judging(question.as_of, question.horizon, question.window_m, ask.states)
    lines_of = _remembering(session)
    for row in queries_due.walked(session, question, walk):
        at = (row.stale_on if walk.is_silent else row.next_due_on, row.vehicle_id)
        yield (() if row.points is None else lines_of(row, judging)), at


class _Judging(NamedTuple):
    """What lines are judged by, beside what is stored of their vehicle."""

    as_of: int
    horizon: int
    window_m: int | None
    states: frozenset[State] | None


_LinesOf = Callable[[Any, _Judging], tuple[DueLine, ...]]

# One memory for each database.
_names: MutableMapping[object, dict[tuple[int, int], SheetNames]] = WeakKeyDictionary()
_depots: MutableMapping[object, dict[tuple[int, int], str]] = WeakKeyDictionary()
_remembered: MutableMapping[object, _LinesOf] = WeakKeyDictionary()


def _remembering(session: ReadSession) -> _LinesOf:
    """``_lines_of``, which remembers what it gave: a list asked for again has few vehicles with news."""
    bind = session.get_bind()
    found = _remembered.get(bind)
    if found is None:
        found = _remembered[bind] = lru_cache(maxsize=_MOST_REMEMBERED)(_lines_of)
    return found


def _lines_of(row: Any, judging: _Judging) -> tuple[DueLine, ...]:
    """The listed lines of a vehicle, by service: a function of the row and the question alone."""
    usage = decode_usage(row.usage)
    standings = _standings(row)
    dials = {METERS_BY_CODE[c]: Dial(now.life_offset, now.unit) for c, now in usage.meters.items()}
    lines = []
    for point in sorted(_points(row.points), key=attrgetter("service")):
        judgement = judge(point, standings, judging.as_of, usage.stale_days)
        if judging.states is not None and judgement.state not in judging.states:
            continue
        if is_listed(judgement, as_of=judging.as_of, horizon=judging.horizon, window_m=judging.window_m):
            lines.append(
                DueLine(
                    row.vehicle_id,
                    row.unit_then or row.unit,
                    row.depot_id,
                    row.spec_sheet_version_id,
                    judgement,
                    standings,
                    dials,
                )
            )
    return tuple(lines)


@lru_cache(maxsize=_MOST_REMEMBERED)
def _points(stored: str) -> list[DuePoint]:
    """Due points as the walk finds them: readings go on without changing them."""
    return points_decoder.decode(f"[{stored}]")


# The three columns of each meter, one after the other.
_standing_columns = attrgetter(
    *(column for meter in Meter for column in (COLUMNS[meter], DAY_COLUMNS[meter], RATE_COLUMNS[meter]))
)


def _standings(row: Any) -> dict[Meter, Standing]:
    values = _standing_columns(row)
    return {
        meter: Standing(*values[3 * place : 3 * place + 3])
        for place, meter in enumerate(Meter)
        if values[3 * place] is not None
    }
