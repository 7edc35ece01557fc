"""Top-ups: fluid filled in between services, entered, read and withdrawn.

Invariants: an entry is held against the vehicle's life, its sheet and its readings before it is stored; it is
withdrawn, never deleted; it resets no service.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from api.services.entries import addressed_row, addressed_rows, entry_row, withdrawn_row
from api.services.errors import RefusedError
from api.services.figures import GivenFigure, noted_figures
from api.services.history import figures_of, load_histories, stored_figures
from api.services.units import vehicle_at
from api.services.vehicle_span import day_in_depot, instant_breaches
from api.store import facts
from api.store.facts import TOP_UPS, Owner, Window, Withdrawal
from api.store.sheets import load_sheet
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from api.services.units import Address
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import Meter


class TopUpReason(StrEnum):
    """Why a fluid was filled in between services."""

    LEVEL_LOW = "level_low"
    REPAIR = "repair"


@dataclass(frozen=True, slots=True)
class NewTopUp:
    """A top-up as entered.

    Attributes:
        compartment: Code of the compartment.
        volume_ml: What was filled in [mL].
        reason: Why.
        topped_up_at_us: When [us UTC].
        figures: What the meters' dials showed then.
        note: Free text.
    """

    compartment: str
    volume_ml: int
    reason: TopUpReason
    topped_up_at_us: int
    figures: tuple[tuple[Meter, GivenFigure], ...]
    note: str | None


@dataclass(frozen=True, slots=True)
class StoredTopUp:
    """A top-up as stored.

    Attributes:
        key: Identifies it.
        compartment: Code of the compartment.
        fluid_requirement: Code of the requirement that its fluid meets.
        volume_ml: What was filled in [mL].
        reason: Why.
        topped_up_at_us: When [us UTC].
        topped_up_on: The day in the depot's time zone.
        figures: Life-to-date figures noted then [canonical units].
        note: Free text.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_reason: Why.
    """

    key: int
    compartment: str
    fluid_requirement: str
    volume_ml: int
    reason: TopUpReason
    topped_up_at_us: int
    topped_up_on: date
    figures: Mapping[Meter, int]
    note: str | None
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_reason: str | None


def enter(session: WriteSession, at: Address, new: NewTopUp, *, now_us: int) -> StoredTopUp:
    """A top-up, stored.

    Args:
        session: The unit of work.
        at: The vehicle.
        new: The top-up.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        RefusedError: The type has no such compartment, or one without a fluid requirement, nothing was filled in, the
            instant lies outside the vehicle's time, or a figure contradicts an accepted reading.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    breaches = instant_breaches(vehicle, new.topped_up_at_us, pointer="/topped_up_at", now_us=now_us)
    sheet = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key)
    requirement = None
    found = {compartment.code: compartment for compartment in sheet.compartments}.get(new.compartment)
    if found is None:
        detail = "the vehicle's spec sheet has no compartment of that code"
        breaches.append(Breach("/compartment", "compartment_unknown", detail))
    else:
        requirement = found.fluid_requirement
        if requirement is None:
            detail = "the compartment names no fluid requirement"
            breaches.append(Breach("/compartment", "fluid_requirement_missing", detail))
    if new.volume_ml <= 0:
        breaches.append(Breach("/volume", "volume_out_of_range", "a top-up is more than 0 mL"))
    loaded = load_histories(session, at.fleet_key, [vehicle.key])[vehicle.key]
    noted, wrong = noted_figures(session, at.fleet_key, loaded, new.figures, new.topped_up_at_us)
    breaches += wrong
    if breaches or requirement is None:
        raise RefusedError(*breaches)
    owner = Owner(at.fleet_key, vehicle.key)
    key = facts.add(
        session,
        TOP_UPS,
        owner,
        {
            "compartment": new.compartment,
            "fluid_requirement": requirement,
            "volume_ml": new.volume_ml,
            "reason": new.reason.value,
            "topped_up_at_us": new.topped_up_at_us,
            "topped_up_on": day_in_depot(new.topped_up_at_us, vehicle.time_zone),
            "figures": stored_figures(noted),
            "note": new.note,
            "recorded_at_us": now_us,
        },
    )
    return _stored(entry_row(session, TOP_UPS, owner, key))


def withdraw(session: WriteSession, at: Address, key: int, withdrawal: Withdrawal) -> StoredTopUp:
    """A wrong entry, withdrawn; raises as ``api.services.entries.withdrawn_row``."""
    return _stored(withdrawn_row(session, TOP_UPS, at, key, withdrawal))


def top_up_of(session: ReadSession, at: Address, key: int) -> StoredTopUp:
    """One entry of a vehicle; raises as ``api.services.entries.addressed_row``."""
    return _stored(addressed_row(session, TOP_UPS, at, key))


def top_ups_of(session: ReadSession, at: Address, window: Window) -> tuple[StoredTopUp, ...]:
    """Entries of a vehicle; raises as ``api.services.entries.addressed_rows``."""
    return tuple(_stored(row) for row in addressed_rows(session, TOP_UPS, at, window))


def _stored(row: Any) -> StoredTopUp:
    return StoredTopUp(
        row.id,
        row.compartment,
        row.fluid_requirement,
        row.volume_ml,
        TopUpReason(row.reason),
        row.topped_up_at_us,
        row.topped_up_on,
        figures_of(row.figures),
        row.note,
        row.recorded_at_us,
        row.withdrawn_at_us,
        row.withdrawn_reason,
    )
