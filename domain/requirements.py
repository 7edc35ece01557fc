"""What a fluid has to meet, in open standards' terms, and which class may stand in for which.

A requirement is a triple: standard, class, viscosity grade. For the viscosity standards themselves the class
is the grade. ``maker`` is for what the sheet names in its maker's own words: families of transmission fluids,
reducer oils, compressor oils.

Invariants: a ruling is "yes" only where the same class is stated, or a published rule says that the stated
one covers it; "no" where a rule forbids it; everything else is "maker decides". No match is ever assumed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.brake import DOT_LIMITS, REGULATION, BrakeBase
from domain.errors import Breach, ExchangeError
from domain.viscosity import J300, J306, j300_limits, j306_limits, summer_number, winter_number
from domain.working import FROM_MEMORY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

STATED = "the product's own statement"
API = "API engine oil guide and API Technical Bulletin 1 (public reprints)"
ILSAC = "API 1509 as summarised in the trade press"
GEAR = "API gear service categories, trade press (public copies)"
ACEA = "ACEA European Oil Sequences: an update satisfies the issue before it; else a new category"


class FluidKind(StrEnum):
    """What a fluid is, in the trade's words."""

    ENGINE_OIL = "engine_oil"
    GEAR_OIL = "gear_oil"
    TRANSMISSION_FLUID = "transmission_fluid"
    CONTINUOUSLY_VARIABLE_FLUID = "continuously_variable_fluid"
    DUAL_CLUTCH_FLUID = "dual_clutch_fluid"
    REDUCER_OIL = "reducer_oil"
    HYDRAULIC_OIL = "hydraulic_oil"
    POWER_STEERING_FLUID = "power_steering_fluid"
    COMPRESSOR_OIL = "compressor_oil"
    COOLANT = "coolant"
    BRAKE_FLUID = "brake_fluid"
    MINERAL_BRAKE_OIL = "mineral_brake_oil"
    AUS_32 = "aus_32"


# Compressor oils are mostly synthetic esters and glycols, outside the group that volume factors are made for.
LUBRICATING_OILS = frozenset(
    {
        FluidKind.ENGINE_OIL,
        FluidKind.GEAR_OIL,
        FluidKind.TRANSMISSION_FLUID,
        FluidKind.CONTINUOUSLY_VARIABLE_FLUID,
        FluidKind.DUAL_CLUTCH_FLUID,
        FluidKind.REDUCER_OIL,
        FluidKind.HYDRAULIC_OIL,
        FluidKind.POWER_STEERING_FLUID,
    }
)


class Standard(StrEnum):
    """A standard that names classes of fluids."""

    SAE_J300 = "sae_j300"
    SAE_J306 = "sae_j306"
    API_SERVICE = "api_service"
    ILSAC = "ilsac"
    ACEA = "acea"
    FMVSS_116 = "fmvss_116"
    ISO_4925 = "iso_4925"
    ASTM_D3306 = "astm_d3306"
    ASTM_D6210 = "astm_d6210"
    ISO_22241 = "iso_22241"
    MAKER = "maker"


class Verdict(StrEnum):
    """Answer of a check."""

    YES = "yes"
    MAKER_DECIDES = "maker_decides"
    NO = "no"


@dataclass(frozen=True, slots=True)
class FluidRequirement:
    """One thing that a fluid has to meet, or that a product states it meets.

    Attributes:
        standard: The standard.
        class_: The class as the standard writes it, such as "SP", "DOT 4", "GL-5", "5W-30"; for ``maker`` the
            name that the sheet gives.
        grade: Viscosity grade of J300 or J306 that goes with an API, ILSAC or ACEA class.
    """

    standard: Standard
    class_: str
    grade: str | None = None


@dataclass(frozen=True, slots=True)
class Ruling:
    """An answer with its reason.

    Attributes:
        verdict: The answer.
        rule: Short stable code of the reason.
        detail: The reason, for a person.
        source: Where the rule is known from.
    """

    verdict: Verdict
    rule: str
    detail: str
    source: str


