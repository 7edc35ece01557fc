"""Every contradiction that a spec sheet may hold, one case each, with the place that the breach points to."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from domain.errors import SheetError
from domain.sheet import (
    KINDS_WITHOUT_USUAL_DRAIN,
    LIMBS,
    METER_LIMBS,
    Amount,
    Applicability,
    CompartmentKind,
    DutyCondition,
    FillBasis,
    FluidAction,
    LevelCheck,
    Limb,
    Meter,
    PartLine,
    Plug,
    Service,
    SevereCondition,
    SpecSheet,
    check_sheet,
)
from tests.unit.domain.sheet_cases import GEARBOX, OIL, OIL_TOP_UP, SHEET, SUMP, TYRES, YEARLY

if TYPE_CHECKING:
    from domain.sheet import Compartment, IntervalRule, Task

MONTHS_12 = Amount(Limb.CALENDAR, 12)
KM_20000 = Amount(Limb.ODOMETER, 20_000_000)
DUST = SevereCondition(DutyCondition.DUST, 0.5, 0.25, (Limb.ODOMETER,))


def _found(sheet: SpecSheet) -> list[tuple[str, str]]:
    with pytest.raises(SheetError) as caught:
        check_sheet(sheet)
    return [(breach.pointer, breach.rule) for breach in caught.value.breaches]


def _with_compartment(compartment: Compartment, *tasks: Task) -> SpecSheet:
    service = Service("s", "S", tasks or (TYRES,), ())
    return replace(SHEET, compartments=(compartment,), services=(service,))


def _with_service(service: Service) -> SpecSheet:
    return replace(SHEET, services=(service,))


def _with_task(task: Task) -> SpecSheet:
    return _with_service(Service("s", "S", (task,), ()))


def _with_rule(rule: IntervalRule, **service: Any) -> SpecSheet:
    return _with_service(Service("s", "S", (TYRES,), (rule,), **service))


def test_a_sheet_that_agrees_with_itself_passes() -> None:
    """The shared sheet, and one with nothing but a name, hold no contradiction."""
    check_sheet(SHEET)
    check_sheet(SpecSheet("empty", "Empty", (), (), ()))


def test_limbs_are_the_calendar_and_each_meter() -> None:
    """Each meter has a limb of the same code."""
    assert [limb.value for limb in METER_LIMBS] == [meter.value for meter in Meter]
    assert LIMBS[0] is Limb.CALENDAR


@pytest.mark.parametrize(
    ("sheet", "place", "rule"),
    [
        (replace(SHEET, compartments=(*SHEET.compartments, SUMP)), "/compartments", "code_repeated"),
        (replace(SHEET, services=(*SHEET.services, SHEET.services[0])), "/services", "code_repeated"),
        (_with_service(Service("s", "S", (TYRES, TYRES), ())), "/services/0/tasks", "code_repeated"),
        (replace(SHEET, meters=(Meter.ODOMETER, Meter.ODOMETER)), "/meters", "code_repeated"),
    ],
)
def test_codes_are_unique_within_their_kind(sheet: SpecSheet, place: str, rule: str) -> None:
    """Two compartments, two services, two tasks of one service or two meters share a code."""
    assert _found(sheet) == [(place, rule)]


@pytest.mark.parametrize(
    ("change", "place", "rule"),
    [
        ({"drained_low_ml": 4_000, "drained_high_ml": 3_999}, "/drained_volume", "range_reversed"),
        ({"drained_low_ml": None}, "/drained_volume", "range_half_given"),
        ({"drained_high_ml": None}, "/drained_volume", "range_half_given"),
        ({"drained_high_ml": 8_001}, "/drained_volume", "drained_volume_above_capacity"),
        (
            {"service_fill_with_filter_ml": 8_001},
            "/service_fill_with_filter",
            "service_fill_with_filter_above_capacity",
        ),
        (
            {"service_fill_without_filter_ml": 8_001},
            "/service_fill_without_filter",
            "service_fill_without_filter_above_capacity",
        ),
        ({"level_check": LevelCheck("overflow plug", 50.0, 49.0)}, "/level_check", "range_reversed"),
        ({"plugs": (Plug("drain"), Plug("drain"))}, "/plugs", "code_repeated"),
    ],
)
def test_a_compartment_that_contradicts_itself(change: dict[str, Any], place: str, rule: str) -> None:
    """Each change to a sound compartment is one breach of that compartment."""
    assert _found(_with_compartment(replace(GEARBOX, **change))) == [(f"/compartments/0{place}", rule)]


@pytest.mark.parametrize(
    "change",
    [
        {"dry_capacity_ml": None, "service_fill_with_filter_ml": 9_000},
        {"drained_low_ml": 8_000, "drained_high_ml": 8_000},
        {"drained_low_ml": None, "drained_high_ml": None},
        {"level_check": LevelCheck("dipstick")},
        {"level_check": LevelCheck("dipstick", temperature_low_c=50.0)},
        {"level_check": LevelCheck("dipstick", temperature_high_c=80.0)},
        {"level_check": LevelCheck("overflow plug", 50.0, 50.0)},
    ],
)
def test_a_compartment_that_leaves_things_open_or_touches_a_limit_passes(change: dict[str, Any]) -> None:
    """Unknown figures contradict nothing, and a limit reached isn't passed."""
    check_sheet(_with_compartment(replace(GEARBOX, **change)))


