"""The physical meters of vehicles: what is fitted, what it shows, and replacing one.

Invariants: a replacement leaves life-to-date as it is, whatever the new dial shows; the segment that it ends
is withdrawn and stored anew, so that what was known earlier stays as it was; the figure that the new dial
showed then is a reading.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from api.services.errors import RefusedError
from api.services.feed.batch import SentReading
from api.services.feed.judging import rejudge
from api.services.feed.recording import record
from api.services.figures import GivenFigure, accepted_around, canonical_figure, dial_unit
from api.services.history import load_histories, segment_of
from api.services.standing import COLUMNS, DAY_COLUMNS, local_day
from api.services.units import vehicle_at
from api.services.vehicle_span import first_instant_us, instant_breaches
from api.store import queries_vehicles, writes_vehicles
from api.store.codes import METER_CODES
from api.store.facts import Owner
from api.store.sheets import load_sheet
from domain.errors import Breach, MeterError, QuantityError
from domain.meters import MeterSegment, Reading, fitted_segment, replaced
from domain.work import CLOCK_SLACK_US, contradicted, contradiction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.services.units import Address, VehicleRef
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter

REGISTRATION_SOURCE = "registration"
REPLACEMENT_SOURCE = "meter-replacement"


@dataclass(frozen=True, slots=True)
class MeterGiven:
    """A meter as fitted.

    Attributes:
        meter: Which it is.
        unit: Unit code that the dial shows; None: the usual one.
        fitted_at_us: When it was fitted [us UTC]; None: at the vehicle's first instant.
        figure: What the dial showed when it was fitted.
        life_to_date: What the vehicle had run by then; given together with the figure or not at all.
    """

    meter: Meter
    unit: str | None = None
    fitted_at_us: int | None = None
    figure: GivenFigure | None = None
    life_to_date: GivenFigure | None = None


@dataclass(frozen=True, slots=True)
class MeterNow:
    """A meter that is fitted, and how it stands.

    Attributes:
        meter: Which it is.
        unit: Unit code that the dial shows.
        fitted_at_us: When it was fitted [us UTC].
        figure: What the dial showed at the last accepted reading [canonical units]; None before the first.
        life_to_date: The same in life-to-date [canonical units].
        read_on: The day of that reading, in the depot's time zone.
        offset: Life-to-date minus figure [canonical units].
    """

    meter: Meter
    unit: str
    fitted_at_us: int
    figure: int | None
    life_to_date: int | None
    read_on: date | None
    offset: int


@dataclass(frozen=True, slots=True)
class Noted:
    """What a meter's dial showed when it was fitted.

    Attributes:
        segment: The meter.
        figure: What it showed [canonical units].
        source: Code of the reading source.
    """

    segment: MeterSegment
    figure: int
    source: str


@dataclass(frozen=True, slots=True)
class Replacement:
    """A meter as replaced.

    Attributes:
        meter: Which it is.
        at_us: When [us UTC].
        old: Figure of the old meter then.
        new: Figure of the new meter then; its unit is the new dial's.
    """

    meter: Meter
    at_us: int
    old: GivenFigure
    new: GivenFigure


def first_segments(
    type_meters: Sequence[Meter], given: Sequence[MeterGiven], *, first_us: int, now_us: int
) -> tuple[list[tuple[MeterSegment, int | None]], list[Breach]]:
    """A vehicle's first meters, each with the figure given for it, and what is wrong with them.

    Args:
        type_meters: Meters that its type has.
        given: Meters that differ from a new one fitted at the first instant.
        first_us: The vehicle's first instant [us UTC].
        now_us: The present [us UTC].
    """
    breaches: list[Breach] = []
    by_meter: dict[Meter, tuple[int, MeterGiven]] = {}
    for index, meter in enumerate(given):
        pointer = f"/meters/{index}/meter"
        if meter.meter not in type_meters:
            detail = "vehicles of this type have no such meter"
            breaches.append(Breach(pointer, "meter_unknown", detail))
        elif meter.meter in by_meter:
            breaches.append(Breach(pointer, "meter_repeated", "the list names this meter before"))
        else:
            by_meter[meter.meter] = (index, meter)
    segments = []
    for which in type_meters:
        index, found = by_meter.get(which, (0, MeterGiven(which)))
        segment, figure, wrong = _first_segment(found, f"/meters/{index}", first_us=first_us, now_us=now_us)
        segments.append((segment, figure))
        breaches += wrong
    return segments, breaches


def add_segment(
    session: WriteSession, fleet_key: int, vehicle_key: int, segment: MeterSegment, *, now_us: int
) -> None:
    """Store a meter of a vehicle."""
    writes_vehicles.add_segment(
        session,
        fleet_key,
        vehicle_key,
        {
            "meter": METER_CODES[segment.meter],
            "fitted_at_us": segment.fitted_at_us,
            "removed_at_us": segment.removed_at_us,
            "life_offset": segment.offset,
            "unit": segment.unit,
            "recorded_at_us": now_us,
        },
    )


def meters_now(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int]
) -> Mapping[int, tuple[MeterNow, ...]]:
    """The meters that are fitted to vehicles, by the vehicle's key; two statements for any number of them."""
    standings = {row.vehicle_id: row for row in queries_vehicles.standings(session, fleet_key, vehicle_keys)}
    found: dict[int, list[MeterNow]] = defaultdict(list)
    for row in queries_vehicles.fitted(session, fleet_key, vehicle_keys):
        if row.removed_at_us is None:
            found[row.vehicle_id].append(_now(segment_of(row), standings.get(row.vehicle_id)))
    return {key: tuple(found[key]) for key in vehicle_keys}


