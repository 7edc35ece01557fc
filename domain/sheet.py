"""The spec sheet of a vehicle type: what its maker's manual prescribes, as one versioned value.

Everything here is in canonical units (metres, seconds, millilitres, newton metres, degrees Celsius). Codes
are the sheet's own and unique within their kind. ``check_sheet`` finds every contradiction at once; the other
modules trust a checked sheet.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from domain.cleanliness import parse_code
from domain.errors import Breach, RuleBrokenError, SheetError
from domain.oil_colour import darkness

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

_Ordered = TypeVar("_Ordered", int, tuple[int, str])


class Meter(StrEnum):
    """What a vehicle counts. Canonical units: odometer [m], hours [s], fuel burned [mL]."""

    ODOMETER = "odometer"
    ENGINE_HOURS = "engine_hours"
    SECOND_ENGINE_HOURS = "second_engine_hours"
    POWER_TAKE_OFF_HOURS = "power_take_off_hours"
    IDLE_HOURS = "idle_hours"
    FUEL_BURNED = "fuel_burned"


class Limb(StrEnum):
    """One of the measures that an interval runs in: the calendar or a meter."""

    CALENDAR = "calendar"
    ODOMETER = "odometer"
    ENGINE_HOURS = "engine_hours"
    SECOND_ENGINE_HOURS = "second_engine_hours"
    POWER_TAKE_OFF_HOURS = "power_take_off_hours"
    IDLE_HOURS = "idle_hours"
    FUEL_BURNED = "fuel_burned"


LONGEST_MONTHS = 1_200
"""No part outlasts a century; beyond it, dates would leave the calendar."""

LEAST_FACTOR = 1e-3
"""A smaller multiplier is a slip, and the wear that it stands for would leave the range of figures."""

LIMBS: tuple[Limb, ...] = tuple(Limb)
METER_LIMBS: tuple[Limb, ...] = LIMBS[1:]
METER_OF: dict[Limb, Meter] = {limb: Meter(limb.value) for limb in METER_LIMBS}
"""The meter of each limb but the calendar."""


class CompartmentKind(StrEnum):
    """What a compartment is, in the trade's words."""

    ENGINE_SUMP = "engine_sump"
    AUTOMATIC_TRANSMISSION = "automatic_transmission"
    CONTINUOUSLY_VARIABLE_TRANSMISSION = "continuously_variable_transmission"
    DUAL_CLUTCH_TRANSMISSION = "dual_clutch_transmission"
    MANUAL_GEARBOX = "manual_gearbox"
    AXLE = "axle"
    TRANSFER_CASE = "transfer_case"
    ELECTRIC_AXLE_REDUCER = "electric_axle_reducer"
    COOLANT_CIRCUIT = "coolant_circuit"
    BATTERY_COOLANT_CIRCUIT = "battery_coolant_circuit"
    BRAKE_CIRCUIT = "brake_circuit"
    CLUTCH_CIRCUIT = "clutch_circuit"
    POWER_STEERING = "power_steering"
    HYDRAULIC_TANK = "hydraulic_tank"
    ADDITIVE_TANK = "additive_tank"
    AIR_CONDITIONING = "air_conditioning"


# Kinds whose drained volume no common practice knows: the sheet gives it, or a fill basis that needs none.
KINDS_WITHOUT_USUAL_DRAIN = frozenset(
    {
        CompartmentKind.DUAL_CLUTCH_TRANSMISSION,
        CompartmentKind.BRAKE_CIRCUIT,
        CompartmentKind.CLUTCH_CIRCUIT,
        CompartmentKind.POWER_STEERING,
        CompartmentKind.ADDITIVE_TANK,
        CompartmentKind.AIR_CONDITIONING,
    }
)


class DutyCondition(StrEnum):
    """A condition of use that handbooks count as severe."""

    TOWING = "towing"
    STOP_AND_GO = "stop_and_go"
    DUST = "dust"
    EXTREME_HEAT = "extreme_heat"
    EXTREME_COLD = "extreme_cold"
    SHORT_TRIPS = "short_trips"
    LONG_IDLING = "long_idling"
    STEEP_TERRAIN = "steep_terrain"
    OFF_ROAD = "off_road"
    HEAVY_LOAD = "heavy_load"
    SUSTAINED_HIGH_SPEED = "sustained_high_speed"
    CORROSIVE_ROADS = "corrosive_roads"


