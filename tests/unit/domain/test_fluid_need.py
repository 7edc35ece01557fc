from __future__ import annotations

from dataclasses import replace

import pytest

from domain.errors import DomainError, ExchangeError, SheetError
from domain.exchange import default_drained_range
from domain.fluid_need import (
    FluidNeed,
    FluidTotal,
    TotalLevel,
    VehicleNeeds,
    drained_range_ml,
    fluid_needs,
    shown_total,
    totals,
    vehicle_needs,
)
from domain.sheet import (
    KINDS_WITHOUT_USUAL_DRAIN,
    Compartment,
    CompartmentKind,
    FillBasis,
    SpecSheet,
    Task,
)
from tests.unit.domain.sheet_cases import GEARBOX_FLUID, OIL_TOP_UP, SHEET


def _sheet_with(task: Task, compartment: Compartment) -> SpecSheet:
    return replace(
        SHEET,
        compartments=(compartment,),
        services=(replace(SHEET.services[0], tasks=(task,)),),
    )


def _vehicle(vehicle: str, depot: str | None, *due: str, baseline: tuple[str, ...] = ()) -> VehicleNeeds:
    return vehicle_needs(SHEET, vehicle=vehicle, depot=depot, due_services=due, baseline_services=baseline)


def _brief(total: FluidTotal) -> tuple[str | None, int, int, int]:
    return total.key, total.low_ml, total.high_ml, total.margin_ml


def test_an_oil_change_takes_the_fill_that_the_task_names() -> None:
    """Worked by hand: 5.7 L with filter, a tenth more at hand: 0.57 L."""
    assert fluid_needs(SHEET, ["small"]) == (
        FluidNeed(
            task="oil",
            compartment="sump",
            kind=CompartmentKind.ENGINE_SUMP,
            fluid_requirement="engine-oil-a",
            passes=1,
            pass_low_ml=5_700,
            pass_high_ml=5_700,
            low_ml=5_700,
            high_ml=5_700,
            margin_ml=570,
            is_common_practice=False,
        ),
    )


def test_three_passes_take_three_times_the_drained_volume_and_not_the_capacity() -> None:
    """Worked by hand: 3 x 4 L of a transmission that holds 8 L."""
    (need,) = fluid_needs(SHEET, ["gearbox"])
    assert (need.passes, need.pass_low_ml, need.low_ml, need.high_ml) == (3, 4_000, 12_000, 12_000)
    assert not need.is_common_practice


def test_without_a_drained_volume_common_practice_gives_a_range() -> None:
    """Worked by hand: 90 to 95 % of an axle of 2 L (common practice, no source), twice."""
    rear, front = fluid_needs(SHEET, ["axles"])
    assert (rear.pass_low_ml, rear.pass_high_ml, rear.low_ml, rear.high_ml) == (1_800, 1_900, 3_600, 3_800)
    assert rear.is_common_practice
    assert (front.low_ml, front.high_ml, front.is_common_practice) == (1_300, 1_500, False)


@pytest.mark.parametrize(
    ("kind", "range_ml"),
    [
        # Common practice, no source: shares of the dry capacity, here of 10 L.
        (CompartmentKind.ENGINE_SUMP, (9_000, 9_500)),
        (CompartmentKind.MANUAL_GEARBOX, (9_000, 9_500)),
        (CompartmentKind.AXLE, (9_000, 9_500)),
        (CompartmentKind.TRANSFER_CASE, (9_000, 9_500)),
        (CompartmentKind.ELECTRIC_AXLE_REDUCER, (9_000, 9_500)),
        (CompartmentKind.AUTOMATIC_TRANSMISSION, (3_000, 5_000)),
        (CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION, (4_000, 8_500)),
        (CompartmentKind.COOLANT_CIRCUIT, (5_000, 7_000)),
        (CompartmentKind.BATTERY_COOLANT_CIRCUIT, (5_000, 7_000)),
        (CompartmentKind.HYDRAULIC_TANK, (4_000, 7_000)),
    ],
)
def test_the_range_by_kind_of_compartment(kind: CompartmentKind, range_ml: tuple[int, int]) -> None:
    """Common practice, no source: shares of the dry capacity."""
    assert drained_range_ml(Compartment("c", kind, "C", dry_capacity_ml=10_000)) == (*range_ml, True)


def test_a_range_of_practice_is_rounded_outwards_and_never_one_figure() -> None:
    """Worked by hand: 90 and 95 % of 1 mL, and of 1,010 mL: 909 and 959.5 mL."""
    assert drained_range_ml(Compartment("c", CompartmentKind.AXLE, "C", dry_capacity_ml=1)) == (0, 1, True)
    assert drained_range_ml(Compartment("c", CompartmentKind.AXLE, "C", dry_capacity_ml=1_010)) == (
        909,
        960,
        True,
    )


