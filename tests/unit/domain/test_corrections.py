"""Volume correction: limiting cases, the four forms against each other, and what is refused."""

from __future__ import annotations

import itertools
import math

import pytest

from domain.corrections import (
    ABOVE_95,
    MAX_VOLUME_ML,
    OBSERVED_BY_HYDROMETER,
    Base,
    Edition,
    base_density,
    density_of_api_gravity,
    nearest_ml,
    volume_change,
    volume_correction,
    volume_factor,
)
from domain.errors import ExchangeError
from domain.units import Dimension

FORMS = [(edition, base) for edition in Edition for base in Base]


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


@pytest.mark.parametrize(("edition", "base"), FORMS)
def test_the_factor_is_one_at_the_base_temperature(edition: Edition, base: Base) -> None:
    """The factor is one at the base temperature."""
    base_c = 15.0 if base is Base.DEG_C_15 else (60 - 32) / 1.8
    assert volume_factor(base_c, base_density_kg_m3=870, edition=edition, base=base) == pytest.approx(
        1, abs=1e-9
    )


@pytest.mark.parametrize(("edition", "base"), FORMS)
def test_warm_oil_takes_less_room_when_cold(edition: Edition, base: Base) -> None:
    """Warm oil takes less room when cold."""
    factors = [
        volume_factor(t, base_density_kg_m3=870, edition=edition, base=base) for t in range(-50, 151, 5)
    ]
    assert all(later < earlier for earlier, later in itertools.pairwise(factors))


def test_the_closed_form_by_hand() -> None:
    """The closed form by hand."""
    # 0.6278/870 * 65 = 0.0469045977; * (1 + 0.8 * 0.0469045977) = 0.0486646312; exp(-...) = 0.952500516
    found = volume_correction(volume_ml=10_000, observed_at_c=80, base_density_kg_m3=870)
    assert found.factor == pytest.approx(math.exp(-0.0486646312), abs=1e-9)
    assert (found.factor_5, found.base_ml) == (0.9525, 9525)
    assert found.observed_density_kg_m3 == pytest.approx(870 * 0.952500516, abs=1e-5)
    assert found.notices == ()


def test_both_bases_speak_of_the_same_oil() -> None:
    """Both bases speak of the same oil."""
    at_60f = 870 * volume_factor((60 - 32) / 1.8, base_density_kg_m3=870)
    for t in (0.0, 40.0, 90.0):
        by_15c = volume_factor(t, base_density_kg_m3=870) * 870
        by_60f = volume_factor(t, base_density_kg_m3=at_60f, base=Base.DEG_F_60) * at_60f
        assert by_15c == pytest.approx(by_60f, rel=2e-5)


@pytest.mark.parametrize(("edition", "base"), FORMS)
def test_the_working_names_edition_and_base(edition: Edition, base: Base) -> None:
    """The working names edition and base."""
    found = volume_correction(
        volume_ml=10_000, observed_at_c=80, base_density_kg_m3=870, edition=edition, base=base
    )
    factor_step, volume_step = found.working
    assert edition.value[-4:] in factor_step.source
    assert base.value.replace("_", " ") in factor_step.source
    assert "-50 to 150 degC" in factor_step.valid_range
    assert (volume_step.result, volume_step.unit_dimension) == (found.base_ml, Dimension.VOLUME)


def test_a_change_of_temperature_shows_three_steps() -> None:
    """A change of temperature shows three steps."""
    found = volume_change(volume_ml=10_000, from_c=80, to_c=20, base_density_kg_m3=870)
    assert [s.name for s in found.working] == [
        "volume_factor_F_from",
        "volume_factor_F_to",
        "volume_at_temperature",
    ]
    assert found.working[-1].result == found.to_ml
    assert found.exact_ml == pytest.approx(found.from_ml * found.ratio, rel=1e-15)


def test_no_change_of_temperature_changes_nothing() -> None:
    """No change of temperature changes nothing."""
    found = volume_change(volume_ml=4321, from_c=60, to_c=60, base_density_kg_m3=900)
    assert (found.to_ml, found.exact_ml, found.ratio) == (4321, 4321.0, 1.0)


def test_hot_figures_of_the_older_edition_are_marked() -> None:
    """Hot figures of the older edition are marked."""
    hot = volume_change(volume_ml=1000, from_c=96, to_c=20, base_density_kg_m3=870)
    assert hot.notices == (ABOVE_95,)
    newer = volume_change(
        volume_ml=1000, from_c=96, to_c=20, base_density_kg_m3=870, edition=Edition.YEAR_2004
    )
    assert newer.notices == ()


