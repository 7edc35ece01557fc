"""Quantities in requests and answers: a figure with its unit, one model for each dimension.

Invariants: a bare number is no quantity; a unit code is looked up in ``domain.units`` and never parsed; a
figure is finite and its canonical figure below ``LARGEST_CANONICAL``; the JSON schema lists the unit codes
of the dimension.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field, GetJsonSchemaHandler, field_validator, model_validator
from pydantic_core import CoreSchema, PydanticCustomError

from api.schemas.base import Answer, Request
from domain.units import UNITS, Dimension, codes, from_canonical, to_canonical, to_canonical_whole

# Whole canonical figures stay far inside 64 bits and inside what a double holds exactly.
LARGEST_CANONICAL = 1e12
COLDEST_DEGC = -273.15


class UnitSystem(StrEnum):
    """Units of an answer."""

    METRIC = "metric"
    US = "us"
    IMPERIAL = "imperial"


_CHOSEN: dict[UnitSystem, dict[Dimension, str]] = {
    UnitSystem.METRIC: {
        Dimension.DISTANCE: "km",
        Dimension.DURATION: "h",
        Dimension.CALENDAR: "month",
        Dimension.VOLUME: "L",
        Dimension.TEMPERATURE: "degC",
        Dimension.TORQUE: "N.m",
        Dimension.LENGTH: "mm",
        Dimension.MASS: "kg",
        Dimension.DENSITY: "kg/m3",
        Dimension.PRESSURE: "kPa",
        Dimension.DISTANCE_PER_DURATION: "km/h",
    },
    UnitSystem.US: {
        Dimension.DISTANCE: "mi",
        Dimension.DURATION: "h",
        Dimension.CALENDAR: "month",
        Dimension.VOLUME: "qt_us",
        Dimension.TEMPERATURE: "degF",
        Dimension.TORQUE: "lbf.ft",
        Dimension.LENGTH: "in",
        Dimension.MASS: "lb",
        Dimension.DENSITY: "kg/m3",
        Dimension.PRESSURE: "psi",
        Dimension.DISTANCE_PER_DURATION: "mi/h",
    },
    UnitSystem.IMPERIAL: {
        Dimension.DISTANCE: "mi",
        Dimension.DURATION: "h",
        Dimension.CALENDAR: "month",
        Dimension.VOLUME: "qt_imp",
        Dimension.TEMPERATURE: "degC",
        Dimension.TORQUE: "lbf.ft",
        Dimension.LENGTH: "in",
        Dimension.MASS: "lb",
        Dimension.DENSITY: "kg/m3",
        Dimension.PRESSURE: "psi",
        Dimension.DISTANCE_PER_DURATION: "mi/h",
    },
}


def unit_code(system: UnitSystem, dimension: Dimension) -> str:
    """The unit code in which a system shows a dimension."""
    return _CHOSEN[system][dimension]


def distance_m(text: str) -> int:
    """Whole metres of a distance in a parameter, such as ``500km``, whose form the route has checked."""
    digits = text.rstrip("kmi")
    return to_canonical_whole(float(digits), text[len(digits) :], Dimension.DISTANCE)


def shown_quantity(canonical: float, dimension: Dimension, system: UnitSystem) -> dict[str, Any]:
    """``{"value", "unit"}`` of a canonical figure in a system's unit, rounded to that unit's places.

    Args:
        canonical: Figure in the dimension's canonical unit (``domain.units.CANONICAL``).
        dimension: What it measures.
        system: Units of the answer.
    """
    code = _CHOSEN[system][dimension]
    return {"value": from_canonical(canonical, code), "unit": code}


class _Quantity(Request):
    """A figure with its unit, as a client sends it."""

    dimension: ClassVar[Dimension]
    may_be_negative: ClassVar[bool] = False

    value: Annotated[float, Field(description="The figure, in `unit`.", examples=[5.7])]
    unit: Annotated[str, Field(description="A unit code of this dimension.", max_length=16)]

    @model_validator(mode="before")
    @classmethod
    def _with_unit(cls, sent: Any) -> Any:
        if not isinstance(sent, (dict, cls)):
            rule, text = "quantity_without_unit", "A quantity is an object with a value and a unit"
            raise PydanticCustomError(rule, text)
        return sent

    @field_validator("unit")
    @classmethod
    def _listed(cls, unit: str) -> str:
        if unit not in UNITS or UNITS[unit].dimension is not cls.dimension:
            rule = "unit_of_wrong_dimension" if unit in UNITS else "unit_unknown"
            raise PydanticCustomError(
                rule,
                "A {dimension} takes one of these unit codes: {allowed}",
                {
                    "dimension": cls.dimension.value.replace("_", " "),
                    "allowed": ", ".join(codes(cls.dimension)),
                },
            )
        return unit

    @model_validator(mode="after")
    def _bounded(self) -> _Quantity:
        if self.value < 0 and not self.may_be_negative:
            rule, text = "figure_negative", "The figure must not be negative"
            raise PydanticCustomError(rule, text)
        # The bound comes before any exact arithmetic, which is slow on figures of three hundred digits.
        if abs(self.value) > LARGEST_CANONICAL or abs(self._canonical()) > LARGEST_CANONICAL:
            rule, text = "figure_too_large", "The figure is larger than any real one"
            raise PydanticCustomError(rule, text)
        if self.dimension is Dimension.TEMPERATURE and self._canonical() < COLDEST_DEGC:
            rule, text = "figure_too_small", "The temperature is below absolute zero"
            raise PydanticCustomError(rule, text)
        return self

    def _canonical(self) -> float:
        return to_canonical(self.value, self.unit, self.dimension)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """The model's schema with the unit codes of its dimension."""
        found = handler.resolve_ref_schema(handler(schema))
        _narrow(found, cls.dimension)
        if not cls.may_be_negative:
            found["properties"]["value"]["minimum"] = 0
        found["properties"]["value"]["maximum"] = LARGEST_CANONICAL
        return found