class Counting(StrEnum):
    """Where an interval is counted from."""

    FROM_LAST_DONE = "from_last_done"
    SET_POINTS = "set_points"


class DutyPolicy(StrEnum):
    """How severe duty shortens an interval; see ``domain.duty``."""

    STRICTEST = "strictest"
    WEIGHTED = "weighted"


class FillBasis(StrEnum):
    """Which volume a refill takes."""

    DRAINED_VOLUME = "drained_volume"
    SERVICE_FILL_WITH_FILTER = "service_fill_with_filter"
    SERVICE_FILL_WITHOUT_FILTER = "service_fill_without_filter"
    DRY_CAPACITY = "dry_capacity"


class FluidAction(StrEnum):
    """What a task does with the fluid of its compartment."""

    EXCHANGE = "exchange"
    TOP_UP = "top_up"
    CHECK = "check"
    NONE = "none"


class ClosingCheck(StrEnum):
    """What is checked on the whole vehicle before work on it is signed off."""

    LEAK_CHECK = "leak_check"
    ROAD_TEST = "road_test"


class Caution(StrEnum):
    """A hazard of the work; ``domain.cautions`` holds the words."""

    MAKERS_MANUAL_GOVERNS = "makers_manual_governs"
    HOT_FLUID_AND_EXHAUST = "hot_fluid_and_exhaust"
    VEHICLE_ON_STANDS = "vehicle_on_stands"
    PRESSURISED_COOLANT = "pressurised_coolant"
    SKIN_CONTACT = "skin_contact"
    SPILLS_AND_USED_FLUID = "spills_and_used_fluid"
    HIGH_VOLTAGE = "high_voltage"
    BRAKE_SYSTEM = "brake_system"
    HYDRAULIC_PRESSURE = "hydraulic_pressure"
    REFRIGERANT = "refrigerant"


@dataclass(frozen=True, slots=True)
class LevelCheck:
    """How a level is checked.

    Attributes:
        method: In words, such as "dipstick" or "overflow plug".
        temperature_low_c: Lowest fluid temperature at which the level may be judged [degC].
        temperature_high_c: Highest such temperature [degC].
        mark_to_mark_ml: Volume between the low and the high mark [mL].
    """

    method: str
    temperature_low_c: float | None = None
    temperature_high_c: float | None = None
    mark_to_mark_ml: int | None = None


@dataclass(frozen=True, slots=True)
class Plug:
    """A plug or bolt of a compartment.

    Attributes:
        code: Its code within the compartment, such as "drain".
        wrench_mm: Size of the wrench or bit [mm].
        torque_nm: Tightening torque [N.m].
        seal_part: Part code of the seal, where there is one.
        is_seal_renewed: Whether the seal is renewed each time the plug is opened.
    """

    code: str
    wrench_mm: float | None = None
    torque_nm: float | None = None
    seal_part: str | None = None
    is_seal_renewed: bool = True


@dataclass(frozen=True, slots=True)
class ConditionLimits:
    """How far a compartment's fluid may go before it calls for someone; None where no limit is set.

    Attributes:
        colour_darkest: Darkest number by ASTM D1500 of an undyed oil.
        cleanliness_worst: Worst code by ISO 4406.
        water_max_mg_kg: Most water [mg/kg].
        viscosity_fall_max_share: How much thinner than fresh it may be, as a share, at 40 and at 100 degC.
        viscosity_rise_max_share: How much thicker.
        acid_max_mg_g: Highest acid number [mg/g of KOH].
        acid_method: ASTM method of that limit.
        base_min_mg_g: Lowest base number [mg/g of KOH].
        base_method: ASTM method of that limit.
    """

    colour_darkest: str | None = None
    cleanliness_worst: str | None = None
    water_max_mg_kg: float | None = None
    viscosity_fall_max_share: float | None = None
    viscosity_rise_max_share: float | None = None
    acid_max_mg_g: float | None = None
    acid_method: str | None = None
    base_min_mg_g: float | None = None
    base_method: str | None = None


