"""A small invented spec sheet, with everything that kits and fluid needs have to sort out."""

from __future__ import annotations

from domain.sheet import (
    Amount,
    Compartment,
    CompartmentKind,
    FillBasis,
    FluidAction,
    IntervalRule,
    Limb,
    Meter,
    PartLine,
    Plug,
    Service,
    SpecSheet,
    Task,
    Tool,
)

SUMP = Compartment(
    code="sump",
    kind=CompartmentKind.ENGINE_SUMP,
    name="Engine sump",
    fluid_requirement="engine-oil-a",
    dry_capacity_ml=6_500,
    service_fill_with_filter_ml=5_700,
    service_fill_without_filter_ml=5_300,
    plugs=(Plug("drain", wrench_mm=17.0, torque_nm=40.0, seal_part="S-17"),),
)
GEARBOX = Compartment(
    code="gearbox",
    kind=CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION,
    name="Continuously variable transmission",
    fluid_requirement="cvt-fluid-b",
    dry_capacity_ml=8_000,
    drained_low_ml=4_000,
    drained_high_ml=4_000,
    plugs=(
        Plug("drain", wrench_mm=19.0, torque_nm=34.0, seal_part="S-19"),
        Plug("level", wrench_mm=10.0, torque_nm=12.0, seal_part="S-10", is_seal_renewed=False),
        Plug("vent"),
    ),
)
REAR_AXLE = Compartment(
    code="rear_axle",
    kind=CompartmentKind.AXLE,
    name="Rear axle",
    fluid_requirement="gear-oil-c",
    dry_capacity_ml=2_000,
    plugs=(Plug("fill", wrench_mm=10.0, torque_nm=30.0, seal_part="S-17"),),
)
FRONT_AXLE = Compartment(
    code="front_axle",
    kind=CompartmentKind.AXLE,
    name="Front axle",
    fluid_requirement="gear-oil-c",
    drained_low_ml=1_300,
    drained_high_ml=1_500,
)

OIL = Task(
    code="oil",
    name="Change engine oil",
    labour_s=1_800,
    compartment="sump",
    fluid_action=FluidAction.EXCHANGE,
    fill_basis=FillBasis.SERVICE_FILL_WITH_FILTER,
    margin_share=0.1,
    plugs=("drain",),
    parts=(PartLine("F-1", 1),),
    tools=(Tool("filter wrench", 76.0), Tool("drip tray")),
)
OIL_WITHOUT_FILTER = Task(
    code="oil_without_filter",
    name="Change engine oil, keep the filter",
    labour_s=1_200,
    compartment="sump",
    fluid_action=FluidAction.EXCHANGE,
    fill_basis=FillBasis.SERVICE_FILL_WITHOUT_FILTER,
    plugs=("drain",),
)
OIL_TOP_UP = Task(
    code="oil_top_up",
    name="Top up engine oil",
    labour_s=300,
    compartment="sump",
    fluid_action=FluidAction.TOP_UP,
    top_up_ml=500,
    margin_share=0.5,
)
GEARBOX_FLUID = Task(
    code="gearbox_fluid",
    name="Change transmission fluid in three passes",
    labour_s=5_400,
    compartment="gearbox",
    fluid_action=FluidAction.EXCHANGE,
    passes=3,
    plugs=("drain", "level", "vent"),
    parts=(PartLine("W-1", 2, is_each_pass=True), PartLine("F-2", 1), PartLine("S-19", 1, is_each_pass=True)),
    tools=(Tool("drip tray"),),
)
AXLE_LEVEL = Task(
    code="axle_level",
    name="Check the axle's level",
    labour_s=600,
    compartment="rear_axle",
    fluid_action=FluidAction.CHECK,
    plugs=("fill",),
)
AXLE_OIL = Task(
    code="axle_oil",
    name="Change axle oil",
    labour_s=1_500,
    compartment="rear_axle",
    fluid_action=FluidAction.EXCHANGE,
    passes=2,
)
FRONT_AXLE_OIL = Task(
    code="front_axle_oil",
    name="Change front axle oil",
    labour_s=1_500,
    compartment="front_axle",
    fluid_action=FluidAction.EXCHANGE,
    fill_basis=FillBasis.DRAINED_VOLUME,
)
TYRES = Task(code="tyres", name="Look at the tyres", labour_s=240)

YEARLY = IntervalRule(every=(Amount(Limb.CALENDAR, 12), Amount(Limb.ODOMETER, 20_000_000)))

SHEET = SpecSheet(
    code="van-1",
    name="Van with a continuously variable transmission",
    meters=(Meter.ODOMETER,),
    compartments=(SUMP, GEARBOX, REAR_AXLE, FRONT_AXLE),
    services=(
        Service(code="small", name="Small service", tasks=(OIL, TYRES), rules=(YEARLY,)),
        Service(
            code="large", name="Large service", tasks=(AXLE_LEVEL, OIL), rules=(YEARLY,), includes=("small",)
        ),
        Service(code="sump_only", name="Oil only", tasks=(OIL_WITHOUT_FILTER,), rules=(YEARLY,)),
        Service(code="top_up", name="Top-up", tasks=(OIL_TOP_UP,), rules=(YEARLY,)),
        Service(code="gearbox", name="Transmission", tasks=(GEARBOX_FLUID,), rules=(YEARLY,)),
        Service(code="axles", name="Axles", tasks=(AXLE_OIL, FRONT_AXLE_OIL), rules=(YEARLY,)),
    ),
)
