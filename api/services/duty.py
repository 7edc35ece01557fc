"""The duty history of vehicles: conditions of use, dated, overlapping, each with a share.

Invariants: entries of one condition never share a day; an entry is withdrawn, never deleted, and one that
ends is withdrawn and stored anew, so that what was known earlier stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from api.services.entries import (
    addressed_row,
    addressed_rows,
    entry_row,
    withdraw_entry,
    withdrawn_row,
)
from api.services.errors import RefusedError
from api.services.standing import recompute
from api.services.units import vehicle_at
from api.services.vehicle_span import day_breaches
from api.store import facts
from api.store.facts import DUTY, Owner, Window, Withdrawal
from domain.duty import DutyEntry, check_duty
from domain.errors import Breach, DutyError
from domain.sheet import DutyCondition

if TYPE_CHECKING:
    from datetime import date

    from api.services.units import Address, VehicleRef
    from api.store.session import ReadSession, WriteSession


@dataclass(frozen=True, slots=True)
class StoredDuty:
    """A duty entry as stored.

    Attributes:
        key: Identifies it.
        entry: The condition, its share and its days.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
    """

    key: int
    entry: DutyEntry
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def enter(session: WriteSession, at: Address, entry: DutyEntry, *, now_us: int) -> StoredDuty:
    """A duty entry, stored; what is due on the vehicle follows at once.

    Args:
        session: The unit of work.
        at: The vehicle.
        entry: The entry.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: A day lies outside the vehicle's time, or another entry of the condition holds then.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    key = _add(session, Owner(at.fleet_key, vehicle.key), vehicle, entry, now_us=now_us)
    return _stored(entry_row(session, DUTY, Owner(at.fleet_key, vehicle.key), key))


def end(session: WriteSession, at: Address, key: int, *, through_on: date, now_us: int) -> StoredDuty:
    """The entry that stands in place of another from now on, with another last day.

    Args:
        session: The unit of work.
        at: The vehicle.
        key: The entry.
        through_on: Its last day.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No such vehicle, or it has no such entry.
        GoneError: No vehicle carries the number any longer.
        ConflictError: The entry was withdrawn before (``already_withdrawn``).
        RefusedError: The day lies before the entry's first, outside the vehicle's time, or in another entry.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    owner = Owner(at.fleet_key, vehicle.key)
    old = _stored(entry_row(session, DUTY, owner, key)).entry
    withdraw_entry(session, DUTY, owner, key, Withdrawal(now_us, f"ends on {through_on.isoformat()}"))
    entry = replace(old, through_on=through_on)
    return _stored(entry_row(session, DUTY, owner, _add(session, owner, vehicle, entry, now_us=now_us)))


def withdraw(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> StoredDuty:
    """A wrong entry, withdrawn; raises as ``api.services.entries.withdrawn_row``."""
    return _stored(withdrawn_row(session, DUTY, at, key, withdrawal))


def entry_of(session: ReadSession, at: Address, key: int) -> StoredDuty:
    """One entry of a vehicle; raises as ``api.services.entries.addressed_row``."""
    return _stored(addressed_row(session, DUTY, at, key))


def entries_of(session: ReadSession, at: Address, window: Window) -> tuple[StoredDuty, ...]:
    """Entries of a vehicle; raises as ``api.services.entries.addressed_rows``."""
    return tuple(_stored(row) for row in addressed_rows(session, DUTY, at, window))


def _add(session: WriteSession, owner: Owner, vehicle: VehicleRef, entry: DutyEntry, *, now_us: int) -> int:
    standing = [_stored(row).entry for row in facts.entries(session, DUTY, owner, Window())]
    breaches = _breaches(vehicle, standing, entry)
    if breaches:
        raise RefusedError(*breaches)
    key = facts.add(
        session,
        DUTY,
        owner,
        {
            "condition": entry.condition.value,
            "share": entry.share,
            "from_on": entry.from_on,
            "through_on": entry.through_on,
            "recorded_at_us": now_us,
        },
    )
    recompute(session, owner.fleet, [owner.vehicle], now_us=now_us)
    return key


def _breaches(vehicle: VehicleRef, standing: list[DutyEntry], entry: DutyEntry) -> list[Breach]:
    breaches = day_breaches(vehicle, entry.from_on, pointer="/from_on")
    if entry.through_on is not None:
        breaches += day_breaches(vehicle, entry.through_on, pointer="/through_on")
    same = [other for other in standing if other.condition is entry.condition]
    place = f"/{len(same)}/"
    try:
        check_duty([*same, entry])
    except DutyError as error:
        breaches += [
            Breach(breach.pointer.replace(place, "/", 1), breach.rule, breach.detail)
            for breach in error.breaches
            if breach.pointer.startswith(place)
        ]
    return breaches


def _stored(row: Any) -> StoredDuty:
    entry = DutyEntry(DutyCondition(row.condition), row.share, row.from_on, row.through_on)
    return StoredDuty(row.id, entry, row.recorded_at_us, row.withdrawn_at_us, row.withdrawn_reason)
