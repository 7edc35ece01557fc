"""What is known of reading sources on vehicles: where a gateway's device is fitted, how it is calibrated.

Invariants: a source that has a fitting is a device, and its readings count only for vehicles and times that it
is fitted to and at; a fitting or a calibration is withdrawn and entered anew, never changed; every change
judges the vehicle's readings again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.entries import entry_row, withdraw_entry
from api.services.errors import ConflictError, RefusedError
from api.services.feed.judging import rejudge
from api.services.figures import canonical_figure
from api.services.units import vehicle_at
from api.services.vehicle_span import instant_breaches
from api.store import facts, queries_sources
from api.store.codes import METER_CODES, METERS_BY_CODE
from api.store.facts import CALIBRATIONS, FITTINGS, Owner
from api.store.new_rows import insert_new
from api.store.tables_fleet import ReadingSource
from domain.errors import Breach, QuantityError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.services.figures import GivenFigure
    from api.services.units import Address
    from api.store.facts import Window, Withdrawal
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter

_PARTS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class FittingGiven:
    """A device on a vehicle: code of its source, fitted at, removed at (None: it is still there) [us UTC]."""

    source: str
    fitted_at_us: int
    removed_at_us: int | None


@dataclass(frozen=True, slots=True)
class CalibrationGiven:
    """How a source's figures lead to the dial's.

    Attributes:
        source: Code of the source.
        meter: Which meter.
        at_us: From this instant on, at which both figures were read [us UTC].
        source_figure: What the source gave.
        dial_figure: What the dial showed.
        factor: By how much the dial's figure rises while the source's rises by one [1].
    """

    source: str
    meter: Meter
    at_us: int
    source_figure: GivenFigure
    dial_figure: GivenFigure
    factor: float


@dataclass(frozen=True, slots=True)
class Fitting:
    """A fitting as stored; times in us UTC."""

    key: int
    source: str
    fitted_at_us: int
    removed_at_us: int | None
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration as stored; times in us UTC, the offset in canonical units."""

    key: int
    source: str
    meter: Meter
    at_us: int
    factor: float
    offset: int
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def fit_device(session: WriteSession, at: Address, given: FittingGiven, *, now_us: int) -> Fitting:
    """A new fitting of a device.

    Args:
        session: The unit of work.
        at: The vehicle.
        given: The fitting.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The instants are out of bounds or order.
        ConflictError: The device is fitted then, here or elsewhere (``device_fitted``), or the source has readings
            of other vehicles and no fitting: it is no device (``source_is_shared``).
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    breaches = instant_breaches(vehicle, given.fitted_at_us, pointer="/fitted_at", now_us=now_us)
    if given.removed_at_us is not None:
        if given.removed_at_us <= given.fitted_at_us:
            breaches.append(
                Breach("/removed_at", "removed_before_fitted", "a device is removed after its fitting")
            )
        breaches += instant_breaches(vehicle, given.removed_at_us, pointer="/removed_at", now_us=now_us)
    if breaches:
        raise RefusedError(*breaches)
    source = _source(session, at.fleet_key, given.source, now_us)
    if source.device_since_us is None:
        if queries_sources.is_used_elsewhere(session, at.fleet_key, source.id, vehicle.key):
            detail = "this source has readings of other vehicles; a device has a code of its own"
            raise ConflictError(Breach("/source", "source_is_shared", detail))
        queries_sources.become_device(session, at.fleet_key, source.id, now_us)
    _refuse_overlap(session, at.fleet_key, source.id, given.fitted_at_us, given.removed_at_us)
    owner = Owner(at.fleet_key, vehicle.key)
    key = facts.add(
        session,
        FITTINGS,
        owner,
        {
            "source_id": source.id,
            "fitted_at_us": given.fitted_at_us,
            "removed_at_us": given.removed_at_us,
            "recorded_at_us": now_us,
        },
    )
    rejudge(session, at.fleet_key, vehicle.key, now_us=now_us)
    return _fitting(session, owner, key)


def remove_device(
    session: WriteSession, at: Address, key: int, *, removed_at_us: int, now_us: int
) -> Fitting:
    """The fitting that stands in the place of one, with its removal.

    Args:
        session: The unit of work.
        at: The vehicle.
        key: The fitting.
        removed_at_us: When the device was removed [us UTC].
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day, or it has no such fitting.
        GoneError: No vehicle carries the number any longer.
        RefusedError: The instant is out of bounds, or not after the fitting (``removed_before_fitted``).
        ConflictError: The fitting was withdrawn, or the device was removed before (``device_removed``).
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    owner = Owner(at.fleet_key, vehicle.key)
    fitting = _fitting(session, owner, key)
    breaches = instant_breaches(vehicle, removed_at_us, pointer="/removed_at", now_us=now_us)
    if removed_at_us <= fitting.fitted_at_us:
        breaches.append(
            Breach("/removed_at", "removed_before_fitted", "a device is removed after its fitting")
        )
    if breaches:
        raise RefusedError(*breaches)
    if fitting.removed_at_us is not None:
        raise ConflictError(Breach("/removed_at", "device_removed", "the fitting has ended already"))
    row = entry_row(session, FITTINGS, owner, key)
    withdraw_entry(session, FITTINGS, owner, key, facts.Withdrawal(now_us, "removed"))
    renewed = facts.add(
        session,
        FITTINGS,
        owner,
        {
            "source_id": row.source_id,
            "fitted_at_us": row.fitted_at_us,
            "removed_at_us": removed_at_us,
            "recorded_at_us": now_us,
        },
    )
    rejudge(session, at.fleet_key, vehicle.key, now_us=now_us)
    return _fitting(session, owner, renewed)


