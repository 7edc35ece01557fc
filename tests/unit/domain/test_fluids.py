"""Products: suitability, mixing, storage, and products that contradict themselves."""

from __future__ import annotations

import math

import pytest

from domain.brake import BrakeBase
from domain.errors import ExchangeError
from domain.fluids import (
    Product,
    aus_32_shelf_life,
    brake_base,
    check_product,
    mixing,
    require_lubricating_oil,
    suitability,
)
from domain.requirements import FluidKind, FluidRequirement, Standard, Verdict

YES, MAKER, NO = Verdict.YES, Verdict.MAKER_DECIDES, Verdict.NO
SP_5W30 = FluidRequirement(Standard.API_SERVICE, "SP", "5W-30")
DOT_4 = FluidRequirement(Standard.FMVSS_116, "DOT 4")
DOT_5 = FluidRequirement(Standard.FMVSS_116, "DOT 5")
FAMILY = FluidRequirement(Standard.MAKER, "family seven")

ENGINE = Product("engine-a", FluidKind.ENGINE_OIL, (SP_5W30,), 850.0, 60, 12)
ENGINE_OLDER = Product(
    "engine-b", FluidKind.ENGINE_OIL, (FluidRequirement(Standard.API_SERVICE, "SN", "5W-30"),)
)
GLYCOL = Product("brake-a", FluidKind.BRAKE_FLUID, (DOT_4,))
GLYCOL_5_1 = Product("brake-b", FluidKind.BRAKE_FLUID, (FluidRequirement(Standard.FMVSS_116, "DOT 5.1"),))
SILICONE = Product("brake-c", FluidKind.BRAKE_FLUID, (DOT_5,))
MINERAL = Product("brake-d", FluidKind.MINERAL_BRAKE_OIL, (FluidRequirement(Standard.MAKER, "mineral"),))
BLUE = Product("coolant-a", FluidKind.COOLANT, (FluidRequirement(Standard.ASTM_D3306, "I"),))
RED = Product("coolant-b", FluidKind.COOLANT, (FluidRequirement(Standard.ASTM_D3306, "I"),))
TRANSMISSION = Product("transmission-a", FluidKind.TRANSMISSION_FLUID, (FAMILY,))
TRANSMISSION_CHEAP = Product("transmission-b", FluidKind.TRANSMISSION_FLUID, (FAMILY,))
COMPRESSOR = Product(
    "compressor-a", FluidKind.COMPRESSOR_OIL, (FluidRequirement(Standard.MAKER, "ester 46"),)
)
COMPRESSOR_TOO = Product("compressor-b", FluidKind.COMPRESSOR_OIL, COMPRESSOR.meets)


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


def test_all_requirements_hold_together() -> None:
    """All requirements hold together."""
    good = suitability(ENGINE, [SP_5W30, FluidRequirement(Standard.SAE_J300, "5W-30")])
    assert good.verdict is YES
    assert [r.ruling.rule for r in good.rulings] == ["stated", "grade_stated", "grade_stated"]
    assert suitability(ENGINE, [SP_5W30]).verdict is YES
    assert suitability(ENGINE_OLDER, [SP_5W30]).verdict is NO


def test_a_fluid_of_another_kind_does_not_suit() -> None:
    """A fluid of another kind does not suit."""
    result = suitability(BLUE, [SP_5W30])
    assert (result.verdict, result.rulings[0].ruling.rule) == (NO, "other_kind")
    gear = FluidRequirement(Standard.API_SERVICE, "GL-4")
    assert suitability(ENGINE, [gear]).verdict is NO


def test_a_lubricating_oil_that_states_the_name_suits_whatever_it_is_called() -> None:
    """A lubricating oil that states the name suits whatever it is called."""
    assert suitability(TRANSMISSION, [FAMILY], kind=FluidKind.POWER_STEERING_FLUID).verdict is YES
    other = FluidRequirement(Standard.MAKER, "family eight")
    assert suitability(TRANSMISSION, [other], kind=FluidKind.POWER_STEERING_FLUID).verdict is NO
    assert suitability(TRANSMISSION, [other], kind=FluidKind.TRANSMISSION_FLUID).verdict is MAKER
    assert suitability(TRANSMISSION, [FAMILY], kind=FluidKind.COOLANT).verdict is NO


def test_mineral_circuits_never_take_brake_fluid() -> None:
    """Mineral circuits never take brake fluid."""
    mineral = FluidRequirement(Standard.MAKER, "mineral")
    result = suitability(GLYCOL, [mineral], kind=FluidKind.MINERAL_BRAKE_OIL)
    assert (result.verdict, result.rulings[0].ruling.rule) == (NO, "mineral_with_glycol")
    result = suitability(MINERAL, [DOT_4])
    assert (result.verdict, result.rulings[0].ruling.rule) == (NO, "mineral_with_glycol")


