"""Products, whether they suit a requirement, whether two may be mixed, and how long they keep.

Invariants: an answer is yes, no or maker decides, always with its reason; a product that states nothing is
refused. A compartment's requirements hold together: the least favourable answer is the answer.

Sources: see ``domain.requirements``; storage of AUS 32 by ISO 22241-3 as cited in public pages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from domain.brake import REGULATION, BrakeBase
from domain.errors import Breach, ExchangeError
from domain.requirements import (
    LUBRICATING_OILS,
    STATED,
    FluidKind,
    FluidRequirement,
    Ruling,
    Verdict,
    brake_base_of,
    kinds_of,
    requirement_breaches,
    rule_on_class,
    rule_on_grade,
)
from domain.working import COMMON_PRACTICE, FROM_MEMORY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

AUS_32_STORAGE = "ISO 22241-3, storage at constant temperature, as cited in public pages"
AUS_32_FREEZES_C = -11.0


@dataclass(frozen=True, slots=True)
class Product:
    """A fluid that can be bought.

    Attributes:
        code: The fleet's code of it.
        kind: What it is.
        meets: What it states that it meets.
        density_15c_kg_m3: Density at 15 degC [kg/m3].
        shelf_unopened_months: How long it keeps unopened, by its maker [months].
        shelf_opened_months: How long it keeps once opened, by its maker [months].
    """

    code: str
    kind: FluidKind
    meets: tuple[FluidRequirement, ...]
    density_15c_kg_m3: float | None = None
    shelf_unopened_months: int | None = None
    shelf_opened_months: int | None = None


@dataclass(frozen=True, slots=True)
class RequirementRuling:
    """An answer for one requirement.

    Attributes:
        requirement: The requirement; None for an answer about the whole.
        ruling: The answer with its reason.
    """

    requirement: FluidRequirement | None
    ruling: Ruling


@dataclass(frozen=True, slots=True)
class Judgement:
    """An answer with all its reasons.

    Attributes:
        verdict: The least favourable of the rulings.
        rulings: The reasons.
    """

    verdict: Verdict
    rulings: tuple[RequirementRuling, ...]


@dataclass(frozen=True, slots=True)
class ShelfLife:
    """How long a fluid keeps.

    Attributes:
        months: Months from manufacture; None where it has to be tested before use.
        is_test_needed: Whether it has to be tested before use.
        source: Where that is known from.
    """

    months: int | None
    is_test_needed: bool
    source: str


def check_product(product: Product) -> None:
    """Nothing, when the product agrees with itself.

    Raises:
        ExchangeError: It meets nothing, states an unknown class, a standard of another kind of fluid, brake
            fluids of two bases, or a figure out of range.
    """
    breaches = list(_product_breaches(product))
    if breaches:
        raise ExchangeError(*breaches)


def suitability(
    product: Product, required: Sequence[FluidRequirement], *, kind: FluidKind | None = None
) -> Judgement:
    """Whether a product suits a compartment: yes, no or maker decides, with the reason for each requirement.

    Args:
        product: The product.
        required: All that the fluid has to meet, together.
        kind: What the fluid has to be; None where the requirements say it, or nothing does.

    Raises:
        ExchangeError: A product that contradicts itself or meets nothing, no requirement, an unknown class.
    """
    check_product(product)
    _check_required(required)
    rulings = [RequirementRuling(one, ruling) for one in required for ruling in _rulings(product, one, kind)]
    return _judged(rulings)


def mixing(
    one: Product,
    other: Product,
    *,
    required: Sequence[FluidRequirement] = (),
    kind: FluidKind | None = None,
) -> Judgement:
    """Whether two products may share a compartment: yes, no or maker decides, with the reasons.

    Args:
        one: What is in it.
        other: What is added.
        required: What the fluid has to meet; without it only a clear no can be found.
        kind: What the fluid has to be; None where the requirements say it, or nothing does.

    Raises:
        ExchangeError: A product that contradicts itself or meets nothing, an unknown class.
    """
    check_product(one)
    check_product(other)
    if required:
        _check_required(required)
    forbidden = _never_mixed(one, other)
    if forbidden is not None:
        return _judged([RequirementRuling(None, forbidden)])
    suits = [
        RequirementRuling(need, ruling)
        for product in (one, other)
        for need in required
        for ruling in _rulings(product, need, kind)
    ]
    return _judged([*suits, RequirementRuling(None, _mixed(one, other, is_required=bool(required)))])


def aus_32_shelf_life(storage_c: float) -> ShelfLife:
    """How long AUS 32 keeps at a constant storage temperature [degC], from its manufacture.

    Raises:
        ExchangeError: A temperature below its freezing point or above 60 degC, for which no figure is
            published.

    Sources: ISO 22241-3 as cited in public pages.
    """
    if not AUS_32_FREEZES_C <= storage_c <= _AUS_32_HOTTEST_C:
        detail = f"figures run from {AUS_32_FREEZES_C:g} degC (it freezes) to {_AUS_32_HOTTEST_C:g} degC"
        raise ExchangeError(Breach("/storage_temperature", "temperature_outside_table", detail))
    for highest_c, months in _AUS_32_MONTHS:
        if storage_c <= highest_c:
            return ShelfLife(months, is_test_needed=False, source=AUS_32_STORAGE)
    return ShelfLife(None, is_test_needed=True, source=AUS_32_STORAGE)


def brake_base(product: Product) -> BrakeBase | None:
    """What a brake fluid is made of; None where it is no brake fluid or does not say."""
    if product.kind is FluidKind.MINERAL_BRAKE_OIL:
        return BrakeBase.MINERAL
    return next((base for one in product.meets if (base := brake_base_of(one)) is not None), None)


def require_lubricating_oil(kind: FluidKind, pointer: str = "/fluid_kind") -> None:
    """Nothing, when volume factors for lubricating oils may be applied to that kind of fluid.

    Raises:
        ExchangeError: It is coolant, brake fluid, AUS 32 or another fluid outside the group.
    """
    if kind not in LUBRICATING_OILS:
        detail = f"volume factors for lubricating oils are never applied to {kind.value}"
        raise ExchangeError(Breach(pointer, "not_a_lubricating_oil", detail))


def _rulings(product: Product, required: FluidRequirement, kind: FluidKind | None) -> Iterator[Ruling]:
    expected = kinds_of(required) if kind is None else frozenset({kind})
    is_stated = rule_on_class(required, product.meets)
    if product.kind not in expected and not (
        is_stated.verdict is Verdict.YES and product.kind in LUBRICATING_OILS and expected <= LUBRICATING_OILS
    ):
        yield _other_kind(product.kind, expected)
        return
    yield is_stated
    grade = rule_on_grade(required, product.meets)
    if grade is not None:
        yield grade


def _other_kind(found: FluidKind, expected: Iterable[FluidKind]) -> Ruling:
    kinds = {found, *expected}
    if FluidKind.MINERAL_BRAKE_OIL in kinds and FluidKind.BRAKE_FLUID in kinds:
        return _MINERAL
    wanted = ", ".join(sorted(kind.value for kind in expected))
    return Ruling(Verdict.NO, "other_kind", f"{found.value} is not {wanted}", STATED)


def _never_mixed(one: Product, other: Product) -> Ruling | None:
    bases = brake_base(one), brake_base(other)
    if BrakeBase.MINERAL in bases and bases[0] is not bases[1] and {one.kind, other.kind} <= _BRAKE:
        return _MINERAL
    if None not in bases and bases[0] is not bases[1]:
        return Ruling(
            Verdict.NO, "silicone_with_glycol", "silicone and glycol brake fluids are never mixed", REGULATION
        )
    if one.kind is not other.kind:
        detail = f"{one.kind.value} and {other.kind.value} are never mixed"
        return Ruling(Verdict.NO, "other_kind", detail, COMMON_PRACTICE)
    return None


def _mixed(one: Product, other: Product, *, is_required: bool) -> Ruling:
    if one.code == other.code:
        return Ruling(Verdict.YES, "same_product", "both are the same product", STATED)
    if one.kind is FluidKind.COOLANT:
        detail = (
            "inhibitors of two coolants may work against each other; a standard in common doesn't settle it"
        )
        return Ruling(Verdict.MAKER_DECIDES, "inhibitors_differ", detail, COMMON_PRACTICE)
    if one.kind is FluidKind.COMPRESSOR_OIL:
        detail = "compressor oils of different make are mixed only where the sheet says so"
        return Ruling(Verdict.MAKER_DECIDES, "compressor_oils_differ", detail, COMMON_PRACTICE)
    if not is_required:
        detail = "without the requirement it can't be said whether the mixture meets it"
        return Ruling(Verdict.MAKER_DECIDES, "requirement_not_given", detail, STATED)
    source = f"oils of API categories have to be miscible, {FROM_MEMORY}; for other fluids {COMMON_PRACTICE}"
    detail = (
        "each has to meet the full requirement itself; the mixture is then taken to meet the weaker of both"
    )
    return Ruling(Verdict.YES, "both_judged", detail, source)


def _judged(rulings: Sequence[RequirementRuling]) -> Judgement:
    verdicts = {one.ruling.verdict for one in rulings}
    worst = next(v for v in (Verdict.NO, Verdict.MAKER_DECIDES, Verdict.YES) if v in verdicts)
    return Judgement(worst, tuple(rulings))


def _check_required(required: Sequence[FluidRequirement]) -> None:
    breaches = [b for i, one in enumerate(required) for b in requirement_breaches(one, f"/requirements/{i}")]
    if not required:
        breaches.append(Breach("/requirements", "requirement_missing", "there is nothing to check against"))
    if breaches:
        raise ExchangeError(*breaches)


def _product_breaches(product: Product) -> Iterator[Breach]:
    if not product.meets:
        yield Breach("/meets", "product_meets_nothing", "a product states at least one thing that it meets")
    unknown = False
    for index, one in enumerate(product.meets):
        for breach in requirement_breaches(one, f"/meets/{index}"):
            unknown = True
            yield breach
        if product.kind not in kinds_of(one) and not (
            product.kind in LUBRICATING_OILS and kinds_of(one) <= LUBRICATING_OILS
        ):
            detail = f"{one.standard.value} is no standard for {product.kind.value}"
            yield Breach(f"/meets/{index}", "standard_of_other_kind", detail)
    if not unknown and len({base for one in product.meets if (base := brake_base_of(one)) is not None}) > 1:
        yield Breach("/meets", "brake_bases_contradict", "a brake fluid is either of silicone or of glycol")
    low, high = _DENSITIES
    if product.density_15c_kg_m3 is not None and not low <= product.density_15c_kg_m3 <= high:
        yield Breach("/density_15c", "density_out_of_range", f"a density lies from {low:g} to {high:g} kg/m3")
    for field, months in (
        ("shelf_unopened", product.shelf_unopened_months),
        ("shelf_opened", product.shelf_opened_months),
    ):
        if months is not None and not 1 <= months <= _LONGEST_MONTHS:
            yield Breach(f"/{field}", "shelf_life_out_of_range", f"1 to {_LONGEST_MONTHS} months")


_BRAKE = frozenset({FluidKind.BRAKE_FLUID, FluidKind.MINERAL_BRAKE_OIL})
_DENSITIES = (500.0, 2000.0)
_LONGEST_MONTHS = 1200
_AUS_32_HOTTEST_C = 60.0
_AUS_32_MONTHS = ((10.0, 36), (25.0, 18), (30.0, 12), (35.0, 6))
_MINERAL = Ruling(
    Verdict.NO,
    "mineral_with_glycol",
    "circuits for mineral oil never take brake fluid, nor the other way round: the seals swell",
    COMMON_PRACTICE,
)
