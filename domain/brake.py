"""Brake fluids of 49 CFR 571.116: limits of the DOT classes and what they are made of.

Invariants: silicone fluids (DOT 5) and glycol fluids (DOT 3, DOT 4, DOT 5.1, all of ISO 4925) are never one
for the other; a higher boiling point says nothing about the low-temperature viscosity.

Sources: 49 CFR 571.116 S5.1.1, S5.1.2, S5.1.3, public copies.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from domain.errors import Breach, ExchangeError
from domain.viscosity import LimitCheck

REGULATION = "49 CFR 571.116 S5.1.1 to S5.1.3 (public copies)"


class BrakeBase(StrEnum):
    """What a brake fluid is made of."""

    GLYCOL = "glycol"
    SILICONE = "silicone"
    MINERAL = "mineral"


@dataclass(frozen=True, slots=True)
class DotLimits:
    """Limits of a DOT class.

    Attributes:
        class_: The class, such as "DOT 4".
        base: What it is made of.
        dry_boiling_min_c: Lowest equilibrium reflux boiling point [degC].
        wet_boiling_min_c: Lowest such point humidified to 3.7 % of water [degC].
        cold_viscosity_max_mm2_s: Highest kinematic viscosity at -40 degC [mm2/s].
        hot_viscosity_min_mm2_s: Lowest kinematic viscosity at 100 degC [mm2/s].
    """

    class_: str
    base: BrakeBase
    dry_boiling_min_c: float
    wet_boiling_min_c: float
    cold_viscosity_max_mm2_s: float
    hot_viscosity_min_mm2_s: float


@dataclass(frozen=True, slots=True)
class MeasuredBrakeFluid:
    """Measured properties of a brake fluid; None where not measured.

    Attributes:
        dry_boiling_c: Equilibrium reflux boiling point [degC].
        wet_boiling_c: The same, humidified [degC].
        cold_viscosity_mm2_s: Kinematic viscosity at -40 degC [mm2/s].
        hot_viscosity_mm2_s: Kinematic viscosity at 100 degC [mm2/s].
    """

    dry_boiling_c: float | None = None
    wet_boiling_c: float | None = None
    cold_viscosity_mm2_s: float | None = None
    hot_viscosity_mm2_s: float | None = None


DOT_LIMITS: dict[str, DotLimits] = {
    limits.class_: limits
    for limits in (
        DotLimits("DOT 3", BrakeBase.GLYCOL, 205, 140, 1500, 1.5),
        DotLimits("DOT 4", BrakeBase.GLYCOL, 230, 155, 1800, 1.5),
        DotLimits("DOT 5", BrakeBase.SILICONE, 260, 180, 900, 1.5),
        DotLimits("DOT 5.1", BrakeBase.GLYCOL, 260, 180, 900, 1.5),
    )
}


def dot_checks(class_: str, fluid: MeasuredBrakeFluid) -> tuple[LimitCheck, ...]:
    """Each limit of a DOT class against what was measured.

    Raises:
        ExchangeError: The regulation has no such class (``class_unknown``).
    """
    limits = DOT_LIMITS.get(class_)
    if limits is None:
        raise ExchangeError(Breach("/class", "class_unknown", f"the classes are {', '.join(DOT_LIMITS)}"))
    least = (
        ("dry_boiling_min_c", limits.dry_boiling_min_c, fluid.dry_boiling_c),
        ("wet_boiling_min_c", limits.wet_boiling_min_c, fluid.wet_boiling_c),
        ("hot_viscosity_min_mm2_s", limits.hot_viscosity_min_mm2_s, fluid.hot_viscosity_mm2_s),
    )
    cold_max, cold = limits.cold_viscosity_max_mm2_s, fluid.cold_viscosity_mm2_s
    return (
        *(
            LimitCheck(name, bound, measured, None if measured is None else measured >= bound, REGULATION)
            for name, bound, measured in least
        ),
        LimitCheck(
            "cold_viscosity_max_mm2_s", cold_max, cold, None if cold is None else cold <= cold_max, REGULATION
        ),
    )
