"""What is due, as answered: lines, limbs, and the kits that lines refer to.

The list is built as plain dictionaries and sent as they are; the models below describe it, and tests hold
the answers against them.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Any
from weakref import WeakKeyDictionary

import msgspec
from pydantic import Field

from api.schemas.base import Answer
from api.schemas.defects import DefectBrief
from api.schemas.kits import Kit
from api.schemas.quantities import (
    ShownDistance,
    ShownDuration,
    ShownVolume,
    UnitSystem,
    unit_code,
)
from api.schemas.times import Day
from domain.because import because
from domain.due import LimbJudgement, Standing, State
from domain.meters import METER_DIMENSION
from domain.sheet import METER_OF, Limb, Meter
from domain.units import Dimension, from_canonical

if TYPE_CHECKING:
    from collections.abc import Mapping, MutableMapping

    from api.services import due
    from api.services.due import Dial
    from api.services.due_dates import DueDates

ShownMeter = ShownDistance | ShownDuration | ShownVolume


class DueLimb(Answer):
    """How a service stands on one limb of its interval."""

    limb: Annotated[Limb, Field(description="The calendar, or a meter.")]
    state: Annotated[State | None, Field(description="By the last reading; null without one.")]
    projected_state: Annotated[
        State | None, Field(description="By recent use, projected to `as_of`; null where it cannot be.")
    ]
    due_on: Annotated[
        Day | None, Field(description="Day on which it falls, or fell, due; null where not projectable.")
    ]
    remaining_days: Annotated[
        int | None, Field(description="Calendar only: days left to the due day, negative when past [d].")
    ]
    due: Annotated[ShownMeter | None, Field(description="Meters only: due point in life-to-date.")]
    due_on_dial: Annotated[
        ShownMeter | None,
        Field(
            description="Meters only: the figure that the meter now fitted will show then, in its own unit."
        ),
    ]
    remaining: Annotated[
        ShownMeter | None,
        Field(description="Meters only: left to run from the last reading, negative when past."),
    ]
    reading: Annotated[ShownMeter | None, Field(description="Meters only: last reading in life-to-date.")]
    read_on: Annotated[Day | None, Field(description="Meters only: day of the last reading.")]
    is_reading_stale: Annotated[bool, Field(description="Whether the last reading is older than is trusted.")]
    is_estimated: Annotated[
        bool, Field(description="Whether the figure that the interval counts from was estimated.")
    ]


class DueDeferral(Answer):
    """The deferral in force."""

    authority: Annotated[str, Field(description="Who granted it.")]
    reason: Annotated[str, Field(description="Why.")]
    granted_on: Annotated[Day, Field(description="Day on which it was granted.")]


class DueLine(Answer):
    """One service of one vehicle."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    spec_sheet: Annotated[str, Field(description="Code of its spec sheet.")]
    spec_sheet_version: Annotated[int, Field(description="Version of the sheet that holds.")]
    service: Annotated[str, Field(description="Code of the service.")]
    service_name: Annotated[str, Field(description="The service in words.")]
    is_statutory: Annotated[bool, Field(description="Whether the law requires it.")]
    state: Annotated[State, Field(description="By the last readings, apart from any projection.")]
    projected_state: Annotated[
        State | None, Field(description="By recent use, projected to `as_of`; null where it cannot be.")
    ]
    governed_by: Annotated[Limb | None, Field(description="The limb that falls due first.")]
    due_on: Annotated[
        Day | None,
        Field(description="Day on which it falls, or fell, due, in the depot's time zone; null: unknown."),
    ]
    early_on: Annotated[
        Day | None,
        Field(
            description="Fallen due by then with a chance of 5 %, as far as its meters' use can be told; null: not told,"
            " or not asked for."
        ),
    ]
    likely_on: Annotated[Day | None, Field(description="The same with a chance of 50 %.")]
    late_on: Annotated[Day | None, Field(description="The same with a chance of 95 %.")]
    chance_by: Annotated[
        float | None,
        Field(
            description="Chance to have fallen due by the day that `chance_by` asks about; null: not told."
        ),
    ]
    limbs: Annotated[list[DueLimb], Field(description="Each limb of the interval.")]
    because: Annotated[str, Field(description="The sum behind it, to be checked by hand.")]
    deferral: Annotated[DueDeferral | None, Field(description="The deferral in force.")]
    kit: Annotated[str, Field(description="Key of its kit in `kits`.")]


class DueList(Answer):
    """A page of what is due; the lines of one vehicle are never split over pages."""

    as_of: Annotated[Day, Field(description="The day that states and dates are given for.")]
    through: Annotated[Day, Field(description="Last day of the window.")]
    lines: Annotated[
        list[DueLine],
        Field(description="By the vehicle's next date, then the service; silent vehicles last."),
    ]
    defects: Annotated[
        list[DefectBrief],
        Field(description="What stands against the vehicles of these lines until it is released."),
    ]
    kits: Annotated[
        dict[str, Kit],
        Field(description="Parts, tools, fluids and cautions, once a sheet version and service."),
    ]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class ListedState(StrEnum):
    """States that a list can be narrowed to."""

    IN_WINDOW = "in_window"
    DUE = "due"
    OVERDUE = "overdue"
    DEFERRED = "deferred"
    NOT_DUE = "not_due"
    BASELINE_NEEDED = "baseline_needed"
    NO_READING = "no_reading"
    READING_STALE = "reading_stale"


