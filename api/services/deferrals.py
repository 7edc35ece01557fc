"""Services put off, with an authority and a reason, until the first of new limits.

Invariants: a statutory service is never put off; a limit on a meter is given as the dial fitted now will show
it, and kept in life-to-date; an entry is withdrawn, never deleted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.entries import addressed_row, addressed_rows, entry_row, withdrawn_row
from api.services.errors import RefusedError
from api.services.figures import GivenFigure, canonical_figure
from api.services.history import limits_of, stored_limits
from api.services.meters import segments_of
from api.services.standing import recompute
from api.services.units import vehicle_at
from api.services.vehicle_span import day_breaches, day_in_depot
from api.store import facts
from api.store.facts import DEFERRALS, Owner, Window, Withdrawal
from api.store.sheets import load_sheet
from domain.errors import Breach, QuantityError
from domain.meters import fitted_segment
from domain.sheet import Limb, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from api.services.units import Address, VehicleRef
    from api.store.session import ReadSession, WriteSession
    from domain.meters import MeterSegment
    from domain.sheet import SpecSheet


@dataclass(frozen=True, slots=True)
class NewLimit:
    """A limit as entered.

    Attributes:
        limb: What it runs in.
        on: The last day, on the calendar.
        figure: The figure that the meter's dial will show, on a meter.
    """

    limb: Limb
    on: date | None
    figure: GivenFigure | None


@dataclass(frozen=True, slots=True)
class NewDeferral:
    """A deferral as entered.

    Attributes:
        service: Code of the service.
        authority: Who granted it.
        reason: Why.
        granted_on: Day on which it was granted.
        limits: New limits, one a limb.
    """

    service: str
    authority: str
    reason: str
    granted_on: date
    limits: tuple[NewLimit, ...]


@dataclass(frozen=True, slots=True)
class Deferral:
    """A deferral as stored.

    Attributes:
        key: Identifies it.
        service: Code of the service.
        authority: Who granted it.
        reason: Why.
        granted_on: Day on which it was granted.
        limits: New limit, a limb: a day ordinal on the calendar, life-to-date on a meter [canonical units].
        offsets: Life-to-date minus figure of the meters fitted now [canonical units].
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
    """

    key: int
    service: str
    authority: str
    reason: str
    granted_on: date
    limits: Mapping[Limb, int]
    offsets: Mapping[Limb, int]
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def grant(session: WriteSession, at: Address, new: NewDeferral, *, now_us: int) -> Deferral:
    """A deferral, stored; what is due on the vehicle follows at once.

    Args:
        session: The unit of work.
        at: The vehicle.
        new: The deferral.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The type has no such service (``service_unknown``), it is statutory
            (``statutory_deferral``), the day or a limit is out of bounds.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    sheet = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key)
    segments = segments_of(session, at.fleet_key, vehicle.key)
    breaches = _service_breaches(sheet, new.service)
    breaches += _day_breaches(vehicle, new.granted_on, day_in_depot(now_us, vehicle.time_zone))
    limits, wrong = _limits(segments, new)
    breaches += wrong
    if breaches:
        raise RefusedError(*breaches)
    owner = Owner(at.fleet_key, vehicle.key)
    key = facts.add(
        session,
        DEFERRALS,
        owner,
        {
            "service": new.service,
            "granted_on": new.granted_on,
            "authority": new.authority,
            "reason": new.reason,
            "limits": stored_limits(limits),
            "recorded_at_us": now_us,
        },
    )
    recompute(session, at.fleet_key, [vehicle.key], now_us=now_us)
    return _stored(entry_row(session, DEFERRALS, owner, key), _offsets(session, at.fleet_key, vehicle.key))