class _WholeQuantity(_Quantity):
    def canonical(self) -> int:
        """The figure in whole canonical units."""
        return to_canonical_whole(self.value, self.unit, self.dimension)


class _RealQuantity(_Quantity):
    def canonical(self) -> float:
        """The figure in canonical units."""
        return self._canonical()


class Distance(_WholeQuantity):
    """A distance or an odometer figure; ``canonical()`` is whole metres."""

    dimension = Dimension.DISTANCE


class Duration(_WholeQuantity):
    """A duration or an hour meter's figure; ``canonical()`` is whole seconds."""

    dimension = Dimension.DURATION


class Volume(_WholeQuantity):
    """A volume; ``canonical()`` is whole millilitres."""

    dimension = Dimension.VOLUME


class CalendarSpan(_WholeQuantity):
    """A span on the calendar; ``canonical()`` is whole months."""

    dimension = Dimension.CALENDAR

    @model_validator(mode="after")
    def _whole(self) -> CalendarSpan:
        if self.value != int(self.value):
            rule, text = "figure_not_whole", "Months and years are counted in whole numbers"
            raise PydanticCustomError(rule, text)
        return self


class Temperature(_RealQuantity):
    """A temperature; ``canonical()`` is degrees Celsius."""

    dimension = Dimension.TEMPERATURE
    may_be_negative = True


class Torque(_RealQuantity):
    """A torque; ``canonical()`` is newton metres."""

    dimension = Dimension.TORQUE


class Length(_RealQuantity):
    """A length; ``canonical()`` is millimetres."""

    dimension = Dimension.LENGTH


class Mass(_WholeQuantity):
    """A mass; ``canonical()`` is whole grams."""

    dimension = Dimension.MASS


class Density(_RealQuantity):
    """A density; ``canonical()`` is kilograms per cubic metre."""

    dimension = Dimension.DENSITY


class Pressure(_RealQuantity):
    """A pressure; ``canonical()`` is kilopascals."""

    dimension = Dimension.PRESSURE


class Speed(_WholeQuantity):
    """A distance per duration; ``canonical()`` is whole metres per hour."""

    dimension = Dimension.DISTANCE_PER_DURATION


class _ShownQuantity(Answer):
    """A figure with its unit, as the service shows it."""

    dimension: ClassVar[Dimension]

    value: Annotated[float, Field(description="The figure, in `unit`, rounded to the places of that unit.")]
    unit: Annotated[str, Field(description="A unit code of this dimension, chosen by `units`.")]

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """The model's schema with the unit codes of its dimension."""
        found = handler.resolve_ref_schema(handler(schema))
        _narrow(found, cls.dimension)
        return found


class ShownDistance(_ShownQuantity):
    """A distance or an odometer figure."""

    dimension = Dimension.DISTANCE


class ShownDuration(_ShownQuantity):
    """A duration or an hour meter's figure."""

    dimension = Dimension.DURATION


class ShownVolume(_ShownQuantity):
    """A volume."""

    dimension = Dimension.VOLUME


class ShownCalendarSpan(_ShownQuantity):
    """A span on the calendar."""

    dimension = Dimension.CALENDAR


class ShownTemperature(_ShownQuantity):
    """A temperature."""

    dimension = Dimension.TEMPERATURE


class ShownTorque(_ShownQuantity):
    """A torque."""

    dimension = Dimension.TORQUE


class ShownLength(_ShownQuantity):
    """A length."""

    dimension = Dimension.LENGTH


class ShownMass(_ShownQuantity):
    """A mass."""

    dimension = Dimension.MASS


class ShownDensity(_ShownQuantity):
    """A density."""

    dimension = Dimension.DENSITY


class ShownPressure(_ShownQuantity):
    """A pressure."""

    dimension = Dimension.PRESSURE


class ShownSpeed(_ShownQuantity):
    """A distance per duration."""

    dimension = Dimension.DISTANCE_PER_DURATION


def _narrow(schema: dict[str, Any], dimension: Dimension) -> None:
    schema["properties"]["unit"]["enum"] = list(codes(dimension))
    schema["properties"]["unit"].pop("maxLength", None)