@pytest.mark.parametrize(
    ("service", "place", "rule"),
    [
        (Service("s", "S", (TYRES,), (), includes=("nothing",)), "/includes/0", "service_unknown"),
        (Service("s", "S", (TYRES,), (), compartment="nothing"), "/compartment", "compartment_unknown"),
        (Service("s", "S", (), ()), "/tasks", "service_without_tasks"),
    ],
)
def test_a_service_that_contradicts_the_sheet(service: Service, place: str, rule: str) -> None:
    """It includes or names what isn't there, or does nothing."""
    assert _found(_with_service(service)) == [(f"/services/0{place}", rule)]


def test_an_inspection_includes_no_service() -> None:
    """It resets nothing else, so including one would be a contradiction."""
    inspection = Service("i", "I", (TYRES,), (), includes=("small",), is_inspection=True)
    assert _found(replace(SHEET, services=(SHEET.services[0], inspection))) == [
        ("/services/1/includes", "inspection_includes")
    ]
    check_sheet(_with_service(replace(inspection, includes=())))


def test_a_service_that_only_includes_others_or_names_its_compartment_passes() -> None:
    """Tasks may all come from included services."""
    both = Service("both", "Both", (), (), includes=("small",), compartment="sump")
    check_sheet(replace(SHEET, services=(SHEET.services[0], both)))


def test_a_task_is_the_same_wherever_it_occurs() -> None:
    """The second service changes the labour time of a task of the same code."""
    other = Service("o", "O", (replace(TYRES, labour_s=1),), ())
    assert _found(replace(SHEET, services=(SHEET.services[0], other))) == [
        ("/services/1/tasks/0", "task_redefined")
    ]


@pytest.mark.parametrize(
    ("task", "place", "rule"),
    [
        (replace(TYRES, fluid_action=FluidAction.CHECK), "/compartment", "compartment_missing"),
        (replace(TYRES, plugs=("drain",)), "/plugs", "compartment_missing"),
        (replace(TYRES, compartment="nothing"), "/compartment", "compartment_unknown"),
        (replace(OIL, plugs=("drain", "fill")), "/plugs/1", "plug_unknown"),
        (replace(OIL_TOP_UP, top_up_ml=None), "/top_up", "top_up_missing"),
        (replace(OIL, passes=0), "/passes", "passes_too_few"),
        (replace(OIL, margin_share=-0.1), "/margin_share", "share_out_of_range"),
        (replace(OIL, margin_share=1.1), "/margin_share", "share_out_of_range"),
        (replace(OIL, margin_share=float("nan")), "/margin_share", "share_out_of_range"),
        (replace(OIL, parts=(PartLine("F-1", 0),)), "/parts/0/quantity", "quantity_too_small"),
    ],
)
def test_a_task_that_contradicts_itself_or_its_compartment(task: Task, place: str, rule: str) -> None:
    """Each changed task is one breach at its place."""
    assert _found(_with_task(task)) == [(f"/services/0/tasks/0{place}", rule)]