def withdraw(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> Deferral:
    """A deferral, withdrawn; raises as ``api.services.entries.withdrawn_row``."""
    row = withdrawn_row(session, DEFERRALS, at, key, withdrawal)
    return _stored(row, _offsets(session, at.fleet_key, row.vehicle_id))


def deferral_of(session: ReadSession, at: Address, key: int) -> Deferral:
    """One deferral of a vehicle; raises as ``api.services.entries.addressed_row``."""
    row = addressed_row(session, DEFERRALS, at, key)
    return _stored(row, _offsets(session, at.fleet_key, row.vehicle_id))


def deferrals_of(session: ReadSession, at: Address, window: Window) -> tuple[Deferral, ...]:
    """Deferrals of a vehicle; raises as ``api.services.entries.addressed_rows``."""
    rows = addressed_rows(session, DEFERRALS, at, window)
    if not rows:
        return ()
    offsets = _offsets(session, at.fleet_key, rows[0].vehicle_id)
    return tuple(_stored(row, offsets) for row in rows)


def _service_breaches(sheet: SpecSheet, code: str) -> list[Breach]:
    for service in sheet.services:
        if service.code == code:
            if not service.is_statutory:
                return []
            detail = "the service is required by law, and nobody can put it off"
            return [Breach("/service", "statutory_deferral", detail)]
    detail = "the vehicle's spec sheet has no service of that code"
    return [Breach("/service", "service_unknown", detail)]


def _day_breaches(vehicle: VehicleRef, granted_on: date, today: date) -> list[Breach]:
    if granted_on > today:
        return [Breach("/granted_on", "in_future", "what has happened lies in the past")]
    return day_breaches(vehicle, granted_on, pointer="/granted_on")


def _limits(segments: Sequence[MeterSegment], new: NewDeferral) -> tuple[dict[Limb, int], list[Breach]]:
    limits: dict[Limb, int] = {}
    breaches: list[Breach] = []
    for index, limit in enumerate(new.limits):
        pointer = f"/limits/{index}"
        if limit.limb in limits:
            breaches.append(Breach(f"{pointer}/limb", "limb_repeated", "the list names this limb before"))
        elif limit.limb is Limb.CALENDAR:
            breaches += _calendar_breaches(limit, new.granted_on, pointer)
            limits[limit.limb] = 0 if limit.on is None else limit.on.toordinal()
        else:
            limits[limit.limb], wrong = _meter_limit(segments, limit, pointer)
            breaches += wrong
    return limits, breaches


def _calendar_breaches(limit: NewLimit, granted_on: date, pointer: str) -> list[Breach]:
    breaches = []
    if limit.on is None:
        breaches.append(Breach(f"{pointer}/on", "field_missing", "a limit on the calendar is a day"))
    elif limit.on < granted_on:
        detail = "the limit lies before the day on which the deferral was granted"
        breaches.append(Breach(f"{pointer}/on", "range_reversed", detail))
    if limit.figure is not None:
        breaches.append(Breach(f"{pointer}/figure", "field_unused", "a limit on the calendar has no figure"))
    return breaches


def _meter_limit(segments: Sequence[MeterSegment], limit: NewLimit, pointer: str) -> tuple[int, list[Breach]]:
    breaches = []
    if limit.on is not None:
        breaches.append(Breach(f"{pointer}/on", "field_unused", "a limit on a meter has no day"))
    meter = Meter(limit.limb.value)
    fitted = fitted_segment(segments, meter)
    if fitted is None:
        breaches.append(Breach(f"{pointer}/limb", "meter_not_fitted", "the vehicle has no such meter"))
        return 0, breaches
    if limit.figure is None:
        breaches.append(Breach(f"{pointer}/figure", "field_missing", "a limit on a meter is a figure"))
        return 0, breaches
    try:
        life = canonical_figure(meter, limit.figure, pointer=f"{pointer}/figure") + fitted.offset
    except QuantityError as error:
        return 0, [*breaches, *error.breaches]
    return life, breaches


def _offsets(session: ReadSession, fleet_key: int, vehicle_key: int) -> dict[Limb, int]:
    return {
        Limb(s.meter.value): s.offset
        for s in segments_of(session, fleet_key, vehicle_key)
        if s.removed_at_us is None
    }


def _stored(row: Any, offsets: Mapping[Limb, int]) -> Deferral:
    return Deferral(
        row.id,
        row.service,
        row.authority,
        row.reason,
        row.granted_on,
        limits_of(row.limits),
        offsets,
        row.recorded_at_us,
        row.withdrawn_at_us,
        row.withdrawn_reason,
    )
