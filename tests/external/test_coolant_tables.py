"""Freezing points and mixtures of coolant against published tables, CoolProp and textbook problems."""

from __future__ import annotations

import math

import pytest
from CoolProp import CoolProp

from domain.coolant import (
    GUARD_BAND_MIN_K,
    Basis,
    FreezeTable,
    Glycol,
    drain_and_replace,
    drain_for_target,
    freezing_point,
    mass_share,
    share_for_freezing_point,
    volume_share,
)

CASES = [
    (Glycol.ETHYLENE, Basis.VOLUME, FreezeTable.ASHRAE_2001, "AEG"),
    (Glycol.PROPYLENE, Basis.VOLUME, FreezeTable.ASHRAE_2001, "APG"),
    (Glycol.ETHYLENE, Basis.MASS, FreezeTable.MELINDER_2010, "MEG"),
    (Glycol.PROPYLENE, Basis.MASS, FreezeTable.MELINDER_2010, "MPG"),
]


@pytest.mark.parametrize(("glycol", "basis", "table", "mixture"), CASES)
def test_against_coolprop(glycol: Glycol, basis: Basis, table: FreezeTable, mixture: str) -> None:
    """CoolProp 8.0, incompressible mixtures: the whole range in steps of 0.5 %, within 0.05 K."""
    state = CoolProp.AbstractState("INCOMP", mixture)
    enter = state.set_volu_fractions if basis is Basis.VOLUME else state.set_mass_fractions
    for step in range(20, 121):
        glycol_share = step / 200
        enter([glycol_share])
        kelvin = state.keyed_output(CoolProp.iT_freeze)
        found = freezing_point(glycol_share, glycol=glycol, basis=basis, table=table).freezing_c
        assert found == pytest.approx(kelvin - 273.15, abs=0.05)


@pytest.mark.parametrize(
    ("glycol_share", "aeg", "apg", "meg", "mpg"),
    [
        # CoolProp 8.0.0, printed to 0.01 K
        (0.20, -8.98, -7.39, -7.95, -7.17),
        (0.30, -15.70, -13.11, -14.58, -12.79),
        (0.40, -24.80, -21.51, -23.81, -20.57),
        (0.45, -30.54, -27.03, -29.52, -25.77),
        (0.50, -37.12, -33.66, -35.99, -32.19),
        (0.55, -44.37, -41.59, -43.22, -40.16),
        (0.60, -52.02, -51.06, -51.20, -50.00),
    ],
)
def test_printed_coolprop_figures(
    glycol_share: float, aeg: float, apg: float, meg: float, mpg: float
) -> None:
    """The four curves at round shares, within 0.01 K."""
    for (glycol, basis, table, _), printed in zip(CASES, (aeg, apg, meg, mpg), strict=True):
        found = freezing_point(glycol_share, glycol=glycol, basis=basis, table=table).freezing_c
        assert found == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(
    ("percent", "freezing_c"),
    # Lange's Handbook of Chemistry, 15th edition, Table 5.13, p. 5.85; the copy seen drops the minus signs
    [
        (5, -1.1),
        (10, -2.2),
        (15, -3.9),
        (20, -6.7),
        (25, -8.9),
        (30, -12.8),
        (35, -16.1),
        (40, -20.6),
        (45, -26.7),
        (50, -33.3),
    ],
)
def test_lange(percent: int, freezing_c: float) -> None:
    """Propylene glycol by volume: the handbook's own table exactly, the ASHRAE curve within 1.4 K."""
    by_lange = freezing_point(
        percent / 100, glycol=Glycol.PROPYLENE, basis=Basis.VOLUME, table=FreezeTable.LANGE_15
    )
    assert by_lange.freezing_c == pytest.approx(freezing_c, abs=1e-12)
    if percent >= 10:
        by_ashrae = freezing_point(percent / 100, glycol=Glycol.PROPYLENE, basis=Basis.VOLUME)
        assert by_ashrae.freezing_c == pytest.approx(freezing_c, abs=1.4)


