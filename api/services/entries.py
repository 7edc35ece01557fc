"""What duty, component exchanges and deferrals have in common: found by vehicle and key, withdrawn once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from api.services.errors import ConflictError, NotFoundError
from api.services.standing import recompute
from api.services.units import vehicle_at
from api.store import facts
from api.store.facts import Owner, Window, Withdrawal
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Table

    from api.services.units import Address
    from api.store.session import ReadSession, WriteSession

_KINDS = {
    facts.DUTY.name: "duty entry",
    facts.EXCHANGES.name: "component exchange",
    facts.DEFERRALS.name: "deferral",
    facts.FITTINGS.name: "device fitting",
    facts.CALIBRATIONS.name: "calibration",
    facts.TOP_UPS.name: "top-up",
}


def entry_row(session: ReadSession, table: Table, owner: Owner, key: int) -> Any:
    """The row of one entry, withdrawn or not.

    Raises:
        NotFoundError: The vehicle has no such entry.
    """
    row = facts.entry(session, table, owner, key)
    if row is None:
        raise NotFoundError(_KINDS[table.name])
    return row


def addressed_row(session: ReadSession, table: Table, at: Address, key: int) -> Any:
    """The row of one entry of the vehicle at an address, withdrawn or not.

    Raises:
        NotFoundError: No such vehicle, or it has no such entry.
        GoneError: No vehicle carries the number any longer.
    """
    return entry_row(session, table, Owner(at.fleet_key, vehicle_at(session, at).key), key)


def addressed_rows(session: ReadSession, table: Table, at: Address, window: Window) -> Sequence[Any]:
    """Rows of entries of the vehicle at an address, in the order in which they were recorded.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    return facts.entries(session, table, Owner(at.fleet_key, vehicle_at(session, at).key), window)


def withdrawn_row(session: WriteSession, table: Table, at: Address, key: int, withdrawal: Withdrawal) -> Any:
    """The row of an entry, withdrawn; what is due on the vehicle follows at once.

    Raises:
        NotFoundError: No such vehicle, or it has no such entry.
        GoneError: No vehicle carries the number any longer.
        ConflictError: The entry was withdrawn before (``already_withdrawn``).
    """
    owner = Owner(at.fleet_key, vehicle_at(session, at, is_locking=True).key)
    withdraw_entry(session, table, owner, key, withdrawal)
    recompute(session, at.fleet_key, [owner.vehicle], now_us=withdrawal.at_us)
    return entry_row(session, table, owner, key)


def withdraw_entry(
    session: WriteSession, table: Table, owner: Owner, key: int, withdrawal: Withdrawal
) -> None:
    """Withdraw an entry that the vehicle has.

    Raises:
        NotFoundError: The vehicle has no such entry.
        ConflictError: The entry was withdrawn before (``already_withdrawn``).
    """
    entry_row(session, table, owner, key)
    if not facts.withdraw(session, table, owner, key, withdrawal):
        raise ConflictError(Breach("", "already_withdrawn", "this entry was withdrawn before"))