@dataclass(frozen=True, slots=True)
class Compartment:
    """One body of fluid.

    Attributes:
        code: Its code within the sheet.
        kind: What it is.
        name: In words.
        fluid_requirement: Code of the requirement that its fluid meets.
        dry_capacity_ml: Volume when filled dry [mL].
        service_fill_with_filter_ml: Refill when the filter is renewed [mL].
        service_fill_without_filter_ml: Refill when it is not [mL].
        drained_low_ml: Least that a drain takes out [mL]; equals the high figure when one volume is given.
        drained_high_ml: Most that a drain takes out [mL]; both None when the sheet gives none.
        level_check: How the level is checked.
        plugs: Its plugs.
        condition_limits: How far its fluid may go.
    """

    code: str
    kind: CompartmentKind
    name: str
    fluid_requirement: str | None = None
    dry_capacity_ml: int | None = None
    service_fill_with_filter_ml: int | None = None
    service_fill_without_filter_ml: int | None = None
    drained_low_ml: int | None = None
    drained_high_ml: int | None = None
    level_check: LevelCheck | None = None
    plugs: tuple[Plug, ...] = ()
    condition_limits: ConditionLimits | None = None


@dataclass(frozen=True, slots=True)
class PartLine:
    """A part that a task takes.

    Attributes:
        part: Part code.
        quantity: Pieces, or the part's own unit.
        is_each_pass: Whether it is taken again at each drain pass.
    """

    part: str
    quantity: int
    is_each_pass: bool = False


@dataclass(frozen=True, slots=True)
class Tool:
    """A tool, with its size where it has one."""

    name: str
    size_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work that is done or left undone as a whole.

    Attributes:
        code: Its code, the same wherever the task occurs in the sheet.
        name: In words.
        labour_s: Labour time [s].
        compartment: Compartment that it works on.
        fluid_action: What it does with the fluid.
        passes: Drain-and-fill passes of an exchange.
        fill_basis: Which volume one pass takes.
        top_up_ml: Volume of a top-up [mL].
        margin_share: Bought beyond the computed volume, as a share of it.
        plugs: Codes of the compartment's plugs that are opened.
        parts: Parts that it takes, beside the seals of those plugs.
        tools: Tools, beside the wrenches of those plugs.
        cautions: Hazards of the work.
        closing_checks: What is checked on the vehicle once the work is done.
    """

    code: str
    name: str
    labour_s: int = 0
    compartment: str | None = None
    fluid_action: FluidAction = FluidAction.NONE
    passes: int = 1
    fill_basis: FillBasis = FillBasis.DRAINED_VOLUME
    top_up_ml: int | None = None
    margin_share: float = 0.0
    plugs: tuple[str, ...] = ()
    parts: tuple[PartLine, ...] = ()
    tools: tuple[Tool, ...] = ()
    cautions: tuple[Caution, ...] = ()
    closing_checks: tuple[ClosingCheck, ...] = ()


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure on one limb: months on the calendar, canonical units on a meter."""

    limb: Limb
    amount: int


@dataclass(frozen=True, slots=True)
class SevereCondition:
    """What one duty condition does to a rule.

    Attributes:
        condition: The condition.
        factor: Multiplier of the interval, above 0 and at most 1.
        threshold_share: Share of use that the condition must pass under the strictest policy, 0 to below 1.
        limbs: Limbs of the rule that it shortens.
    """

    condition: DutyCondition
    factor: float
    threshold_share: float
    limbs: tuple[Limb, ...]


@dataclass(frozen=True, slots=True)
class Applicability:
    """Limits of a rule to some vehicles of the type; an empty limit admits all."""

    model_year_from: int | None = None
    model_year_to: int | None = None
    engines: tuple[str, ...] = ()
    serial_from: str | None = None
    serial_to: str | None = None

    def admits(self, *, model_year: int | None, engine: str | None, serial: str | None) -> bool:
        """Whether a vehicle falls within the limits; one that lacks a limited property does not."""
        return (
            _is_within(self.model_year_from, model_year, self.model_year_to)
            and (not self.engines or engine in self.engines)
            and _is_within(_serial(self.serial_from), _serial(serial), _serial(self.serial_to))
        )


