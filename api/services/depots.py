"""Depots: where vehicles stand, and the time zone that their dates are in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import ConflictError, NotFoundError, StaleVersionError
from api.services.fleets import fleet_state
from api.services.standing import recompute
from api.store import queries_fleets
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.store.queries_fleets import Found
    from api.store.session import ReadSession, WriteSession

_KIND = "depot"


@dataclass(frozen=True, slots=True)
class DepotState:
    """A depot as it is stored.

    Attributes:
        code: The fleet's code of it.
        name: In words.
        time_zone: The zone that dates of its vehicles are in (IANA name).
        version: Grows by one with each change.
        recorded_at_us: When it was first recorded [us UTC].
    """

    code: str
    name: str
    time_zone: str
    version: int
    recorded_at_us: int


@dataclass(frozen=True, slots=True)
class DepotTerms:
    """What a new depot is.

    Attributes:
        name: In words.
        time_zone: IANA name; None: the fleet's.
    """

    name: str
    time_zone: str | None


@dataclass(frozen=True, slots=True)
class DepotChange:
    """A change of a depot.

    Attributes:
        code: The depot.
        version: The version that the change starts from.
        values: New values of ``name`` and ``time_zone``.
    """

    code: str
    version: int
    values: Mapping[str, str]


def depot_state(session: ReadSession, fleet_key: int, code: str) -> DepotState:
    """The depot of that code.

    Raises:
        NotFoundError: The fleet has none.
    """
    return _state(_row(session, fleet_key, code))


def depots_after(session: ReadSession, fleet_key: int, after: str | None, limit: int) -> list[DepotState]:
    """Depots in the order of their codes, from the one after ``after`` on."""
    return [_state(row) for row in queries_fleets.listed_depots(session, fleet_key, after=after, limit=limit)]


def open_depot(
    session: WriteSession, fleet_key: int, code: str, terms: DepotTerms, *, now_us: int
) -> DepotState:
    """The new depot.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        code: The fleet's code of it.
        terms: Its name, and its time zone unless it has the fleet's.
        now_us: The instant of the request [us UTC].

    Raises:
        ConflictError: The fleet has a depot of that code.
    """
    if queries_fleets.depot(session, fleet_key, code) is not None:
        raise ConflictError(Breach("/code", "code_taken", "the fleet has a depot of this code already"))
    zone = terms.time_zone or fleet_state(session, fleet_key).time_zone
    queries_fleets.add_depot(
        session, fleet_key, {"code": code, "name": terms.name, "time_zone": zone, "recorded_at_us": now_us}
    )
    return depot_state(session, fleet_key, code)


def change_depot(session: WriteSession, fleet_key: int, change: DepotChange, *, now_us: int) -> DepotState:
    """The depot after a change; one that changes nothing leaves the version as it is.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        change: The depot, the version that the change starts from, and what it changes.
        now_us: The instant of the request [us UTC].

    Raises:
        NotFoundError: The fleet has no such depot.
        StaleVersionError: The depot has another version by now.
    """
    row = _row(session, fleet_key, change.code)
    if row.version != change.version:
        raise StaleVersionError(_KIND, stored_version=row.version)
    values = {name: value for name, value in change.values.items() if getattr(row, name) != value}
    if not values:
        return _state(row)
    is_changed = queries_fleets.change_depot(
        session, fleet_key, change.code, version=change.version, values=values
    )
    if not is_changed:
        newer = depot_state(session, fleet_key, change.code)
        raise StaleVersionError(_KIND, stored_version=newer.version)
    if "time_zone" in values:
        keys = queries_fleets.vehicle_keys(session, fleet_key, depot_key=row.id)
        recompute(session, fleet_key, keys, now_us=now_us)
    return depot_state(session, fleet_key, change.code)


def _row(session: ReadSession, fleet_key: int, code: str) -> Found:
    row = queries_fleets.depot(session, fleet_key, code)
    if row is None:
        raise NotFoundError(_KIND)
    return row


def _state(row: Found) -> DepotState:
    return DepotState(row.code, row.name, row.time_zone, row.version, row.recorded_at_us)
