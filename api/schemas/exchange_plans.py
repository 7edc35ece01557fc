"""Exchange plans in requests and answers.

Invariants: every figure that depends on the drained volume is a range; its ends are equal where the drained
volume is one figure, and never where it is known as a range. The answer is built as plain dictionaries and
sent as it is; the models describe it, and tests hold the answers against them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import Annotated, Any

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import Answer, Choice, Key, Request, Share
from api.schemas.fluid_products import ContainerOffered, Currency, Price, ShownJudgement
from api.schemas.quantities import ShownVolume, UnitSystem, Volume, unit_code
from api.schemas.working import Notices, Working, shown_notices, shown_steps
from api.services.compartments import CompartmentNamed
from api.services.exchange_plans import (
    Drained,
    DrainedBasis,
    MachineAsk,
    MachineFound,
    PlanAsk,
    PlanFound,
    PlannedFluid,
)
from api.services.plan_fluids import Bought, BuyingCase, FluidAsk, FluidsAsk, Role
from domain.containers import MAX_SIZES
from domain.exchange import MAX_PASSES, TargetPasses, TargetPassesRange
from domain.plans import Plan, PlanRange
from domain.rounding import shown_parts
from domain.sheet import CompartmentKind
from domain.units import UNITS, Dimension, codes, from_canonical

Count = Annotated[int, Field(ge=1, le=MAX_PASSES)]
"""A number of passes."""

_ML_PER_L = 1000
# Units whose last place shown is one millilitre: parts shown in them add up by themselves.
_EXACT = frozenset(
    code for code in codes(Dimension.VOLUME) if UNITS[code].factor == 10 ** UNITS[code].decimals
)
_SAME = "; equal ends where the drained volume is one figure."
_MINOR = "In the minor unit of the currency"


class CompartmentRef(Request):
    """A compartment of a stored spec sheet, for the figures that the request leaves out."""

    spec_sheet: Annotated[Key, Field(description="Code of the spec sheet; its newest version counts.")]
    code: Annotated[Key, Field(description="Code of the compartment within the sheet.")]

    def value(self) -> CompartmentNamed:
        """The compartment as the services take it."""
        return CompartmentNamed(self.spec_sheet, self.code)


class VolumeEnds(Request):
    """A volume that is known as a range only."""

    low: Annotated[Volume, Field(description="The least.")]
    high: Annotated[Volume, Field(description="The most.")]


class UnitPrice(Request):
    """A price of so much of a fluid."""

    minor: Annotated[Price, Field(description="Price in the minor unit of the currency, such as cents.")]
    per: Annotated[Volume, Field(description="For so much; above 0.")]

    @model_validator(mode="after")
    def _per_something(self) -> UnitPrice:
        if self.per.canonical() == 0:
            rule, text = "figure_too_small", "A price is for more than no fluid"
            raise PydanticCustomError(rule, text)
        return self


class PlanFluid(Request):
    """A fluid of the plan: a product of the catalogue, or its price, or its containers with prices."""

    product: Annotated[Key | None, Field(description="Code of a product of the catalogue.")] = None
    price: Annotated[
        UnitPrice | None, Field(description="Its price by volume; the cost is then that of what is poured.")
    ] = None
    containers: Annotated[
        list[ContainerOffered] | None,
        Field(
            min_length=1,
            max_length=MAX_SIZES,
            description="What it is sold in; the cost is then that of containers for what is poured and the margin.",
        ),
    ] = None

    @model_validator(mode="after")
    def _one_way(self) -> PlanFluid:
        if sum(one is not None for one in (self.product, self.price, self.containers)) > 1:
            rule, text = "fluid_given_twice", "A fluid is a product, or has a price, or has containers"
            raise PydanticCustomError(rule, text)
        return self

    def value(self) -> FluidAsk:
        """The fluid as the services take it."""
        price = self.price
        return FluidAsk(
            product=self.product,
            minor_per_l=None if price is None else price.minor * _ML_PER_L / price.per.canonical(),
            containers=tuple(one.value() for one in self.containers or ()),
        )


class MachineQuestion(Request):
    """A machine exchange with the last fluid, to compare the plan with."""

    mixing_factor: Annotated[
        float,
        Field(
            ge=1,
            le=10,
            description="1 for perfect mixing, up to 10 where fluid bypasses what it should wash.",
        ),
    ] = 1.0
    price_minor: Annotated[
        Price | None, Field(description="What using the machine once costs, beside its fluid.")
    ] = None


class ExchangePlanQuestion(Request):
    """A plan of drain-and-fill passes: figures of a compartment, and passes, volumes or a wanted share."""

    compartment: Annotated[
        CompartmentRef | None, Field(description="A compartment whose figures the spec sheet gives.")
    ] = None
    compartment_kind: Annotated[
        Choice[CompartmentKind] | None,
        Field(
            description="What the compartment is; with no drained volume the range of common practice for it counts."
        ),
    ] = None
    capacity: Annotated[
        Volume | None, Field(description="Fluid in the compartment and all that it circulates through.")
    ] = None
    drained_volumes: Annotated[
        list[Volume] | None,
        Field(min_length=1, max_length=MAX_PASSES, description="Drained, pass by pass, as measured."),
    ] = None
    drained_volume: Annotated[Volume | None, Field(description="Drained by each pass.")] = None
    drained_range: Annotated[
        VolumeEnds | None, Field(description="What each pass drains, where only a range is known.")
    ] = None
    passes: Annotated[Count | None, Field(description="Number of passes, 1 to 100.")] = None
    fresh_share: Annotated[
        Share | None,
        Field(
            description="Share of fresh fluid wanted [1], above 0 and below 1, in place of a number of passes."
            " With prices of two fluids the cheapest plan that reaches it is found."
        ),
    ] = None
    last_share: Annotated[
        Share | None,
        Field(description="Share of the last fluid wanted beside that [1], above 0 and below 1."),
    ] = None
    max_passes: Annotated[
        Count, Field(description="A plan for a wanted share has at most so many passes.")
    ] = MAX_PASSES
    is_run_between: Annotated[
        bool | Annotated[list[bool], Field(max_length=MAX_PASSES - 1)],
        Field(
            description="Whether the vehicle runs, and mixes its fluid, between two passes: one for all, or one for"
            " each gap. A pass without running drains the fresh fluid and changes no shares."
        ),
    ] = True
    first_fluid: Annotated[
        PlanFluid | None,
        Field(description="A cheaper fluid for the first passes, that meets the full requirement too."),
    ] = None
    last_fluid: Annotated[PlanFluid | None, Field(description="The fluid of the last passes, or of all.")] = (
        None
    )
    last_passes: Annotated[
        Count | None, Field(description="How many passes, at the end, use the last fluid; 1 unless given.")
    ] = None
    fluid_requirement: Annotated[
        Key | None,
        Field(
            description="Code of the requirement that products are judged by; the compartment's unless given."
        ),
    ] = None
    margin_share: Annotated[
        Share, Field(description="Bought beyond what is poured, as a share of it [1].")
    ] = 0.0
    currency: Annotated[
        Currency | None, Field(description="Currency of the prices given, ISO 4217; products have their own.")
    ] = None
    pass_price_minor: Annotated[
        Price, Field(description="What each pass costs beside its fluid: labour, seals.")
    ] = 0
    machine: Annotated[MachineQuestion | None, Field(description="A machine exchange to compare with.")] = (
        None
    )

    def ask(self) -> PlanAsk:
        """The question as the services take it."""
        drained, between, machine = self.drained_range, self.is_run_between, self.machine
        volumes = self.drained_volumes
        return PlanAsk(
            compartment=None if self.compartment is None else self.compartment.value(),
            compartment_kind=self.compartment_kind,
            capacity_ml=_ml(self.capacity),
            drained_volumes_ml=None if volumes is None else tuple(one.canonical() for one in volumes),
            drained_volume_ml=_ml(self.drained_volume),
            drained_range_ml=None if drained is None else (drained.low.canonical(), drained.high.canonical()),
            passes=self.passes,
            fresh_share=self.fresh_share,
            last_share=self.last_share,
            max_passes=self.max_passes,
            last_passes=self.last_passes,
            is_run_between=between if isinstance(between, bool) else tuple(between),
            fluids=FluidsAsk(
                first=None if self.first_fluid is None else self.first_fluid.value(),
                last=None if self.last_fluid is None else self.last_fluid.value(),
                currency=self.currency,
                fluid_requirement=self.fluid_requirement,
                margin_share=self.margin_share,
                has_price=bool(self.pass_price_minor)
                or (machine is not None and machine.price_minor is not None),
            ),
            pass_minor=self.pass_price_minor,
            machine=None if machine is None else MachineAsk(machine.mixing_factor, machine.price_minor),
        )


class ShareRange(Answer):
    """A share, as a range."""

    low: Annotated[float, Field(description="The least [1].")]
    high: Annotated[float, Field(description="The most [1].")]


class VolumeRange(Answer):
    """A volume, as a range."""

    low: Annotated[ShownVolume, Field(description="The least.")]
    high: Annotated[ShownVolume, Field(description="The most.")]


class MoneyRange(Answer):
    """A sum of money, as a range."""

    low_minor: Annotated[int, Field(description=f"The least. {_MINOR}.")]
    high_minor: Annotated[int, Field(description=f"The most. {_MINOR}.")]


class PassesRange(Answer):
    """A number of passes, as a range."""

    low: Annotated[int, Field(description="The least.")]
    high: Annotated[int, Field(description="The most.")]


class DrainedShown(Answer):
    """What one pass drains."""

    basis: Annotated[
        DrainedBasis, Field(description="Where it is known from; common practice is a habit and no data.")
    ]
    is_range: Annotated[
        bool, Field(description="Whether it is known as a range only, which gives ranges throughout.")
    ]
    volume: Annotated[VolumeRange, Field(description="The least and the most that a pass drains.")]
    share: Annotated[ShareRange, Field(description="The same as a share of the capacity.")]
    source: Annotated[str, Field(description="Where it is known from, in words.")]


class TargetShown(Answer):
    """The passes that reach the share wanted."""

    fresh_share: Annotated[float, Field(description="Share of fresh fluid wanted [1].")]
    passes: Annotated[PassesRange, Field(description="Passes that reach it" + _SAME)]
    exact_passes: Annotated[
        float | None, Field(description="As the logarithms give them, not rounded; null for a range.")
    ]
    poured: Annotated[VolumeRange, Field(description="Fluid that they take" + _SAME)]


class PassShown(Answer):
    """One pass."""

    number: Annotated[int, Field(description="From 1.")]
    fluid: Annotated[Role, Field(description="Which fluid is poured.")]
    is_run_before: Annotated[
        bool, Field(description="Whether the vehicle ran since the pass before; without it no share changes.")
    ]
    drained: Annotated[VolumeRange, Field(description="Drained, and poured after it.")]
    old_share: Annotated[ShareRange, Field(description="Old fluid after it" + _SAME)]
    first_share: Annotated[ShareRange, Field(description="First fluid after it" + _SAME)]
    last_share: Annotated[ShareRange, Field(description="Last fluid after it" + _SAME)]


class ResultShown(Answer):
    """What the compartment holds in the end; the shares of one figure add up to 1, the volumes to the capacity."""

    old_share: Annotated[ShareRange, Field(description="Old fluid" + _SAME)]
    first_share: Annotated[ShareRange, Field(description="First fluid; part of it stays for good" + _SAME)]
    last_share: Annotated[ShareRange, Field(description="Last fluid" + _SAME)]
    fresh_share: Annotated[ShareRange, Field(description="First and last fluid together" + _SAME)]
    old: Annotated[VolumeRange, Field(description="Old fluid" + _SAME)]
    first: Annotated[VolumeRange, Field(description="First fluid" + _SAME)]
    last: Annotated[VolumeRange, Field(description="Last fluid" + _SAME)]


class ContainerBought(Answer):
    """So many containers of one size."""

    size: Annotated[ShownVolume, Field(description="What one holds.")]
    count: Annotated[int, Field(description="How many.")]
    price_minor: Annotated[int, Field(description=f"Price of one. {_MINOR}.")]


class ContainersBought(Answer):
    """The cheapest containers that hold what is needed."""

    case: Annotated[BuyingCase, Field(description="What they are enough for, the margin included.")]
    need: Annotated[ShownVolume, Field(description="What they have to hold.")]
    containers: Annotated[list[ContainerBought], Field(description="The containers, the smallest first.")]
    bought: Annotated[ShownVolume, Field(description="What they hold.")]
    left_over: Annotated[ShownVolume, Field(description="What they hold beyond the need.")]
    cost_minor: Annotated[int, Field(description=f"What they cost. {_MINOR}.")]


class PlannedFluidShown(Answer):
    """One fluid of the plan: what is poured, what to buy, what it costs."""

    fluid: Annotated[Role, Field(description="Which passes use it.")]
    product: Annotated[str | None, Field(description="Code of the product, where it is one.")]
    poured: Annotated[VolumeRange, Field(description="Poured in all" + _SAME)]
    buy: Annotated[
        VolumeRange,
        Field(
            description="What to buy: from the drained volume up to the full capacity, times its passes, with the"
            " margin."
        ),
    ]
    containers: Annotated[
        list[ContainersBought], Field(description="In real containers; empty where none are known.")
    ]
    cost: Annotated[
        MoneyRange | None,
        Field(
            description="Cost of what is poured at a price by volume, or of containers for it and the margin; null"
            " without a price."
        ),
    ]
    suitability: Annotated[
        ShownJudgement | None, Field(description="Whether the product suits; null where nothing was judged.")
    ]


class MixingModel(StrEnum):
    """How a machine's fluid washes out the old one."""

    PLUG_FLOW = "plug_flow"
    PERFECT_MIXING = "perfect_mixing"
    BYPASSING = "bypassing"