class VehicleDue(Answer):
    """How every service of one vehicle stands."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    as_of: Annotated[Day, Field(description="The day, in the depot's time zone.")]
    time_zone: Annotated[str, Field(description="Time zone of the depot (IANA name).")]
    defects: Annotated[
        list[DefectBrief], Field(description="What stands against the vehicle until it is released.")
    ]
    is_off_road: Annotated[bool, Field(description="Whether one of these defects takes it off the road.")]
    lines: Annotated[list[DueLine], Field(description="Every service, in the order of the sheet.")]
    kits: Annotated[
        dict[str, Kit],
        Field(description="Parts, tools, fluids and cautions, once a sheet version and service."),
    ]


class UnitsShown:
    """The unit codes of an answer, looked up once."""

    __slots__ = ("codes", "system")

    def __init__(self, system: UnitSystem) -> None:
        """Take the system in."""
        self.system = system
        self.codes: dict[Dimension, str] = {
            dimension: unit_code(system, dimension)
            for dimension in (
                Dimension.DISTANCE,
                Dimension.DURATION,
                Dimension.VOLUME,
                Dimension.DISTANCE_PER_DURATION,
            )
        }


def kit_key(names: due.SheetNames, service: str) -> str:
    """The key of a service's kit."""
    return f"{names.code}/{names.number}/{service}"


def sent_line(line: due.DueLine, names: due.SheetNames, depot: str, units: UnitsShown) -> bytes:
    """``shown_line`` as JSON text, remembered as long as the line itself is."""
    texts = _texts.get(line)
    if texts is None:
        texts = _texts[line] = {}
    found = texts.get(units.system)
    if found is None:
        found = texts[units.system] = msgspec.json.encode(shown_line(line, names, depot, units))
    return found


def sent_dated(
    dates: DueDates, line: due.DueLine, names: due.SheetNames, depot: str, units: UnitsShown
) -> bytes:
    """A line with its early, likely and late day as JSON text."""
    shown = shown_line(line, names, depot, units)
    shown["early_on"], shown["likely_on"], shown["late_on"] = map(
        _day, (dates.early, dates.likely, dates.late)
    )
    shown["chance_by"] = None if dates.chance is None else round(dates.chance, 4)
    return msgspec.json.encode(shown)


def shown_line(line: due.DueLine, names: due.SheetNames, depot: str, units: UnitsShown) -> dict[str, Any]:
    """A line as answered (``DueLine``)."""
    judgement = line.judgement
    point = judgement.point
    service = names.services[point.service]
    deferral = point.deferral
    return {
        "unit": line.unit,
        "depot": depot,
        "spec_sheet": names.code,
        "spec_sheet_version": names.number,
        "service": point.service,
        "service_name": service.name,
        "is_statutory": service.is_statutory,
        "state": judgement.state,
        "projected_state": judgement.projected_state,
        "governed_by": judgement.governed_by,
        "due_on": _day(judgement.due_day),
        "early_on": None,
        "likely_on": None,
        "late_on": None,
        "chance_by": None,
        "limbs": [shown_limb(limb, line.standings, line.dials, units) for limb in judgement.limbs],
        "because": because(
            judgement,
            service.rules[point.rule_index],
            units.codes,
            has_idle_hours=Meter.IDLE_HOURS in line.standings,
        ),
        "deferral": None
        if deferral is None
        else {
            "authority": deferral.authority,
            "reason": deferral.reason,
            "granted_on": deferral.on.isoformat(),
        },
        "kit": kit_key(names, point.service),
    }


def shown_limb(
    limb: LimbJudgement,
    standings: Mapping[Meter, Standing],
    dials: Mapping[Meter, Dial],
    units: UnitsShown,
) -> dict[str, Any]:
    """A limb as answered (``DueLimb``)."""
    point = limb.point
    shown: dict[str, Any] = {
        "limb": point.limb,
        "state": limb.state,
        "projected_state": limb.projected_state,
        "due_on": _day(limb.due_day),
        "remaining_days": None,
        "due": None,
        "due_on_dial": None,
        "remaining": None,
        "reading": None,
        "read_on": None,
        "is_reading_stale": limb.is_stale,
        "is_estimated": point.is_base_estimated,
    }
    if point.limb is Limb.CALENDAR:
        shown["remaining_days"] = limb.remaining
        return shown
    meter = METER_OF[point.limb]
    code = units.codes[METER_DIMENSION[meter]]
    shown["due"] = _quantity(point.due, code)
    standing, dial = standings.get(meter), dials.get(meter)
    if dial is not None:
        due = point.due
        if standing is not None and limb.remaining is not None:
            due = standing.life + _meter_part(limb, standing)
        shown["due_on_dial"] = _quantity(due - dial.life_offset, dial.unit)
    if standing is not None and limb.remaining is not None and limb.figure is not None:
        shown["remaining"] = _quantity(limb.remaining, code)
        shown["reading"] = _quantity(standing.life, code)
        shown["read_on"] = _day(standing.day)
    return shown


def _meter_part(limb: LimbJudgement, standing: Standing) -> int:
    """What the meter itself will run until the due point: less than remains where idle hours count as distance."""
    remaining = limb.remaining or 0
    if limb.point.idle_m_per_h is None or limb.due_day is None or standing.per_day is None:
        return remaining
    return min(remaining, round(standing.per_day * (limb.due_day - standing.day)))


def _day(ordinal: int | None) -> str | None:
    return None if ordinal is None else _day_text(ordinal)


def _quantity(figure: int, code: str) -> dict[str, Any]:
    return {"value": _shown(figure, code), "unit": code}


_texts: MutableMapping[due.DueLine, dict[UnitSystem, bytes]] = WeakKeyDictionary()

# Due points stay while readings go on, and many lines share a day: most of an answer was in the one before.
_shown = lru_cache(maxsize=32_768)(from_canonical)


@lru_cache(maxsize=8_192)
def _day_text(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()