@dataclass(frozen=True, slots=True)
class IntervalRule:
    """When a service falls due: on whichever limb comes first.

    Attributes:
        every: The interval on each of its limbs.
        first: First interval where it differs; a limb left out uses ``every``.
        early_window: How far ahead of the due point the service may be done, a limb.
        tolerance: How far past it the service still counts as due, not overdue, a limb; moves no due point.
        counting: From last done, or at set points.
        applies_to: Limits to some vehicles.
        policy: How severe duty shortens the interval.
        conditions: Which conditions do, and by how much.
        idle_m_per_h: Distance that one idle hour counts as on the odometer limb [m/h]; None: not counted.
    """

    every: tuple[Amount, ...]
    first: tuple[Amount, ...] = ()
    early_window: tuple[Amount, ...] = ()
    tolerance: tuple[Amount, ...] = ()
    counting: Counting = Counting.FROM_LAST_DONE
    applies_to: Applicability = Applicability()
    policy: DutyPolicy = DutyPolicy.STRICTEST
    conditions: tuple[SevereCondition, ...] = ()
    idle_m_per_h: int | None = None


@dataclass(frozen=True, slots=True)
class Service:
    """A service: tasks done together, and the rules that call for it.

    Attributes:
        code: Its code within the sheet.
        name: In words.
        tasks: Its own tasks.
        rules: Tried in order; the first whose limits admit the vehicle holds.
        includes: Services that it does as well.
        is_inspection: An inspection includes nothing and resets nothing else.
        is_statutory: Required by law: no tolerance, no deferral.
        is_one_time: Done once in the vehicle's (or component's) life.
        compartment: Compartment whose exchange for another restarts the service's clock.
    """

    code: str
    name: str
    tasks: tuple[Task, ...]
    rules: tuple[IntervalRule, ...]
    includes: tuple[str, ...] = ()
    is_inspection: bool = False
    is_statutory: bool = False
    is_one_time: bool = False
    compartment: str | None = None

    def rule_for(
        self, *, model_year: int | None, engine: str | None, serial: str | None
    ) -> tuple[int, IntervalRule] | None:
        """The first rule that admits the vehicle with its place in ``rules``, or None."""
        for index, rule in enumerate(self.rules):
            if rule.applies_to.admits(model_year=model_year, engine=engine, serial=serial):
                return index, rule
        return None


@dataclass(frozen=True, slots=True)
class SpecSheet:
    """A vehicle type.

    Attributes:
        code: The fleet's code of the type.
        name: In words.
        meters: Meters that a vehicle of the type has.
        compartments: Its bodies of fluid.
        services: What is done to it.
    """

    code: str
    name: str
    meters: tuple[Meter, ...]
    compartments: tuple[Compartment, ...]
    services: tuple[Service, ...]

    def service(self, code: str) -> Service:
        """The service of that code.

        Raises:
            SheetError: The sheet has none (``service_unknown``).
        """
        for service in self.services:
            if service.code == code:
                return service
        raise SheetError(Breach("", "service_unknown", "the spec sheet has no service of that code"))

    def compartment(self, code: str) -> Compartment:
        """The compartment of that code.

        Raises:
            SheetError: The sheet has none (``compartment_unknown``).
        """
        for compartment in self.compartments:
            if compartment.code == code:
                return compartment
        raise SheetError(Breach("", "compartment_unknown", "the spec sheet has no compartment of that code"))

    def with_included(self, code: str) -> tuple[Service, ...]:
        """The service of that code and all that it includes, transitively, each once, in sheet order."""
        reached: set[str] = set()
        waiting = [code]
        while waiting:
            current = waiting.pop()
            if current not in reached:
                reached.add(current)
                waiting.extend(self.service(current).includes)
        return tuple(service for service in self.services if service.code in reached)

    def tasks_of(self, codes: Iterable[str]) -> tuple[Task, ...]:
        """The tasks of these services and all that they include, each task once, in sheet order."""
        tasks: dict[str, Task] = {}
        wanted = {s.code for code in codes for s in self.with_included(code)}
        for service in self.services:
            if service.code in wanted:
                for task in service.tasks:
                    tasks.setdefault(task.code, task)
        return tuple(tasks.values())