class MachineModel(Answer):
    """A machine exchange by one model."""

    model: Annotated[MixingModel, Field(description="The model; bypassing takes the mixing factor.")]
    for_same_share: Annotated[
        VolumeRange, Field(description="Fluid that it takes for the plan's share of fresh fluid" + _SAME)
    ]
    cost: Annotated[
        MoneyRange | None, Field(description="Cost of that fluid and of the machine; null without a price.")
    ]
    share_with_same_fluid: Annotated[
        ShareRange, Field(description="Share of fresh fluid with as much fluid as the plan pours" + _SAME)
    ]


class MachineShown(Answer):
    """A machine exchange beside the plan."""

    mixing_factor: Annotated[float, Field(description="1 for perfect mixing, up to 10 where fluid bypasses.")]
    models: Annotated[list[MachineModel], Field(description="By the usual models.")]


class ExchangePlan(Answer):
    """A plan, with its working."""

    capacity: Annotated[
        ShownVolume, Field(description="Fluid in the compartment and all that it circulates through.")
    ]
    compartment_kind: Annotated[CompartmentKind | None, Field(description="What the compartment is.")]
    drained: Annotated[
        DrainedShown, Field(description="What a pass takes out, and where that is known from.")
    ]
    target: Annotated[
        TargetShown | None,
        Field(
            description="Passes for the share wanted; null where their number was given or found by price."
        ),
    ]
    is_cheapest: Annotated[
        bool, Field(description="Whether it is the cheapest plan that reaches the shares wanted.")
    ]
    passes: Annotated[
        list[PassShown], Field(description="The passes; for a wanted share as many as surely do.")
    ]
    result: Annotated[ResultShown, Field(description="What the compartment holds in the end.")]
    fluids: Annotated[list[PlannedFluidShown], Field(description="The fluids, the first one first.")]
    mixing: Annotated[
        ShownJudgement | None, Field(description="Whether both products may be mixed; null where not judged.")
    ]
    currency: Annotated[str | None, Field(description="Currency of all money here, ISO 4217.")]
    passes_cost_minor: Annotated[
        int, Field(description=f"What the passes cost beside their fluid. {_MINOR}.")
    ]
    cost: Annotated[MoneyRange | None, Field(description="Cost in all; null unless each fluid has a price.")]
    machine: Annotated[
        MachineShown | None,
        Field(description="A machine exchange beside it; null where none was asked about."),
    ]
    notices: Notices
    working: Working