def requirement_breaches(requirement: FluidRequirement, pointer: str = "") -> list[Breach]:
    """The rules that a requirement breaks: a class that its standard lacks, a grade where none belongs."""
    breaches = []
    if not _CLASSES[requirement.standard](requirement.class_):
        detail = f"{requirement.standard.value} has no such class"
        breaches.append(Breach(f"{pointer}/class", "class_unknown", detail))
    if requirement.grade is not None:
        grades = _grades_of(requirement)
        if grades is None:
            detail = f"a class of {requirement.standard.value} takes no viscosity grade"
            breaches.append(Breach(f"{pointer}/grade", "grade_not_applicable", detail))
        elif not _is_graded(requirement.grade, grades):
            breaches.append(Breach(f"{pointer}/grade", "grade_unknown", "the standard has no such grade"))
    return breaches


def kinds_of(requirement: FluidRequirement) -> frozenset[FluidKind]:
    """The kinds of fluid that a requirement is about; for ``maker`` any."""
    if requirement.standard is Standard.API_SERVICE and _is_gear(requirement.class_):
        return frozenset({FluidKind.GEAR_OIL})
    return _KINDS[requirement.standard]


def telling_standards(standard: Standard) -> frozenset[Standard]:
    """The standards whose statements can settle a requirement of one, itself among them."""
    return _TELLING.get(standard, frozenset()) | {standard}


def brake_base_of(requirement: FluidRequirement) -> BrakeBase | None:
    """What a brake fluid of that class is made of; None for anything else."""
    if requirement.standard is Standard.FMVSS_116:
        return DOT_LIMITS[requirement.class_].base
    return BrakeBase.GLYCOL if requirement.standard is Standard.ISO_4925 else None


def rule_on_class(required: FluidRequirement, stated: Iterable[FluidRequirement]) -> Ruling:
    """Whether what a product states covers the class required, with the reason; the best statement counts.

    Args:
        required: A checked requirement.
        stated: Checked statements of the product.
    """
    if required.standard in _GRADE_SOURCES:
        return _rule_on_grades(required.class_, _grades_stated(stated, required.standard), required.standard)
    rulings = [_rule_on_one(required, one) for one in stated]
    telling = [ruling for ruling in rulings if ruling.rule != _NOT_STATED]
    return min(telling, key=lambda ruling: _ORDER[ruling.verdict], default=_not_stated(required))


def rule_on_grade(required: FluidRequirement, stated: Iterable[FluidRequirement]) -> Ruling | None:
    """Whether the product's viscosity grade is the one required; None where no grade is required."""
    standard = _grades_of(required)
    if required.grade is None or standard is None:
        return None
    return _rule_on_grades(required.grade, _grades_stated(stated, standard), standard)


def _rule_on_one(required: FluidRequirement, stated: FluidRequirement) -> Ruling:
    bases = brake_base_of(required), brake_base_of(stated)
    if None not in bases and bases[0] is not bases[1]:
        return Ruling(
            Verdict.NO,
            "silicone_with_glycol",
            "silicone and glycol brake fluids never stand in for each other",
            REGULATION,
        )
    if required.standard is not stated.standard:
        return _across_standards(required, stated)
    if _name(required.class_) == _name(stated.class_):
        return Ruling(Verdict.YES, "stated", "the product states the class required", STATED)
    rule = _RULES.get(required.standard)
    return rule(required.class_, stated.class_) if rule else _not_stated(required)


def _grades_stated(stated: Iterable[FluidRequirement], standard: Standard) -> list[str]:
    grades = {
        (one.class_ if one.standard is standard else one.grade)
        for one in stated
        if standard in _speaks_of(one)
    }
    return sorted(grade for grade in grades if grade is not None)


def _speaks_of(requirement: FluidRequirement) -> set[Standard | None]:
    return {requirement.standard, _grades_of(requirement)}


