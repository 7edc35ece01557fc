"""Short builders for hand-worked due cases: kilometres and days in, a due point out."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from domain.due import DuePoint, due_points
from domain.history import Origin, VehicleHistory, WorkDone
from domain.meters import Reading, Timeline, day_lasts
from domain.sheet import Amount, IntervalRule, Limb, Meter, Service, SpecSheet, Task

if TYPE_CHECKING:
    from collections.abc import Mapping

OIL = Task("renew-oil", "Renew oil")


def km(figure: float) -> int:
    """Whole metres."""
    return round(figure * 1000)


def us(day: str, hour: int = 12) -> int:
    """Noon of a UTC day, in microseconds."""
    moment = datetime.combine(date.fromisoformat(day), datetime.min.time(), UTC).replace(hour=hour)
    return int(moment.timestamp()) * 1_000_000


def line(*points: tuple[str, float], per_day_km: float | None = None) -> Timeline:
    """A timeline of (day, km)."""
    plain = day_lasts(Reading(us(day), km(figure)) for day, figure in points)
    return Timeline(plain.at_us, plain.life, None if per_day_km is None else per_day_km * 1000)


def every(
    km_: float | None = None, months: int | None = None, hours: float | None = None
) -> tuple[Amount, ...]:
    """An interval, limb by limb."""
    amounts = []
    if km_ is not None:
        amounts.append(Amount(Limb.ODOMETER, km(km_)))
    if months is not None:
        amounts.append(Amount(Limb.CALENDAR, months))
    if hours is not None:
        amounts.append(Amount(Limb.ENGINE_HOURS, round(hours * 3600)))
    return tuple(amounts)


def sheet_of(
    *services: Service, meters: tuple[Meter, ...] = (Meter.ODOMETER, Meter.ENGINE_HOURS)
) -> SpecSheet:
    """A sheet with these services and no compartments."""
    return SpecSheet("type", "Type", meters, (), services)


def service_of(rule: IntervalRule, code: str = "oil", **more: Any) -> Service:
    """A service of one task under one rule."""
    return Service(code, code, (OIL,), (rule,), **more)


def work(
    day: str, km_: float | None, *services: str, key: int = 1, restored: Mapping[str, float] | None = None
) -> WorkDone:
    """A visit that did these services at noon."""
    figures = {} if km_ is None else {Meter.ODOMETER: km(km_)}
    return WorkDone(
        key, us(day), date.fromisoformat(day), figures, frozenset(services or ("oil",)), restored or {}
    )


def vehicle(
    *done: WorkDone,
    odometer: Timeline | None = None,
    new_on: str = "2024-01-01",
    is_known: bool = True,
    **more: Any,
) -> VehicleHistory:
    """A vehicle's history."""
    timelines = {} if odometer is None else {Meter.ODOMETER: odometer}
    return VehicleHistory(
        Origin(date.fromisoformat(new_on), is_known),
        timelines,
        work=done,
        **more,
    )


def only(rule: IntervalRule, history: VehicleHistory, **more: Any) -> DuePoint:
    """The due point of the one service under the rule."""
    service = service_of(rule, **more)
    (point,) = due_points(sheet_of(service), history)
    return point


def due_on(point: DuePoint, limb: Limb) -> str | float:
    """The due figure of a limb: an ISO day on the calendar, km on the odometer, hours on an hour meter."""
    figure = next(p.due for p in point.limbs if p.limb is limb)
    if limb is Limb.CALENDAR:
        return date.fromordinal(figure).isoformat()
    return figure / (1000 if limb is Limb.ODOMETER else 3600)