def shown_plan(found: PlanFound, units: UnitSystem) -> dict[str, Any]:
    """The answer for a plan, in the units of the answer."""
    code = unit_code(units, Dimension.VOLUME)
    mixed, cost = found.fluids.mixing, found.cost_minor
    return {
        "capacity": _volume(found.capacity_ml, code),
        "compartment_kind": found.kind,
        "drained": _drained(found.drained, found, code),
        "target": None if found.target is None else _target(found.target, code),
        "is_cheapest": found.is_cheapest,
        "passes": _passes(found, code),
        "result": _result(found.least, found.range, code),
        "fluids": [_fluid(one, found, code) for one in found.planned],
        "mixing": None if mixed is None else ShownJudgement.of(mixed).model_dump(),
        "currency": found.fluids.currency,
        "passes_cost_minor": found.passes_minor,
        "cost": None if cost is None else _money(*cost),
        "machine": None if found.machine is None else _machine(found.machine, code),
        "notices": shown_notices(found.notices),
        "working": [step for case, steps in found.working for step in shown_steps(steps, units, case)],
    }


def _drained(drained: Drained, found: PlanFound, code: str) -> dict[str, Any]:
    shares = drained.range
    if shares is None:
        low_ml, high_ml = min(drained.volumes_ml), max(drained.volumes_ml)
        ends = low_ml / found.capacity_ml, high_ml / found.capacity_ml
    else:
        low_ml, high_ml = found.least.passes[0].drained_ml, found.most.passes[0].drained_ml
        ends = shares.low_share, shares.high_share
    return {
        "basis": drained.basis,
        "is_range": shares is not None,
        "volume": _volumes(low_ml, high_ml, code),
        "share": _range(*ends),
        "source": drained.source,
    }


