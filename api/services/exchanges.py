"""Components exchanged for others: the services of their compartment start anew.

Invariants: figures are noted as the dials fitted then showed them, and kept in life-to-date; an entry is
withdrawn, never deleted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.entries import addressed_row, addressed_rows, entry_row, withdrawn_row
from api.services.errors import ConflictError, RefusedError
from api.services.figures import GivenFigure, noted_figures
from api.services.history import figures_of, load_histories, stored_figures
from api.services.standing import recompute
from api.services.units import vehicle_at
from api.services.vehicle_span import day_in_depot, instant_breaches
from api.store import facts
from api.store.facts import EXCHANGES, Owner, Window, Withdrawal
from api.store.sheets import load_sheet
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from api.services.units import Address
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter


@dataclass(frozen=True, slots=True)
class NewExchange:
    """An exchange as entered.

    Attributes:
        compartment: Code of the compartment.
        exchanged_at_us: When [us UTC].
        serial_number: Serial number of the component put in.
        figures: What the meters' dials showed then.
        note: Free text.
    """

    compartment: str
    exchanged_at_us: int
    serial_number: str | None
    figures: tuple[tuple[Meter, GivenFigure], ...]
    note: str | None


@dataclass(frozen=True, slots=True)
class Exchange:
    """An exchange as stored.

    Attributes:
        key: Identifies it.
        compartment: Code of the compartment.
        exchanged_at_us: When [us UTC].
        exchanged_on: The day in the depot's time zone.
        serial_number: Serial number of the component put in.
        figures: Life-to-date figures noted then [canonical units].
        note: Free text.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
    """

    key: int
    compartment: str
    exchanged_at_us: int
    exchanged_on: date
    serial_number: str | None
    figures: Mapping[Meter, int]
    note: str | None
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def enter(session: WriteSession, at: Address, new: NewExchange, *, now_us: int) -> Exchange:
    """An exchange, stored; what is due on the vehicle follows at once.

    Args:
        session: The unit of work.
        at: The vehicle.
        new: The exchange.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The type has no such compartment, the instant lies outside the vehicle's time, or a
            figure contradicts an accepted reading.
        ConflictError: The same exchange stands already (``exchange_repeated``).
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    breaches = instant_breaches(vehicle, new.exchanged_at_us, pointer="/exchanged_at", now_us=now_us)
    sheet = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key)
    if new.compartment not in {compartment.code for compartment in sheet.compartments}:
        detail = "the vehicle's spec sheet has no compartment of that code"
        breaches.append(Breach("/compartment", "compartment_unknown", detail))
    loaded = load_histories(session, at.fleet_key, [vehicle.key])[vehicle.key]
    noted, wrong = noted_figures(session, at.fleet_key, loaded, new.figures, new.exchanged_at_us)
    breaches += wrong
    if breaches:
        raise RefusedError(*breaches)
    for other in loaded.history.exchanges:
        if (other.compartment, other.at_us) == (new.compartment, new.exchanged_at_us):
            detail = f"entry {other.key} says that this component was exchanged at this instant"
            raise ConflictError(Breach("", "exchange_repeated", detail))
    owner = Owner(at.fleet_key, vehicle.key)
    key = facts.add(
        session,
        EXCHANGES,
        owner,
        {
            "compartment": new.compartment,
            "serial_number": new.serial_number,
            "exchanged_at_us": new.exchanged_at_us,
            "exchanged_on": day_in_depot(new.exchanged_at_us, vehicle.time_zone),
            "figures": stored_figures(noted),
            "note": new.note,
            "recorded_at_us": now_us,
        },
    )
    recompute(session, at.fleet_key, [vehicle.key], now_us=now_us)
    return _stored(entry_row(session, EXCHANGES, owner, key))


def withdraw(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> Exchange:
    """A wrong entry, withdrawn; raises as ``api.services.entries.withdrawn_row``."""
    return _stored(withdrawn_row(session, EXCHANGES, at, key, withdrawal))


def exchange_of(session: ReadSession, at: Address, key: int) -> Exchange:
    """One entry of a vehicle; raises as ``api.services.entries.addressed_row``."""
    return _stored(addressed_row(session, EXCHANGES, at, key))


def exchanges_of(session: ReadSession, at: Address, window: Window) -> tuple[Exchange, ...]:
    """Entries of a vehicle; raises as ``api.services.entries.addressed_rows``."""
    return tuple(_stored(row) for row in addressed_rows(session, EXCHANGES, at, window))


def _stored(row: Any) -> Exchange:
    return Exchange(
        row.id,
        row.compartment,
        row.exchanged_at_us,
        row.exchanged_on,
        row.serial_number,
        figures_of(row.figures),
        row.note,
        row.recorded_at_us,
        row.withdrawn_at_us,
        row.withdrawn_reason,
    )