def test_both_breaches_of_a_task_on_a_fluid_without_a_compartment_are_found() -> None:
    """All contradictions are told at once."""
    task = replace(TYRES, fluid_action=FluidAction.EXCHANGE, plugs=("drain",))
    assert _found(_with_task(task)) == [
        ("/services/0/tasks/0/compartment", "compartment_missing"),
        ("/services/0/tasks/0/plugs", "compartment_missing"),
    ]


@pytest.mark.parametrize("task", [OIL, OIL_TOP_UP])
def test_a_fill_needs_a_fluid_requirement(task: Task) -> None:
    """An exchange and a top-up pour something, so the compartment says what."""
    assert _found(_with_compartment(replace(SUMP, fluid_requirement=None), task)) == [
        ("/services/0/tasks/0/compartment", "fluid_requirement_missing")
    ]


def test_a_check_needs_no_fluid_requirement() -> None:
    """Nothing is poured."""
    task = replace(OIL, fluid_action=FluidAction.CHECK)
    check_sheet(_with_compartment(replace(SUMP, fluid_requirement=None), task))


@pytest.mark.parametrize(
    ("basis", "change"),
    [
        (FillBasis.DRAINED_VOLUME, {"dry_capacity_ml": None}),
        (FillBasis.SERVICE_FILL_WITH_FILTER, {"service_fill_with_filter_ml": None}),
        (FillBasis.SERVICE_FILL_WITHOUT_FILTER, {"service_fill_without_filter_ml": None}),
        (FillBasis.DRY_CAPACITY, {"dry_capacity_ml": None}),
    ],
)
def test_an_exchange_needs_the_volume_of_its_fill_basis(basis: FillBasis, change: dict[str, Any]) -> None:
    """The sump has every volume but a drained one; without the one that the basis names it is refused."""
    task = replace(OIL, fill_basis=basis)
    check_sheet(_with_compartment(SUMP, task))
    assert _found(_with_compartment(replace(SUMP, **change), task)) == [
        ("/services/0/tasks/0/fill_basis", "volume_missing")
    ]


@pytest.mark.parametrize("kind", CompartmentKind)
def test_a_capacity_stands_in_for_the_drained_volume_only_where_practice_knows_a_range(
    kind: CompartmentKind,
) -> None:
    """A brake circuit, for one, has no usual drained share: its sheet gives a volume."""
    task = replace(OIL, fill_basis=FillBasis.DRAINED_VOLUME)
    open_sump = replace(SUMP, kind=kind)
    if kind in KINDS_WITHOUT_USUAL_DRAIN:
        assert _found(_with_compartment(open_sump, task)) == [
            ("/services/0/tasks/0/fill_basis", "volume_missing")
        ]
    else:
        check_sheet(_with_compartment(open_sump, task))
    check_sheet(_with_compartment(replace(open_sump, drained_low_ml=1, drained_high_ml=1), task))