def _target(target: TargetPasses | TargetPassesRange, code: str) -> dict[str, Any]:
    if isinstance(target, TargetPasses):
        passes, exact = (target.passes, target.passes), target.exact_passes
        poured = target.poured_ml, target.poured_ml
    else:
        passes, exact = (target.passes_low, target.passes_high), None
        poured = target.poured_low_ml, target.poured_high_ml
    return {
        "fresh_share": target.target_share,
        "passes": _range(*passes),
        "exact_passes": exact,
        "poured": _volumes(*poured, code),
    }


def _passes(found: PlanFound, code: str) -> list[dict[str, Any]]:
    if found.range is None:
        return [
            {
                "number": one.number,
                "fluid": Role.LAST if one.is_last_fluid else Role.FIRST,
                "is_run_before": one.is_run_before,
                "drained": _volumes(one.drained_ml, one.drained_ml, code),
                "old_share": _range(one.old_share, one.old_share),
                "first_share": _range(one.first_share, one.first_share),
                "last_share": _range(one.last_share, one.last_share),
            }
            for one in found.least.passes
        ]
    return [
        {
            "number": one.number,
            "fluid": Role.LAST if one.is_last_fluid else Role.FIRST,
            "is_run_before": True,
            "drained": _volumes(one.drained_low_ml, one.drained_high_ml, code),
            "old_share": _range(one.old_low_share, one.old_high_share),
            "first_share": _range(one.first_low_share, one.first_high_share),
            "last_share": _range(one.last_low_share, one.last_high_share),
        }
        for one in found.range.passes
    ]


