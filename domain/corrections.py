"""Volume correction of lubricating oils for temperature, and the density at the base temperature.

The published procedure is API MPMS chapter 11.1, which is ASTM D1250, for the commodity group "lubricating
oils" (the "D" tables). Two editions and two base temperatures are offered: the closed form of 1980, and the
form of 2004 that works on ITS-68 temperatures at 60 degF; the other base of each is reached by the constant
of that base (1980) or by rebasing (2004). Both editions agree within 1e-5 at 15 degC and within 3e-5 at 60
degF.

Invariants: a factor multiplies the volume observed and gives the volume at the base temperature; it is 1 at
the base temperature and falls as the temperature rises; figures outside the valid ranges are refused. Factors
are carried unrounded, so that T1 to T2 to T3 equals T1 to T3; the five decimals of the tables are shown
beside.

Sources: coefficients, ranges and polynomial as four independent public implementations of the procedure agree
on them, term by term; the standard itself was not at hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.errors import Breach, ExchangeError
from domain.units import Dimension
from domain.working import Figure, Notice, Plain, Step, density, factor, temperature, volume

if TYPE_CHECKING:
    from collections.abc import Iterator

TEMPERATURE_RANGE_C = (-50.0, 150.0)
DENSITY_RANGE_15C = (800.0, 1164.0)
DENSITY_RANGE_60F = (800.9, 1163.5)
WATER_60F_KG_M3 = 999.016
MAX_VOLUME_ML = 1_000_000_000
_WIDE_1980_C = 95.0

_BASE_60F_C = 140 / 9  # 60 degF
_K1_15C = 0.6278  # per degC, density at 15 degC
_K1_60F = 0.34878  # per degF, density at 60 degF
_DELTA_60 = 0.01374979547  # degF, shift of the base between ITS-68 and ITS-90
_BASE_68_F = 60.0068749
_ITS_68 = (-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296)
_ROUNDS = 40  # each round of the fixed point shrinks the error at least fivefold within the valid ranges

PROCEDURE = "API MPMS 11.1 / ASTM D1250, commodity group lubricating oils"

ABOVE_95 = Notice(
    "above_95_degc",
    "Above 95 degC one public implementation of the 1980 form stops; up to 150 degC it agrees with the "
    "edition of 2004 within 3e-5.",
    "public implementations of the procedure",
)
OBSERVED_BY_HYDROMETER = Notice(
    "no_hydrometer_correction",
    "The observed density is taken as the true density at that temperature; no correction for a glass "
    "hydrometer.",
    PROCEDURE,
)


class Edition(StrEnum):
    """Edition of the procedure."""

    YEAR_1980 = "astm_d1250_1980"
    YEAR_2004 = "astm_d1250_2004"


class Base(StrEnum):
    """Base temperature that factors lead to and that densities are stated at."""

    DEG_C_15 = "15_degC"
    DEG_F_60 = "60_degF"


@dataclass(frozen=True, slots=True)
class VolumeCorrection:
    """A volume at the base temperature.

    Attributes:
        observed_ml: Volume as measured [mL].
        observed_at_c: Its temperature [degC].
        factor: Volume correction factor, unrounded.
        factor_5: The factor to five decimals, as tables print it.
        base_ml: Volume at the base temperature [mL].
        observed_density_kg_m3: Density at the temperature of the measurement [kg/m3].
        notices: What to know beside the figures.
        working: The steps.
    """

    observed_ml: int
    observed_at_c: float
    factor: float
    factor_5: float
    base_ml: int
    observed_density_kg_m3: float
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class VolumeChange:
    """A volume at another temperature.

    Attributes:
        from_ml: Volume as measured [mL].
        to_ml: The same mass at the other temperature, rounded [mL].
        exact_ml: The same, unrounded [mL].
        ratio: ``exact_ml`` to ``from_ml``.
        notices: What to know beside the figures.
        working: The steps.
    """

    from_ml: int
    to_ml: int
    exact_ml: float
    ratio: float
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class BaseDensity:
    """A density at the base temperature, found from one observed at another.

    Attributes:
        density_kg_m3: Density at the base temperature [kg/m3].
        factor: Volume correction factor from the observed temperature to the base.
        notices: What to know beside the figures.
        working: The steps.
    """

    density_kg_m3: float
    factor: float
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


def volume_factor(
    temperature_c: float,
    *,
    base_density_kg_m3: float,
    edition: Edition = Edition.YEAR_1980,
    base: Base = Base.DEG_C_15,
) -> float:
    """The factor that leads from a volume at the temperature to the volume at the base, unrounded.

    Args:
        temperature_c: Temperature of the volume [degC].
        base_density_kg_m3: Density at the base temperature [kg/m3].
        edition: Edition of the procedure.
        base: Base temperature.

    Raises:
        ExchangeError: A temperature or density outside the valid range.

    Sources: API MPMS 11.1 / ASTM D1250.
    """
    _check(temperature_c, base_density_kg_m3, edition, base)
    return _factor(temperature_c, base_density_kg_m3, edition, base)


def volume_correction(
    *,
    volume_ml: int,
    observed_at_c: float,
    base_density_kg_m3: float,
    edition: Edition = Edition.YEAR_1980,
    base: Base = Base.DEG_C_15,
) -> VolumeCorrection:
    """The volume at the base temperature of a volume measured at another.

    Args:
        volume_ml: Volume as measured [mL].
        observed_at_c: Its temperature [degC].
        base_density_kg_m3: Density at the base temperature [kg/m3].
        edition: Edition of the procedure.
        base: Base temperature.

    Raises:
        ExchangeError: A volume that is negative or too large, a temperature or density outside the valid
            range.

    Sources: API MPMS 11.1 / ASTM D1250.
    """
    _check(observed_at_c, base_density_kg_m3, edition, base, volume_ml=volume_ml)
    found = _factor(observed_at_c, base_density_kg_m3, edition, base)
    base_ml = nearest_ml(volume_ml * found)
    return VolumeCorrection(
        observed_ml=volume_ml,
        observed_at_c=observed_at_c,
        factor=found,
        factor_5=round(found, 5),
        base_ml=base_ml,
        observed_density_kg_m3=base_density_kg_m3 * found,
        notices=_notices(edition, observed_at_c),
        working=(
            *_factor_steps("F", observed_at_c, base_density_kg_m3, edition, base),
            Step(
                "base_volume",
                "V * F",
                (volume("V", volume_ml), factor("F", found)),
                base_ml,
                Dimension.VOLUME,
                PROCEDURE,
            ),
        ),
    )


def volume_change(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    volume_ml: int,
    from_c: float,
    to_c: float,
    base_density_kg_m3: float,
    edition: Edition = Edition.YEAR_1980,
    base: Base = Base.DEG_C_15,
) -> VolumeChange:
    """The volume that a measured volume takes at another temperature, such as drained warm and poured cold.

    Args:
        volume_ml: Volume as measured [mL].
        from_c: Its temperature [degC].
        to_c: The other temperature [degC].
        base_density_kg_m3: Density at the base temperature [kg/m3].
        edition: Edition of the procedure.
        base: Base temperature.

    Raises:
        ExchangeError: A volume that is negative or too large, a temperature or density outside the valid
            range.

    Sources: API MPMS 11.1 / ASTM D1250.
    """
    _check(from_c, base_density_kg_m3, edition, base, volume_ml=volume_ml, pointer="/from_temperature")
    _check(to_c, base_density_kg_m3, edition, base, pointer="/to_temperature")
    from_factor = _factor(from_c, base_density_kg_m3, edition, base)
    to_factor = _factor(to_c, base_density_kg_m3, edition, base)
    ratio = from_factor / to_factor
    exact_ml = volume_ml * ratio
    to_ml = nearest_ml(exact_ml)
    return VolumeChange(
        from_ml=volume_ml,
        to_ml=to_ml,
        exact_ml=exact_ml,
        ratio=ratio,
        notices=_notices(edition, max(from_c, to_c)),
        working=(
            *_factor_steps("F_from", from_c, base_density_kg_m3, edition, base),
            *_factor_steps("F_to", to_c, base_density_kg_m3, edition, base),
            Step(
                "volume_at_temperature",
                "V * F_from/F_to",
                (volume("V", volume_ml), factor("F_from", from_factor), factor("F_to", to_factor)),
                to_ml,
                Dimension.VOLUME,
                PROCEDURE,
            ),
        ),
    )


def base_density(
    *,
    observed_density_kg_m3: float,
    observed_at_c: float,
    edition: Edition = Edition.YEAR_1980,
    base: Base = Base.DEG_C_15,
) -> BaseDensity:
    """The density at the base temperature that belongs to a density observed at another.

    Args:
        observed_density_kg_m3: Density as observed, free of instrument errors [kg/m3].
        observed_at_c: Its temperature [degC].
        edition: Edition of the procedure.
        base: Base temperature.

    Raises:
        ExchangeError: A temperature outside the valid range, or a density that falls outside it at the base.

    Sources: API MPMS 11.1 / ASTM D1250; the equation is solved by fixed-point iteration.
    """
    _check_temperature(observed_at_c, "/temperature")
    low, high = _density_range(base)
    if not low / 2 <= observed_density_kg_m3 <= high * 2:
        raise ExchangeError(_density_breach(edition, base))
    found = observed_density_kg_m3
    for _ in range(_ROUNDS):
        found = observed_density_kg_m3 / _factor(observed_at_c, found, edition, base)
    _check(observed_at_c, found, edition, base)
    found_factor = _factor(observed_at_c, found, edition, base)
    return BaseDensity(
        density_kg_m3=found,
        factor=found_factor,
        notices=(OBSERVED_BY_HYDROMETER, *_notices(edition, observed_at_c)),
        working=(
            *_factor_steps("F", observed_at_c, found, edition, base),
            Step(
                "base_density",
                "rho_observed/F, solved for the rho that gives this F",
                (density("rho_observed", observed_density_kg_m3), factor("F", found_factor)),
                found,
                Dimension.DENSITY,
                PROCEDURE,
                _density_words(edition, base),
            ),
        ),
    )


def density_of_api_gravity(api_gravity: float) -> float:
    """The density at 60 degF of an oil of that gravity in degrees API [kg/m3].

    Raises:
        ExchangeError: A gravity whose density lies outside the group of lubricating oils.
    """
    if api_gravity > -131.5:  # noqa: PLR2004 - the pole of the definition
        found = 141.5 / (131.5 + api_gravity) * WATER_60F_KG_M3
        low, high = DENSITY_RANGE_60F
        if low <= found <= high:
            return found
    detail = "the gravity lies outside the group of lubricating oils, -10 to 45 degrees API about"
    raise ExchangeError(Breach("/api_gravity", "density_outside_group", detail))


def nearest_ml(exact_ml: float) -> int:
    """The whole millilitres nearest to a volume, halves away from zero [mL]."""
    return math.floor(exact_ml + 0.5) if exact_ml >= 0 else -math.floor(0.5 - exact_ml)


def _factor(temperature_c: float, density_kg_m3: float, edition: Edition, base: Base) -> float:
    if edition is Edition.YEAR_1980:
        if base is Base.DEG_C_15:
            return _closed_form(_K1_15C / density_kg_m3, temperature_c - 15)
        return _closed_form(_K1_60F / density_kg_m3, (temperature_c - _BASE_60F_C) * 1.8)
    if base is Base.DEG_F_60:
        return _factor_2004(temperature_c, density_kg_m3)
    at_60f = _density_60f(density_kg_m3)
    return _factor_2004(temperature_c, at_60f) / _factor_2004(15.0, at_60f)


def _closed_form(expansion: float, difference: float) -> float:
    change = expansion * difference
    return math.exp(-change * (1 + 0.8 * change))


def _factor_2004(temperature_c: float, density_60f: float) -> float:
    # K0 and K2 are 0 for lubricating oils, which makes B of the published procedure 1.
    half = _DELTA_60 / 2 * _K1_60F / density_60f
    growth = math.expm1(half * (1 + 0.8 * half)) / (1 + half * (1 + 1.6 * half))
    expansion = _K1_60F / (density_60f * (1 + growth))
    difference = _its_68_f(temperature_c) - _BASE_68_F
    return math.exp(-expansion * difference * (1 + 0.8 * expansion * (difference + _DELTA_60)))


def _its_68_f(temperature_c: float) -> float:
    scaled = temperature_c / 630
    shift = 0.0
    for coefficient in reversed(_ITS_68):
        shift = (shift + coefficient) * scaled
    return (temperature_c - shift) * 1.8 + 32


def _density_60f(density_15c: float) -> float:
    found = density_15c
    for _ in range(_ROUNDS):
        found = density_15c / _factor_2004(15.0, found)
    return found


def _density_range(base: Base) -> tuple[float, float]:
    return DENSITY_RANGE_15C if base is Base.DEG_C_15 else DENSITY_RANGE_60F


def _check(  # noqa: PLR0913 - what the public functions were asked for
    temperature_c: float,
    density_kg_m3: float,
    edition: Edition,
    base: Base,
    *,
    volume_ml: int = 0,
    pointer: str = "/temperature",
) -> None:
    breaches = list(_breaches(temperature_c, density_kg_m3, edition, base, volume_ml, pointer))
    if breaches:
        raise ExchangeError(*breaches)


def _check_temperature(temperature_c: float, pointer: str) -> None:
    breaches = list(_temperature_breaches(temperature_c, pointer))
    if breaches:
        raise ExchangeError(*breaches)


def _breaches(  # noqa: PLR0913, PLR0917 - what the public functions were asked for
    temperature_c: float, density_kg_m3: float, edition: Edition, base: Base, volume_ml: int, pointer: str
) -> Iterator[Breach]:
    if not 0 <= volume_ml <= MAX_VOLUME_ML:
        yield Breach(
            "/volume", "volume_out_of_range", f"a volume is at least 0 and at most {MAX_VOLUME_ML} mL"
        )
    yield from _temperature_breaches(temperature_c, pointer)
    low, high = _density_range(base)
    if not low <= density_kg_m3 <= high:
        yield _density_breach(edition, base)
    elif edition is Edition.YEAR_2004 and base is Base.DEG_C_15:
        low, high = DENSITY_RANGE_60F
        if not low <= _density_60f(density_kg_m3) <= high:
            yield _density_breach(edition, base)


def _temperature_breaches(temperature_c: float, pointer: str) -> Iterator[Breach]:
    low, high = TEMPERATURE_RANGE_C
    if not low <= temperature_c <= high:
        yield Breach(
            pointer, "temperature_outside_table", f"the procedure holds from {low:g} to {high:g} degC"
        )


def _density_breach(edition: Edition, base: Base) -> Breach:
    detail = f"the procedure for lubricating oils holds for {_density_words(edition, base)}"
    return Breach("/density", "density_outside_group", detail)


def _density_words(edition: Edition, base: Base) -> str:
    if base is Base.DEG_C_15 and edition is Edition.YEAR_1980:
        return "800 to 1164 kg/m3 at 15 degC"
    return "800.9 to 1163.5 kg/m3 at 60 degF"


def _notices(edition: Edition, highest_c: float) -> tuple[Notice, ...]:
    return (ABOVE_95,) if edition is Edition.YEAR_1980 and highest_c > _WIDE_1980_C else ()


def _factor_steps(
    symbol: str, temperature_c: float, density_kg_m3: float, edition: Edition, base: Base
) -> Iterator[Step]:
    low, high = TEMPERATURE_RANGE_C
    valid = f"{_density_words(edition, base)}; {low:g} to {high:g} degC"
    found = _factor(temperature_c, density_kg_m3, edition, base)
    given = (density("rho", density_kg_m3), temperature("t", temperature_c))
    source = f"{PROCEDURE}, edition of {edition.value[-4:]}, base {base.value.replace('_', ' ')}"
    if edition is Edition.YEAR_1980:
        k1, difference = (_K1_15C, "t - 15 degC") if base is Base.DEG_C_15 else (_K1_60F, "t - 60 degF")
        formula = f"exp(-x*(1 + 0.8*x)), x = K1/rho*({difference})"
        figures: tuple[Figure, ...] = (*given, Figure("K1", k1, Plain.FACTOR))
    else:
        formula = "exp(-a*d*(1 + 0.8*a*(d + 0.01374979547))), a = K1/rho*, d = t68 - 60.0068749 degF"
        if base is Base.DEG_C_15:
            formula += "; divided by the same at 15 degC, with rho at 60 degF"
        figures = (*given, Figure("K1", _K1_60F, Plain.FACTOR))
    yield Step(f"volume_factor_{symbol}", formula, figures, found, Plain.FACTOR, source, valid)
