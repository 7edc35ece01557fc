"""Volume factors of lubricating oils against figures worked outside this project.

Source of all figures unless said otherwise: the procedure of API MPMS 11.1 / ASTM D1250, as four independent
public implementations of it agree term by term; no worked example printed in the standard was at hand.
"""

from __future__ import annotations

import pytest

from domain.corrections import (
    Base,
    Edition,
    base_density,
    density_of_api_gravity,
    volume_change,
    volume_correction,
    volume_factor,
)
from domain.corrections import _its_68_f as its_68_f


@pytest.mark.parametrize(
    ("density", "temperature_c", "factor", "factor_5"),
    [
        # ASTM D1250-80, form of Table 54D: K0 = 0, K1 = 0.6278, base 15 degC
        (870, 15, 1.0, 1.00000),
        (870, 20, 0.9963880783650, 0.99639),
        (870, 40, 0.9818658491363, 0.98187),
        (870, 80, 0.9525005155424, 0.95250),
        (870, 100, 0.9376799975015, 0.93768),
        (850, 90, 0.9437925208175, 0.94379),
        (885, 60, 0.9677928167499, 0.96779),
        (860, 25, 0.9926842592645, 0.99268),
        (900, -10, 1.0173442923698, 1.01734),
        (880, -20, 1.0247724056855, 1.02477),
    ],
)
def test_base_15_degc(density: float, temperature_c: float, factor: float, factor_5: float) -> None:
    """The form of 1980 to 1e-12; the form of 2004 rebased to 15 degC to 1e-5."""
    found = volume_factor(temperature_c, base_density_kg_m3=density)
    assert found == pytest.approx(factor, abs=1e-12)
    newer = volume_factor(temperature_c, base_density_kg_m3=density, edition=Edition.YEAR_2004)
    assert newer == pytest.approx(factor, abs=1e-5)
    shown = volume_correction(volume_ml=1000, observed_at_c=temperature_c, base_density_kg_m3=density)
    assert shown.factor_5 == factor_5


@pytest.mark.parametrize(
    ("density", "temperature_f", "factor_2004", "factor_1980"),
    [
        # API MPMS 11.1-2004, lubricating oils: K1 = 0.34878, base 60 degF; and the closed form of 1980
        (870, 60, 1.00000, 1.00000),
        (870, 104, 0.98227, 0.98227),
        (870, 176, 0.95290, 0.95291),
        (870, 212, 0.93808, 0.93809),
        (850, 194, 0.94420, 0.94421),
        (885, 140, 0.96818, 0.96819),
        (900, 14, 1.01773, 1.01773),
        (density_of_api_gravity(28), 180, 0.95216, 0.95217),
        (density_of_api_gravity(30), 200, 0.94338, 0.94339),
        (density_of_api_gravity(35), 140, 0.96683, 0.96683),
    ],
)
def test_base_60_degf(density: float, temperature_f: float, factor_2004: float, factor_1980: float) -> None:
    """Both editions on the base of 60 degF, to the five decimals that tables print."""
    temperature_c = (temperature_f - 32) / 1.8
    for edition, factor in ((Edition.YEAR_2004, factor_2004), (Edition.YEAR_1980, factor_1980)):
        found = volume_correction(
            volume_ml=1000,
            observed_at_c=temperature_c,
            base_density_kg_m3=density,
            edition=edition,
            base=Base.DEG_F_60,
        )
        assert found.factor_5 == factor


@pytest.mark.parametrize(("gravity", "density"), [(28, 886.2744), (30, 875.2988), (35, 849.0136)])
def test_degrees_api(gravity: float, density: float) -> None:
    """Density at 60 degF = 141.5/(131.5 + API) * 999.016 kg/m3, as the public implementations have it."""
    assert density_of_api_gravity(gravity) == pytest.approx(density, abs=5e-5)


def test_temperature_scale_of_1968() -> None:
    """Self-check of the polynomial from ITS-90 to ITS-68: 100 gives 100.025646675 degC, 0 gives 0."""
    assert (its_68_f(100) - 32) / 1.8 == pytest.approx(100.025646675, abs=1e-9)
    assert its_68_f(0) == pytest.approx(32, abs=1e-12)


def test_drained_and_poured_volumes() -> None:
    """10 L at 80 degC are 9.52501 L at 15 and 9.55953 L at 20 degC; 9.5 L at 20 are 9.93772 L at 80 degC.

    Follows by arithmetic from the factors above.
    """
    assert volume_correction(volume_ml=10_000, observed_at_c=80, base_density_kg_m3=870).base_ml == 9525
    cooled = volume_change(volume_ml=10_000, from_c=80, to_c=20, base_density_kg_m3=870)
    assert cooled.exact_ml == pytest.approx(9559.53, abs=5e-3)
    heated = volume_change(volume_ml=9_500, from_c=20, to_c=80, base_density_kg_m3=870)
    assert heated.exact_ml == pytest.approx(9937.72, abs=5e-3)


def test_straight_line_as_a_bound() -> None:
    """The usual shortcut of a constant expansion, 1 - 0.0007216 * 65, stays within 1e-3 of the factor."""
    assert volume_factor(80, base_density_kg_m3=870) == pytest.approx(1 - 0.0007216 * 65, abs=1e-3)


@pytest.mark.parametrize(
    ("observed", "temperature_c", "density"),
    # Fixed point of the form of 1980, computed apart from this project
    [(840, 68.5, 873.94322), (850, 80, 891.31349), (830, 60, 858.51057)],
)
def test_density_at_the_base(observed: float, temperature_c: float, density: float) -> None:
    """The density at 15 degC that belongs to an observed one."""
    found = base_density(observed_density_kg_m3=observed, observed_at_c=temperature_c)
    assert found.density_kg_m3 == pytest.approx(density, abs=5e-6)
