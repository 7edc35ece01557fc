"""Devices fitted to a vehicle and calibrations of its reading sources, in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request
from api.schemas.entries import Entry, withdrawal
from api.schemas.figures import AnyFigure, given
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Instant, ShownInstant
from api.services.feed import sources
from domain.plausibility import StandingStill
from domain.sheet import Meter

_SOURCE = "Code of the reading source, as readings name it."


class DeviceFitting(Request):
    """A gateway's device fitted to a vehicle."""

    source: Annotated[Key, Field(description=_SOURCE)]
    fitted_at: Annotated[Instant, Field(description="When it was fitted.")]
    removed_at: Annotated[
        Instant | None, Field(description="When it was removed again; left out while it is there.")
    ] = None

    def value(self) -> sources.FittingGiven:
        """The fitting as services take it."""
        return sources.FittingGiven(self.source, self.fitted_at, self.removed_at)


class DeviceRemoval(Request):
    """A device removed from a vehicle."""

    removed_at: Annotated[Instant, Field(description="When.")]


class DeviceShown(Entry):
    """A device on a vehicle; its readings count from its fitting up to its removal."""

    source: Annotated[str, Field(description=_SOURCE)]
    fitted_at: Annotated[ShownInstant, Field(description="When it was fitted.")]
    removed_at: Annotated[
        ShownInstant | None, Field(description="When it was removed; null while it is there.")
    ]


class DeviceList(Answer):
    """A page of the devices of a vehicle."""

    devices: Annotated[list[DeviceShown], Field(description="In the order of their recording.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class CalibrationEntry(Request):
    """Both figures at one instant: what a source computed, and what the dial showed."""

    source: Annotated[Key, Field(description=_SOURCE)]
    meter: Annotated[Choice[Meter], Field(description="Which meter.")]
    at: Annotated[Instant, Field(description="When both were read; the calibration holds from then on.")]
    source_figure: Annotated[AnyFigure, Field(description="What the source gave.")]
    dial_figure: Annotated[AnyFigure, Field(description="What the dial showed.")]
    factor: Annotated[
        float,
        Field(
            ge=0.1,
            le=10.0,
            description="By how much the dial's figure rises while the source's rises by one [1].",
        ),
    ] = 1.0

    def value(self) -> sources.CalibrationGiven:
        """The calibration as services take it."""
        return sources.CalibrationGiven(
            self.source,
            self.meter,
            self.at,
            given(self.source_figure),
            given(self.dial_figure),
            self.factor,
        )


class CalibrationShown(Entry):
    """A calibration: the dial's figure is the source's times ``factor`` plus ``offset``."""

    source: Annotated[str, Field(description=_SOURCE)]
    meter: Annotated[Meter, Field(description="Which meter.")]
    at: Annotated[ShownInstant, Field(description="It holds from then on.")]
    factor: Annotated[float, Field(description="Factor [1].")]
    offset: Annotated[ShownFigure, Field(description="Offset; may be negative.")]


class CalibrationList(Answer):
    """A page of the calibrations of a vehicle's sources."""

    calibrations: Annotated[list[CalibrationShown], Field(description="In the order of their recording.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class StuckMeter(Answer):
    """A meter that stands while another one runs."""

    meter: Annotated[Meter, Field(description="The meter that stands.")]
    life_to_date: Annotated[ShownFigure, Field(description="Where it stands.")]
    since: Annotated[ShownInstant, Field(description="First reading that shows it.")]
    last_at: Annotated[ShownInstant, Field(description="Last reading that shows it.")]
    other_meter: Annotated[Meter, Field(description="A meter that ran meanwhile.")]
    other_gain: Annotated[ShownFigure, Field(description="By how much.")]
    expected_gain: Annotated[
        ShownFigure, Field(description="By how much the first would have risen, as both ran before.")
    ]


class MeterNotices(Answer):
    """What is remarkable about a vehicle's meters, without any reading being held for it."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    stuck: Annotated[list[StuckMeter], Field(description="Meters that stand while another one runs.")]


def shown_device(found: sources.Fitting) -> DeviceShown:
    """A device as answered."""
    return DeviceShown(
        id=found.key,
        recorded_at=found.recorded_at_us,
        withdrawal=withdrawal(found.withdrawn_at_us, found.withdrawn_reason),
        source=found.source,
        fitted_at=found.fitted_at_us,
        removed_at=found.removed_at_us,
    )


def shown_calibration(found: sources.Calibration, units: UnitSystem) -> CalibrationShown:
    """A calibration as answered, in a system's units."""
    return CalibrationShown(
        id=found.key,
        recorded_at=found.recorded_at_us,
        withdrawal=withdrawal(found.withdrawn_at_us, found.withdrawn_reason),
        source=found.source,
        meter=found.meter,
        at=found.at_us,
        factor=found.factor,
        offset=shown_figure(found.meter, found.offset, units),
    )


def shown_stuck(found: StandingStill, units: UnitSystem) -> StuckMeter:
    """A meter that stands, in a system's units."""
    return StuckMeter(
        meter=found.meter,
        life_to_date=shown_figure(found.meter, found.life, units),
        since=found.since_us,
        last_at=found.last_us,
        other_meter=found.other,
        other_gain=shown_figure(found.other, found.other_gain, units),
        expected_gain=shown_figure(found.meter, found.expected, units),
    )
