"""Refills in requests and answers. The answer is built as plain dictionaries and sent as it is."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import Answer, Choice, Key, Request
from api.schemas.exchange_plans import CompartmentRef
from api.schemas.quantities import (
    Density,
    Length,
    ShownTemperature,
    ShownVolume,
    Temperature,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.schemas.volume_corrections import DensityObservedGiven
from api.schemas.working import Notices, Working, shown_notices, shown_steps
from api.services.refills import RefillAsk, RefillFound
from api.services.volume_corrections import DensityObserved
from domain.corrections import Edition
from domain.refill import LevelAdjustment, LevelFound, LevelSheet, LevelVerdict
from domain.requirements import FluidKind
from domain.units import Dimension


class LevelRead(Request):
    """A level as read, by marks or in height: one of `mark_share`, `above_full` and `below_full`."""

    mark_share: Annotated[
        float | None,
        Field(
            ge=-100,
            le=100,
            description="Where it stands between the marks [1]: 0 at the low mark, 1 at the full mark; beyond, past"
            " them.",
        ),
    ] = None
    above_full: Annotated[Length | None, Field(description="How far it stands above the full mark.")] = None
    below_full: Annotated[Length | None, Field(description="How far it stands below the full mark.")] = None
    temperature: Annotated[
        Temperature | None,
        Field(description="Temperature of the fluid; needed where the sheet gives a temperature window."),
    ] = None

    @model_validator(mode="after")
    def _one_reading(self) -> LevelRead:
        if sum(one is not None for one in (self.mark_share, self.above_full, self.below_full)) != 1:
            rule, text = "level_not_one_reading", "Give mark_share, above_full or below_full: one of them"
            raise PydanticCustomError(rule, text)
        return self

    def value(self) -> LevelFound:
        """The level as the domain takes it."""
        height = None
        if self.above_full is not None:
            height = self.above_full.canonical()
        elif self.below_full is not None:
            height = -self.below_full.canonical()
        return LevelFound(
            self.mark_share, height, None if self.temperature is None else self.temperature.canonical()
        )


class VolumePerLength(Request):
    """So much volume stands for so much of level."""

    volume: Annotated[Volume, Field(description="The volume.")]
    length: Annotated[Length, Field(description="The height of level that it stands for; above 0.")]

    @model_validator(mode="after")
    def _of_something(self) -> VolumePerLength:
        if self.length.canonical() == 0:
            rule, text = "figure_too_small", "The height is above 0"
            raise PydanticCustomError(rule, text)
        return self


class LevelRise(Request):
    """How much the level rises as the fluid warms."""

    length: Annotated[Length, Field(description="So much the level rises.")]
    kelvins: Annotated[
        float,
        Field(gt=0, le=500, description="While the fluid warms by so much [K]; a difference, no reading."),
    ]


class TemperatureEnds(Request):
    """A range of temperatures; either end may be left out."""

    low: Annotated[Temperature | None, Field(description="Lowest.")] = None
    high: Annotated[Temperature | None, Field(description="Highest.")] = None


class LevelSheetGiven(Request):
    """What the vehicle's sheet gives for judging a level."""

    mark_to_mark: Annotated[Volume | None, Field(description="Volume between the low and the full mark.")] = (
        None
    )
    mark_distance: Annotated[Length | None, Field(description="Distance between the marks.")] = None
    volume_per_length: Annotated[
        VolumePerLength | None, Field(description="Volume that a height of level stands for.")
    ] = None
    window: Annotated[
        TemperatureEnds | None, Field(description="Fluid temperatures at which the level may be judged.")
    ] = None
    rise: Annotated[
        LevelRise | None, Field(description="How the level rises with temperature; allows conversion.")
    ] = None
    convertible: Annotated[
        TemperatureEnds | None, Field(description="Temperatures that may be converted from.")
    ] = None

    def value(self) -> LevelSheet:
        """The sheet as the domain takes it."""
        window, convertible = self.window or TemperatureEnds(), self.convertible or TemperatureEnds()
        per, rise = self.volume_per_length, self.rise
        return LevelSheet(
            mark_to_mark_ml=None if self.mark_to_mark is None else self.mark_to_mark.canonical(),
            mark_to_mark_mm=None if self.mark_distance is None else self.mark_distance.canonical(),
            ml_per_mm=None if per is None else per.volume.canonical() / per.length.canonical(),
            window_low_c=_c(window.low),
            window_high_c=_c(window.high),
            rise_mm_per_c=None if rise is None else rise.length.canonical() / rise.kelvins,
            convertible_low_c=_c(convertible.low),
            convertible_high_c=_c(convertible.high),
        )