@pytest.mark.parametrize(
    ("percent", "freezing_c"),
    # Ethylene glycol by volume, kaspercalc.com, citing data of the kind of ASTM D1177
    [(50, -36.8), (30, -13.7)],
)
def test_published_tables_differ_within_the_guard_band(percent: int, freezing_c: float) -> None:
    """Another published table lies within 2.5 K, and what is relied on is on the safe side of both."""
    found = freezing_point(percent / 100, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert found.freezing_c == pytest.approx(freezing_c, abs=2.5)
    assert found.guard_k >= GUARD_BAND_MIN_K
    assert found.protected_to_c >= freezing_c


def test_dilute_limit() -> None:
    """Freezing-point depression of ideal dilute solutions, 1.858 K kg/mol, M = 62.068 g/mol.

    10 % by mass is 0.1/0.9/0.062068 = 1.790 mol/kg, 3.326 K; the Melinder curve says 3.357 K.
    """
    molality = 0.10 / 0.90 / 62.068 * 1000
    found = freezing_point(
        0.10, glycol=Glycol.ETHYLENE, basis=Basis.MASS, table=FreezeTable.MELINDER_2010
    ).freezing_c
    assert found == pytest.approx(-1.858 * molality, abs=0.05)


@pytest.mark.parametrize(
    ("glycol", "basis", "table", "freezing_c", "glycol_share"),
    [
        # Inverse of the same CoolProp curves
        (Glycol.ETHYLENE, Basis.VOLUME, FreezeTable.ASHRAE_2001, -25.0, 0.4019),
        (Glycol.ETHYLENE, Basis.MASS, FreezeTable.MELINDER_2010, -25.0, 0.4110),
        (Glycol.ETHYLENE, Basis.VOLUME, FreezeTable.ASHRAE_2001, -37.0, 0.4992),
        (Glycol.ETHYLENE, Basis.MASS, FreezeTable.MELINDER_2010, -37.0, 0.5073),
    ],
)
def test_share_for_a_freezing_point(
    *, glycol: Glycol, basis: Basis, table: FreezeTable, freezing_c: float, glycol_share: float
) -> None:
    """The share that freezes at a temperature, to four decimals."""
    found = share_for_freezing_point(freezing_c, glycol=glycol, basis=basis, table=table)
    assert found.share == pytest.approx(glycol_share, abs=6e-5)


@pytest.mark.parametrize(
    ("volume", "eg_mass", "pg_mass"),
    # Ideal mixing at 20 degC with densities of CoolProp: 1113.2, 1036.1 and 998.2 kg/m3
    [(0.30, 0.32339, 0.30788), (0.40, 0.42643, 0.40898), (0.50, 0.52723, 0.50932), (0.60, 0.62586, 0.60891)],
)
def test_volume_to_mass(volume: float, eg_mass: float, pg_mass: float) -> None:
    """Shares by mass that belong to shares by volume."""
    assert mass_share(volume, Glycol.ETHYLENE) == pytest.approx(eg_mass, abs=2e-5)
    assert mass_share(volume, Glycol.PROPYLENE) == pytest.approx(pg_mass, abs=2e-5)


@pytest.mark.parametrize(
    ("mass", "eg_volume", "pg_volume"),
    [(0.30, 0.27761, 0.29223), (0.40, 0.37414, 0.39109), (0.50, 0.47277, 0.49068), (0.60, 0.57357, 0.59102)],
)
def test_mass_to_volume(mass: float, eg_volume: float, pg_volume: float) -> None:
    """Shares by volume that belong to shares by mass; same source."""
    assert volume_share(mass, Glycol.ETHYLENE) == pytest.approx(eg_volume, abs=2e-5)
    assert volume_share(mass, Glycol.PROPYLENE) == pytest.approx(pg_volume, abs=2e-5)


@pytest.mark.parametrize(
    ("system", "found", "poured", "target", "drained"),
    [
        # Stewart, Redlin, Watson, Precalculus, 6th edition, section 1.6, exercise 57
        (3.6, 0.60, 0.0, 0.50, 0.6),
        # Elementary Technical Mathematics, section 6.6, exercise 23, p. 252
        (12, 0.40, 1.0, 0.60, 4),
        # CliffsNotes Algebra II, mixture, example 1 (answer by arithmetic)
        (16, 0.40, 0.75, 0.45, 16 / 7),
        # socratic.org, prints 1.62
        (7, 0.35, 1.0, 0.50, 21 / 13),
        # algebra.com 418175
        (20, 0.55, 0.80, 0.70, 12),
        # algebra.com, radiator of 18 quarts
        (18, 0.20, 1.0, 0.30, 2.25),
        # algebra.com 559646
        (16, 0.25, 1.0, 0.40, 3.2),
        # algebra.com 725449
        (16, 0.0, 1.0, 1 / 3, 16 / 3),
    ],
)
def test_textbook_mixtures(system: float, found: float, poured: float, target: float, drained: float) -> None:
    """Drain-and-replace problems of textbooks, in thousandths of their unit."""
    result = drain_for_target(
        system_ml=round(system * 1000), found_share=found, poured_share=poured, target_share=target
    )
    assert result.exact_ml == pytest.approx(drained * 1000, abs=1e-9)
    assert result.poured_ml == math.floor(drained * 1000 + 0.5)
    assert result.share == pytest.approx(target, abs=1e-4)


def test_repeated_drains() -> None:
    """10 L, 4 L drained and replaced by concentrate, from 30 %: the series by arithmetic."""
    current = 0.3
    for expected in (0.58, 0.748, 0.8488, 0.90928, 0.945568):
        current = drain_and_replace(
            system_ml=10_000, drained_ml=4000, found_share=current, poured_share=1
        ).share
        assert current == pytest.approx(expected, abs=1e-12)