def test_no_usual_drain_means_just_the_kinds_that_a_checked_sheet_may_not_leave_open() -> None:
    """The sheet's check and the table of common practice agree on every kind."""
    for kind in CompartmentKind:
        compartment = Compartment("c", kind, "C", dry_capacity_ml=1_000)
        if kind in KINDS_WITHOUT_USUAL_DRAIN:
            with pytest.raises(ExchangeError):
                drained_range_ml(compartment)
        else:
            assert drained_range_ml(compartment)[2]
            assert default_drained_range(kind).low_share < default_drained_range(kind).high_share


@pytest.mark.parametrize(
    ("basis", "passes", "volume_ml"),
    [
        (FillBasis.DRAINED_VOLUME, 1, 4_000),
        (FillBasis.SERVICE_FILL_WITH_FILTER, 1, 5_000),
        (FillBasis.SERVICE_FILL_WITHOUT_FILTER, 2, 9_000),
        (FillBasis.DRY_CAPACITY, 1, 8_000),
    ],
)
def test_the_fill_basis_chooses_the_volume(basis: FillBasis, passes: int, volume_ml: int) -> None:
    """Each basis names one volume of the compartment, poured once a pass."""
    compartment = Compartment(
        code="gearbox",
        kind=CompartmentKind.DUAL_CLUTCH_TRANSMISSION,
        name="Gearbox",
        fluid_requirement="r",
        dry_capacity_ml=8_000,
        service_fill_with_filter_ml=5_000,
        service_fill_without_filter_ml=4_500,
        drained_low_ml=4_000,
        drained_high_ml=4_000,
    )
    task = replace(GEARBOX_FLUID, fill_basis=basis, passes=passes)
    (need,) = fluid_needs(_sheet_with(task, compartment), ["small"])
    assert need.low_ml == need.high_ml == volume_ml


def test_a_task_of_two_services_takes_its_litres_once() -> None:
    """The large service includes the small one and has its oil task too."""
    assert fluid_needs(SHEET, ["small", "large"]) == fluid_needs(SHEET, ["small"])


def test_a_compartment_is_exchanged_once_a_visit_with_the_largest_fill() -> None:
    """With filter 5.7 L, without 5.3 L, in either order, and a top-up that the exchange makes idle."""
    for codes in (["small", "sump_only", "top_up"], ["top_up", "sump_only", "small"]):
        assert [need.task for need in fluid_needs(SHEET, codes)] == ["oil"]
    reverse = replace(SHEET, services=SHEET.services[::-1])
    assert [need.task for need in fluid_needs(reverse, ["small", "sump_only"])] == ["oil"]


def test_a_top_up_alone_takes_its_volume_and_margin() -> None:
    """Worked by hand: half of 500 mL more at hand."""
    (need,) = fluid_needs(SHEET, ["top_up"])
    assert (need.passes, need.low_ml, need.high_ml, need.margin_ml) == (1, 500, 500, 250)


def test_tasks_without_fluid_take_none() -> None:
    """Of oil, tyres and a level check only the oil change takes fluid."""
    (need,) = fluid_needs(SHEET, ["large"])
    assert need.task == "oil"


@pytest.mark.parametrize(
    ("task", "compartment", "rule"),
    [
        (
            GEARBOX_FLUID,
            Compartment("gearbox", CompartmentKind.AXLE, "C", dry_capacity_ml=1),
            "fluid_requirement_missing",
        ),
        (GEARBOX_FLUID, Compartment("gearbox", CompartmentKind.AXLE, "C", "r"), "volume_missing"),
        (
            replace(OIL_TOP_UP, top_up_ml=None),
            Compartment("sump", CompartmentKind.AXLE, "C", "r"),
            "volume_missing",
        ),
    ],
)
def test_an_unchecked_sheet_is_refused(task: Task, compartment: Compartment, rule: str) -> None:
    """What the sheet's check would have found is an error here and no wrong figure."""
    with pytest.raises(SheetError) as caught:
        fluid_needs(_sheet_with(task, compartment), ["small"])
    assert [breach.rule for breach in caught.value.breaches] == [rule]


def test_a_half_given_range_counts_as_none() -> None:
    """One end alone is no range, and there is no capacity to go by."""
    with pytest.raises(DomainError):
        drained_range_ml(Compartment("c", CompartmentKind.AXLE, "C", drained_low_ml=1))


def test_what_waits_for_a_baseline_stands_apart_and_is_not_asked_for_twice() -> None:
    """The sump is exchanged because oil is due; only the axles are left to wait for a baseline."""
    needs = _vehicle("7", "north", "small", baseline=("large", "sump_only", "axles"))
    assert [need.task for need in needs.due] == ["oil"]
    assert [need.task for need in needs.baseline] == ["axle_oil", "front_axle_oil"]


