"""Requirements in open standards' terms: which class may stand in for which, and which may not."""

from __future__ import annotations

import pytest

from domain.brake import BrakeBase, MeasuredBrakeFluid, dot_checks
from domain.errors import ExchangeError
from domain.requirements import (
    FluidKind,
    FluidRequirement,
    Standard,
    Verdict,
    brake_base_of,
    kinds_of,
    requirement_breaches,
    rule_on_class,
    rule_on_grade,
    telling_standards,
)

YES, MAKER, NO = Verdict.YES, Verdict.MAKER_DECIDES, Verdict.NO


def of(standard: Standard, class_: str, grade: str | None = None) -> FluidRequirement:
    """Of."""
    return FluidRequirement(standard, class_, grade)


@pytest.mark.parametrize(
    ("standard", "required", "stated", "verdict", "rule"),
    [
        (Standard.API_SERVICE, "SP", "SP", YES, "stated"),
        (Standard.API_SERVICE, "SN", "SP", YES, "later_category"),
        (Standard.API_SERVICE, "SP", "SN", NO, "older_category"),
        (Standard.API_SERVICE, "SH", "SP", MAKER, "obsolete_category"),
        (Standard.API_SERVICE, "SP", "SH", NO, "older_category"),
        (Standard.API_SERVICE, "SP", "CK-4", NO, "other_family"),
        (Standard.API_SERVICE, "CK-4", "SP", NO, "other_family"),
        (Standard.API_SERVICE, "GL-4", "SP", NO, "other_family"),
        (Standard.API_SERVICE, "CJ-4", "CK-4", YES, "later_category"),
        (Standard.API_SERVICE, "CK-4", "CJ-4", NO, "older_category"),
        (Standard.API_SERVICE, "CF-4", "CK-4", MAKER, "category_not_covered"),
        (Standard.API_SERVICE, "CL-4", "CK-4", MAKER, "category_not_covered"),
        (Standard.API_SERVICE, "CK-4", "FA-4", NO, "fa_not_backward_compatible"),
        (Standard.API_SERVICE, "FA-4", "CK-4", MAKER, "c_for_fa"),
        (Standard.API_SERVICE, "FA-4", "FB-4", MAKER, "category_not_covered"),
        (Standard.API_SERVICE, "GL-4", "GL-5", MAKER, "gl5_for_gl4"),
        (Standard.API_SERVICE, "GL-5", "GL-4", NO, "gl4_for_gl5"),
        (Standard.API_SERVICE, "GL-5", "MT-1", MAKER, "category_not_covered"),
        (Standard.ILSAC, "GF-5", "GF-6A", YES, "later_category"),
        (Standard.ILSAC, "GF-6A", "GF-6B", NO, "other_branch"),
        (Standard.ILSAC, "GF-7B", "GF-7A", NO, "other_branch"),
        (Standard.ILSAC, "GF-6A", "GF-5", NO, "older_category"),
        (Standard.ILSAC, "GF-6A", "GF-7A", MAKER, "category_not_covered"),
        (Standard.ACEA, "C3", "C3", YES, "stated"),
        (Standard.ACEA, "C3", "A3/B4", MAKER, "other_category"),
        (Standard.FMVSS_116, "DOT 4", "DOT 4", YES, "stated"),
        (Standard.FMVSS_116, "DOT 3", "DOT 4", YES, "higher_class"),
        (Standard.FMVSS_116, "DOT 4", "DOT 5.1", YES, "higher_class"),
        (Standard.FMVSS_116, "DOT 4", "DOT 3", NO, "boiling_point_too_low"),
        (Standard.FMVSS_116, "DOT 4", "DOT 5", NO, "silicone_with_glycol"),
        (Standard.FMVSS_116, "DOT 5", "DOT 5.1", NO, "silicone_with_glycol"),
        (Standard.ISO_4925, "6", "6", YES, "stated"),
        (Standard.ISO_4925, "6", "4", MAKER, "not_stated"),
        (Standard.ASTM_D3306, "I", "III", MAKER, "other_dilution"),
        (Standard.ASTM_D3306, "I", "II", MAKER, "other_glycol"),
        (Standard.ASTM_D6210, "I-FF", "I-FF", YES, "stated"),
        (Standard.ISO_22241, "AUS 32", "AUS 32", YES, "stated"),
        (Standard.MAKER, "Blue family  7", "blue Family 7", YES, "stated"),
        (Standard.MAKER, "Blue family 7", "Blue family 8", MAKER, "not_stated"),
        (Standard.SAE_J300, "5W-30", "5W-30", YES, "grade_stated"),
        (Standard.SAE_J300, "5W-30", "0W-30", MAKER, "thinner_cold"),
        (Standard.SAE_J300, "30", "10W-30", MAKER, "thinner_cold"),
        (Standard.SAE_J300, "5W-30", "10W-30", NO, "other_grade"),
        (Standard.SAE_J300, "5W-30", "30", NO, "other_grade"),
        (Standard.SAE_J306, "75W-90", "75W-140", NO, "other_grade"),
    ],
)
def test_one_class_for_another(
    *, standard: Standard, required: str, stated: str, verdict: Verdict, rule: str
) -> None:
    """One class for another."""
    ruling = rule_on_class(of(standard, required), [of(standard, stated)])
    assert (ruling.verdict, ruling.rule) == (verdict, rule)
    assert ruling.detail
    assert ruling.source


