"""A vehicle as it stood at the end of a day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from api.services.grounds import FOREVER_US
from api.services.history import LoadedVehicle, load_histories
from domain.usage import folded, rate_per_day

if TYPE_CHECKING:
    from api.store.session import ReadSession


def vehicle_as_of(  # noqa: PLR0913 - a day, and what was known
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    *,
    as_of: date,
    today: date,
    known_at_us: int | None = None,
) -> tuple[LoadedVehicle, int]:
    """A vehicle with its past, and the last instant of it that counts [us UTC].

    Of a past day that is what had happened by its end, under the sheet version then in force; else all there is.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle; it exists.
        as_of: The day, in the depot's time zone.
        today: The day of the request.
        known_at_us: Only what had been entered by then [us UTC]; None: by now.
    """
    loaded = load_histories(session, fleet_key, [vehicle_key], known_at_us=known_at_us)[vehicle_key]
    if as_of >= today:
        return loaded, FOREVER_US
    end_us = end_of_day_us(as_of, loaded.time_zone)
    then = load_histories(session, fleet_key, [vehicle_key], known_at_us=known_at_us, sheet_at_us=end_us)
    return _until(then[vehicle_key], as_of, end_us), end_us


def end_of_day_us(day: date, time_zone: str) -> int:
    """The last microsecond of a day in a time zone [us UTC]."""
    end = datetime.combine(day + timedelta(days=1), time.min, ZoneInfo(time_zone))
    return (end - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) - 1


def _until(loaded: LoadedVehicle, day: date, end_us: int) -> LoadedVehicle:
    history = loaded.history.until(day, end_us)
    usage = {
        meter: state
        for meter, line in history.timelines.items()
        if (state := folded(zip(line.at_us, line.life, strict=True))) is not None
    }
    lines = {m: replace(line, per_day=rate_per_day(usage.get(m))) for m, line in history.timelines.items()}
    return replace(loaded, history=replace(history, timelines=lines), usage=usage)
