"""Meter figures as clients give them: their canonical value, and whether accepted readings rule them out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.store import queries_work
from api.store.codes import METERS_BY_CODE
from domain.errors import Breach, QuantityError
from domain.meters import DAY_US, METER_DIMENSION, Reading, segment_at
from domain.units import Dimension, to_canonical_whole, unit_of
from domain.work import contradicted, contradiction

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.services.history import LoadedVehicle
    from api.store.session import ReadSession
    from domain.sheet import Meter

USUAL_DIAL_UNIT = {Dimension.DISTANCE: "km", Dimension.DURATION: "h", Dimension.VOLUME: "L"}
"""What a dial shows unless it is said."""


@dataclass(frozen=True, slots=True)
class GivenFigure:
    """A figure with its unit, as given."""

    value: float
    unit: str


def canonical_figure(meter: Meter, given: GivenFigure, *, pointer: str) -> int:
    """The figure in the meter's whole canonical units.

    Args:
        meter: The meter.
        given: The figure.
        pointer: Its place, for the breach.

    Raises:
        QuantityError: The unit measures something else than the meter (``unit_of_wrong_dimension``).
    """
    try:
        return to_canonical_whole(given.value, given.unit, METER_DIMENSION[meter])
    except QuantityError as error:
        raise QuantityError(*(breach.under(pointer) for breach in error.breaches)) from None


def dial_unit(meter: Meter, unit: str | None, *, pointer: str) -> str:
    """The unit code that a dial shows; the usual one unless given.

    Raises:
        QuantityError: The unit measures something else than the meter.
    """
    dimension = METER_DIMENSION[meter]
    return unit_of(unit or USUAL_DIAL_UNIT[dimension], dimension, pointer=pointer).code


def noted_figures(
    session: ReadSession,
    fleet_key: int,
    vehicle: LoadedVehicle,
    given: Sequence[tuple[Meter, GivenFigure]],
    at_us: int,
) -> tuple[dict[Meter, int], list[Breach]]:
    """Life-to-date of figures noted on the meters fitted at an instant, and what is wrong with them.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle: The vehicle.
        given: Meters with the figures that their dials showed.
        at_us: The instant [us UTC].
    """
    noted: dict[Meter, int] = {}
    breaches: list[Breach] = []
    accepted = accepted_around(session, fleet_key, vehicle, at_us) if given else {}
    for index, (meter, figure) in enumerate(given):
        pointer = f"/figures/{index}"
        segment = segment_at(vehicle.history.segments, meter, at_us)
        if segment is None:
            detail = "the vehicle had no such meter then"
            breaches.append(Breach(f"{pointer}/meter", "meter_not_fitted", detail))
            continue
        if meter in noted:
            breaches.append(Breach(f"{pointer}/meter", "meter_repeated", "the entry names this meter before"))
            continue
        try:
            life = canonical_figure(meter, figure, pointer=f"{pointer}/figure") + segment.offset
        except QuantityError as error:
            breaches.extend(error.breaches)
            continue
        noted[meter] = life
        against = contradicted(meter, Reading(at_us, life), accepted.get(meter, ()))
        if against is not None:
            segments = vehicle.history.segments
            place = f"{pointer}/figure/value"
            breaches.append(contradiction(meter, Reading(at_us, life), against, segments, pointer=place))
    return noted, breaches


def accepted_around(
    session: ReadSession, fleet_key: int, vehicle: LoadedVehicle, at_us: int
) -> dict[Meter, list[Reading]]:
    """The accepted readings around an instant: each of its own UTC day, and the last of each other day.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle: The vehicle.
        at_us: The instant [us UTC].
    """
    day = at_us // DAY_US
    found: dict[Meter, list[Reading]] = defaultdict(list)
    for meter, line in vehicle.history.timelines.items():
        points = zip(line.at_us, line.life, strict=True)
        found[meter] = [Reading(point_us, life) for point_us, life in points if point_us // DAY_US != day]
    for row in queries_work.accepted_readings_on(session, fleet_key, vehicle.key, day):
        found[METERS_BY_CODE[row.meter]].append(Reading(row.at_us, row.life))
    return found