def check_sheet(sheet: SpecSheet) -> None:
    """Nothing, when the sheet agrees with itself.

    Raises:
        SheetError: With one breach for each contradiction found.
    """
    breaches = list(_breaches(sheet))
    if breaches:
        raise SheetError(*breaches)


def _is_within(low: _Ordered | None, value: _Ordered | None, high: _Ordered | None) -> bool:
    if value is None:
        return low is None and high is None
    return (low is None or low <= value) and (high is None or value <= high)


def _serial(text: str | None) -> tuple[int, str] | None:
    # "99" comes before "100": shorter serial numbers first, then by character.
    return None if text is None else (len(text), text)


def _breaches(sheet: SpecSheet) -> Iterator[Breach]:
    yield from _repeated("/meters", "meter", sheet.meters)
    yield from _repeated("/compartments", "compartment", [c.code for c in sheet.compartments])
    yield from _repeated("/services", "service", [s.code for s in sheet.services])
    for index, compartment in enumerate(sheet.compartments):
        yield from _under(f"/compartments/{index}", _compartment_breaches(compartment))
    known_tasks: dict[str, Task] = {}
    for index, service in enumerate(sheet.services):
        yield from _under(f"/services/{index}", _service_breaches(sheet, service, known_tasks))
    yield from _cycles(sheet)


def _repeated(pointer: str, noun: str, codes: Sequence[str]) -> Iterator[Breach]:
    for count in Counter(codes).values():
        if count > 1:
            yield Breach(pointer, "code_repeated", f"{count} entries share one {noun} code")


def _compartment_breaches(compartment: Compartment) -> Iterator[Breach]:
    low, high = compartment.drained_low_ml, compartment.drained_high_ml
    if (low is None) is not (high is None):
        yield Breach("/drained_volume", "range_half_given", "a drained volume has a low and a high end")
    if low is not None and high is not None and low > high:
        yield Breach("/drained_volume", "range_reversed", "the low end lies above the high end")
    yield from _volumes_above_capacity(compartment)
    check = compartment.level_check
    if (
        check is not None
        and check.temperature_low_c is not None
        and check.temperature_high_c is not None
        and check.temperature_low_c > check.temperature_high_c
    ):
        yield Breach("/level_check", "range_reversed", "the low temperature lies above the high one")
    yield from _repeated("/plugs", "plug", [plug.code for plug in compartment.plugs])
    if compartment.condition_limits is not None:
        yield from _under("/condition_limits", _limit_breaches(compartment.condition_limits))


def _limit_breaches(limits: ConditionLimits) -> Iterator[Breach]:
    scales: tuple[tuple[str, str | None, Callable[[str], object]], ...] = (
        ("/colour_darkest", limits.colour_darkest, darkness),
        ("/cleanliness_worst", limits.cleanliness_worst, parse_code),
    )
    for pointer, text, read in scales:
        if text is not None:
            try:
                read(text)
            except RuleBrokenError as error:
                yield from (breach.under(pointer) for breach in error.breaches)


def _volumes_above_capacity(compartment: Compartment) -> Iterator[Breach]:
    dry = compartment.dry_capacity_ml
    for field, volume in (
        ("drained_volume", compartment.drained_high_ml),
        ("service_fill_with_filter", compartment.service_fill_with_filter_ml),
        ("service_fill_without_filter", compartment.service_fill_without_filter_ml),
    ):
        if volume is not None and dry is not None and volume > dry:
            detail = f"{volume} mL is more than the dry capacity of {dry} mL"
            yield Breach(f"/{field}", f"{field}_above_capacity", detail)