def test_an_exchange_that_waits_is_not_covered_by_a_top_up_that_is_due() -> None:
    """The top-up stands among what is due, the whole exchange among what waits."""
    needs = _vehicle("7", "north", "top_up", baseline=("top_up", "small"))
    assert [need.task for need in needs.due] == ["oil_top_up"]
    assert [need.task for need in needs.baseline] == ["oil"]


def test_totals_keep_requirements_and_baselines_apart() -> None:
    """Worked by hand over three vehicles, two depots and one without.

    Oil: 5.7 + 5.7 (north) + 0.5 (no depot) = 11.9 L, margins 0.57 + 0.57 + 0.25 = 1.39 L.
    Axles of vehicle 9: rear 3.6 to 3.8 L and front 1.3 to 1.5 L, so 4.9 to 5.3 L; of 10, waiting, the same.
    """
    found = totals(
        [
            _vehicle("9", "north", "small", "axles"),
            _vehicle("11", None, "top_up"),
            _vehicle("10", "north", "small", baseline=("axles",)),
            _vehicle("12", "south"),
        ]
    )
    assert [(_brief(total), total.is_baseline_needed, total.is_common_practice) for total in found] == [
        (("engine-oil-a", 11_900, 11_900, 1_390), False, False),
        (("gear-oil-c", 4_900, 5_300, 0), False, True),
        (("gear-oil-c", 4_900, 5_300, 0), True, True),
    ]
    oil, axles, _ = found
    assert [_brief(depot) for depot in oil.parts] == [
        ("north", 11_400, 11_400, 1_140),
        (None, 500, 500, 250),
    ]
    (sumps,) = oil.parts[0].parts
    assert (sumps.level, sumps.key) == (TotalLevel.COMPARTMENT_KIND, "engine_sump")
    assert [(leaf.key, leaf.compartment) for leaf in sumps.parts] == [("10", "sump"), ("9", "sump")]
    (axle_kind,) = axles.parts[0].parts
    assert [(leaf.compartment, leaf.is_common_practice) for leaf in axle_kind.parts] == [
        ("front_axle", False),
        ("rear_axle", True),
    ]


def test_totals_may_stop_above_single_vehicles() -> None:
    """The kinds of compartment are then the last level, with the same sums."""
    vehicles = [_vehicle("9", "north", "axles"), _vehicle("10", "north", "axles")]
    ((whole,), (summed,)) = (totals(vehicles, is_by_vehicle=split) for split in (True, False))
    (kind,) = summed.parts[0].parts
    assert kind == replace(whole.parts[0].parts[0], parts=())
    assert _brief(kind) == ("axle", 9_800, 10_600, 0)
    assert _brief(summed) == _brief(whole)


def test_one_requirement_in_two_kinds_of_compartment_is_split_by_kind() -> None:
    """In the order of the kinds."""
    need = fluid_needs(SHEET, ["axles"])[1]
    needs = VehicleNeeds("1", "north", (replace(need, kind=CompartmentKind.TRANSFER_CASE), need), ())
    (total,) = totals([needs])
    assert [kind.key for kind in total.parts[0].parts] == ["axle", "transfer_case"]


def test_no_vehicles_no_totals() -> None:
    """Nothing is summed to nothing."""
    assert totals([]) == ()


def test_shown_quarts_of_three_vehicles_add_up_to_the_shown_total() -> None:
    """Worked by hand: one gearbox pass of 4 L in each of three vehicles at two depots.

    12 L are 12.68026 qt, shown 12.68. North has 8 L = 8.45351 qt, south 4 L = 4.22675 qt: rounded down 8.45
    and 4.22, and the missing 0.01 goes to the larger remainder 0.675, south: 8.45 + 4.23. In the north each
    vehicle has 4.22675 qt, so one shows 4.23 and the other 4.22.
    """
    sheet = _sheet_with(replace(GEARBOX_FLUID, passes=1), SHEET.compartments[1])
    (total,) = totals(
        vehicle_needs(sheet, vehicle=vehicle, depot=depot, due_services=["small"])
        for vehicle, depot in (("1", "north"), ("2", "north"), ("3", "south"))
    )
    shown = shown_total(total, "qt_us")
    assert (shown.low, shown.high, shown.margin) == (12.68, 12.68, 0.0)
    assert shown.total is total
    north, south = shown.parts
    assert (north.high, south.high) == (8.45, 4.23)
    assert [leaf.high for leaf in north.parts[0].parts] == [4.23, 4.22]
    assert [leaf.high for leaf in south.parts[0].parts] == [4.23]


def test_a_range_in_litres_shows_as_it_is() -> None:
    """Whole millilitres need no rounding in litres."""
    (total,) = totals([_vehicle("9", "north", "axles")])
    shown = shown_total(total, "L")
    assert (shown.low, shown.high) == (4.9, 5.3)