@pytest.mark.parametrize(
    ("change", "place", "rule"),
    [
        ({"every": ()}, "/every", "interval_missing"),
        ({"every": (Amount(Limb.ENGINE_HOURS, 3_600),)}, "/every", "meter_missing"),
        ({"every": (MONTHS_12, MONTHS_12)}, "/every", "code_repeated"),
        ({"every": (Amount(Limb.CALENDAR, 0),)}, "/every", "amount_too_small"),
        ({"first": (Amount(Limb.CALENDAR, 0),)}, "/first", "amount_too_small"),
        ({"every": (Amount(Limb.CALENDAR, 1_201),)}, "/every", "amount_too_large"),
        ({"first": (Amount(Limb.CALENDAR, 10**12),)}, "/first", "amount_too_large"),
        ({"first": (Amount(Limb.FUEL_BURNED, 1),)}, "/first", "limb_unused"),
        ({"early_window": (Amount(Limb.CALENDAR, -1),)}, "/early_window", "amount_too_small"),
        ({"early_window": (Amount(Limb.CALENDAR, 12),)}, "/early_window", "window_too_wide"),
        ({"early_window": (Amount(Limb.IDLE_HOURS, 1),)}, "/early_window", "limb_unused"),
        ({"tolerance": (Amount(Limb.CALENDAR, -1),)}, "/tolerance", "amount_too_small"),
        ({"tolerance": (Amount(Limb.ODOMETER, 1), Amount(Limb.ODOMETER, 2))}, "/tolerance", "code_repeated"),
        ({"every": (MONTHS_12,), "idle_m_per_h": 40_000}, "/idle_distance", "limb_unused"),
        (
            {"applies_to": Applicability(model_year_from=2030, model_year_to=2029)},
            "/applies_to/model_year_to",
            "range_reversed",
        ),
        (
            {"applies_to": Applicability(serial_from="100", serial_to="99")},
            "/applies_to/serial_to",
            "range_reversed",
        ),
        ({"conditions": (DUST, DUST)}, "/conditions", "code_repeated"),
        ({"conditions": (replace(DUST, factor=0.0),)}, "/conditions/0/factor", "factor_out_of_range"),
        ({"conditions": (replace(DUST, factor=1.01),)}, "/conditions/0/factor", "factor_out_of_range"),
        ({"conditions": (replace(DUST, factor=9e-4),)}, "/conditions/0/factor", "factor_too_small"),
        (
            {"conditions": (replace(DUST, factor=float("nan")),)},
            "/conditions/0/factor",
            "factor_out_of_range",
        ),
        (
            {"conditions": (replace(DUST, threshold_share=-0.1),)},
            "/conditions/0/threshold_share",
            "share_out_of_range",
        ),
        (
            {"conditions": (replace(DUST, threshold_share=1.0),)},
            "/conditions/0/threshold_share",
            "share_out_of_range",
        ),
        (
            {"conditions": (replace(DUST, limbs=(Limb.ENGINE_HOURS,)),)},
            "/conditions/0/limbs",
            "limb_unused",
        ),
    ],
)
def test_a_rule_that_contradicts_itself(change: dict[str, Any], place: str, rule: str) -> None:
    """Each change to a sound rule is one breach at its place."""
    assert _found(_with_rule(replace(YEARLY, **change))) == [(f"/services/0/rules/0{place}", rule)]


def test_a_rule_at_its_limits_passes() -> None:
    """The widest windows, shares and factors that are still admitted."""
    rule = replace(
        YEARLY,
        first=(Amount(Limb.CALENDAR, 1),),
        early_window=(Amount(Limb.CALENDAR, 11), Amount(Limb.ODOMETER, 0)),
        tolerance=(Amount(Limb.ODOMETER, 0),),
        conditions=(
            replace(DUST, factor=1.0, threshold_share=0.0),
            SevereCondition(DutyCondition.TOWING, 0.01, 0.99, (Limb.CALENDAR, Limb.ODOMETER)),
        ),
        applies_to=Applicability(2030, 2030, serial_from="9", serial_to="10"),
        idle_m_per_h=40_000,
    )
    check_sheet(_with_rule(rule))


def test_a_statutory_service_has_no_tolerance() -> None:
    """The law allows no lateness; without tolerance the same service passes."""
    late = replace(YEARLY, tolerance=(Amount(Limb.CALENDAR, 1),))
    assert _found(_with_rule(late, is_statutory=True)) == [
        ("/services/0/rules/0/tolerance", "statutory_tolerance")
    ]
    check_sheet(_with_rule(YEARLY, is_statutory=True))


def test_services_that_include_themselves_are_found_each() -> None:
    """A includes b, b includes c and itself, c includes a: each of them comes back to itself, d doesn't."""
    a = Service("a", "A", (TYRES,), (), includes=("b",))
    b = Service("b", "B", (TYRES,), (), includes=("c", "b"))
    c = Service("c", "C", (TYRES,), (), includes=("a",))
    d = Service("d", "D", (TYRES,), (), includes=("a", "b"))
    assert _found(replace(SHEET, services=(a, b, c, d))) == [
        (f"/services/{place}/includes", "includes_itself") for place in range(3)
    ]