def segments_of(session: ReadSession, fleet_key: int, vehicle_key: int) -> tuple[MeterSegment, ...]:
    """Every physical meter of a vehicle, in order of meter and time."""
    return tuple(segment_of(row) for row in queries_vehicles.fitted(session, fleet_key, [vehicle_key]))


def fit(session: WriteSession, at: Address, given: MeterGiven, *, now_us: int) -> VehicleRef:
    """The vehicle, after a meter was fitted that its type has and it had not.

    Args:
        session: The unit of work.
        at: The vehicle.
        given: The meter.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The type has no such meter (``meter_unknown``), the vehicle has it (``meter_fitted``),
            or the figures break a rule.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    type_meters = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key).meters
    first_us = first_instant_us(vehicle.in_service_on, vehicle.time_zone)
    segment, figure, breaches = _first_segment(given, "", first_us=first_us, now_us=now_us)
    if given.meter not in type_meters:
        breaches.append(Breach("/meter", "meter_unknown", "vehicles of this type have no such meter"))
    if any(s.meter is given.meter for s in segments_of(session, at.fleet_key, vehicle.key)):
        breaches.append(Breach("/meter", "meter_fitted", "the vehicle has this meter; it can be replaced"))
    if breaches:
        raise RefusedError(*breaches)
    add_segment(session, at.fleet_key, vehicle.key, segment, now_us=now_us)
    writes_vehicles.change_vehicle(session, at.fleet_key, vehicle.key, version=None, values={})
    rejudge(session, at.fleet_key, vehicle.key, now_us=now_us)
    if figure is not None:
        owner = Owner(at.fleet_key, vehicle.key)
        note_figure(session, owner, Noted(segment, figure, REGISTRATION_SOURCE), now_us=now_us)
    return vehicle


def replace_meter(session: WriteSession, at: Address, replacement: Replacement, *, now_us: int) -> VehicleRef:
    """The vehicle, after one of its meters was replaced.

    Args:
        session: The unit of work.
        at: The vehicle.
        replacement: What was replaced.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: It cannot have happened so: the vehicle lacks the meter (``meter_not_fitted``), the
            instant is out of bounds or before the meter was fitted, or a figure contradicts an accepted
            reading.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    loaded = load_histories(session, at.fleet_key, [vehicle.key])[vehicle.key]
    breaches = instant_breaches(vehicle, replacement.at_us, pointer="/replaced_at", now_us=now_us)
    meter = replacement.meter
    fitted = fitted_segment(loaded.history.segments, meter)
    if fitted is None:
        breaches.append(Breach("/meter", "meter_not_fitted", "the vehicle has no such meter"))
        raise RefusedError(*breaches)
    try:
        old = canonical_figure(meter, replacement.old, pointer="/old_figure")
        new = canonical_figure(meter, replacement.new, pointer="/new_figure")
        closed, opened = replaced(
            fitted, at_us=replacement.at_us, old_figure=old, new_figure=new, unit=replacement.new.unit
        )
    except (QuantityError, MeterError) as error:
        raise RefusedError(*breaches, *error.breaches) from None
    accepted = accepted_around(session, at.fleet_key, loaded, replacement.at_us).get(meter, [])
    breaches += _figure_breaches(
        loaded.history.segments, closed, opened, Reading(replacement.at_us, old + fitted.offset), accepted
    )
    if breaches:
        raise RefusedError(*breaches)
    owner = Owner(at.fleet_key, vehicle.key)
    _store_replacement(session, owner, closed, opened, now_us=now_us)
    rejudge(session, at.fleet_key, vehicle.key, now_us=now_us)
    note_figure(session, owner, Noted(opened, new, REPLACEMENT_SOURCE), now_us=now_us)
    return vehicle


