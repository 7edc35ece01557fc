"""Fluid classes against the published tables of their standards."""

from __future__ import annotations

import pytest

from domain.brake import DOT_LIMITS, BrakeBase
from domain.fluids import Product, aus_32_shelf_life, mixing, suitability
from domain.requirements import FluidKind, FluidRequirement, Standard, Verdict
from domain.viscosity import j300_candidates, j300_limits, j306_limits

YES, MAKER, NO = Verdict.YES, Verdict.MAKER_DECIDES, Verdict.NO


@pytest.mark.parametrize(
    ("grade", "cranking", "cranking_c", "pumping_c", "kinematic"),
    [
        # SAE J300, table of 2015, copies at raso.name, united-oil.com and olezol.com
        ("0W", 6200, -35, -40, 3.8),
        ("5W", 6600, -30, -35, 3.8),
        ("10W", 7000, -25, -30, 4.1),
        ("15W", 7000, -20, -25, 5.6),
        ("20W", 9500, -15, -20, 5.6),
        ("25W", 13_000, -10, -15, 9.3),
    ],
)
def test_j300_winter_grades(
    *, grade: str, cranking: float, cranking_c: float, pumping_c: float, kinematic: float
) -> None:
    """Cold limits of engine oils."""
    limits = j300_limits(grade)
    assert (limits.cranking_max_mpas, limits.cranking_at_c) == (cranking, cranking_c)
    assert (limits.pumping_max_mpas, limits.pumping_at_c) == (60_000, pumping_c)
    assert limits.kinematic_min_mm2_s == kinematic


@pytest.mark.parametrize(
    ("grade", "low", "below", "high_shear"),
    [
        # The same table
        ("8", 4.0, 6.1, 1.7),
        ("12", 5.0, 7.1, 2.0),
        ("16", 6.1, 8.2, 2.3),
        ("20", 6.9, 9.3, 2.6),
        ("30", 9.3, 12.5, 2.9),
        ("0W-40", 12.5, 16.3, 3.5),
        ("5W-40", 12.5, 16.3, 3.5),
        ("10W-40", 12.5, 16.3, 3.5),
        ("15W-40", 12.5, 16.3, 3.7),
        ("20W-40", 12.5, 16.3, 3.7),
        ("25W-40", 12.5, 16.3, 3.7),
        ("40", 12.5, 16.3, 3.7),
        ("50", 16.3, 21.9, 3.7),
        ("60", 21.9, 26.1, 3.7),
    ],
)
def test_j300_summer_grades(grade: str, low: float, below: float, high_shear: float) -> None:
    """Hot limits of engine oils; the ranges of 8 to 20 overlap."""
    limits = j300_limits(grade)
    assert (limits.kinematic_min_mm2_s, limits.kinematic_below_mm2_s) == (low, below)
    assert limits.high_shear_min_mpas == high_shear
    assert grade.rpartition("-")[2] in j300_candidates(low)


@pytest.mark.parametrize(
    ("grade", "cold_c", "low", "below"),
    [
        # SAE J306, February 2019, copy at pmlubrication.com.au
        ("70W", -55, 3.8, None),
        ("75W", -40, 3.8, None),
        ("80W", -26, 8.5, None),
        ("85W", -12, 11.0, None),
        ("65", None, 3.8, 5.0),
        ("70", None, 5.0, 6.5),
        ("75", None, 6.5, 8.5),
        ("80", None, 8.5, 11.0),
        ("85", None, 11.0, 13.5),
        ("90", None, 13.5, 18.5),
        ("110", None, 18.5, 24.0),
        ("140", None, 24.0, 32.5),
        ("190", None, 32.5, 41.0),
        ("250", None, 41.0, None),
    ],
)
def test_j306_grades(grade: str, cold_c: float | None, low: float, below: float | None) -> None:
    """Limits of gear oils."""
    limits = j306_limits(grade)
    assert (limits.cold_at_c, limits.kinematic_min_mm2_s, limits.kinematic_below_mm2_s) == (
        cold_c,
        low,
        below,
    )


def test_gear_and_engine_numbers_are_unrelated() -> None:
    """SAE 90 of J306 overlaps SAE 40 and 50 of J300; the same two tables."""
    gear = j306_limits("90")
    assert gear.kinematic_min_mm2_s is not None
    assert gear.kinematic_below_mm2_s is not None
    found = {*j300_candidates(gear.kinematic_min_mm2_s), *j300_candidates(gear.kinematic_below_mm2_s - 0.1)}
    assert found == {"40", "50"}


