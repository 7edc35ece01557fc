"""Bodies of fluid in a spec sheet document, with plugs and level checks; each turns into its domain value."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Choice, Key, Request, Text
from api.schemas.quantities import Length, Temperature, Torque, Volume
from domain import sheet
from domain.condition import AcidMethod, BaseMethod


class LevelCheck(Request):
    """How the level of a compartment is checked."""

    method: Annotated[Text, Field(description="In words, such as dipstick or overflow plug.")]
    temperature_low: Annotated[
        Temperature | None, Field(description="Lowest fluid temperature at which the level may be judged.")
    ] = None
    temperature_high: Annotated[
        Temperature | None, Field(description="Highest fluid temperature at which the level may be judged.")
    ] = None
    mark_to_mark: Annotated[Volume | None, Field(description="Volume between the low and the high mark.")] = (
        None
    )

    def value(self) -> sheet.LevelCheck:
        """The check in canonical units."""
        return sheet.LevelCheck(
            method=self.method,
            temperature_low_c=None if self.temperature_low is None else self.temperature_low.canonical(),
            temperature_high_c=None if self.temperature_high is None else self.temperature_high.canonical(),
            mark_to_mark_ml=_ml(self.mark_to_mark),
        )


class Plug(Request):
    """A plug or bolt of a compartment."""

    code: Annotated[Key, Field(description="Its code within the compartment, such as drain.")]
    wrench: Annotated[Length | None, Field(description="Size of the wrench or bit.")] = None
    torque: Annotated[Torque | None, Field(description="Tightening torque; the maker's manual governs.")] = (
        None
    )
    seal_part: Annotated[Key | None, Field(description="Code of the seal's part, where it has one.")] = None
    is_seal_renewed: Annotated[
        bool, Field(description="Whether the seal is renewed each time the plug is opened.")
    ] = True

    def value(self) -> sheet.Plug:
        """The plug in canonical units."""
        return sheet.Plug(
            code=self.code,
            wrench_mm=None if self.wrench is None else self.wrench.canonical(),
            torque_nm=None if self.torque is None else self.torque.canonical(),
            seal_part=self.seal_part,
            is_seal_renewed=self.is_seal_renewed,
        )


class DrainedVolume(Request):
    """What one drain-and-fill takes out: a range, or one volume given twice."""

    low: Annotated[Volume, Field(description="The least that comes out.")]
    high: Annotated[
        Volume, Field(description="The most that comes out; the same as low where it is one volume.")
    ]


class AcidLimit(Request):
    """The highest acid number, by one method; results of two methods don't compare."""

    mg_g: Annotated[float, Field(ge=0.001, le=100, description="Highest acid number [mg/g of KOH].")]
    method: Annotated[Choice[AcidMethod], Field(description="ASTM method that it is found by.")]


class BaseLimit(Request):
    """The lowest base number, by one method; results of two methods don't compare."""

    mg_g: Annotated[float, Field(ge=0.001, le=100, description="Lowest base number [mg/g of KOH].")]
    method: Annotated[Choice[BaseMethod], Field(description="ASTM method that it is found by.")]


class ConditionLimits(Request):
    """How far a fluid may go before it calls for someone; a limit left out is not judged by."""

    colour_darkest: Annotated[
        str | None,
        Field(
            max_length=5,
            description="Darkest colour by ASTM D1500, 0.5 to 8.0 in halves; for undyed oils.",
            examples=["5.0"],
        ),
    ] = None
    cleanliness_worst: Annotated[
        str | None,
        Field(max_length=11, description="Worst cleanliness code by ISO 4406.", examples=["19/17/14"]),
    ] = None
    water_max_mg_kg: Annotated[
        float | None, Field(ge=0.1, le=1_000_000, description="Most water [mg/kg].")
    ] = None
    viscosity_fall_max_share: Annotated[
        float | None,
        Field(
            ge=0.001, lt=1, description="How much thinner than fresh it may be, at 40 and at 100 degC [1]."
        ),
    ] = None
    viscosity_rise_max_share: Annotated[
        float | None,
        Field(
            ge=0.001, le=10, description="How much thicker than fresh it may be, at 40 and at 100 degC [1]."
        ),
    ] = None
    acid_number_max: Annotated[AcidLimit | None, Field(description="Highest acid number.")] = None
    base_number_min: Annotated[BaseLimit | None, Field(description="Lowest base number.")] = None

    def value(self) -> sheet.ConditionLimits:
        """The limits in canonical units."""
        acid, base = self.acid_number_max, self.base_number_min
        return sheet.ConditionLimits(
            colour_darkest=self.colour_darkest,
            cleanliness_worst=self.cleanliness_worst,
            water_max_mg_kg=self.water_max_mg_kg,
            viscosity_fall_max_share=self.viscosity_fall_max_share,
            viscosity_rise_max_share=self.viscosity_rise_max_share,
            acid_max_mg_g=None if acid is None else acid.mg_g,
            acid_method=None if acid is None else acid.method.value,
            base_min_mg_g=None if base is None else base.mg_g,
            base_method=None if base is None else base.method.value,
        )


class Compartment(Request):
    """One body of fluid."""

    code: Annotated[Key, Field(description="Its code within the sheet.")]
    kind: Annotated[Choice[sheet.CompartmentKind], Field(description="What it is.")]
    name: Annotated[Text, Field(description="In words.")]
    fluid_requirement: Annotated[
        Key | None, Field(description="Code of the fluid requirement that its fluid meets.")
    ] = None
    dry_capacity: Annotated[Volume | None, Field(description="Volume when filled dry.")] = None
    service_fill_with_filter: Annotated[
        Volume | None, Field(description="Refill when the filter is renewed too.")
    ] = None
    service_fill_without_filter: Annotated[
        Volume | None, Field(description="Refill when the filter stays.")
    ] = None
    drained_volume: Annotated[
        DrainedVolume | None,
        Field(description="What one drain-and-fill takes out; at most the dry capacity."),
    ] = None
    level_check: Annotated[LevelCheck | None, Field(description="How the level is checked.")] = None
    plugs: Annotated[list[Plug], Field(default_factory=list, max_length=50, description="Its plugs.")]
    condition_limits: Annotated[
        ConditionLimits | None, Field(description="How far its fluid may go before it calls for someone.")
    ] = None

    def value(self) -> sheet.Compartment:
        """The compartment in canonical units."""
        drained = self.drained_volume
        return sheet.Compartment(
            code=self.code,
            kind=self.kind,
            name=self.name,
            fluid_requirement=self.fluid_requirement,
            dry_capacity_ml=_ml(self.dry_capacity),
            service_fill_with_filter_ml=_ml(self.service_fill_with_filter),
            service_fill_without_filter_ml=_ml(self.service_fill_without_filter),
            drained_low_ml=None if drained is None else drained.low.canonical(),
            drained_high_ml=None if drained is None else drained.high.canonical(),
            level_check=None if self.level_check is None else self.level_check.value(),
            plugs=tuple(plug.value() for plug in self.plugs),
            condition_limits=None if self.condition_limits is None else self.condition_limits.value(),
        )


def _ml(volume: Volume | None) -> int | None:
    return None if volume is None else volume.canonical()
