"""Viscosity index by ASTM D2270 (ISO 2909) from kinematic viscosities at 40 and 100 degC.

Procedure A holds up to an index of 100, procedure B from there on; the two meet at 100. The index is not defined
below 2 mm2/s at 100 degC. The viscosities at 40 degC of the reference oils of index 0 and 100 come from the
standard's equations in the viscosity at 100 degC, not from its table: the two agree within 0.1 %.

Sources: ASTM D2270, procedures and worked examples from a public copy of its text; the coefficients of its equations
from four independent public codes that agree digit for digit. Tests hold them against rows of its table.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from domain.errors import Breach, ConditionError

LEAST_AT_100C_MM2_S = 2.0
"""Below this viscosity at 100 degC the index is not defined [mm2/s]."""


@dataclass(frozen=True, slots=True)
class ViscosityIndex:
    """A viscosity index.

    Attributes:
        index: To the nearest whole number, as reported.
        unrounded: Before rounding.
        procedure: "A" or "B" of ASTM D2270.
    """

    index: int
    unrounded: float
    procedure: str


def viscosity_index(*, at_40c_mm2_s: float, at_100c_mm2_s: float) -> ViscosityIndex:
    """The viscosity index of an oil.

    Args:
        at_40c_mm2_s: Kinematic viscosity at 40 degC [mm2/s].
        at_100c_mm2_s: Kinematic viscosity at 100 degC [mm2/s].

    Raises:
        ConditionError: The oil is too thin for an index (``viscosity_index_undefined``), or not thinner when hot
            (``viscosity_reversed``).

    Sources: ASTM D2270.
    """
    check_order(at_40c_mm2_s=at_40c_mm2_s, at_100c_mm2_s=at_100c_mm2_s)
    if at_100c_mm2_s < LEAST_AT_100C_MM2_S:
        detail = f"the index is not defined below {LEAST_AT_100C_MM2_S:g} mm2/s at 100 degC"
        raise ConditionError(Breach("/kinematic_100", "viscosity_index_undefined", detail))
    of_zero, of_hundred = reference_oils_mm2_s(at_100c_mm2_s)
    if at_40c_mm2_s >= of_hundred:
        index, procedure = (of_zero - at_40c_mm2_s) / (of_zero - of_hundred) * 100, "A"
    else:
        power = math.log(of_hundred / at_40c_mm2_s) / math.log(at_100c_mm2_s)
        index, procedure = (10.0**power - 1) / 0.00715 + 100, "B"
    return ViscosityIndex(round(index), index, procedure)


def check_order(*, at_40c_mm2_s: float, at_100c_mm2_s: float) -> None:
    """Nothing, when an oil is thinner at 100 than at 40 degC.

    Raises:
        ConditionError: It is not (``viscosity_reversed``).
    """
    if at_40c_mm2_s <= at_100c_mm2_s:
        detail = "an oil is thinner at 100 degC than at 40 degC"
        raise ConditionError(Breach("/kinematic_100", "viscosity_reversed", detail))


def reference_oils_mm2_s(at_100c_mm2_s: float) -> tuple[float, float]:
    """Viscosities at 40 degC of the oils of index 0 and of index 100 that are as thick at 100 degC [mm2/s].

    Args:
        at_100c_mm2_s: Kinematic viscosity at 100 degC, 2 or more [mm2/s].
    """
    a, b, c, d, e, f = _EQUATIONS[bisect_right(_FROM, at_100c_mm2_s) - 1]
    y = at_100c_mm2_s
    return (a * y + b) * y + c, (d * y + e) * y + f


# From this viscosity at 100 degC on [mm2/s]; then the quadratics of the oil of index 0 and of that of index 100.
_FROM = (2.0, 3.8, 4.4, 5.0, 6.4, 7.0, 7.7, 9.0, 12.0, 15.0, 18.0, 22.0, 28.0, 40.0, 55.0, 70.0)
_EQUATIONS = (
    (1.14673, 1.7576, -0.109, 0.84155, 1.5521, -0.077),
    (3.38095, -15.4952, 33.196, 0.78571, 1.7929, -0.183),
    (2.5, -7.2143, 13.812, 0.82143, 1.5679, 0.119),
    (0.101, 16.635, -45.469, 0.04985, 9.1613, -18.557),
    (3.35714, -23.5643, 78.466, 0.22619, 7.7369, -16.656),
    (0.01191, 21.475, -72.87, 0.79762, -0.7321, 14.61),
    (0.41858, 16.1558, -56.04, 0.05794, 10.5156, -28.24),
    (0.88779, 7.5527, -16.6, 0.26665, 6.7015, -10.81),
    (0.7672, 10.7972, -38.18, 0.20073, 8.4658, -22.49),
    (0.97305, 5.3135, -2.2, 0.28889, 5.9741, -4.93),
    (0.97256, 5.25, -0.98, 0.24504, 7.416, -16.73),
    (0.91413, 7.4759, -21.82, 0.20323, 9.1267, -34.23),
    (0.87031, 9.7157, -50.77, 0.18411, 10.1015, -46.75),
    (0.84703, 12.6752, -133.31, 0.17029, 11.4866, -80.62),
    (0.85921, 11.1009, -83.19, 0.1713, 11.368, -76.94),
    (0.83531, 14.6731, -216.246, 0.16841, 11.8493, -96.947),
)
