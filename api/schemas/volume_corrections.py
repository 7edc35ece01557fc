"""Volume corrections in requests and answers. The answer is built as plain dictionaries and sent as it is."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Choice, Request
from api.schemas.quantities import (
    Density,
    ShownDensity,
    ShownTemperature,
    ShownVolume,
    Temperature,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.schemas.working import Notices, Working, shown_notices, shown_steps
from api.services.volume_corrections import CorrectionAsk, CorrectionFound, DensityObserved
from domain.corrections import Base, Edition
from domain.requirements import FluidKind
from domain.units import Dimension

_EDITION = "Edition of the procedure, API MPMS 11.1 / ASTM D1250; both agree within 3e-5."
_BASE = "Base temperature of the factor and the density."


class DensityObservedGiven(Request):
    """A density at another temperature than the base."""

    density: Annotated[Density, Field(description="The density, free of instrument errors.")]
    temperature: Annotated[Temperature, Field(description="Its temperature, -50 to 150 degC.")]


class VolumeCorrectionQuestion(Request):
    """A volume of a lubricating oil as measured, and one of three ways to state its density."""

    fluid_kind: Annotated[
        Choice[FluidKind],
        Field(description="What the fluid is; the factors hold for lubricating oils and for nothing else."),
    ]
    volume: Annotated[Volume, Field(description="Volume as measured.")]
    temperature: Annotated[Temperature, Field(description="Its temperature, -50 to 150 degC.")]
    to_temperature: Annotated[
        Temperature | None, Field(description="Another temperature to lead the volume to, -50 to 150 degC.")
    ] = None
    density: Annotated[
        Density | None,
        Field(description="Density at the base: 800 to 1164 kg/m3 at 15 degC, 800.9 to 1163.5 at 60 degF."),
    ] = None
    density_observed: Annotated[
        DensityObservedGiven | None, Field(description="Density at another temperature instead.")
    ] = None
    api_gravity: Annotated[
        float | None,
        Field(ge=-100, le=200, description="Gravity in degrees API instead; with the base of 60 degF."),
    ] = None
    edition: Annotated[Choice[Edition], Field(description=_EDITION)] = Edition.YEAR_1980
    base: Annotated[Choice[Base], Field(description=_BASE)] = Base.DEG_C_15

    def ask(self) -> CorrectionAsk:
        """The question as the services take it."""
        observed = self.density_observed
        return CorrectionAsk(
            fluid_kind=self.fluid_kind,
            volume_ml=self.volume.canonical(),
            at_c=self.temperature.canonical(),
            to_c=None if self.to_temperature is None else self.to_temperature.canonical(),
            density_kg_m3=None if self.density is None else self.density.canonical(),
            density_observed=None
            if observed is None
            else DensityObserved(observed.density.canonical(), observed.temperature.canonical()),
            api_gravity=self.api_gravity,
            edition=self.edition,
            base=self.base,
        )


class VolumeAtTemperature(Answer):
    """The volume at another temperature; its mass is the same."""

    temperature: Annotated[ShownTemperature, Field(description="The other temperature.")]
    volume: Annotated[ShownVolume, Field(description="The volume there.")]
    ratio: Annotated[float, Field(description="The volume there to the volume measured, unrounded [1].")]


class VolumeCorrected(Answer):
    """A corrected volume, with its working."""

    edition: Annotated[Edition, Field(description=_EDITION)]
    base: Annotated[Base, Field(description=_BASE)]
    factor: Annotated[float, Field(description="Volume correction factor to the base, unrounded [1].")]
    factor_5: Annotated[float, Field(description="The factor to five decimals, as tables print it [1].")]
    at_base: Annotated[ShownVolume, Field(description="Volume at the base temperature.")]
    density_at_base: Annotated[ShownDensity, Field(description="Density at the base temperature.")]
    density_observed: Annotated[
        ShownDensity, Field(description="Density at the temperature of the measurement.")
    ]
    at_temperature: Annotated[
        VolumeAtTemperature | None,
        Field(description="The volume at the other temperature; null where none was asked about."),
    ]
    notices: Notices
    working: Working


def shown_correction(found: CorrectionFound, ask: CorrectionAsk, units: UnitSystem) -> dict[str, Any]:
    """The answer in the units asked for."""
    at_base, change, density = found.at_base, found.change, found.density
    steps = [*(() if density is None else density.working), *at_base.working]
    notices = [*(() if density is None else density.notices), *at_base.notices]
    shown = None
    if change is not None and ask.to_c is not None:
        steps += change.working
        notices += change.notices
        shown = {
            "temperature": shown_quantity(ask.to_c, Dimension.TEMPERATURE, units),
            "volume": shown_quantity(change.to_ml, Dimension.VOLUME, units),
            "ratio": change.ratio,
        }
    return {
        "edition": ask.edition,
        "base": ask.base,
        "factor": at_base.factor,
        "factor_5": at_base.factor_5,
        "at_base": shown_quantity(at_base.base_ml, Dimension.VOLUME, units),
        "density_at_base": shown_quantity(found.density_kg_m3, Dimension.DENSITY, units),
        "density_observed": shown_quantity(at_base.observed_density_kg_m3, Dimension.DENSITY, units),
        "at_temperature": shown,
        "notices": shown_notices(notices),
        "working": shown_steps(steps, units),
    }