def _result(least: Plan, spread: PlanRange | None, code: str) -> dict[str, Any]:
    if spread is None:
        old, first, last = _parts((least.old_ml, least.first_ml, least.last_ml), code)
        return {
            "old_share": _range(least.old_share, least.old_share),
            "first_share": _range(least.first_share, least.first_share),
            "last_share": _range(least.last_share, least.last_share),
            "fresh_share": _range(1 - least.old_share, 1 - least.old_share),
            "old": _both(old, code),
            "first": _both(first, code),
            "last": _both(last, code),
        }
    most, capacity_ml = spread.most, least.capacity_ml
    first_ends = (
        math.floor(spread.first_low_share * capacity_ml),
        math.ceil(spread.first_high_share * capacity_ml),
    )
    return {
        "old_share": _range(spread.old_low_share, spread.old_high_share),
        "first_share": _range(spread.first_low_share, spread.first_high_share),
        "last_share": _range(spread.last_low_share, spread.last_high_share),
        "fresh_share": _range(1 - spread.old_high_share, 1 - spread.old_low_share),
        "old": _volumes(most.old_ml, least.old_ml, code),
        "first": _volumes(*first_ends, code),
        "last": _volumes(least.last_ml, most.last_ml, code),
    }


def _fluid(one: PlannedFluid, found: PlanFound, code: str) -> dict[str, Any]:
    offer = one.offer
    judgement = found.fluids.judgements.get(offer.role)
    return {
        "fluid": offer.role,
        "product": None if offer.product is None else offer.product.terms.product.code,
        "poured": _volumes(*one.poured_ml, code),
        "buy": _volumes(*one.buy_ml, code),
        "containers": [_bought(bought, one, code) for bought in one.sets],
        "cost": None if one.cost_minor is None else _money(*one.cost_minor),
        "suitability": None if judgement is None else ShownJudgement.of(judgement).model_dump(),
    }


