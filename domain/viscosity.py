"""SAE viscosity grades: the limits of J300 (engine oils) and J306 (gear oils), and what a measured oil meets.

Invariants: a grade is named as its standard names it ("5W-30", "40", "75W-90"); a limit that a grade does not
have is None, and such a property is not judged. Engine and gear grades are unrelated numbers. The kinematic
viscosity alone does not pick a grade: the ranges of SAE 8 to 20 overlap.

Sources: SAE J300 as of 2015 and SAE J306 as of February 2019, from public copies of their tables. Older
copies show SAE 20 from 5.6 mm2/s and 0W-40 from 2.9 mPa.s; these are not used here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from domain.errors import Breach, ExchangeError

if TYPE_CHECKING:
    from collections.abc import Iterator

J300 = "SAE J300, table of 2015 (public copies)"
J306 = "SAE J306, February 2019 (public copy)"
J306_COLD_MPAS = 150_000.0


@dataclass(frozen=True, slots=True)
class J300Limits:
    """Limits of an engine-oil grade; None where the grade has none.

    Attributes:
        grade: The grade.
        cranking_max_mpas: Highest cold-cranking viscosity [mPa.s].
        cranking_at_c: Its temperature [degC].
        pumping_max_mpas: Highest pumping viscosity without yield stress [mPa.s].
        pumping_at_c: Its temperature [degC].
        kinematic_min_mm2_s: Lowest kinematic viscosity at 100 degC [mm2/s].
        kinematic_below_mm2_s: Kinematic viscosity at 100 degC that it stays below [mm2/s].
        high_shear_min_mpas: Lowest viscosity at 150 degC and high shear [mPa.s].
    """

    grade: str
    cranking_max_mpas: float | None = None
    cranking_at_c: float | None = None
    pumping_max_mpas: float | None = None
    pumping_at_c: float | None = None
    kinematic_min_mm2_s: float | None = None
    kinematic_below_mm2_s: float | None = None
    high_shear_min_mpas: float | None = None


@dataclass(frozen=True, slots=True)
class J306Limits:
    """Limits of a gear-oil grade; None where the grade has none.

    Attributes:
        grade: The grade.
        cold_at_c: Highest temperature at which the oil reaches 150,000 mPa.s [degC].
        kinematic_min_mm2_s: Lowest kinematic viscosity at 100 degC [mm2/s].
        kinematic_below_mm2_s: Kinematic viscosity at 100 degC that it stays below [mm2/s].
    """

    grade: str
    cold_at_c: float | None = None
    kinematic_min_mm2_s: float | None = None
    kinematic_below_mm2_s: float | None = None


@dataclass(frozen=True, slots=True)
class MeasuredEngineOil:
    """Measured properties of an engine oil; None where not measured.

    Attributes:
        cranking_mpas: Cold-cranking viscosity at the grade's temperature [mPa.s].
        pumping_mpas: Pumping viscosity at the grade's temperature [mPa.s].
        kinematic_mm2_s: Kinematic viscosity at 100 degC [mm2/s].
        high_shear_mpas: Viscosity at 150 degC and high shear [mPa.s].
    """

    cranking_mpas: float | None = None
    pumping_mpas: float | None = None
    kinematic_mm2_s: float | None = None
    high_shear_mpas: float | None = None


@dataclass(frozen=True, slots=True)
class MeasuredGearOil:
    """Measured properties of a gear oil; None where not measured.

    Attributes:
        cold_at_c: Temperature at which it reaches 150,000 mPa.s [degC].
        kinematic_mm2_s: Kinematic viscosity at 100 degC [mm2/s].
    """

    cold_at_c: float | None = None
    kinematic_mm2_s: float | None = None


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """One limit of a grade against a measured figure.

    Attributes:
        limit: Name of the limit.
        bound: The limit.
        measured: The measured figure; None where there is none.
        is_met: Whether it is met; None where nothing was measured.
        source: Where the limit stands.
    """

    limit: str
    bound: float
    measured: float | None
    is_met: bool | None
    source: str


def j300_limits(grade: str) -> J300Limits:
    """The limits of an engine-oil grade, such as "5W-30", "10W" or "40".

    Raises:
        ExchangeError: J300 has no such grade (``grade_unknown``).
    """
    winter, summer = _parts(grade, _J300_WINTER, _J300_SUMMER, "SAE J300")
    cold = _J300_WINTER.get(winter)
    hot = _J300_SUMMER.get(summer)
    high_shear = hot[2] if hot else None
    if summer == "40" and winter in _LIGHT_40:
        high_shear = _LIGHT_40_HIGH_SHEAR
    return J300Limits(
        grade=grade,
        cranking_max_mpas=cold[0] if cold else None,
        cranking_at_c=cold[1] if cold else None,
        pumping_max_mpas=_PUMPING_MAX_MPAS if cold else None,
        pumping_at_c=cold[2] if cold else None,
        kinematic_min_mm2_s=max([*([cold[3]] if cold else []), *([hot[0]] if hot else [])]),
        kinematic_below_mm2_s=hot[1] if hot else None,
        high_shear_min_mpas=high_shear,
    )


def j306_limits(grade: str) -> J306Limits:
    """The limits of a gear-oil grade, such as "75W-90", "80W" or "140".

    Raises:
        ExchangeError: J306 has no such grade (``grade_unknown``).
    """
    winter, summer = _parts(grade, _J306_WINTER, _J306_SUMMER, "SAE J306")
    cold = _J306_WINTER.get(winter)
    hot = _J306_SUMMER.get(summer)
    return J306Limits(
        grade=grade,
        cold_at_c=cold[0] if cold else None,
        kinematic_min_mm2_s=max([*([cold[1]] if cold else []), *([hot[0]] if hot else [])]),
        kinematic_below_mm2_s=hot[1] if hot and len(hot) > 1 else None,
    )


def j300_checks(grade: str, oil: MeasuredEngineOil) -> tuple[LimitCheck, ...]:
    """Each limit of an engine-oil grade against what was measured.

    Raises:
        ExchangeError: J300 has no such grade (``grade_unknown``).
    """
    limits = j300_limits(grade)
    return (
        *_at_most("cranking_max_mpas", limits.cranking_max_mpas, oil.cranking_mpas, J300),
        *_at_most("pumping_max_mpas", limits.pumping_max_mpas, oil.pumping_mpas, J300),
        *_at_least("kinematic_min_mm2_s", limits.kinematic_min_mm2_s, oil.kinematic_mm2_s, J300),
        *_below("kinematic_below_mm2_s", limits.kinematic_below_mm2_s, oil.kinematic_mm2_s, J300),
        *_at_least("high_shear_min_mpas", limits.high_shear_min_mpas, oil.high_shear_mpas, J300),
    )


def j306_checks(grade: str, oil: MeasuredGearOil) -> tuple[LimitCheck, ...]:
    """Each limit of a gear-oil grade against what was measured.

    Raises:
        ExchangeError: J306 has no such grade (``grade_unknown``).
    """
    limits = j306_limits(grade)
    return (
        *_at_most("cold_at_c", limits.cold_at_c, oil.cold_at_c, J306),
        *_at_least("kinematic_min_mm2_s", limits.kinematic_min_mm2_s, oil.kinematic_mm2_s, J306),
        *_below("kinematic_below_mm2_s", limits.kinematic_below_mm2_s, oil.kinematic_mm2_s, J306),
    )


def j300_candidates(kinematic_mm2_s: float) -> tuple[str, ...]:
    """The summer grades whose range holds a kinematic viscosity at 100 degC [mm2/s]; may be more than one."""
    return tuple(g for g, (low, below, _) in _J300_SUMMER.items() if low <= kinematic_mm2_s < below)


def winter_number(grade: str) -> int | None:
    """The number before the W of a grade, or None for a grade without one."""
    winter, _ = _split(grade)
    return int(winter[:-1]) if winter else None


def summer_number(grade: str) -> int | None:
    """The number after the hyphen, or the only number of a grade without W; None for a winter grade alone."""
    _, summer = _split(grade)
    return int(summer) if summer else None


def _parts(
    grade: str, winters: dict[str, tuple[float, ...]], summers: dict[str, tuple[float, ...]], standard: str
) -> tuple[str, str]:
    winter, summer = _split(grade)
    is_known = (not winter or winter in winters) and (not summer or summer in summers)
    if not is_known or not (winter or summer):
        raise ExchangeError(Breach("/grade", "grade_unknown", f"{standard} has no such grade"))
    return winter, summer


def _split(grade: str) -> tuple[str, str]:
    # Both are empty for text that is no grade.
    found = _GRADE.fullmatch(grade)
    return (found["winter"] or "", found["summer"] or found["single"] or "") if found else ("", "")


def _at_most(limit: str, bound: float | None, measured: float | None, source: str) -> Iterator[LimitCheck]:
    if bound is not None:
        yield LimitCheck(limit, bound, measured, None if measured is None else measured <= bound, source)


def _at_least(limit: str, bound: float | None, measured: float | None, source: str) -> Iterator[LimitCheck]:
    if bound is not None:
        yield LimitCheck(limit, bound, measured, None if measured is None else measured >= bound, source)


def _below(limit: str, bound: float | None, measured: float | None, source: str) -> Iterator[LimitCheck]:
    if bound is not None:
        yield LimitCheck(limit, bound, measured, None if measured is None else measured < bound, source)


_GRADE = re.compile(r"(?P<winter>[0-9]{1,2}W)(?:-(?P<summer>[0-9]{1,3}))?|(?P<single>[0-9]{1,3})")
_PUMPING_MAX_MPAS = 60_000.0
_LIGHT_40 = frozenset({"0W", "5W", "10W"})
_LIGHT_40_HIGH_SHEAR = 3.5

# By grade: cranking viscosity [mPa.s] and its [degC], [degC] of the pumping one, least kinematic one [mm2/s].
_J300_WINTER: dict[str, tuple[float, ...]] = {
    "0W": (6200, -35, -40, 3.8),
    "5W": (6600, -30, -35, 3.8),
    "10W": (7000, -25, -30, 4.1),
    "15W": (7000, -20, -25, 5.6),
    "20W": (9500, -15, -20, 5.6),
    "25W": (13_000, -10, -15, 9.3),
}
# grade: kinematic viscosity from and below [mm2/s], high-shear minimum [mPa.s]
_J300_SUMMER: dict[str, tuple[float, ...]] = {
    "8": (4.0, 6.1, 1.7),
    "12": (5.0, 7.1, 2.0),
    "16": (6.1, 8.2, 2.3),
    "20": (6.9, 9.3, 2.6),
    "30": (9.3, 12.5, 2.9),
    "40": (12.5, 16.3, 3.7),
    "50": (16.3, 21.9, 3.7),
    "60": (21.9, 26.1, 3.7),
}
# grade: highest temperature for 150,000 mPa.s [degC], kinematic minimum [mm2/s]
_J306_WINTER: dict[str, tuple[float, ...]] = {
    "70W": (-55, 3.8),
    "75W": (-40, 3.8),
    "80W": (-26, 8.5),
    "85W": (-12, 11.0),
}
# grade: kinematic viscosity from and below [mm2/s]
_J306_SUMMER: dict[str, tuple[float, ...]] = {
    "65": (3.8, 5.0),
    "70": (5.0, 6.5),
    "75": (6.5, 8.5),
    "80": (8.5, 11.0),
    "85": (11.0, 13.5),
    "90": (13.5, 18.5),
    "110": (18.5, 24.0),
    "140": (24.0, 32.5),
    "190": (32.5, 41.0),
    "250": (41.0,),
}