@pytest.mark.parametrize(
    ("one", "other", "required", "answer"),
    [
        (GLYCOL, SILICONE, [], (NO, "silicone_with_glycol")),
        (SILICONE, GLYCOL, [DOT_4], (NO, "silicone_with_glycol")),
        (GLYCOL, MINERAL, [], (NO, "mineral_with_glycol")),
        (MINERAL, MINERAL, [], (YES, "same_product")),
        (GLYCOL, GLYCOL_5_1, [DOT_4], (YES, "both_judged")),
        (GLYCOL, GLYCOL_5_1, [], (MAKER, "requirement_not_given")),
        (GLYCOL, GLYCOL, [], (YES, "same_product")),
        (ENGINE, TRANSMISSION, [], (NO, "other_kind")),
        (MINERAL, ENGINE, [], (NO, "other_kind")),
        (BLUE, RED, [FluidRequirement(Standard.ASTM_D3306, "I")], (MAKER, "inhibitors_differ")),
        (COMPRESSOR, COMPRESSOR_TOO, list(COMPRESSOR.meets), (MAKER, "compressor_oils_differ")),
        (TRANSMISSION, TRANSMISSION_CHEAP, [FAMILY], (YES, "both_judged")),
        (ENGINE, ENGINE_OLDER, [SP_5W30], (NO, "both_judged")),
    ],
)
def test_two_products_in_one_compartment(
    *, one: Product, other: Product, required: list[FluidRequirement], answer: tuple[Verdict, str]
) -> None:
    """Two products in one compartment."""
    result = mixing(one, other, required=required)
    assert (result.verdict, result.rulings[-1].ruling.rule) == answer


def test_a_mixture_is_judged_for_each_product() -> None:
    """A mixture is judged for each product."""
    result = mixing(ENGINE, ENGINE_OLDER, required=[SP_5W30])
    assert [(r.requirement, r.ruling.verdict) for r in result.rulings] == [
        (SP_5W30, YES),
        (SP_5W30, YES),
        (SP_5W30, NO),
        (SP_5W30, YES),
        (None, YES),
    ]


@pytest.mark.parametrize(
    ("storage_c", "months", "is_test_needed"),
    [(-11, 36, False), (10, 36, False), (10.1, 18, False), (25, 18, False), (30, 12, False), (35, 6, False),
     (35.1, None, True), (60, None, True)],
)  # fmt: skip
def test_aus_32_keeps_by_storage_temperature(
    *, storage_c: float, months: int | None, is_test_needed: bool
) -> None:
    """Aus 32 keeps by storage temperature."""
    life = aus_32_shelf_life(storage_c)
    assert (life.months, life.is_test_needed) == (months, is_test_needed)


@pytest.mark.parametrize("storage_c", [-11.1, 60.1, math.nan])
def test_aus_32_beyond_the_figures_is_refused(storage_c: float) -> None:
    """Aus 32 beyond the figures is refused."""
    with pytest.raises(ExchangeError) as raised:
        aus_32_shelf_life(storage_c)
    assert rules(raised) == [("/storage_temperature", "temperature_outside_table")]


@pytest.mark.parametrize("kind", list(FluidKind))
def test_volume_factors_are_for_lubricating_oils_alone(kind: FluidKind) -> None:
    """Volume factors are for lubricating oils alone."""
    refused = {
        FluidKind.COOLANT,
        FluidKind.BRAKE_FLUID,
        FluidKind.MINERAL_BRAKE_OIL,
        FluidKind.AUS_32,
        FluidKind.COMPRESSOR_OIL,
    }
    if kind not in refused:
        require_lubricating_oil(kind)
        return
    with pytest.raises(ExchangeError) as raised:
        require_lubricating_oil(kind)
    assert rules(raised) == [("/fluid_kind", "not_a_lubricating_oil")]


def test_what_a_brake_fluid_is_made_of() -> None:
    """What a brake fluid is made of."""
    assert [brake_base(p) for p in (GLYCOL, SILICONE, MINERAL, ENGINE)] == [
        BrakeBase.GLYCOL,
        BrakeBase.SILICONE,
        BrakeBase.MINERAL,
        None,
    ]


@pytest.mark.parametrize(
    ("product", "broken"),
    [
        (Product("a", FluidKind.ENGINE_OIL, ()), [("/meets", "product_meets_nothing")]),
        (
            Product("a", FluidKind.BRAKE_FLUID, (DOT_4, DOT_5)),
            [("/meets", "brake_bases_contradict")],
        ),
        (Product("a", FluidKind.COOLANT, (DOT_4,)), [("/meets/0", "standard_of_other_kind")]),
        (
            Product("a", FluidKind.BRAKE_FLUID, (DOT_4, FluidRequirement(Standard.FMVSS_116, "DOT 6"))),
            [("/meets/1/class", "class_unknown")],
        ),
        (
            Product("a", FluidKind.ENGINE_OIL, (SP_5W30,), 8.7, 0, 1201),
            [
                ("/density_15c", "density_out_of_range"),
                ("/shelf_unopened", "shelf_life_out_of_range"),
                ("/shelf_opened", "shelf_life_out_of_range"),
            ],
        ),
    ],
)
def test_products_that_contradict_themselves(product: Product, broken: list[tuple[str, str]]) -> None:
    """Products that contradict themselves."""
    with pytest.raises(ExchangeError) as raised:
        check_product(product)
    assert rules(raised) == broken
    with pytest.raises(ExchangeError):
        suitability(product, [SP_5W30])
    with pytest.raises(ExchangeError):
        mixing(ENGINE, product)


def test_a_requirement_is_needed_and_has_to_be_known() -> None:
    """A requirement is needed and has to be known."""
    with pytest.raises(ExchangeError) as raised:
        suitability(ENGINE, [])
    assert rules(raised) == [("/requirements", "requirement_missing")]
    with pytest.raises(ExchangeError) as raised:
        mixing(ENGINE, ENGINE, required=[FluidRequirement(Standard.ILSAC, "GF-9")])
    assert rules(raised) == [("/requirements/0/class", "class_unknown")]
