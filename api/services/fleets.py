"""The fleet's own settings: name, time zone, units of answers, and the age at which a reading is stale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import StaleVersionError
from api.services.standing import recompute
from api.store import queries_fleets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.store.session import ReadSession, WriteSession


@dataclass(frozen=True, slots=True)
class FleetState:
    """A fleet as it is stored.

    Attributes:
        name: In words.
        time_zone: Time zone of new depots (IANA name).
        unit_system: Units of answers unless a request asks otherwise.
        stale_days: A last reading older than this is stale [d].
        version: Grows by one with each change.
    """

    name: str
    time_zone: str
    unit_system: str
    stale_days: int
    version: int


def fleet_state(session: ReadSession, fleet_key: int) -> FleetState:
    """The fleet's settings."""
    row = queries_fleets.fleet_row(session, fleet_key)
    return FleetState(row.name, row.time_zone, row.unit_system, row.stale_days, row.version)


def unit_system(session: ReadSession, fleet_key: int) -> str:
    """Units of the fleet's answers unless a request asks otherwise."""
    return fleet_state(session, fleet_key).unit_system


def change_fleet(
    session: WriteSession, fleet_key: int, *, version: int, changes: Mapping[str, Any], now_us: int
) -> FleetState:
    """The fleet's settings after a change; one that changes nothing leaves the version as it is.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        version: The version that the change starts from.
        changes: New values by the names of ``FleetState``.
        now_us: The instant of the request [us UTC].

    Raises:
        StaleVersionError: The fleet has another version by now.
    """
    stored = fleet_state(session, fleet_key)
    values = {name: value for name, value in changes.items() if getattr(stored, name) != value}
    if stored.version != version:
        kind = "fleet"
        raise StaleVersionError(kind, stored_version=stored.version)
    if not values:
        return stored
    if not queries_fleets.change_fleet(session, fleet_key, version=version, values=values):
        kind = "fleet"
        raise StaleVersionError(kind, stored_version=fleet_state(session, fleet_key).version)
    if "stale_days" in values:
        recompute(session, fleet_key, queries_fleets.vehicle_keys(session, fleet_key), now_us=now_us)
    return fleet_state(session, fleet_key)