@pytest.mark.parametrize(("edition", "base"), FORMS)
def test_an_observed_density_leads_back_to_the_base(edition: Edition, base: Base) -> None:
    """An observed density leads back to the base."""
    observed = 880 * volume_factor(68.5, base_density_kg_m3=880, edition=edition, base=base)
    found = base_density(observed_density_kg_m3=observed, observed_at_c=68.5, edition=edition, base=base)
    assert found.density_kg_m3 == pytest.approx(880, abs=1e-8)
    assert found.notices == (OBSERVED_BY_HYDROMETER,)
    assert found.working[-1].result == found.density_kg_m3


@pytest.mark.parametrize(
    ("exact", "whole"), [(0.4, 0), (0.5, 1), (-0.4, 0), (-0.5, -1), (2.5, 3), (9525.005, 9525)]
)
def test_nearest_rounds_halves_away_from_zero(exact: float, whole: int) -> None:
    """Nearest rounds halves away from zero."""
    assert nearest_ml(exact) == whole


@pytest.mark.parametrize("temperature_c", [-50.1, 150.1, math.nan, math.inf])
def test_temperatures_outside_the_table_are_refused(temperature_c: float) -> None:
    """Temperatures outside the table are refused."""
    with pytest.raises(ExchangeError) as raised:
        volume_correction(volume_ml=1000, observed_at_c=temperature_c, base_density_kg_m3=870)
    assert rules(raised) == [("/temperature", "temperature_outside_table")]
    with pytest.raises(ExchangeError) as raised:
        volume_change(volume_ml=1000, from_c=20, to_c=temperature_c, base_density_kg_m3=870)
    assert rules(raised) == [("/to_temperature", "temperature_outside_table")]
    with pytest.raises(ExchangeError) as raised:
        base_density(observed_density_kg_m3=870, observed_at_c=temperature_c)
    assert rules(raised) == [("/temperature", "temperature_outside_table")]


@pytest.mark.parametrize(
    ("density", "edition", "base"),
    [
        (799.9, Edition.YEAR_1980, Base.DEG_C_15),
        (1164.1, Edition.YEAR_1980, Base.DEG_C_15),
        (800.8, Edition.YEAR_1980, Base.DEG_F_60),
        (1163.6, Edition.YEAR_2004, Base.DEG_F_60),
        (801.0, Edition.YEAR_2004, Base.DEG_C_15),
        (math.nan, Edition.YEAR_2004, Base.DEG_C_15),
    ],
)
def test_densities_outside_the_group_are_refused(density: float, edition: Edition, base: Base) -> None:
    """Densities outside the group are refused."""
    with pytest.raises(ExchangeError) as raised:
        volume_factor(20, base_density_kg_m3=density, edition=edition, base=base)
    assert rules(raised) == [("/density", "density_outside_group")]


@pytest.mark.parametrize("density", [0.0, -870.0, 790.0, 2500.0, math.inf])
def test_observed_densities_outside_the_group_are_refused(density: float) -> None:
    """Observed densities outside the group are refused."""
    with pytest.raises(ExchangeError) as raised:
        base_density(observed_density_kg_m3=density, observed_at_c=20)
    assert rules(raised) == [("/density", "density_outside_group")]


@pytest.mark.parametrize("volume_ml", [-1, MAX_VOLUME_ML + 1])
def test_volumes_out_of_range_are_refused(volume_ml: int) -> None:
    """Volumes out of range are refused."""
    with pytest.raises(ExchangeError) as raised:
        volume_correction(volume_ml=volume_ml, observed_at_c=20, base_density_kg_m3=870)
    assert rules(raised) == [("/volume", "volume_out_of_range")]


@pytest.mark.parametrize("gravity", [-200.0, -131.5, -20.0, 60.0, math.nan])
def test_gravities_outside_the_group_are_refused(gravity: float) -> None:
    """Gravities outside the group are refused."""
    with pytest.raises(ExchangeError) as raised:
        density_of_api_gravity(gravity)
    assert rules(raised) == [("/api_gravity", "density_outside_group")]


def test_ten_degrees_api_is_the_density_of_water() -> None:
    """Ten degrees api is the density of water."""
    assert density_of_api_gravity(10) == pytest.approx(999.016, abs=1e-9)
