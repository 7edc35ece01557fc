"""A figure of a meter that a neighbouring field names: its unit's dimension is that of the meter."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo

from api.schemas.quantities import Distance, Duration, Volume
from api.services.figures import GivenFigure
from domain.meters import METER_DIMENSION
from domain.sheet import Limb, Meter
from domain.units import UNITS, Dimension

_MODELS: dict[Dimension, type[Distance | Duration | Volume]] = {
    Dimension.DISTANCE: Distance,
    Dimension.DURATION: Duration,
    Dimension.VOLUME: Volume,
}


def _of_neighbour(value: Any, info: ValidationInfo) -> Any:
    named = info.data.get("meter") or info.data.get("limb")
    if named is None or named is Limb.CALENDAR:
        # Nothing says what the figure is of: judge it by its own unit, so that its errors are found as well.
        code = value.get("unit") if isinstance(value, dict) else None
        unit = UNITS.get(code) if isinstance(code, str) else None
        return _MODELS.get(unit.dimension if unit else Dimension.DISTANCE, Distance).model_validate(value)
    return _MODELS[METER_DIMENSION[Meter(named.value)]].model_validate(value)


AnyFigure = Annotated[Distance | Duration | Volume, BeforeValidator(_of_neighbour)]
"""A figure of the meter that the field ``meter`` or ``limb`` before it names."""


def given(figure: Distance | Duration | Volume) -> GivenFigure:
    """The figure as services take it."""
    return GivenFigure(figure.value, figure.unit)