def test_a_grade_beside_a_class_counts_as_stated() -> None:
    """A product that names its grade beside an API class meets that grade of J300."""
    required = of(Standard.SAE_J300, "5W-30")
    assert rule_on_class(required, [of(Standard.API_SERVICE, "SP", "5W-30")]).verdict is YES
    assert rule_on_class(required, [of(Standard.API_SERVICE, "SP")]).rule == "grade_not_stated"
    gear = of(Standard.API_SERVICE, "GL-5", "75W-90")
    assert rule_on_class(required, [gear]).rule == "grade_not_stated"


def test_dot_4_alone_proves_no_low_viscosity_class() -> None:
    """Dot 4 alone proves no low viscosity class."""
    ruling = rule_on_class(of(Standard.ISO_4925, "6"), [of(Standard.FMVSS_116, "DOT 4")])
    assert (ruling.verdict, ruling.rule) == (MAKER, "class_not_proven")
    assert "1800" in ruling.detail


def test_silicone_is_ruled_out_across_standards() -> None:
    """Silicone is ruled out across standards."""
    ruling = rule_on_class(of(Standard.ISO_4925, "4"), [of(Standard.FMVSS_116, "DOT 5")])
    assert (ruling.verdict, ruling.rule) == (NO, "silicone_with_glycol")


def test_light_and_heavy_duty_coolant_prove_nothing_of_each_other() -> None:
    """Light and heavy duty coolant prove nothing of each other."""
    ruling = rule_on_class(of(Standard.ASTM_D6210, "I-FF"), [of(Standard.ASTM_D3306, "I")])
    assert (ruling.verdict, ruling.rule) == (MAKER, "coolant_duty")


def test_the_best_statement_counts_and_silence_never_softens_a_no() -> None:
    """The best statement counts and silence never softens a no."""
    required = of(Standard.API_SERVICE, "SN")
    assert (
        rule_on_class(required, [of(Standard.API_SERVICE, "SL"), of(Standard.API_SERVICE, "SP")]).verdict
        is YES
    )
    assert rule_on_class(required, [of(Standard.API_SERVICE, "SL"), of(Standard.ACEA, "C3")]).verdict is NO
    assert rule_on_class(required, [of(Standard.ACEA, "C3")]).rule == "not_stated"


@pytest.mark.parametrize(
    ("grade", "stated", "answer"),
    [
        ("5W-30", [("api_service", "SP", "5W-30")], (YES, "grade_stated")),
        ("5W-30", [("api_service", "SP", None), ("sae_j300", "5W-30", None)], (YES, "grade_stated")),
        ("5W-30", [("api_service", "SP", "0W-30")], (MAKER, "thinner_cold")),
        ("5W-30", [("api_service", "SP", "5W-40")], (NO, "other_grade")),
        ("5W-30", [("api_service", "SP", None)], (MAKER, "grade_not_stated")),
        (None, [("api_service", "SP", None)], None),
    ],
)
def test_the_grade_beside_a_class(
    grade: str | None, stated: list[tuple[str, str, str | None]], answer: tuple[Verdict, str] | None
) -> None:
    """The grade beside a class."""
    required = of(Standard.API_SERVICE, "SP", grade)
    ruling = rule_on_grade(required, [of(Standard(s), c, g) for s, c, g in stated])
    assert (None if ruling is None else (ruling.verdict, ruling.rule)) == answer


def test_the_grade_of_a_gear_oil_is_one_of_j306() -> None:
    """The grade of a gear oil is one of j306."""
    required = of(Standard.API_SERVICE, "GL-5", "75W-90")
    assert requirement_breaches(required) == []
    ruling = rule_on_grade(required, [of(Standard.SAE_J306, "75W-90")])
    assert ruling is not None
    assert ruling.verdict is YES


