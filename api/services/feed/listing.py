"""Stored readings, listed in order of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.store import queries_history, queries_readings
from api.store.codes import METER_CODES, METERS_BY_CODE, ReadingStatus
from domain.meters import DAY_US

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from api.store.session import ReadSession, Store
    from domain.sheet import Meter

__all__ = [
    "METERS_BY_CODE",
    "METER_CODES",
    "ReadingPlace",
    "ReadingStatus",
    "ReadingsAsked",
    "pages",
    "readings_after",
]

# (instant, meter code, source, figure): where a page of readings ended
ReadingPlace = tuple[int, int, str, int]

_PAGE_ROWS = 1_000


@dataclass(frozen=True, slots=True)
class ReadingsAsked:
    """Which readings of a vehicle a list shows.

    Attributes:
        meter: Only this meter; None: all.
        status: Only this status; None: all.
        from_us: From this instant on [us UTC].
        until_us: Up to, not including, this instant [us UTC].
    """

    meter: Meter | None = None
    status: ReadingStatus | None = None
    from_us: int = 0
    until_us: int = 2**62


def readings_after(  # noqa: PLR0913 - a page's place
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    asked: ReadingsAsked,
    *,
    after: ReadingPlace,
    limit: int,
) -> Sequence[Any]:
    """Stored readings of a vehicle in order of time, from the one after ``after`` on.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        asked: Which of them.
        after: Where the page before ended.
        limit: Most rows.
    """
    days = queries_history.reading_days(session, fleet_key, [vehicle_key])
    if days is None:
        return []
    first_us, last_us = max(asked.from_us, after[0]), min(asked.until_us, (days[1] + 1) * DAY_US)
    return queries_readings.readings_page(
        session,
        fleet=fleet_key,
        vehicle=vehicle_key,
        first=max(days[0], first_us // DAY_US),
        last=min(days[1], last_us // DAY_US),
        at_us=after[0],
        meter=after[1],
        source=after[2],
        figure=after[3],
        from_us=asked.from_us,
        until_us=asked.until_us,
        only_meter=0 if asked.meter is None else METER_CODES[asked.meter],
        only_status=0 if asked.status is None else asked.status.value,
        limit=limit,
    )


def pages(store: Store, fleet_key: int, vehicle_key: int, asked: ReadingsAsked) -> Iterator[Sequence[Any]]:
    """All stored readings of a vehicle in order of time, page by page, each in a unit of work of its own.

    Readings that are there all the while come exactly once; no snapshot is held while a slow reader takes them.

    Args:
        store: The store.
        fleet_key: The fleet.
        vehicle_key: The vehicle.
        asked: Which of them.
    """
    after: ReadingPlace = (-1, 0, "", 0)
    while True:
        with store.reading() as session:
            rows = readings_after(session, fleet_key, vehicle_key, asked, after=after, limit=_PAGE_ROWS)
        yield rows
        if len(rows) < _PAGE_ROWS:
            return
        last = rows[-1]
        after = (last.at_us, last.meter, last.source, last.figure)