@pytest.mark.parametrize(
    ("class_", "base", "dry_c", "wet_c", "cold", "hot"),
    [
        # 49 CFR 571.116 S5.1.1, S5.1.2, S5.1.3 (public copies; NHTSA interpretation 12089 confirms 311 degF)
        ("DOT 3", BrakeBase.GLYCOL, 205, 140, 1500, 1.5),
        ("DOT 4", BrakeBase.GLYCOL, 230, 155, 1800, 1.5),
        ("DOT 5", BrakeBase.SILICONE, 260, 180, 900, 1.5),
        ("DOT 5.1", BrakeBase.GLYCOL, 260, 180, 900, 1.5),
    ],
)
def test_dot_classes(
    *, class_: str, base: BrakeBase, dry_c: float, wet_c: float, cold: float, hot: float
) -> None:
    """Limits of brake fluids; older copies that give DOT 5.1 as 270 and 191 degC are wrong."""
    limits = DOT_LIMITS[class_]
    assert (limits.base, limits.dry_boiling_min_c, limits.wet_boiling_min_c) == (base, dry_c, wet_c)
    assert (limits.cold_viscosity_max_mm2_s, limits.hot_viscosity_min_mm2_s) == (cold, hot)


def _suits(standard: Standard, kind: FluidKind, required: str, stated: str) -> Verdict:
    product = Product("p", kind, (FluidRequirement(standard, stated),))
    return suitability(product, [FluidRequirement(standard, required)]).verdict


@pytest.mark.parametrize(
    ("required", "stated", "verdict"),
    [
        # API Technical Bulletin 1 (reprint at kirei-chemical) and copies of the API engine oil guide
        ("CJ-4", "CK-4", YES),
        ("CI-4", "CK-4", YES),
        ("CI-4 PLUS", "CK-4", YES),
        ("CH-4", "CK-4", YES),
        ("CG-4", "CJ-4", YES),
        ("CF-4", "CJ-4", YES),
        ("CD", "CI-4", YES),
        ("CE", "CI-4", YES),
        ("CK-4", "CJ-4", NO),
        ("CK-4", "FA-4", NO),
        ("CJ-4", "FA-4", NO),
        ("FA-4", "CK-4", MAKER),
        # API: the latest S category includes the properties of the earlier ones still current
        ("SN", "SP", YES),
        ("SM", "SN", YES),
        ("SL", "SM", YES),
        ("SJ", "SL", YES),
        ("SP", "SN", NO),
        ("SP", "CK-4", NO),
        ("CK-4", "SP", NO),
    ],
)
def test_api_engine_categories(required: str, stated: str, verdict: Verdict) -> None:
    """Which API category stands in for which."""
    assert _suits(Standard.API_SERVICE, FluidKind.ENGINE_OIL, required, stated) is verdict


@pytest.mark.parametrize(
    ("required", "stated", "verdict"),
    # Trade press on ILSAC GF-6 and GF-7: GF-6A covers GF-5; the B branch is 0W-16 alone
    [("GF-5", "GF-6A", YES), ("GF-5", "GF-6B", NO), ("GF-6A", "GF-6B", NO), ("GF-7A", "GF-7B", NO)],
)
def test_ilsac(required: str, stated: str, verdict: Verdict) -> None:
    """Which ILSAC class stands in for which."""
    assert _suits(Standard.ILSAC, FluidKind.ENGINE_OIL, required, stated) is verdict


def test_gl5_never_answers_for_gl4_by_itself() -> None:
    """GL-5 can attack yellow-metal synchronisers: machinerylubrication.com 30366."""
    assert _suits(Standard.API_SERVICE, FluidKind.GEAR_OIL, "GL-4", "GL-5") is MAKER


@pytest.mark.parametrize("glycol", ["DOT 3", "DOT 4", "DOT 5.1"])
def test_silicone_with_glycol(glycol: str) -> None:
    """DOT 5 is silicone, the others are not: 49 CFR 571.116; neither replaces nor joins the other."""
    assert _suits(Standard.FMVSS_116, FluidKind.BRAKE_FLUID, glycol, "DOT 5") is NO
    assert _suits(Standard.FMVSS_116, FluidKind.BRAKE_FLUID, "DOT 5", glycol) is NO
    one, other = (
        Product(c, FluidKind.BRAKE_FLUID, (FluidRequirement(Standard.FMVSS_116, c),))
        for c in (glycol, "DOT 5")
    )
    assert mixing(one, other).verdict is NO


def test_dot_3_and_4() -> None:
    """DOT 3 for DOT 4 fails on the boiling points of 49 CFR 571.116.

    DOT 4 for DOT 3 is usual practice, from memory.
    """
    assert _suits(Standard.FMVSS_116, FluidKind.BRAKE_FLUID, "DOT 4", "DOT 3") is NO
    assert _suits(Standard.FMVSS_116, FluidKind.BRAKE_FLUID, "DOT 3", "DOT 4") is YES


@pytest.mark.parametrize(
    ("storage_c", "months"),
    # ISO 22241-3 as cited by powerblanket.com and commercialfuelsolutions.co.uk
    [(10, 36), (25, 18), (30, 12), (35, 6), (36, None)],
)
def test_aus_32_storage(storage_c: float, months: int | None) -> None:
    """How long AUS 32 keeps; above 35 degC it is tested before use."""
    life = aus_32_shelf_life(storage_c)
    assert life.months == months
    assert life.is_test_needed is (months is None)
