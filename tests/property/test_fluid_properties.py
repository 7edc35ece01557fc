"""Properties of volume correction, refills and coolant mixtures that hold for all admitted figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.coolant import Basis, Glycol, drain_and_replace, drain_for_target, freezing_point
from domain.corrections import Base, Edition, base_density, volume_change, volume_factor
from domain.errors import ExchangeError
from domain.refill import refill
from domain.requirements import FluidKind

temperatures = st.floats(-50, 150)
densities = st.floats(802, 1163)
editions, bases = st.sampled_from(Edition), st.sampled_from(Base)


@given(temperatures, temperatures, temperatures, densities, editions, bases)
def test_a_detour_changes_nothing(
    t1: float, t2: float, t3: float, density: float, edition: Edition, base: Base
) -> None:
    """Correcting from T1 to T2 and on to T3 equals correcting from T1 to T3, to 1e-12."""
    f1, f2, f3 = (
        volume_factor(t, base_density_kg_m3=density, edition=edition, base=base) for t in (t1, t2, t3)
    )
    assert (f1 / f2) * (f2 / f3) == pytest.approx(f1 / f3, rel=1e-12)
    there = volume_change(
        volume_ml=1_000_000, from_c=t1, to_c=t3, base_density_kg_m3=density, edition=edition, base=base
    )
    assert there.ratio == pytest.approx((f1 / f2) * (f2 / f3), rel=1e-12)


@given(temperatures, temperatures, densities, editions, bases)
def test_there_and_back(t1: float, t2: float, density: float, edition: Edition, base: Base) -> None:
    """A volume led to another temperature and back is the same to a millilitre of rounding."""
    there = volume_change(
        volume_ml=100_000, from_c=t1, to_c=t2, base_density_kg_m3=density, edition=edition, base=base
    )
    back = volume_change(
        volume_ml=there.to_ml, from_c=t2, to_c=t1, base_density_kg_m3=density, edition=edition, base=base
    )
    assert abs(back.to_ml - 100_000) <= 1


@given(temperatures, st.floats(0.01, 20), densities, editions, bases)
def test_warmer_is_more_volume(t: float, more: float, density: float, edition: Edition, base: Base) -> None:
    """The factor falls strictly as the temperature rises."""
    warm = min(t + more, 150.0)
    cold = warm - more
    if cold >= -50:
        factors = [
            volume_factor(x, base_density_kg_m3=density, edition=edition, base=base) for x in (cold, warm)
        ]
        assert factors[1] < factors[0]


@given(temperatures, densities)
def test_both_editions_agree_at_15_degc(t: float, density: float) -> None:
    """The editions of 1980 and 2004 differ by less than 1e-5 on the base of 15 degC."""
    older, newer = (volume_factor(t, base_density_kg_m3=density, edition=e) for e in Edition)
    assert older == pytest.approx(newer, abs=1e-5)


@given(temperatures, densities, editions, bases)
def test_base_density_is_the_inverse(t: float, density: float, edition: Edition, base: Base) -> None:
    """The density at the base found from an observed one is the one that it came from."""
    observed = density * volume_factor(t, base_density_kg_m3=density, edition=edition, base=base)
    found = base_density(observed_density_kg_m3=observed, observed_at_c=t, edition=edition, base=base)
    assert found.density_kg_m3 == pytest.approx(density, rel=1e-10)


@given(st.integers(0, 100_000), temperatures, temperatures, densities)
def test_a_refill_pours_the_mass_that_came_out(
    drained_ml: int, out_c: float, in_c: float, density: float
) -> None:
    """Volume times factor, which is mass, is kept to half a millilitre."""
    found = refill(
        fluid_kind=FluidKind.TRANSMISSION_FLUID,
        drained_ml=drained_ml,
        drained_at_c=out_c,
        poured_at_c=in_c,
        density_15c_kg_m3=density,
    )
    out_factor, in_factor = (volume_factor(t, base_density_kg_m3=density) for t in (out_c, in_c))
    assert found.pour_ml * in_factor == pytest.approx(drained_ml * out_factor, abs=0.5 * in_factor + 1e-6)
    assert found.pour_ml == drained_ml + found.temperature_change_ml + found.level_ml


shares = st.floats(0, 1)


@given(st.integers(1, 100_000), st.floats(0, 1), shares, shares)
def test_a_mixture_lies_between_and_fills_the_circuit(
    system_ml: int, part: float, found: float, poured: float
) -> None:
    """The share lies between what was found and what was poured; glycol and water add up."""
    drained_ml = max(1, int(system_ml * part))
    mixture = drain_and_replace(
        system_ml=system_ml, drained_ml=drained_ml, found_share=found, poured_share=poured
    )
    assert min(found, poured) - 1e-12 <= mixture.share <= max(found, poured) + 1e-12
    assert mixture.glycol_ml + mixture.water_ml == system_ml


@given(st.integers(1000, 50_000), st.floats(0.2, 1), shares, shares, st.floats(0.05, 0.95))
def test_a_target_is_reached_or_refused(
    system_ml: int, part: float, found: float, poured: float, target: float
) -> None:
    """The plan ends at the target to within a millilitre, never drains more than it can, or is refused."""
    drainable_ml = int(system_ml * part)
    try:
        plan = drain_for_target(
            system_ml=system_ml,
            found_share=found,
            poured_share=poured,
            target_share=target,
            drainable_ml=drainable_ml,
        )
    except ExchangeError:
        assert (target - found) * (poured - target) < 1e-3
        return
    assert plan.share == pytest.approx(target, abs=1 / system_ml)
    assert all(p.drained_ml <= drainable_ml for p in plan.passes)
    assert plan.poured_ml == sum(p.drained_ml for p in plan.passes)


@given(st.floats(0.1, 0.59), st.floats(0.001, 0.01), st.sampled_from(Glycol), st.sampled_from(Basis))
def test_more_glycol_freezes_lower_within_the_range(
    glycol_share: float, more: float, glycol: Glycol, basis: Basis
) -> None:
    """Each table falls all the way, and what is relied on lies above every table's figure."""
    try:
        thin = freezing_point(glycol_share, glycol=glycol, basis=basis)
        thick = freezing_point(glycol_share + more, glycol=glycol, basis=basis)
    except ExchangeError as error:
        rules = {b.rule for b in error.breaches}
    else:
        assert thick.freezing_c < thin.freezing_c
        assert all(thin.protected_to_c >= other.freezing_c for other in thin.others)
        return
    assert rules <= {"glycol_share_above_table", "glycol_share_below_table"}