def calibrate(session: WriteSession, at: Address, given: CalibrationGiven, *, now_us: int) -> Calibration:
    """A new calibration; it holds from its instant on, up to the next one of the same source and meter.

    Args:
        session: The unit of work.
        at: The vehicle.
        given: The calibration.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The instant is out of bounds, or a figure is none of the meter.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    breaches = instant_breaches(vehicle, given.at_us, pointer="/at", now_us=now_us)
    offset, factor_ppb = 0, round(given.factor * _PARTS)
    try:
        source_figure = canonical_figure(given.meter, given.source_figure, pointer="/source_figure")
        dial_figure = canonical_figure(given.meter, given.dial_figure, pointer="/dial_figure")
        offset = dial_figure - (source_figure * factor_ppb + _PARTS // 2) // _PARTS
    except QuantityError as error:
        breaches.extend(error.breaches)
    if breaches:
        raise RefusedError(*breaches)
    source = _source(session, at.fleet_key, given.source, now_us)
    owner = Owner(at.fleet_key, vehicle.key)
    values = {
        "source_id": source.id,
        "meter": METER_CODES[given.meter],
        "from_us": given.at_us,
        "factor_ppb": factor_ppb,
        "figure_offset": offset,
        "recorded_at_us": now_us,
    }
    key = facts.add(session, CALIBRATIONS, owner, values)
    rejudge(session, at.fleet_key, vehicle.key, now_us=now_us)
    return _calibration(session, owner, key)


def fittings(session: ReadSession, at: Address, window: Window) -> list[Fitting]:
    """The fittings of devices on the vehicle at an address, in the order of their recording.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    owner = Owner(at.fleet_key, vehicle_at(session, at).key)
    return _fittings(session, owner, facts.entries(session, FITTINGS, owner, window))


def calibrations(session: ReadSession, at: Address, window: Window) -> list[Calibration]:
    """The calibrations of sources on the vehicle at an address, in the order of their recording.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    owner = Owner(at.fleet_key, vehicle_at(session, at).key)
    return _calibrations(session, owner, facts.entries(session, CALIBRATIONS, owner, window))


def withdraw_fitting(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> Fitting:
    """The fitting, withdrawn; its readings are judged without it.

    Raises:
        NotFoundError: No vehicle carries the number on that day, or it has no such fitting.
        GoneError: No vehicle carries the number any longer.
        ConflictError: It was withdrawn before (``already_withdrawn``).
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    owner = Owner(at.fleet_key, vehicle.key)
    withdraw_entry(session, FITTINGS, owner, key, withdrawal)
    rejudge(session, at.fleet_key, vehicle.key, now_us=withdrawal.at_us)
    return _fitting(session, owner, key)


def withdraw_calibration(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> Calibration:
    """The calibration, withdrawn; its readings are judged without it.

    Raises:
        NotFoundError: No vehicle carries the number on that day, or it has no such calibration.
        GoneError: No vehicle carries the number any longer.
        ConflictError: It was withdrawn before (``already_withdrawn``).
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    owner = Owner(at.fleet_key, vehicle.key)
    withdraw_entry(session, CALIBRATIONS, owner, key, withdrawal)
    rejudge(session, at.fleet_key, vehicle.key, now_us=withdrawal.at_us)
    return _calibration(session, owner, key)


def _source(session: WriteSession, fleet_key: int, code: str, now_us: int) -> Any:
    insert_new(session, ReadingSource, [{"fleet_id": fleet_key, "code": code, "recorded_at_us": now_us}])
    return queries_sources.locked_source(session, fleet_key, code)


def _refuse_overlap(
    session: ReadSession, fleet_key: int, source: int, fitted_at_us: int, removed_at_us: int | None
) -> None:
    for row in queries_sources.fittings_of(session, fleet_key, source):
        begins_after = removed_at_us is not None and row.fitted_at_us >= removed_at_us
        ends_before = row.removed_at_us is not None and row.removed_at_us <= fitted_at_us
        if not begins_after and not ends_before:
            detail = "the device is fitted to a vehicle at that time; enter its removal first"
            raise ConflictError(Breach("/fitted_at", "device_fitted", detail))


def _fitting(session: ReadSession, owner: Owner, key: int) -> Fitting:
    return _fittings(session, owner, [entry_row(session, FITTINGS, owner, key)])[0]


def _calibration(session: ReadSession, owner: Owner, key: int) -> Calibration:
    return _calibrations(session, owner, [entry_row(session, CALIBRATIONS, owner, key)])[0]


def _fittings(session: ReadSession, owner: Owner, rows: Iterable[Any]) -> list[Fitting]:
    found = list(rows)
    codes = queries_sources.source_codes(session, owner.fleet, [row.source_id for row in found])
    return [
        Fitting(
            row.id,
            codes[row.source_id],
            row.fitted_at_us,
            row.removed_at_us,
            row.recorded_at_us,
            row.withdrawn_at_us,
            row.withdrawn_reason,
        )
        for row in found
    ]


def _calibrations(session: ReadSession, owner: Owner, rows: Iterable[Any]) -> list[Calibration]:
    found = list(rows)
    codes = queries_sources.source_codes(session, owner.fleet, [row.source_id for row in found])
    return [
        Calibration(
            row.id,
            codes[row.source_id],
            METERS_BY_CODE[row.meter],
            row.from_us,
            row.factor_ppb / _PARTS,
            row.figure_offset,
            row.recorded_at_us,
            row.withdrawn_at_us,
            row.withdrawn_reason,
        )
        for row in found
    ]