def _rule_on_grades(required: str, stated: list[str], standard: Standard) -> Ruling:
    source = _GRADE_SOURCES[standard]
    if not stated:
        detail = f"the product states no viscosity grade, and {required} is required"
        return Ruling(Verdict.MAKER_DECIDES, "grade_not_stated", detail, source)
    if required in stated:
        return Ruling(Verdict.YES, "grade_stated", "the product states the viscosity grade required", STATED)
    needed = winter_number(required)
    for grade in stated:
        winter = winter_number(grade)
        is_same_hot = summer_number(grade) == summer_number(required)
        if is_same_hot and winter is not None and (needed is None or winter < needed):
            detail = f"{grade} is {required} when hot and thinner when cold: the maker's manual says"
            return Ruling(Verdict.MAKER_DECIDES, "thinner_cold", detail, source)
    detail = f"{', '.join(stated)} is not {required}, and grades don't stand in for each other"
    return Ruling(Verdict.NO, "other_grade", detail, source)


def _across_standards(required: FluidRequirement, stated: FluidRequirement) -> Ruling:
    if required.standard is Standard.ISO_4925 and stated.standard is Standard.FMVSS_116:
        limit = DOT_LIMITS[stated.class_].cold_viscosity_max_mm2_s
        return Ruling(
            Verdict.MAKER_DECIDES,
            "class_not_proven",
            f"{stated.class_} allows up to {limit:g} mm2/s at -40 degC and alone proves no class of ISO "
            "4925, the low-viscosity ones least of all",
            REGULATION,
        )
    coolants = {Standard.ASTM_D3306, Standard.ASTM_D6210}
    if {required.standard, stated.standard} == coolants:
        return Ruling(
            Verdict.MAKER_DECIDES,
            "coolant_duty",
            "D3306 is for light duty, D6210 for heavy duty, fully formulated; neither alone proves the other",
            FROM_MEMORY,
        )
    return _not_stated(required)


def _not_stated(required: FluidRequirement) -> Ruling:
    detail = f"the product states nothing that settles {required.standard.value}; no match is assumed"
    return Ruling(Verdict.MAKER_DECIDES, _NOT_STATED, detail, STATED)


def _api_rule(required: str, stated: str) -> Ruling:
    families = _api_family(required), _api_family(stated)
    if families == ("gear", "gear"):
        return _gear_rule(required, stated)
    if families[0] != families[1]:
        if families == ("FA", "C"):
            detail = "an oil of the C family in place of FA-4 is for the engine's maker to admit"
            return Ruling(Verdict.MAKER_DECIDES, "c_for_fa", detail, API)
        if families == ("C", "FA"):
            detail = "FA-4 has a lower viscosity at high shear and is not backward compatible"
            return Ruling(Verdict.NO, "fa_not_backward_compatible", detail, API)
        detail = "these families of API categories are not interchangeable"
        return Ruling(Verdict.NO, "other_family", detail, API)
    return _gasoline_rule(required, stated) if families[0] == "S" else _diesel_rule(required, stated)


def _gasoline_rule(required: str, stated: str) -> Ruling:
    if stated < required:
        return Ruling(Verdict.NO, "older_category", f"{stated} is older than {required}", API)
    if required in _GASOLINE and stated in _GASOLINE:
        detail = f"the later category {stated} includes the properties of {required}"
        return Ruling(Verdict.YES, "later_category", detail, API)
    detail = f"no rule at hand says that {stated} covers {required}"
    return Ruling(Verdict.MAKER_DECIDES, "obsolete_category", detail, API)


def _diesel_rule(required: str, stated: str) -> Ruling:
    covered = _DIESEL_COVERS.get(stated, frozenset())
    if required in covered:
        return Ruling(
            Verdict.YES, "later_category", f"{stated} may be used where {required} is asked for", API
        )
    if required in _DIESEL and stated in _DIESEL and _DIESEL.index(stated) < _DIESEL.index(required):
        return Ruling(Verdict.NO, "older_category", f"{stated} is older than {required}", API)
    detail = f"no rule at hand says that {stated} covers {required}"
    return Ruling(Verdict.MAKER_DECIDES, "category_not_covered", detail, API)