def _service_breaches(sheet: SpecSheet, service: Service, known_tasks: dict[str, Task]) -> Iterator[Breach]:
    codes = {s.code for s in sheet.services}
    compartments = {c.code: c for c in sheet.compartments}
    for index, included in enumerate(service.includes):
        if included not in codes:
            yield Breach(f"/includes/{index}", "service_unknown", "the sheet has no service of that code")
    if service.is_inspection and service.includes:
        detail = "an inspection resets nothing else, so includes nothing"
        yield Breach("/includes", "inspection_includes", detail)
    if service.compartment is not None and service.compartment not in compartments:
        yield Breach("/compartment", "compartment_unknown", "the sheet has no compartment of that code")
    if not service.tasks and not service.includes:
        yield Breach("/tasks", "service_without_tasks", "a service has a task or includes another service")
    yield from _repeated("/tasks", "task", [task.code for task in service.tasks])
    for index, task in enumerate(service.tasks):
        if known_tasks.setdefault(task.code, task) != task:
            detail = "a task of this code stands elsewhere in the sheet and differs"
            yield Breach(f"/tasks/{index}", "task_redefined", detail)
        yield from _under(f"/tasks/{index}", _task_breaches(task, compartments))
    for index, rule in enumerate(service.rules):
        yield from _under(f"/rules/{index}", _rule_breaches(sheet, service, rule))


def _under(prefix: str, breaches: Iterator[Breach]) -> Iterator[Breach]:
    return (breach.under(prefix) for breach in breaches)


def _task_breaches(task: Task, compartments: dict[str, Compartment]) -> Iterator[Breach]:
    if task.passes < 1:
        yield Breach("/passes", "passes_too_few", "an exchange has at least one pass")
    if not 0 <= task.margin_share <= 1:
        yield Breach("/margin_share", "share_out_of_range", "a margin is a share from 0 to 1")
    for index, line in enumerate(task.parts):
        if line.quantity < 1:
            yield Breach(
                f"/parts/{index}/quantity", "quantity_too_small", "a task takes at least one of a part"
            )
    if task.compartment is None:
        if task.fluid_action is not FluidAction.NONE:
            yield Breach("/compartment", "compartment_missing", "a task on a fluid names its compartment")
        if task.plugs:
            detail = "plugs belong to a compartment, and the task names none"
            yield Breach("/plugs", "compartment_missing", detail)
    elif task.compartment in compartments:
        yield from _task_compartment_breaches(task, compartments[task.compartment])
    else:
        yield Breach("/compartment", "compartment_unknown", "the sheet has no compartment of that code")


def _task_compartment_breaches(task: Task, compartment: Compartment) -> Iterator[Breach]:
    plugs = {plug.code for plug in compartment.plugs}
    for index, plug in enumerate(task.plugs):
        if plug not in plugs:
            yield Breach(f"/plugs/{index}", "plug_unknown", "the compartment has no plug of that code")
    is_filled = task.fluid_action in {FluidAction.EXCHANGE, FluidAction.TOP_UP}
    if is_filled and compartment.fluid_requirement is None:
        detail = "the compartment names no fluid requirement"
        yield Breach("/compartment", "fluid_requirement_missing", detail)
    if task.fluid_action is FluidAction.TOP_UP and task.top_up_ml is None:
        yield Breach("/top_up", "top_up_missing", "a top-up states its volume")
    if task.fluid_action is FluidAction.EXCHANGE and _fill_ml(task.fill_basis, compartment) is None:
        detail = "the compartment gives no volume for this fill basis"
        yield Breach("/fill_basis", "volume_missing", detail)


def _fill_ml(basis: FillBasis, compartment: Compartment) -> int | None:
    dry_ml = compartment.dry_capacity_ml
    drained_ml = compartment.drained_high_ml
    if drained_ml is None and compartment.kind not in KINDS_WITHOUT_USUAL_DRAIN:
        drained_ml = dry_ml
    return {
        FillBasis.DRAINED_VOLUME: drained_ml,
        FillBasis.SERVICE_FILL_WITH_FILTER: compartment.service_fill_with_filter_ml,
        FillBasis.SERVICE_FILL_WITHOUT_FILTER: compartment.service_fill_without_filter_ml,
        FillBasis.DRY_CAPACITY: dry_ml,
    }[basis]


