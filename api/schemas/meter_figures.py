"""A meter's figure in requests and answers: the unit's dimension is that of the meter."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo

from api.schemas.base import Answer, Choice, Request
from api.schemas.quantities import (
    Distance,
    Duration,
    ShownDistance,
    ShownDuration,
    ShownVolume,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.services.figures import GivenFigure
from domain.meters import METER_DIMENSION
from domain.sheet import Meter
from domain.units import UNITS, Dimension

_GIVEN: dict[Dimension, type[Distance | Duration | Volume]] = {
    Dimension.DISTANCE: Distance,
    Dimension.DURATION: Duration,
    Dimension.VOLUME: Volume,
}
_SHOWN: dict[Dimension, type[ShownDistance | ShownDuration | ShownVolume]] = {
    Dimension.DISTANCE: ShownDistance,
    Dimension.DURATION: ShownDuration,
    Dimension.VOLUME: ShownVolume,
}

ShownFigure = ShownDistance | ShownDuration | ShownVolume


def of_meter(value: Any, info: ValidationInfo) -> Any:
    """The figure as a quantity of the dimension that the meter before it has."""
    meter = info.data.get("meter")
    if meter is not None:
        return _GIVEN[METER_DIMENSION[meter]].model_validate(value)
    # The meter itself was refused: judge the figure by its own unit, so that its errors are found as well.
    code = value.get("unit") if isinstance(value, dict) else None
    unit = UNITS.get(code) if isinstance(code, str) else None
    return _GIVEN.get(unit.dimension if unit else Dimension.DISTANCE, Distance).model_validate(value)


class MeterFigure(Request):
    """What a meter's dial showed."""

    meter: Annotated[Choice[Meter], Field(description="Which meter of the vehicle.")]
    figure: Annotated[
        Distance | Duration | Volume,
        BeforeValidator(of_meter),
        Field(
            description=(
                "The figure on the dial: a distance on the odometer, a volume of fuel burned, a duration on"
                " every other meter."
            )
        ),
    ]

    def given(self) -> GivenFigure:
        """The figure as given."""
        return GivenFigure(self.figure.value, self.figure.unit)


class ShownMeterFigure(Answer):
    """A meter's figure, on the dial and in life-to-date."""

    meter: Annotated[Meter, Field(description="Which meter of the vehicle.")]
    figure: Annotated[
        ShownFigure | None,
        Field(description="On the dial of the meter fitted then; null where none was fitted."),
    ]
    life_to_date: Annotated[
        ShownFigure, Field(description="Over all meters that the vehicle has had, as rules count.")
    ]


def shown_figure(meter: Meter, canonical: int, units: UnitSystem) -> ShownFigure:
    """A figure of a meter in a system's unit.

    Args:
        meter: The meter.
        canonical: The figure [canonical units].
        units: Units of the answer.
    """
    dimension = METER_DIMENSION[meter]
    return _SHOWN[dimension](**shown_quantity(canonical, dimension, units))
