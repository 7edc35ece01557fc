"""Whether a day or an instant falls within a vehicle's time in the fleet.

Invariant: a vehicle's first instant is the earlier of the two beginnings of its first day, in UTC and in its
depot's time zone, so that nothing of that day falls before it.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from api.services.standing import local_day
from domain.duty import day_start_us
from domain.errors import Breach
from domain.work import CLOCK_SLACK_US

if TYPE_CHECKING:
    from api.services.units import VehicleRef

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def first_instant_us(in_service_on: date, time_zone: str) -> int:
    """The first instant of a vehicle's first day [us UTC].

    Args:
        in_service_on: Its first day.
        time_zone: The depot's time zone (IANA name).
    """
    midnight = datetime(
        in_service_on.year, in_service_on.month, in_service_on.day, tzinfo=ZoneInfo(time_zone)
    )
    local_us = round((midnight - _EPOCH).total_seconds()) * 1_000_000
    return min(day_start_us(in_service_on.toordinal()), local_us)


def day_in_depot(at_us: int, time_zone: str) -> date:
    """The day that an instant falls on in a depot's time zone.

    Args:
        at_us: The instant [us UTC].
        time_zone: The depot's time zone (IANA name).
    """
    return date.fromordinal(local_day(at_us, time_zone))


def instant_breaches(vehicle: VehicleRef, at_us: int, *, pointer: str, now_us: int) -> list[Breach]:
    """Why something cannot have happened to a vehicle at an instant; empty where it can.

    Args:
        vehicle: The vehicle.
        at_us: The instant [us UTC].
        pointer: Its place.
        now_us: The present [us UTC].
    """
    if at_us > now_us + CLOCK_SLACK_US:
        return [Breach(pointer, "in_future", "what has happened lies in the past")]
    if at_us < first_instant_us(vehicle.in_service_on, vehicle.time_zone):
        return [_before_first(vehicle, pointer)]
    return _after_last(vehicle, day_in_depot(at_us, vehicle.time_zone), pointer)


def day_breaches(vehicle: VehicleRef, on: date, *, pointer: str) -> list[Breach]:
    """Why a day is none of a vehicle's time in the fleet; empty where it is."""
    if on < vehicle.in_service_on:
        return [_before_first(vehicle, pointer)]
    return _after_last(vehicle, on, pointer)


def _before_first(vehicle: VehicleRef, pointer: str) -> Breach:
    detail = f"the vehicle's first day is {vehicle.in_service_on.isoformat()}"
    return Breach(pointer, "before_first_day", detail)


def _after_last(vehicle: VehicleRef, on: date, pointer: str) -> list[Breach]:
    if vehicle.retired_on is None or on <= vehicle.retired_on:
        return []
    return [Breach(pointer, "after_last_day", f"the vehicle left on {vehicle.retired_on.isoformat()}")]