def _rule_breaches(sheet: SpecSheet, service: Service, rule: IntervalRule) -> Iterator[Breach]:
    if not rule.every:
        yield Breach("/every", "interval_missing", "a rule has at least one interval")
    admitted = {Limb.CALENDAR} | {Limb(meter.value) for meter in sheet.meters}
    for amount in rule.every:
        if amount.limb not in admitted:
            detail = f"vehicles of this type have no meter {amount.limb.value}"
            yield Breach("/every", "meter_missing", detail)
    limbs = {amount.limb for amount in rule.every}
    for field, amounts, least in (
        ("every", rule.every, 1),
        ("first", rule.first, 1),
        ("early_window", rule.early_window, 0),
        ("tolerance", rule.tolerance, 0),
    ):
        yield from _under(f"/{field}", _amount_breaches(amounts, limbs, least))
    for amount in rule.early_window:
        if any(a.limb is amount.limb and a.amount <= amount.amount for a in rule.every):
            yield Breach("/early_window", "window_too_wide", "an early window is shorter than its interval")
    if service.is_statutory and rule.tolerance:
        yield Breach("/tolerance", "statutory_tolerance", "a statutory service has no tolerance")
    if rule.idle_m_per_h is not None and Limb.ODOMETER not in limbs:
        detail = "idle hours count on the odometer, and the rule has none"
        yield Breach("/idle_distance", "limb_unused", detail)
    yield from _under("/applies_to", _applicability_breaches(rule.applies_to))
    yield from _repeated("/conditions", "condition", [c.condition for c in rule.conditions])
    for index, condition in enumerate(rule.conditions):
        yield from _under(f"/conditions/{index}", _condition_breaches(condition, limbs))


def _amount_breaches(amounts: tuple[Amount, ...], limbs: set[Limb], least: int) -> Iterator[Breach]:
    yield from _repeated("", "limb", [a.limb for a in amounts])
    for amount in amounts:
        if amount.limb not in limbs:
            yield Breach("", "limb_unused", f"the rule has no interval on {amount.limb.value}")
        if amount.amount < least:
            yield Breach("", "amount_too_small", f"the figure on {amount.limb.value} is too small")
        if amount.limb is Limb.CALENDAR and amount.amount > LONGEST_MONTHS:
            yield Breach("", "amount_too_large", f"an interval is at most {LONGEST_MONTHS} months")


def _applicability_breaches(limits: Applicability) -> Iterator[Breach]:
    if limits.model_year_to is not None and not _is_within(
        limits.model_year_from, limits.model_year_to, None
    ):
        yield Breach("/model_year_to", "range_reversed", "the last model year lies before the first")
    last = _serial(limits.serial_to)
    if last is not None and not _is_within(_serial(limits.serial_from), last, None):
        yield Breach("/serial_to", "range_reversed", "the last serial number lies before the first")


def _condition_breaches(condition: SevereCondition, limbs: set[Limb]) -> Iterator[Breach]:
    if not 0 < condition.factor <= 1:
        yield Breach("/factor", "factor_out_of_range", "a factor is above 0 and at most 1")
    elif condition.factor < LEAST_FACTOR:
        detail = f"no duty shortens an interval below {LEAST_FACTOR:g} of its length"
        yield Breach("/factor", "factor_too_small", detail)
    if not 0 <= condition.threshold_share < 1:
        detail = "a threshold share is at least 0 and below 1"
        yield Breach("/threshold_share", "share_out_of_range", detail)
    for limb in condition.limbs:
        if limb not in limbs:
            yield Breach("/limbs", "limb_unused", f"the rule has no interval on {limb.value}")


def _cycles(sheet: SpecSheet) -> Iterator[Breach]:
    includes = {s.code: list(s.includes) for s in sheet.services}
    for index, service in enumerate(sheet.services):
        seen: set[str] = set()
        waiting = list(service.includes)
        while waiting:
            current = waiting.pop()
            if current == service.code:
                yield Breach(f"/services/{index}/includes", "includes_itself", "a service includes itself")
                break
            if current not in seen:
                seen.add(current)
                waiting.extend(includes.get(current, []))
