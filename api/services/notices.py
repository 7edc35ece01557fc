"""What is remarkable about a vehicle's meters, without any reading being held for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.services.history import load_histories
from api.services.units import vehicle_at
from domain.plausibility import StandingStill, standing_still

if TYPE_CHECKING:
    from api.services.units import Address
    from api.store.session import ReadSession

__all__ = ["StandingStill", "stuck_meters"]


def stuck_meters(session: ReadSession, at: Address) -> tuple[str, tuple[StandingStill, ...]]:
    """The unit number of the vehicle at an address, and its meters that stand while another one runs.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    vehicle = vehicle_at(session, at)
    history = load_histories(session, at.fleet_key, [vehicle.key])[vehicle.key].history
    return vehicle.unit, standing_still(history.timelines)