def _gear_rule(required: str, stated: str) -> Ruling:
    if (required, stated) == ("GL-4", "GL-5"):
        detail = (
            "GL-5 carries about twice the extreme-pressure additive of GL-4 and can attack the yellow metal "
            "of synchronisers"
        )
        return Ruling(Verdict.MAKER_DECIDES, "gl5_for_gl4", detail, GEAR)
    if (required, stated) == ("GL-5", "GL-4"):
        detail = "GL-4 carries about half the extreme-pressure additive of GL-5"
        return Ruling(Verdict.NO, "gl4_for_gl5", detail, GEAR)
    detail = f"no rule at hand says that {stated} covers {required}"
    return Ruling(Verdict.MAKER_DECIDES, "category_not_covered", detail, GEAR)


def _ilsac_rule(required: str, stated: str) -> Ruling:
    branches = required.endswith("B"), stated.endswith("B")
    if branches[0] != branches[1]:
        detail = "the B branch is for SAE 0W-16 alone and not interchangeable with the others"
        return Ruling(Verdict.NO, "other_branch", detail, ILSAC)
    if (required, stated) == ("GF-5", "GF-6A"):
        return Ruling(Verdict.YES, "later_category", "GF-6A is backward compatible with GF-5", ILSAC)
    if stated < required:
        return Ruling(Verdict.NO, "older_category", f"{stated} is older than {required}", ILSAC)
    detail = f"no rule at hand says that {stated} covers {required}"
    return Ruling(Verdict.MAKER_DECIDES, "category_not_covered", detail, ILSAC)


def _acea_rule(required: str, stated: str) -> Ruling:
    detail = f"ACEA {stated} is another category than {required}, made for other engines"
    return Ruling(Verdict.MAKER_DECIDES, "other_category", detail, ACEA)


def _dot_rule(required: str, stated: str) -> Ruling:
    # Both are glycol fluids here: another base was ruled out before.
    if _DOT_GLYCOL.index(stated) < _DOT_GLYCOL.index(required):
        detail = f"the boiling points of {stated} are below those of {required}"
        return Ruling(Verdict.NO, "boiling_point_too_low", detail, REGULATION)
    if stated == "DOT 4":
        detail = "DOT 4 in place of DOT 3 is usual practice; its boiling points are higher"
        return Ruling(Verdict.YES, "higher_class", detail, f"usual practice, {FROM_MEMORY}")
    return Ruling(Verdict.YES, "higher_class", f"{stated} meets every limit of {required}", REGULATION)


def _d3306_rule(required: str, stated: str) -> Ruling:
    if _D3306_BASE[required] == _D3306_BASE[stated]:
        detail = "the types differ in dilution only: the mixture made of it has to reach the share required"
        return Ruling(Verdict.MAKER_DECIDES, "other_dilution", detail, "ASTM D3306, table of types")
    detail = "the types are made of different glycols"
    return Ruling(Verdict.MAKER_DECIDES, "other_glycol", detail, "ASTM D3306, table of types")


def _api_family(class_: str) -> str:
    if _is_gear(class_):
        return "gear"
    return "FA" if class_.startswith("F") else class_[0]


def _is_gear(class_: str) -> bool:
    return class_.startswith(("GL-", "MT-"))


def _grades_of(requirement: FluidRequirement) -> Standard | None:
    if requirement.standard is Standard.API_SERVICE and _is_gear(requirement.class_):
        return Standard.SAE_J306
    return Standard.SAE_J300 if requirement.standard in _GRADED else None


def _is_graded(grade: str, standard: Standard) -> bool:
    try:
        (j306_limits if standard is Standard.SAE_J306 else j300_limits)(grade)
    except ExchangeError:
        return False
    return True


def _name(text: str) -> str:
    return " ".join(text.split()).casefold()


def _matches(pattern: str) -> Callable[[str], bool]:
    compiled = re.compile(pattern)
    return lambda class_: compiled.fullmatch(class_) is not None


