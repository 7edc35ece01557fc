"""Viscosity grades: limits of single and multigrade oils, checks against measured figures, unknown grades."""

from __future__ import annotations

import pytest

from domain.errors import ExchangeError
from domain.viscosity import (
    MeasuredEngineOil,
    MeasuredGearOil,
    j300_candidates,
    j300_checks,
    j300_limits,
    j306_checks,
    j306_limits,
    summer_number,
    winter_number,
)


def test_a_multigrade_takes_cold_limits_from_one_part_and_hot_limits_from_the_other() -> None:
    """A multigrade takes cold limits from one part and hot limits from the other."""
    limits = j300_limits("5W-30")
    assert (limits.cranking_max_mpas, limits.cranking_at_c, limits.pumping_at_c) == (6600, -30, -35)
    assert (limits.kinematic_min_mm2_s, limits.kinematic_below_mm2_s, limits.high_shear_min_mpas) == (
        9.3,
        12.5,
        2.9,
    )


def test_a_single_summer_grade_has_no_cold_limits() -> None:
    """A single summer grade has no cold limits."""
    limits = j300_limits("40")
    assert limits.cranking_max_mpas is limits.pumping_max_mpas is limits.pumping_at_c is None
    assert limits.high_shear_min_mpas == 3.7
    assert j300_limits("0W-40").high_shear_min_mpas == 3.5


def test_a_single_winter_grade_has_no_upper_limit() -> None:
    """A single winter grade has no upper limit."""
    limits = j300_limits("10W")
    assert (limits.kinematic_min_mm2_s, limits.kinematic_below_mm2_s, limits.high_shear_min_mpas) == (
        4.1,
        None,
        None,
    )


@pytest.mark.parametrize(
    "grade", ["", "W", "5W-", "-30", "5W30", "3W-30", "5W-35", "5w-30", "35", "5W-30 ", "90"]
)
def test_unknown_engine_grades_are_refused(grade: str) -> None:
    """Unknown engine grades are refused."""
    with pytest.raises(ExchangeError) as raised:
        j300_limits(grade)
    assert [b.rule for b in raised.value.breaches] == ["grade_unknown"]


@pytest.mark.parametrize("grade", ["75W-30", "5W-90", "90W", "100", ""])
def test_unknown_gear_grades_are_refused(grade: str) -> None:
    """Unknown gear grades are refused."""
    with pytest.raises(ExchangeError) as raised:
        j306_limits(grade)
    assert [b.rule for b in raised.value.breaches] == ["grade_unknown"]


def test_a_measured_engine_oil_is_judged_limit_by_limit() -> None:
    """A measured engine oil is judged limit by limit."""
    oil = MeasuredEngineOil(cranking_mpas=6600, kinematic_mm2_s=12.5, high_shear_mpas=2.8)
    checks = {c.limit: c.is_met for c in j300_checks("5W-30", oil)}
    assert checks == {
        "cranking_max_mpas": True,
        "pumping_max_mpas": None,
        "kinematic_min_mm2_s": True,
        "kinematic_below_mm2_s": False,
        "high_shear_min_mpas": False,
    }


def test_limits_that_a_grade_lacks_are_not_judged() -> None:
    """Limits that a grade lacks are not judged."""
    assert [c.limit for c in j300_checks("10W", MeasuredEngineOil())] == [
        "cranking_max_mpas",
        "pumping_max_mpas",
        "kinematic_min_mm2_s",
    ]


def test_a_measured_gear_oil_is_judged_limit_by_limit() -> None:
    """A measured gear oil is judged limit by limit."""
    checks = {c.limit: c.is_met for c in j306_checks("75W-90", MeasuredGearOil(-41, 18.4))}
    assert checks == {"cold_at_c": True, "kinematic_min_mm2_s": True, "kinematic_below_mm2_s": True}
    assert [c.limit for c in j306_checks("250", MeasuredGearOil(kinematic_mm2_s=40.9))] == [
        "kinematic_min_mm2_s"
    ]
    assert [c.limit for c in j306_checks("80W", MeasuredGearOil())] == ["cold_at_c", "kinematic_min_mm2_s"]


def test_ranges_overlap_so_that_viscosity_alone_picks_no_grade() -> None:
    """Ranges overlap so that viscosity alone picks no grade."""
    assert j300_candidates(7.0) == ("12", "16", "20")
    assert j300_candidates(12.5) == ("40",)
    assert j300_candidates(3.9) == ()


@pytest.mark.parametrize(
    ("grade", "winter", "summer"), [("5W-30", 5, 30), ("40", None, 40), ("10W", 10, None), ("x", None, None)]
)
def test_the_numbers_of_a_grade(grade: str, winter: int | None, summer: int | None) -> None:
    """The numbers of a grade."""
    assert (winter_number(grade), summer_number(grade)) == (winter, summer)
