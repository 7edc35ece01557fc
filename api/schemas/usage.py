"""How a vehicle's meters run, as answered."""

from __future__ import annotations

from datetime import UTC, date, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day
from domain.sheet import Meter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.services.vehicle_use import ExpectedFigure as Expected
    from api.services.vehicle_use import MeterUse
    from api.services.vehicle_use import VehicleUsage as Found


class UsageBasis(StrEnum):
    """What a forecast of use goes by."""

    TYPE = "type"
    OWN = "own"
    NONE = "none"


class ExpectedFigure(Answer):
    """What a meter is expected to have run by a day, life-to-date."""

    on: Annotated[Day, Field(description="The day, at the hour of the last reading.")]
    low: Annotated[ShownFigure, Field(description="Not exceeded with a chance of 5 %.")]
    middle: Annotated[ShownFigure, Field(description="Exceeded as likely as not.")]
    high: Annotated[ShownFigure, Field(description="Not exceeded with a chance of 95 %.")]
    mean: Annotated[ShownFigure, Field(description="The mean.")]


class MeterUsage(Answer):
    """How one meter runs."""

    meter: Annotated[Meter, Field(description="The meter.")]
    basis: Annotated[
        UsageBasis,
        Field(
            description="`type`: how the type runs, as learned, and this vehicle's readings; `own`: recent use alone,"
            " with the spread that is usual; `none`: nothing tells."
        ),
    ]
    learned_on: Annotated[
        Day | None, Field(description="UTC day on which the type's pattern was learned; null unless by type.")
    ]
    reading: Annotated[
        ShownFigure | None, Field(description="Last reading in life-to-date; null without one.")
    ]
    read_on: Annotated[Day | None, Field(description="Day of that reading; null without one.")]
    per_day: Annotated[
        ShownFigure | None,
        Field(description="Expected use a day at the last reading; null where nothing tells."),
    ]
    spread_per_day: Annotated[
        ShownFigure | None,
        Field(description="Standard deviation of what is known of that rate; null where nothing tells."),
    ]
    expected: Annotated[
        list[ExpectedFigure], Field(description="By the days asked for; empty where nothing tells.")
    ]


class VehicleUsage(Answer):
    """How a vehicle's meters run, and what they are expected to show."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    as_of: Annotated[Day, Field(description="The day, in the depot's time zone.")]
    time_zone: Annotated[str, Field(description="Time zone of the depot (IANA name).")]
    retired_on: Annotated[
        Day | None, Field(description="The vehicle's last day, after which its meters stand; null: none set.")
    ]
    meters: Annotated[list[MeterUsage], Field(description="Every meter fitted.")]


def vehicle_usage(found: Found, units: UnitSystem, *, unit: str, time_zone: str) -> VehicleUsage:
    """How a vehicle's meters run, in a system's units."""
    return VehicleUsage(
        unit=unit,
        as_of=found.as_of,
        time_zone=time_zone,
        retired_on=found.retired_on,
        meters=[_meter(use, expected, units) for use, expected in found.meters],
    )


def _meter(use: MeterUse, expected: Sequence[Expected], units: UnitSystem) -> MeterUsage:
    def shown(canonical: float | None) -> ShownFigure | None:
        return None if canonical is None else shown_figure(use.meter, round(canonical), units)

    learned_us = None if use.pattern is None else use.pattern.learned_at_us
    return MeterUsage(
        meter=use.meter,
        basis=UsageBasis(use.basis.value),
        learned_on=None if learned_us is None else datetime.fromtimestamp(learned_us / 1e6, UTC).date(),
        reading=shown(use.life),
        read_on=None if use.day is None else date.fromordinal(use.day),
        per_day=shown(use.per_day),
        spread_per_day=shown(use.spread_per_day),
        expected=[
            ExpectedFigure(
                on=one.on,
                low=shown_figure(use.meter, one.low, units),
                middle=shown_figure(use.meter, one.middle, units),
                high=shown_figure(use.meter, one.high, units),
                mean=shown_figure(use.meter, one.mean, units),
            )
            for one in expected
        ],
    )