class RefillQuestion(Request):
    """What came out, and what is known of fluid, temperatures and level."""

    fluid_kind: Annotated[
        Choice[FluidKind] | None,
        Field(description="What the fluid is; only lubricating oils are corrected for temperature."),
    ] = None
    product: Annotated[
        Key | None,
        Field(description="Code of a product of the catalogue instead, for its kind and its density."),
    ] = None
    compartment: Annotated[
        CompartmentRef | None,
        Field(description="A compartment whose level check the spec sheet gives; `sheet` completes it."),
    ] = None
    drained_volume: Annotated[
        Volume, Field(description="Drained, as measured; 0 asks what a level alone calls for.")
    ]
    drained_at: Annotated[Temperature | None, Field(description="Temperature at which it was measured.")] = (
        None
    )
    poured_at: Annotated[Temperature | None, Field(description="Temperature of the fluid poured.")] = None
    density_15c: Annotated[Density | None, Field(description="Density at 15 degC, 800 to 1164 kg/m3.")] = None
    density_observed: Annotated[
        DensityObservedGiven | None, Field(description="Density at another temperature instead.")
    ] = None
    level: Annotated[
        LevelRead | None, Field(description="The level found before the drain, or after a refill.")
    ] = None
    sheet: Annotated[
        LevelSheetGiven | None, Field(description="What the vehicle's sheet gives for judging the level.")
    ] = None
    edition: Annotated[Choice[Edition], Field(description="Edition of the volume-correction procedure.")] = (
        Edition.YEAR_1980
    )

    def ask(self) -> RefillAsk:
        """The question as the services take it."""
        observed, level = self.density_observed, self.level
        is_below = level is not None and level.below_full is not None
        return RefillAsk(
            fluid_kind=self.fluid_kind,
            product=self.product,
            compartment=None if self.compartment is None else self.compartment.value(),
            drained_ml=self.drained_volume.canonical(),
            drained_at_c=_c(self.drained_at),
            poured_at_c=_c(self.poured_at),
            density_15c_kg_m3=None if self.density_15c is None else self.density_15c.canonical(),
            density_observed=None
            if observed is None
            else DensityObserved(observed.density.canonical(), observed.temperature.canonical()),
            level=None if level is None else level.value(),
            level_place="/level/below_full" if is_below else "/level/above_full",
            sheet=LevelSheet() if self.sheet is None else self.sheet.value(),
            edition=self.edition,
        )


class LevelShown(Answer):
    """What the level found is worth."""

    verdict: Annotated[LevelVerdict, Field(description="Whether it could be judged.")]
    missing: Annotated[
        ShownVolume | None,
        Field(description="To pour up to the full mark, or when negative to take out; null when not judged."),
    ]
    valid_at: Annotated[
        ShownTemperature | None,
        Field(description="Temperature that this volume is meant at; null when not known."),
    ]


class RefillShown(Answer):
    """What to pour, with its working; the maker's final level check decides."""

    fluid_kind: Annotated[FluidKind, Field(description="What the fluid is.")]
    pour: Annotated[ShownVolume, Field(description="To pour.")]
    take_out: Annotated[
        ShownVolume,
        Field(description="To take out instead, where the level stands higher than the drain left it."),
    ]
    drained: Annotated[ShownVolume, Field(description="Drained, as measured.")]
    temperature_change: Annotated[
        ShownVolume, Field(description="Part of the difference that is due to temperature; may be negative.")
    ]
    level_volume: Annotated[
        ShownVolume,
        Field(description="Part that the level asks for, at the temperature of pouring; may be negative."),
    ]
    is_temperature_corrected: Annotated[
        bool, Field(description="Whether the volume was corrected for temperature.")
    ]
    level: Annotated[
        LevelShown | None, Field(description="What the level is worth; null where none was given.")
    ]
    notices: Notices
    working: Working


def shown_refill(found: RefillFound, units: UnitSystem) -> dict[str, Any]:
    """The answer in the units asked for."""
    refill, density = found.refill, found.density
    steps = [*(() if density is None else density.working), *refill.working]
    notices = [*refill.notices, *(() if density is None else density.notices)]
    return {
        "fluid_kind": found.fluid_kind,
        "pour": shown_quantity(refill.pour_ml, Dimension.VOLUME, units),
        "take_out": shown_quantity(refill.take_out_ml, Dimension.VOLUME, units),
        "drained": shown_quantity(refill.drained_ml, Dimension.VOLUME, units),
        "temperature_change": shown_quantity(refill.temperature_change_ml, Dimension.VOLUME, units),
        "level_volume": shown_quantity(refill.level_ml, Dimension.VOLUME, units),
        "is_temperature_corrected": refill.is_temperature_corrected,
        "level": None if refill.level is None else _level(refill.level, units),
        "notices": shown_notices(notices),
        "working": shown_steps(steps, units),
    }


def _level(level: LevelAdjustment, units: UnitSystem) -> dict[str, Any]:
    missing, valid_at_c = level.missing_ml, level.valid_at_c
    return {
        "verdict": level.verdict,
        "missing": None if missing is None else shown_quantity(missing, Dimension.VOLUME, units),
        "valid_at": None if valid_at_c is None else shown_quantity(valid_at_c, Dimension.TEMPERATURE, units),
    }


def _c(temperature: Temperature | None) -> float | None:
    return None if temperature is None else temperature.canonical()
