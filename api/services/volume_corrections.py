"""Volumes of lubricating oils at other temperatures, and densities at the base temperature. Nothing is stored.

Invariant: the factors for lubricating oils are applied to nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from api.services.places import placed
from domain.corrections import (
    Base,
    BaseDensity,
    Edition,
    VolumeChange,
    VolumeCorrection,
    base_density,
    density_of_api_gravity,
    volume_change,
    volume_correction,
)
from domain.errors import Breach
from domain.fluids import require_lubricating_oil

if TYPE_CHECKING:
    from domain.requirements import FluidKind


@dataclass(frozen=True, slots=True)
class DensityObserved:
    """A density at another temperature than the base.

    Attributes:
        density_kg_m3: The density [kg/m3].
        at_c: Its temperature [degC].
    """

    density_kg_m3: float
    at_c: float


@dataclass(frozen=True, slots=True)
class CorrectionAsk:
    """A volume to be corrected; one of the three densities is given.

    Attributes:
        fluid_kind: What the fluid is.
        volume_ml: Volume as measured [mL].
        at_c: Its temperature [degC].
        to_c: Another temperature to lead it to [degC]; None: the base alone.
        density_kg_m3: Density at the base temperature [kg/m3].
        density_observed: Density observed at another temperature.
        api_gravity: Gravity at 60 degF [degrees API].
        edition: Edition of the procedure.
        base: Base temperature.
    """

    fluid_kind: FluidKind
    volume_ml: int
    at_c: float
    to_c: float | None
    density_kg_m3: float | None
    density_observed: DensityObserved | None
    api_gravity: float | None
    edition: Edition
    base: Base


@dataclass(frozen=True, slots=True)
class CorrectionFound:
    """A corrected volume.

    Attributes:
        density_kg_m3: Density at the base temperature [kg/m3].
        density: How that was found from one observed; None where it was given.
        at_base: The volume at the base temperature.
        change: The volume at the other temperature; None where none was asked about.
    """

    density_kg_m3: float
    density: BaseDensity | None
    at_base: VolumeCorrection
    change: VolumeChange | None


def corrected(ask: CorrectionAsk) -> CorrectionFound:
    """The volume at the base temperature, and at the other one where it is asked about.

    Raises:
        RefusedError: Another fluid than a lubricating oil, a temperature or density outside the procedure, no
            density or several.
    """
    with placed({}):
        require_lubricating_oil(ask.fluid_kind)
    density_kg_m3, density = _density(ask)
    places = {
        "/density": _density_place(ask),
        "/temperature": "/temperature",
        "/from_temperature": "/temperature",
    }
    with placed(places):
        at_base = volume_correction(
            volume_ml=ask.volume_ml,
            observed_at_c=ask.at_c,
            base_density_kg_m3=density_kg_m3,
            edition=ask.edition,
            base=ask.base,
        )
        change = None
        if ask.to_c is not None:
            change = volume_change(
                volume_ml=ask.volume_ml,
                from_c=ask.at_c,
                to_c=ask.to_c,
                base_density_kg_m3=density_kg_m3,
                edition=ask.edition,
                base=ask.base,
            )
    return CorrectionFound(density_kg_m3, density, at_base, change)


def _density(ask: CorrectionAsk) -> tuple[float, BaseDensity | None]:
    given = [ask.density_kg_m3, ask.density_observed, ask.api_gravity]
    if sum(one is not None for one in given) != 1:
        detail = "give density, density_observed or api_gravity: one of them"
        raise RefusedError(Breach("", "density_not_one_way", detail))
    if ask.density_observed is not None:
        places = {"/temperature": "/density_observed/temperature", "/density": "/density_observed/density"}
        with placed(places):
            found = base_density(
                observed_density_kg_m3=ask.density_observed.density_kg_m3,
                observed_at_c=ask.density_observed.at_c,
                edition=ask.edition,
                base=ask.base,
            )
        return found.density_kg_m3, found
    if ask.api_gravity is not None:
        if ask.base is not Base.DEG_F_60:
            detail = "a gravity is a density at 60 degF: take that base"
            raise RefusedError(Breach("/api_gravity", "gravity_at_60_degf", detail))
        with placed({}):
            return density_of_api_gravity(ask.api_gravity), None
    return ask.density_kg_m3 or 0.0, None


def _density_place(ask: CorrectionAsk) -> str:
    if ask.density_observed is not None:
        return "/density_observed/density"
    return "/density" if ask.api_gravity is None else "/api_gravity"
