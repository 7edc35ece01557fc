"""The figure that each measure is followed in, and the limit that it runs towards."""

from __future__ import annotations

import pytest

from domain.cleanliness import Counts
from domain.condition import Acid, AcidMethod, Base, BaseMethod, Colour, Measure, Measures
from domain.condition_values import UNITS, followed_value, fresh_value, limit_of
from domain.sheet import ConditionLimits

LIMITS = ConditionLimits("5.0", "20/18/15", 1000, 0.2, 0.3, 4.0, "D664", 3.0, "D2896")
FRESH = Measures(kinematic_40_mm2_s=50.0, kinematic_100_mm2_s=10.0)
SEEN = Measures(
    colour=Colour(is_dyed=False, number="L3.5"),
    counts=Counts(20_000, 10, 1),
    water_mg_kg=120,
    kinematic_40_mm2_s=45.0,
    kinematic_100_mm2_s=11.0,
    acid=Acid(2.5, AcidMethod.D664),
    base=Base(6.0, BaseMethod.D2896),
)


def test_each_measure_is_followed_in_its_own_figure() -> None:
    found = {one: followed_value(one, SEEN, FRESH, LIMITS, is_code_basis=True) for one in Measure}
    assert found == pytest.approx(
        {
            Measure.COLOUR: 3.25,
            Measure.CLEANLINESS: 1.0,
            Measure.WATER: 120,
            Measure.VISCOSITY_40: -0.1,
            Measure.VISCOSITY_100: 0.1,
            Measure.ACID_NUMBER: 2.5,
            Measure.BASE_NUMBER: 6.0,
        }
    )
    assert set(UNITS) == set(Measure)


def test_what_does_not_compare_is_not_followed() -> None:
    nothing = Measures(water_mg_kg=None)
    other = Measures(acid=Acid(2.5, AcidMethod.D974), base=Base(6.0, BaseMethod.D4739), code="21/18/15")
    for measure in Measure:
        assert followed_value(measure, nothing, FRESH, LIMITS, is_code_basis=True) is None
        assert followed_value(measure, other, FRESH, None, is_code_basis=True) is None
    assert followed_value(Measure.CLEANLINESS, other, None, LIMITS, is_code_basis=False) is None
    assert followed_value(Measure.CLEANLINESS, other, None, LIMITS, is_code_basis=True) == 1
    assert followed_value(Measure.ACID_NUMBER, other, None, LIMITS, is_code_basis=True) is None
    assert followed_value(Measure.BASE_NUMBER, other, None, LIMITS, is_code_basis=True) is None


def test_the_fresh_fluid_has_changed_by_nothing_and_says_nothing_of_particles() -> None:
    assert fresh_value(Measure.VISCOSITY_40, FRESH, LIMITS) == 0.0
    assert fresh_value(Measure.CLEANLINESS, SEEN, LIMITS) is None
    assert fresh_value(Measure.WATER, SEEN, LIMITS) == 120


def test_a_limit_stands_on_the_side_that_a_figure_moves_to() -> None:
    rising = {one: limit_of(one, LIMITS, is_rising=True) for one in Measure}
    falling = {one: limit_of(one, LIMITS, is_rising=False) for one in Measure}
    assert list(rising.values()) == [5.0, 0.0, 1000, 0.3, 0.3, 4.0, None]
    assert list(falling.values()) == [None, None, None, -0.2, -0.2, None, 3.0]
    unset = ConditionLimits()
    assert limit_of(Measure.VISCOSITY_40, unset, is_rising=False) is None
    assert limit_of(Measure.COLOUR, unset, is_rising=True) is None