def _bought(bought: Bought, one: PlannedFluid, code: str) -> dict[str, Any]:
    found = bought.containers
    return {
        "case": bought.case,
        "need": _volume(bought.need_ml, code),
        "containers": [
            {"size": _volume(c.size_ml, code), "count": count, "price_minor": c.price_minor}
            for c, count in zip(one.offer.containers, found.counts, strict=True)
            if count
        ],
        "bought": _volume(found.bought_ml, code),
        "left_over": _volume(found.left_over_ml, code),
        "cost_minor": found.cost_minor,
    }


def _machine(machine: MachineFound, code: str) -> dict[str, Any]:
    needed = [one.for_same_share for one in (machine.least, machine.most)]
    reached = [one.with_same_fluid for one in (machine.least, machine.most)]
    by_model = (
        ([v.plug_flow_ml for v in needed], [e.plug_flow_share for e in reached]),
        ([v.perfect_mixing_ml for v in needed], [e.perfect_mixing_share for e in reached]),
        ([v.bypassing_ml for v in needed], [e.bypassing_share for e in reached]),
    )
    costs = machine.cost_minor or (None, None, None)
    return {
        "mixing_factor": machine.least.for_same_share.mixing_factor,
        "models": [
            {
                "model": model,
                "for_same_share": _volumes(min(volumes), max(volumes), code),
                "cost": None if cost is None else _money(*cost),
                "share_with_same_fluid": _range(min(shares), max(shares)),
            }
            for model, (volumes, shares), cost in zip(MixingModel, by_model, costs, strict=True)
        ],
    }


def _parts(parts_ml: Sequence[int], code: str) -> Sequence[float]:
    """The parts as shown, which add up to the shown whole."""
    if code in _EXACT:
        return [from_canonical(part, code) for part in parts_ml]
    return shown_parts(parts_ml, code)[0]


def _range(low: float, high: float) -> dict[str, float]:
    return {"low": low, "high": high}


def _money(low: int, high: int) -> dict[str, int]:
    return {"low_minor": low, "high_minor": high}


def _volume(canonical_ml: int, code: str) -> dict[str, Any]:
    return {"value": from_canonical(canonical_ml, code), "unit": code}


def _volumes(low_ml: int, high_ml: int, code: str) -> dict[str, Any]:
    low = _volume(low_ml, code)
    return {"low": low, "high": low if low_ml == high_ml else _volume(high_ml, code)}


def _both(value: float, code: str) -> dict[str, Any]:
    one = {"value": value, "unit": code}
    return {"low": one, "high": one}


def _ml(volume: Volume | None) -> int | None:
    return None if volume is None else volume.canonical()