def note_figure(session: WriteSession, owner: Owner, noted: Noted, *, now_us: int) -> None:
    """Record what a meter showed when it was fitted as a reading, where the vehicle had a unit number then.

    Args:
        session: The unit of work; the vehicle's standing is drawn.
        owner: The vehicle.
        noted: The meter and its figure.
        now_us: The present [us UTC].
    """
    at_us = noted.segment.fitted_at_us
    day = date.fromordinal(local_day(at_us, "UTC"))
    for label in queries_vehicles.unit_numbers(session, owner.fleet, owner.vehicle):
        if label.valid_from <= day and (label.valid_through is None or day <= label.valid_through):
            code = METER_CODES[noted.segment.meter]
            sent = SentReading(0, label.unit, code, at_us, noted.figure, noted.source)
            record(session, owner.fleet, [sent], now_us=now_us)


def _first_segment(
    given: MeterGiven, pointer: str, *, first_us: int, now_us: int
) -> tuple[MeterSegment, int | None, list[Breach]]:
    breaches: list[Breach] = []
    fitted_at_us = first_us if given.fitted_at_us is None else given.fitted_at_us
    if fitted_at_us < first_us:
        detail = "a meter is fitted on the vehicle's first day at the earliest"
        breaches.append(Breach(f"{pointer}/fitted_at", "before_first_day", detail))
    if given.fitted_at_us is not None and given.fitted_at_us > now_us + CLOCK_SLACK_US:
        breaches.append(Breach(f"{pointer}/fitted_at", "in_future", "what has happened lies in the past"))
    figure, life, unit = 0, 0, ""
    try:
        unit = dial_unit(given.meter, given.unit, pointer=f"{pointer}/unit")
        if given.figure is not None:
            figure = canonical_figure(given.meter, given.figure, pointer=f"{pointer}/figure")
        if given.life_to_date is not None:
            life = canonical_figure(given.meter, given.life_to_date, pointer=f"{pointer}/life_to_date")
    except QuantityError as error:
        breaches.extend(error.breaches)
    if (given.figure is None) is not (given.life_to_date is None):
        detail = "a figure and the life-to-date that it stood for are given together"
        missing = "figure" if given.figure is None else "life_to_date"
        breaches.append(Breach(f"{pointer}/{missing}", "figure_half_given", detail))
    segment = MeterSegment(given.meter, fitted_at_us, None, life - figure, unit)
    return segment, None if given.figure is None else figure, breaches


def _figure_breaches(
    segments: Sequence[MeterSegment],
    closed: MeterSegment,
    opened: MeterSegment,
    noted: Reading,
    accepted: Sequence[Reading],
) -> list[Breach]:
    """What accepted readings say against a replacement; those after it were taken from the new dial."""
    before = [reading for reading in accepted if reading.at_us < noted.at_us]
    after = [
        Reading(reading.at_us, reading.life - closed.offset + opened.offset)
        for reading in accepted
        if reading.at_us >= noted.at_us
    ]
    renewed = [segment for segment in segments if segment.meter is not closed.meter] + [closed, opened]
    breaches = []
    for pointer, readings_there in (("/old_figure/value", before), ("/new_figure/value", after)):
        against = contradicted(closed.meter, noted, readings_there)
        if against is not None:
            breaches.append(contradiction(closed.meter, noted, against, renewed, pointer=pointer))
    return breaches


def _store_replacement(
    session: WriteSession, owner: Owner, closed: MeterSegment, opened: MeterSegment, *, now_us: int
) -> None:
    code = METER_CODES[closed.meter]
    for row in queries_vehicles.fitted(session, owner.fleet, [owner.vehicle]):
        if row.meter == code and row.removed_at_us is None:
            writes_vehicles.withdraw_segment(session, owner.fleet, row.id, now_us=now_us)
    for segment in (closed, opened):
        add_segment(session, owner.fleet, owner.vehicle, segment, now_us=now_us)
    writes_vehicles.change_vehicle(session, owner.fleet, owner.vehicle, version=None, values={})


def _now(segment: MeterSegment, standing: Any) -> MeterNow:
    life = None if standing is None else getattr(standing, COLUMNS[segment.meter])
    day = None if standing is None else getattr(standing, DAY_COLUMNS[segment.meter])
    return MeterNow(
        segment.meter,
        segment.unit,
        segment.fitted_at_us,
        None if life is None else life - segment.offset,
        life,
        None if day is None else date.fromordinal(day),
        segment.offset,
    )