@pytest.mark.parametrize(
    ("requirement", "rules"),
    [
        (of(Standard.API_SERVICE, "SI"), ["class_unknown"]),
        (of(Standard.API_SERVICE, "GL-9"), ["class_unknown"]),
        (of(Standard.ILSAC, "GF-6"), ["class_unknown"]),
        (of(Standard.ACEA, "Z9"), ["class_unknown"]),
        (of(Standard.FMVSS_116, "DOT 6"), ["class_unknown"]),
        (of(Standard.ISO_4925, "5"), ["class_unknown"]),
        (of(Standard.ASTM_D3306, "VII"), ["class_unknown"]),
        (of(Standard.ASTM_D6210, "X"), ["class_unknown"]),
        (of(Standard.ISO_22241, "AUS 40"), ["class_unknown"]),
        (of(Standard.SAE_J300, "5W-31"), ["class_unknown"]),
        (of(Standard.SAE_J306, "5W-30"), ["class_unknown"]),
        (of(Standard.MAKER, "  "), ["class_unknown"]),
        (of(Standard.API_SERVICE, "SP", "75W-90"), ["grade_unknown"]),
        (of(Standard.FMVSS_116, "DOT 4", "5W-30"), ["grade_not_applicable"]),
        (of(Standard.API_SERVICE, "CI-4 PLUS", "15W-40"), []),
    ],
)
def test_bad_requirements_are_named(requirement: FluidRequirement, rules: list[str]) -> None:
    """Bad requirements are named."""
    assert [b.rule for b in requirement_breaches(requirement, "/requirements/0")] == rules


def test_a_requirement_says_what_kind_of_fluid_it_is_about() -> None:
    """A requirement says what kind of fluid it is about."""
    assert kinds_of(of(Standard.API_SERVICE, "GL-5")) == {FluidKind.GEAR_OIL}
    assert kinds_of(of(Standard.API_SERVICE, "SP")) == {FluidKind.ENGINE_OIL}
    assert kinds_of(of(Standard.MAKER, "any")) == set(FluidKind)


def test_a_brake_class_says_what_the_fluid_is_made_of() -> None:
    """A brake class says what the fluid is made of."""
    assert brake_base_of(of(Standard.FMVSS_116, "DOT 5")) is BrakeBase.SILICONE
    assert brake_base_of(of(Standard.ISO_4925, "7")) is BrakeBase.GLYCOL
    assert brake_base_of(of(Standard.MAKER, "any")) is None


def test_a_measured_brake_fluid_is_judged_limit_by_limit() -> None:
    """A measured brake fluid is judged limit by limit."""
    checks = {c.limit: c.is_met for c in dot_checks("DOT 4", MeasuredBrakeFluid(230, 154.9, 1800))}
    assert checks == {
        "dry_boiling_min_c": True,
        "wet_boiling_min_c": False,
        "cold_viscosity_max_mm2_s": True,
        "hot_viscosity_min_mm2_s": None,
    }
    assert dot_checks("DOT 4", MeasuredBrakeFluid())[-1].is_met is None


def test_an_unknown_brake_class_is_refused() -> None:
    """An unknown brake class is refused."""
    with pytest.raises(ExchangeError) as raised:
        dot_checks("DOT 2", MeasuredBrakeFluid())
    assert [b.rule for b in raised.value.breaches] == ["class_unknown"]


SAMPLES = {
    Standard.SAE_J300: of(Standard.SAE_J300, "5W-30"),
    Standard.SAE_J306: of(Standard.SAE_J306, "75W-90"),
    Standard.API_SERVICE: of(Standard.API_SERVICE, "SP", "5W-30"),
    Standard.ILSAC: of(Standard.ILSAC, "GF-6A", "5W-30"),
    Standard.ACEA: of(Standard.ACEA, "C3", "5W-30"),
    Standard.FMVSS_116: of(Standard.FMVSS_116, "DOT 5"),
    Standard.ISO_4925: of(Standard.ISO_4925, "6"),
    Standard.ASTM_D3306: of(Standard.ASTM_D3306, "I"),
    Standard.ASTM_D6210: of(Standard.ASTM_D6210, "I"),
    Standard.ISO_22241: of(Standard.ISO_22241, "AUS 32"),
    Standard.MAKER: of(Standard.MAKER, "Family 7"),
}
GEAR = of(Standard.API_SERVICE, "GL-5", "75W-90")


@pytest.mark.parametrize("required", [*SAMPLES.values(), GEAR], ids=lambda one: one.class_)
@pytest.mark.parametrize("stated", [*SAMPLES.values(), GEAR], ids=lambda one: one.class_)
def test_only_telling_standards_settle_anything(required: FluidRequirement, stated: FluidRequirement) -> None:
    """Products that state no telling standard may be left out of a search: they never settle it."""
    ruling = rule_on_class(required, [stated])
    settles = ruling.rule not in {"not_stated", "grade_not_stated"}
    assert not settles or stated.standard in telling_standards(required.standard)