_NOT_STATED = "not_stated"
_GRADE_SOURCES = {Standard.SAE_J300: J300, Standard.SAE_J306: J306}
_ORDER = {Verdict.YES: 0, Verdict.MAKER_DECIDES: 1, Verdict.NO: 2}
_GRADED = frozenset({Standard.API_SERVICE, Standard.ILSAC, Standard.ACEA})
_GASOLINE = ("SJ", "SL", "SM", "SN", "SP", "SQ")
_DIESEL = ("CD", "CE", "CF-4", "CG-4", "CH-4", "CI-4", "CI-4 PLUS", "CJ-4", "CK-4")
_DIESEL_COVERS = {
    "CK-4": frozenset({"CJ-4", "CI-4 PLUS", "CI-4", "CH-4"}),
    "CJ-4": frozenset({"CI-4 PLUS", "CI-4", "CH-4", "CG-4", "CF-4"}),
    "CI-4": frozenset({"CH-4", "CG-4", "CF-4", "CE", "CD"}),
}
_DOT_GLYCOL = ("DOT 3", "DOT 4", "DOT 5.1")
_D3306_BASE = {
    "I": "ethylene glycol",
    "II": "propylene glycol",
    "III": "ethylene glycol",
    "IV": "propylene glycol",
    "V": "ethylene glycol and glycerin",
    "VI": "ethylene glycol and glycerin",
}
_TELLING = {
    Standard.SAE_J300: frozenset({Standard.API_SERVICE, Standard.ILSAC, Standard.ACEA}),
    Standard.SAE_J306: frozenset({Standard.API_SERVICE}),
    Standard.FMVSS_116: frozenset({Standard.ISO_4925}),
    Standard.ISO_4925: frozenset({Standard.FMVSS_116}),
    Standard.ASTM_D3306: frozenset({Standard.ASTM_D6210}),
    Standard.ASTM_D6210: frozenset({Standard.ASTM_D3306}),
}
_RULES: dict[Standard, Callable[[str, str], Ruling]] = {
    Standard.API_SERVICE: _api_rule,
    Standard.ILSAC: _ilsac_rule,
    Standard.ACEA: _acea_rule,
    Standard.FMVSS_116: _dot_rule,
    Standard.ASTM_D3306: _d3306_rule,
}
_KINDS: dict[Standard, frozenset[FluidKind]] = {
    Standard.SAE_J300: frozenset({FluidKind.ENGINE_OIL}),
    Standard.SAE_J306: frozenset({FluidKind.GEAR_OIL}),
    Standard.API_SERVICE: frozenset({FluidKind.ENGINE_OIL}),
    Standard.ILSAC: frozenset({FluidKind.ENGINE_OIL}),
    Standard.ACEA: frozenset({FluidKind.ENGINE_OIL}),
    Standard.FMVSS_116: frozenset({FluidKind.BRAKE_FLUID}),
    Standard.ISO_4925: frozenset({FluidKind.BRAKE_FLUID}),
    Standard.ASTM_D3306: frozenset({FluidKind.COOLANT}),
    Standard.ASTM_D6210: frozenset({FluidKind.COOLANT}),
    Standard.ISO_22241: frozenset({FluidKind.AUS_32}),
    Standard.MAKER: frozenset(FluidKind),
}
_CLASSES: dict[Standard, Callable[[str], bool]] = {
    Standard.SAE_J300: lambda class_: _is_graded(class_, Standard.SAE_J300),
    Standard.SAE_J306: lambda class_: _is_graded(class_, Standard.SAE_J306),
    Standard.API_SERVICE: _matches(r"S[A-HJ-Z]|C[A-Z](-[24])?( PLUS)?|F[A-Z]-4|GL-[1-6]|MT-1"),
    Standard.ILSAC: _matches(r"GF-[1-5]|GF-[67][AB]"),
    Standard.ACEA: _matches(r"[ABCEF][0-9]{1,2}(/[AB][0-9]{1,2})?"),
    Standard.FMVSS_116: DOT_LIMITS.__contains__,
    Standard.ISO_4925: _matches(r"3|4|5-1|6|7"),
    Standard.ASTM_D3306: _D3306_BASE.__contains__,
    Standard.ASTM_D6210: _matches(r"(I|II|III|IV|V|VI)(-FF)?"),
    Standard.ISO_22241: _matches(r"AUS 32"),
    Standard.MAKER: lambda class_: bool(class_.strip()),
}
