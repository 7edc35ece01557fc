"""Physical meters of a vehicle in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Request
from api.schemas.figures import AnyFigure, given
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day, Instant, ShownInstant
from api.services import meters
from domain.meters import MeterSegment
from domain.sheet import Meter

_METER = "Which meter of the vehicle."
_DIAL = "Unit code that its dial shows."


class MeterFitting(Request):
    """A meter as fitted."""

    meter: Annotated[Choice[Meter], Field(description="Which meter of the vehicle's type.")]
    unit: Annotated[
        str | None,
        Field(max_length=16, description=f"{_DIAL[:-1]}; km, h or L, as the meter counts, unless given."),
    ] = None
    fitted_at: Annotated[
        Instant | None, Field(description="When it was fitted; at the start of the first day unless given.")
    ] = None
    figure: Annotated[
        AnyFigure | None,
        Field(description="What its dial showed when it was fitted; given together with `life_to_date`."),
    ] = None
    life_to_date: Annotated[
        AnyFigure | None, Field(description="What the vehicle had run by then, as rules count it.")
    ] = None

    def value(self) -> meters.MeterGiven:
        """The meter as services take it."""
        return meters.MeterGiven(
            self.meter,
            self.unit,
            self.fitted_at,
            None if self.figure is None else given(self.figure),
            None if self.life_to_date is None else given(self.life_to_date),
        )


class MeterReplacement(Request):
    """A meter replaced by another."""

    meter: Annotated[Choice[Meter], Field(description=_METER)]
    replaced_at: Annotated[Instant, Field(description="When.")]
    old_figure: Annotated[AnyFigure, Field(description="What the old dial showed then.")]
    new_figure: Annotated[
        AnyFigure, Field(description="What the new dial showed then, in the unit that it shows.")
    ]

    def value(self) -> meters.Replacement:
        """The replacement as services take it."""
        return meters.Replacement(
            self.meter, self.replaced_at, given(self.old_figure), given(self.new_figure)
        )


class FittedMeter(Answer):
    """A meter that is fitted."""

    meter: Annotated[Meter, Field(description=_METER)]
    unit: Annotated[str, Field(description=_DIAL)]
    fitted_at: Annotated[ShownInstant, Field(description="When it was fitted.")]


class MeterState(FittedMeter):
    """A meter that is fitted, and how it stands."""

    figure: Annotated[
        ShownFigure | None,
        Field(description="On this dial, at the last accepted reading; null before the first."),
    ]
    life_to_date: Annotated[
        ShownFigure | None, Field(description="The same over all meters, as rules count; null before it.")
    ]
    read_on: Annotated[
        Day | None, Field(description="Day of that reading in the depot's time zone; null before it.")
    ]


class MeterSpan(FittedMeter):
    """A physical meter between its fitting and its removal."""

    removed_at: Annotated[ShownInstant | None, Field(description="When it was removed; null while fitted.")]
    life_to_date_offset: Annotated[
        ShownFigure, Field(description="Life-to-date minus the figure on this dial; may be negative.")
    ]


class VehicleMeters(Answer):
    """The meters of a vehicle."""

    unit: Annotated[str, Field(description="The vehicle's unit number.")]
    meters: Annotated[list[MeterState], Field(description="Meters that are fitted now.")]
    spans: Annotated[
        list[MeterSpan], Field(description="Every physical meter so far, in order of meter and time.")
    ]


def fitted_meter(meter: meters.MeterNow) -> FittedMeter:
    """A meter that is fitted."""
    return FittedMeter(meter=meter.meter, unit=meter.unit, fitted_at=meter.fitted_at_us)


def meter_state(meter: meters.MeterNow, units: UnitSystem) -> MeterState:
    """A meter that is fitted and how it stands, in a system's units."""
    figure, life = meter.figure, meter.life_to_date
    return MeterState(
        meter=meter.meter,
        unit=meter.unit,
        fitted_at=meter.fitted_at_us,
        figure=None if figure is None else shown_figure(meter.meter, figure, units),
        life_to_date=None if life is None else shown_figure(meter.meter, life, units),
        read_on=meter.read_on,
    )


def meter_span(segment: MeterSegment, units: UnitSystem) -> MeterSpan:
    """A physical meter, in a system's units."""
    return MeterSpan(
        meter=segment.meter,
        unit=segment.unit,
        fitted_at=segment.fitted_at_us,
        removed_at=segment.removed_at_us,
        life_to_date_offset=shown_figure(segment.meter, segment.offset, units),
    )