def test_all_breaches_are_told_at_once_in_the_order_of_the_sheet() -> None:
    """A compartment, a task and a rule are wrong: three breaches in one error."""
    sheet = replace(
        SHEET,
        compartments=(replace(SUMP, drained_low_ml=9_000, drained_high_ml=9_000),),
        services=(Service("s", "S", (replace(OIL, plugs=("no",)),), (replace(YEARLY, every=()),)),),
    )
    assert [rule for _, rule in _found(sheet)] == [
        "drained_volume_above_capacity",
        "plug_unknown",
        "interval_missing",
    ]


def test_included_services_and_their_tasks_come_once_in_sheet_order() -> None:
    """The large service includes the small one, and both have the oil task."""
    assert [service.code for service in SHEET.with_included("large")] == ["small", "large"]
    assert [task.code for task in SHEET.tasks_of(["large", "small"])] == ["oil", "tyres", "axle_level"]
    assert SHEET.tasks_of([]) == ()


def test_a_service_reached_in_two_ways_comes_once() -> None:
    """A includes b and c, and both of them include d."""
    a = Service("a", "A", (), (), includes=("b", "c"))
    b = Service("b", "B", (), (), includes=("d",))
    c = Service("c", "C", (), (), includes=("d",))
    d = Service("d", "D", (TYRES,), ())
    sheet = replace(SHEET, services=(a, b, c, d))
    check_sheet(sheet)
    assert [service.code for service in sheet.with_included("a")] == ["a", "b", "c", "d"]
    assert sheet.tasks_of(["a"]) == (TYRES,)


def test_a_sheet_finds_its_services_and_compartments() -> None:
    """By code; a code that isn't there is one breach."""
    assert SHEET.service("small").name == "Small service"
    assert SHEET.compartment("sump") is SUMP
    for lookup, rule in ((SHEET.service, "service_unknown"), (SHEET.compartment, "compartment_unknown")):
        with pytest.raises(SheetError) as caught:
            lookup("nothing")
        assert caught.value.breaches[0].rule == rule


@pytest.mark.parametrize(
    ("limits", "admitted"),
    [
        (Applicability(), True),
        (Applicability(model_year_from=2020, model_year_to=2020), True),
        (Applicability(model_year_from=2021), False),
        (Applicability(model_year_to=2019), False),
        (Applicability(engines=("e1", "e2")), True),
        (Applicability(engines=("e2",)), False),
        (Applicability(serial_from="99", serial_to="0100"), True),
        (Applicability(serial_from="101"), False),
        (Applicability(serial_to="99"), False),
    ],
)
def test_limits_admit_a_vehicle_within_them(limits: Applicability, *, admitted: bool) -> None:
    """Model year 2020, engine e1, serial number 100, which comes after 99."""
    assert limits.admits(model_year=2020, engine="e1", serial="100") is admitted


@pytest.mark.parametrize(
    ("limits", "admitted"),
    [
        (Applicability(), True),
        (Applicability(model_year_from=1), False),
        (Applicability(model_year_to=9_999), False),
        (Applicability(engines=("e1",)), False),
        (Applicability(serial_from="0"), False),
        (Applicability(serial_to="9"), False),
    ],
)
def test_a_vehicle_that_lacks_a_limited_property_falls_outside(
    limits: Applicability, *, admitted: bool
) -> None:
    """Unknown isn't within, but an unlimited rule admits it."""
    assert limits.admits(model_year=None, engine=None, serial=None) is admitted


def test_the_first_rule_that_admits_the_vehicle_holds() -> None:
    """Of an old, an engine's and a general rule; without the general one there may be none."""
    old = replace(YEARLY, applies_to=Applicability(model_year_to=2015))
    engine = replace(YEARLY, applies_to=Applicability(engines=("e1",)))
    service = Service("s", "S", (TYRES,), (old, engine, YEARLY))
    assert service.rule_for(model_year=2010, engine="e1", serial=None) == (0, old)
    assert service.rule_for(model_year=2020, engine="e1", serial=None) == (1, engine)
    assert service.rule_for(model_year=2020, engine=None, serial=None) == (2, YEARLY)
    limited = replace(service, rules=(old, engine))
    assert limited.rule_for(model_year=2020, engine="e2", serial=None) is None
