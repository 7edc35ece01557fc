"""Exchange plans: passes, shares, what to buy and what it costs, beside a machine exchange. Nothing is stored.

Invariants: a drained volume known as a range gives ranges throughout, never one figure; a target is chosen so
that it is reached at the least drained volume of the range; the database is asked only where the request names
something stored.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

from api.services.compartments import CompartmentNamed, compartment_named
from api.services.errors import RefusedError
from api.services.places import placed
from api.services.plan_fluids import (
    Bought,
    BuyingCase,
    Fluids,
    FluidsAsk,
    Offer,
    bought,
    buying_steps,
    plain_fluids,
    stored_fluids,
)
from domain.containers import Tries
from domain.errors import Breach
from domain.exchange import (
    BUY_PRACTICE,
    MAX_PASSES,
    VARIABLE_TRANSMISSION_LIMIT,
    DrainedRange,
    TargetPasses,
    TargetPassesRange,
    default_drained_range,
    passes_for_target,
    passes_for_target_range,
    volume_breaches,
)
from domain.plans import (
    MachineComparison,
    Plan,
    PlanRange,
    Prices,
    cheapest_plan,
    compare_with_machine,
    plan,
    plan_range,
)
from domain.refill import FINAL_LEVEL_CHECK
from domain.sheet import CompartmentKind
from domain.working import COMMON_PRACTICE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from api.store.session import Store
    from domain.sheet import Compartment
    from domain.working import Notice, Step

_T = TypeVar("_T")

_SHEET = "the vehicle's spec sheet"
_REQUEST = "the request"
_FEW_PASSES = 10
_TRANSMISSIONS = frozenset(
    {CompartmentKind.AUTOMATIC_TRANSMISSION, CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION}
)


class DrainedBasis(StrEnum):
    """Where the drained volume is known from."""

    MEASURED = "measured"
    GIVEN = "given"
    SPEC_SHEET = "spec_sheet"
    COMMON_PRACTICE = "common_practice"


@dataclass(frozen=True, slots=True)
class MachineAsk:
    """A machine exchange to compare with.

    Attributes:
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.
        price_minor: What using the machine once costs [minor unit]; None: not known.
    """

    mixing_factor: float = 1.0
    price_minor: int | None = None


@dataclass(frozen=True, slots=True)
class PlanAsk:
    """A plan as asked about.

    Attributes:
        compartment: A compartment of a stored sheet, for the figures not given.
        compartment_kind: What the compartment is.
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_volumes_ml: Drained, pass by pass, as measured [mL].
        drained_volume_ml: Drained by each pass [mL].
        drained_range_ml: Least and most that one pass drains [mL].
        passes: Number of passes.
        fresh_share: Share of fresh fluid wanted, in place of a number of passes.
        last_share: Share of the last fluid wanted beside that.
        max_passes: No plan for a wanted share has more.
        last_passes: How many passes, at the end, use the last fluid.
        is_run_between: Whether the vehicle runs between passes; one for all, or one for each gap.
        fluids: The fluids.
        pass_minor: Cost of each pass beside its fluid [minor unit].
        machine: A machine exchange to compare with.
    """

    compartment: CompartmentNamed | None
    compartment_kind: CompartmentKind | None
    capacity_ml: int | None
    drained_volumes_ml: tuple[int, ...] | None
    drained_volume_ml: int | None
    drained_range_ml: tuple[int, int] | None
    passes: int | None
    fresh_share: float | None
    last_share: float | None
    max_passes: int
    last_passes: int | None
    is_run_between: bool | tuple[bool, ...]
    fluids: FluidsAsk
    pass_minor: int
    machine: MachineAsk | None

    @property
    def is_small(self) -> bool:
        """Whether it takes a moment only: no database, no containers to choose from, few passes."""
        fluids = [one for one in (self.fluids.first, self.fluids.last) if one is not None]
        return (
            self.compartment is None
            and not self.fluids.is_stored
            and not any(one.containers for one in fluids)
            and (self.passes or len(self.drained_volumes_ml or ()) or self.max_passes) <= _FEW_PASSES
        )


@dataclass(frozen=True, slots=True)
class Drained:
    """What a pass drains.

    Attributes:
        basis: Where that is known from.
        range: The range of the drained share; None where it is one figure or measured pass by pass.
        volumes_ml: Drained, pass by pass [mL], or by each pass; empty for a range.
    """

    basis: DrainedBasis
    range: DrainedRange | None
    volumes_ml: tuple[int, ...]

    @property
    def source(self) -> str:
        """Where it is known from, in words."""
        if self.basis is DrainedBasis.COMMON_PRACTICE:
            return COMMON_PRACTICE
        return _SHEET if self.basis is DrainedBasis.SPEC_SHEET else _REQUEST


@dataclass(frozen=True, slots=True)
class PlannedFluid:
    """One fluid of the plan.

    Attributes:
        offer: The fluid.
        poured_ml: Least and most poured [mL].
        buy_ml: From the drained volume of all its passes up to the capacity times passes, with the margin [mL].
        sets: Containers to buy, where it is sold in containers.
        cost_minor: Least and most that what is poured costs; None without a price.
    """

    offer: Offer
    poured_ml: tuple[int, int]
    buy_ml: tuple[int, int]
    sets: tuple[Bought, ...]
    cost_minor: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class MachineFound:
    """A machine exchange beside the plan.

    Attributes:
        least: Beside the plan when each pass drains the least.
        most: Beside the plan when each pass drains the most.
        cost_minor: Least and most cost, by model: plug flow, perfect mixing, with the mixing factor.
    """

    least: MachineComparison
    most: MachineComparison
    cost_minor: tuple[tuple[int, int], ...] | None


@dataclass(frozen=True, slots=True)
class PlanFound:
    """A plan.

    Attributes:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        kind: What the compartment is, where that is known.
        drained: What a pass drains.
        target: Passes that reach the share wanted; None where their number was given, or by price.
        is_cheapest: Whether it is the cheapest plan that reaches the shares wanted.
        least: The plan when each pass drains the least; the plan itself where that is one figure.
        most: The plan when each pass drains the most; the same where that is one figure.
        range: Both with the spread between them; None where that is one figure.
        fluids: The fluids as resolved.
        planned: The fluids that the plan uses, the first one first.
        passes_minor: Cost of the passes beside fluid [minor unit].
        cost_minor: Least and most cost in all; None without all prices.
        machine: A machine exchange beside it; None where none was asked about.
        notices: What to know beside the figures.
        working: The steps, each with the end of the range that it belongs to; None for a single figure.
    """

    capacity_ml: int
    kind: CompartmentKind | None
    drained: Drained
    target: TargetPasses | TargetPassesRange | None
    is_cheapest: bool
    least: Plan
    most: Plan
    range: PlanRange | None
    fluids: Fluids
    planned: tuple[PlannedFluid, ...]
    passes_minor: int
    cost_minor: tuple[int, int] | None
    machine: MachineFound | None
    notices: tuple[Notice, ...]
    working: tuple[tuple[str | None, tuple[Step, ...]], ...]


def planned(store: Store, fleet_key: int, ask: PlanAsk) -> PlanFound:
    """The plan asked about.

    Args:
        store: Read from only where the request names something stored.
        fleet_key: The fleet.
        ask: The question.

    Raises:
        RefusedError: A figure is missing, given twice or out of range, a share is not reached, or what is
            named is not stored.
    """
    compartment, fluids = _stored(store, fleet_key, ask)
    _check_question(ask)
    with placed(_places(ask)):
        capacity_ml, kind, drained = _figures(ask, compartment)
        if drained.range is None:
            return _of_one_figure(ask, capacity_ml, kind, drained, fluids)
        return _of_range(ask, capacity_ml, kind, drained, drained.range, fluids)


def _stored(store: Store, fleet_key: int, ask: PlanAsk) -> tuple[Compartment | None, Fluids]:
    if ask.compartment is None and not ask.fluids.is_stored:
        return None, plain_fluids(ask.fluids)
    with store.reading() as session:
        found = None if ask.compartment is None else compartment_named(session, fleet_key, ask.compartment)
        requirement = None if found is None else found.fluid_requirement
        return found, stored_fluids(session, fleet_key, ask.fluids, requirement)


def _check_question(ask: PlanAsk) -> None:
    breaches = []
    given = [ask.passes, ask.drained_volumes_ml, ask.fresh_share]
    if sum(one is not None for one in given) != 1:
        detail = "give passes, drained_volumes or fresh_share: one of them says how many passes there are"
        breaches.append(Breach("", "passes_not_one_way", detail))
    drained = [ask.drained_volumes_ml, ask.drained_volume_ml, ask.drained_range_ml]
    if sum(one is not None for one in drained) > 1:
        detail = "give drained_volumes, drained_volume or drained_range: one of them"
        breaches.append(Breach("", "drained_given_twice", detail))
    if ask.last_share is not None and ask.fresh_share is None:
        detail = "a share of the last fluid is wanted beside one of fresh fluid"
        breaches.append(Breach("/last_share", "fresh_share_missing", detail))
    if ask.fluids.first is None:
        detail = "this needs a first fluid; without one all passes use the last fluid"
        breaches += [
            Breach(place, "first_fluid_missing", detail)
            for place, is_given in (
                ("/last_share", ask.last_share is not None and ask.fresh_share is not None),
                ("/last_passes", ask.last_passes is not None),
            )
            if is_given
        ]
    if ask.fresh_share is not None and ask.last_passes is not None:
        detail = "with a wanted share the passes of each fluid are found"
        breaches.append(Breach("/last_passes", "last_passes_found", detail))
    if ask.fresh_share is not None and ask.is_run_between is not True and ask.is_run_between is not False:
        detail = "one flag a gap goes with a number of passes"
        breaches.append(Breach("/is_run_between", "gaps_do_not_fit", detail))
    if breaches:
        raise RefusedError(*breaches)


def _figures(ask: PlanAsk, compartment: Compartment | None) -> tuple[int, CompartmentKind | None, Drained]:
    capacity_ml = _one_of(
        ask.capacity_ml, None if compartment is None else compartment.dry_capacity_ml, "capacity"
    )
    if capacity_ml is None:
        raise RefusedError(Breach("/capacity", "capacity_missing", "a plan needs the compartment's capacity"))
    kind = _one_of(
        ask.compartment_kind, None if compartment is None else compartment.kind, "compartment_kind"
    )
    return capacity_ml, kind, _drained(ask, compartment, capacity_ml, kind)


def _one_of(given: _T | None, stored: _T | None, field: str) -> _T | None:
    if given is not None and stored is not None:
        detail = "the compartment named gives this already"
        raise RefusedError(Breach(f"/{field}", f"{field}_given_twice", detail))
    return stored if given is None else given


def _drained(
    ask: PlanAsk, compartment: Compartment | None, capacity_ml: int, kind: CompartmentKind | None
) -> Drained:
    if ask.drained_volumes_ml is not None:
        return Drained(DrainedBasis.MEASURED, None, ask.drained_volumes_ml)
    if ask.drained_volume_ml is not None:
        return Drained(DrainedBasis.GIVEN, None, (ask.drained_volume_ml,))
    if ask.drained_range_ml is not None:
        return _range(DrainedBasis.GIVEN, _REQUEST, capacity_ml, ask.drained_range_ml)
    if (
        compartment is not None
        and compartment.drained_low_ml is not None
        and compartment.drained_high_ml is not None
    ):
        ends = compartment.drained_low_ml, compartment.drained_high_ml
        return _range(DrainedBasis.SPEC_SHEET, _SHEET, capacity_ml, ends)
    if kind is None:
        detail = "give what a pass drains, name a compartment, or say what kind of compartment it is"
        raise RefusedError(Breach("/drained_volume", "drained_volume_missing", detail))
    return Drained(DrainedBasis.COMMON_PRACTICE, default_drained_range(kind), ())


def _range(basis: DrainedBasis, source: str, capacity_ml: int, ends_ml: tuple[int, int]) -> Drained:
    low_ml, high_ml = ends_ml
    breaches = volume_breaches(capacity_ml, ends_ml)
    if low_ml > high_ml:
        breaches.append(Breach("/drained_range", "range_reversed", "the low end lies above the high end"))
    if breaches:
        raise RefusedError(
            *(Breach(_RANGE_ENDS.get(b.pointer, b.pointer), b.rule, b.detail) for b in breaches)
        )
    if low_ml == high_ml:
        return Drained(basis, None, (low_ml,))
    return Drained(basis, DrainedRange(low_ml / capacity_ml, high_ml / capacity_ml, source), ())


def _of_one_figure(
    ask: PlanAsk, capacity_ml: int, kind: CompartmentKind | None, drained: Drained, fluids: Fluids
) -> PlanFound:
    margin_share = ask.fluids.margin_share
    target: TargetPasses | None = None
    if ask.fresh_share is not None and fluids.first is not None:
        found = _cheapest(ask, capacity_ml, drained.volumes_ml[0], fluids)
    else:
        volumes_ml = drained.volumes_ml
        if ask.fresh_share is not None:
            target = passes_for_target(
                capacity_ml=capacity_ml,
                drained_ml=volumes_ml[0],
                target_share=ask.fresh_share,
                is_run_between=ask.is_run_between is not False,
                margin_share=margin_share,
            )
            _refuse_beyond(target.passes, ask.max_passes)
            volumes_ml *= target.passes
        elif ask.passes is not None:
            volumes_ml *= ask.passes
        found = plan(
            capacity_ml=capacity_ml,
            drained_ml=volumes_ml,
            last_passes=_last_passes(ask, len(volumes_ml)),
            is_run_between=ask.is_run_between,
            prices=_prices(fluids, ask.pass_minor),
            margin_share=margin_share,
        )
    return _found(ask, kind, drained, fluids, target, (found, found, None))


def _of_range(  # noqa: PLR0913, PLR0917 - a plan's figures
    ask: PlanAsk,
    capacity_ml: int,
    kind: CompartmentKind | None,
    drained: Drained,
    shares: DrainedRange,
    fluids: Fluids,
) -> PlanFound:
    if ask.is_run_between is not True:
        detail = "passes without running in between are reckoned from one drained volume, not from a range"
        raise RefusedError(Breach("/is_run_between", "drained_volume_not_one_figure", detail))
    target: TargetPassesRange | None = None
    passes = ask.passes or 0
    last_passes = _last_passes(ask, passes)
    if ask.fresh_share is not None and fluids.first is not None:
        # What reaches the shares at the least drained volume reaches them at any other of the range.
        least_ml = plan_range(capacity_ml=capacity_ml, drained=shares, passes=1).least.poured_ml
        chosen = _cheapest(ask, capacity_ml, least_ml, fluids)
        passes = len(chosen.passes)
        last_passes = sum(one.is_last_fluid for one in chosen.passes)
    elif ask.fresh_share is not None:
        target = passes_for_target_range(
            capacity_ml=capacity_ml, drained=shares, target_share=ask.fresh_share
        )
        passes = last_passes = target.passes_high
        _refuse_beyond(passes, ask.max_passes)
    spread = plan_range(
        capacity_ml=capacity_ml,
        drained=shares,
        passes=passes,
        last_passes=last_passes,
        prices=_prices(fluids, ask.pass_minor),
        margin_share=ask.fluids.margin_share,
    )
    return _found(ask, kind, drained, fluids, target, (spread.least, spread.most, spread))


def _last_passes(ask: PlanAsk, passes: int) -> int:
    if ask.fluids.first is None:
        return passes
    return 1 if ask.last_passes is None else ask.last_passes


def _refuse_beyond(passes: int, max_passes: int) -> None:
    if passes > max_passes:
        detail = f"it takes {passes} passes, and the plan may have {max_passes}"
        raise RefusedError(Breach("/fresh_share", "target_not_reached", detail))


def _prices(fluids: Fluids, pass_minor: int) -> Prices | None:
    """The prices, where each fluid has one a litre."""
    first, last = fluids.first, fluids.last
    if last.minor_per_l is None or (first is not None and first.minor_per_l is None):
        return None
    first_minor = 0.0 if first is None or first.minor_per_l is None else first.minor_per_l
    return Prices(first_minor, last.minor_per_l, pass_minor)


def _cheapest(ask: PlanAsk, capacity_ml: int, drained_ml: int, fluids: Fluids) -> Plan:
    first, last = fluids.first, fluids.last
    assert first is not None  # noqa: S101 - only then is a plan chosen by price
    assert ask.fresh_share is not None  # noqa: S101 - the same
    missing = [offer.role.value for offer in (first, last) if not offer.is_priced]
    if missing:
        detail = "the cheapest plan needs the price of both fluids"
        raise RefusedError(*(Breach(f"/{role}_fluid", "price_missing", detail) for role in missing))
    if ask.is_run_between is False:
        detail = "the cheapest plan is reckoned with running between passes"
        raise RefusedError(Breach("/is_run_between", "runs_needed", detail))
    tries = Tries()

    def cost(first_ml: int, last_ml: int, passes: int) -> int:
        return first.cost(first_ml, tries) + last.cost(last_ml, tries) + ask.pass_minor * passes

    by_price: Callable[[int, int, int], int] | Prices = _prices(fluids, ask.pass_minor) or cost
    return cheapest_plan(
        capacity_ml=capacity_ml,
        drained_ml=drained_ml,
        fresh_share=ask.fresh_share,
        last_share=ask.last_share,
        cost=by_price,
        max_passes=ask.max_passes,
        margin_share=ask.fluids.margin_share,
    )


def _found(  # noqa: PLR0913, PLR0917 - a plan's figures
    ask: PlanAsk,
    kind: CompartmentKind | None,
    drained: Drained,
    fluids: Fluids,
    target: TargetPasses | TargetPassesRange | None,
    plans: tuple[Plan, Plan, PlanRange | None],
) -> PlanFound:
    least, most, spread = plans
    used = _used(fluids, least, most)
    costs = [one.cost_minor for one in used if one.cost_minor is not None]
    passes_minor = ask.pass_minor * len(least.passes)
    cost = None
    if len(costs) == len(used):
        cost = sum(c[0] for c in costs) + passes_minor, sum(c[1] for c in costs) + passes_minor
    machine = None if ask.machine is None else _machine(ask.machine, fluids.last, least, most)
    return PlanFound(
        capacity_ml=least.capacity_ml,
        kind=kind,
        drained=drained,
        target=target,
        is_cheapest=ask.fresh_share is not None and fluids.first is not None,
        least=least,
        most=most,
        range=spread,
        fluids=fluids,
        planned=used,
        passes_minor=passes_minor,
        cost_minor=cost,
        machine=machine,
        notices=_notices(kind, drained, fluids, machine, least),
        working=_working(target, (least, most, spread), used, machine),
    )


def _used(fluids: Fluids, least: Plan, most: Plan) -> tuple[PlannedFluid, ...]:
    found = []
    if fluids.first is not None and least.first_purchase is not None and most.first_purchase is not None:
        poured = least.first_poured_ml, most.first_poured_ml
        needs = least.first_purchase.low_ml, most.first_purchase.low_ml, most.first_purchase.high_ml
        found.append(_planned_fluid(fluids.first, poured, needs))
    poured = least.last_poured_ml, most.last_poured_ml
    needs = least.last_purchase.low_ml, most.last_purchase.low_ml, most.last_purchase.high_ml
    found.append(_planned_fluid(fluids.last, poured, needs))
    return tuple(found)


def _planned_fluid(offer: Offer, poured_ml: tuple[int, int], needs_ml: tuple[int, int, int]) -> PlannedFluid:
    low_ml, enough_ml, high_ml = needs_ml
    if poured_ml[0] == poured_ml[1]:
        cases = [(BuyingCase.DRAINED_VOLUME, low_ml)]
    else:
        cases = [(BuyingCase.LEAST_DRAINED, low_ml), (BuyingCase.MOST_DRAINED, enough_ml)]
    sets = bought(offer, [*cases, (BuyingCase.FULL_CAPACITY, high_ml)])
    cost = (offer.cost(poured_ml[0]), offer.cost(poured_ml[1])) if offer.is_priced else None
    return PlannedFluid(offer, poured_ml, (low_ml, high_ml), sets, cost)


def _machine(ask: MachineAsk, last: Offer, least: Plan, most: Plan) -> MachineFound:
    with placed({"/plan": "/machine"}):
        beside = [
            compare_with_machine(one, mixing_factor=ask.mixing_factor)
            for one in ((least,) if least is most else (least, most))
        ]
    cost = None
    if last.is_priced:
        price = ask.price_minor or 0
        volumes = [one.for_same_share for one in beside]
        cost = tuple(
            (min(costs), max(costs))
            for costs in (
                [last.cost(one.plug_flow_ml) + price for one in volumes],
                [last.cost(one.perfect_mixing_ml) + price for one in volumes],
                [last.cost(one.bypassing_ml) + price for one in volumes],
            )
        )
    return MachineFound(beside[0], beside[-1], cost)


def _notices(
    kind: CompartmentKind | None,
    drained: Drained,
    fluids: Fluids,
    machine: MachineFound | None,
    least: Plan,
) -> tuple[Notice, ...]:
    is_variable = kind is CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION
    return (
        FINAL_LEVEL_CHECK,
        *least.notices,
        *(() if drained.range is None else drained.range.notices),
        *((VARIABLE_TRANSMISSION_LIMIT,) if is_variable else ()),
        *((BUY_PRACTICE,) if kind in _TRANSMISSIONS else ()),
        *fluids.notices,
        *(() if machine is None else machine.least.with_same_fluid.notices),
    )


def _working(
    target: TargetPasses | TargetPassesRange | None,
    plans: tuple[Plan, Plan, PlanRange | None],
    used: tuple[PlannedFluid, ...],
    machine: MachineFound | None,
) -> tuple[tuple[str | None, tuple[Step, ...]], ...]:
    least, most, spread = plans
    blocks: list[tuple[str | None, tuple[Step, ...]]] = []
    if isinstance(target, TargetPassesRange):
        blocks.append((None, target.working))
    elif target is not None:
        # Its further steps are those of the plan.
        blocks.append((None, target.working[:2]))
    if spread is None:
        blocks.append((None, least.working))
    else:
        blocks += [
            (BuyingCase.LEAST_DRAINED.value, least.working),
            (BuyingCase.MOST_DRAINED.value, most.working),
        ]
    blocks += [(case.value, (step,)) for one in used for case, step in buying_steps(one.offer, one.sets)]
    if machine is not None:
        ends = [machine.least] if spread is None else [machine.least, machine.most]
        names = [None] if spread is None else [BuyingCase.LEAST_DRAINED.value, BuyingCase.MOST_DRAINED.value]
        blocks += [
            (name, (*one.for_same_share.working, *one.with_same_fluid.working))
            for name, one in zip(names, ends, strict=True)
        ]
    return tuple(blocks)


def _places(ask: PlanAsk) -> Mapping[str, str]:
    if ask.drained_volumes_ml is not None:
        return _PLACES
    # One volume stands for all passes, so that what is wrong with it stands once.
    return _PLACES_OF_ONE


_RANGE_ENDS = {"/drained_volumes/0": "/drained_range/low", "/drained_volumes/1": "/drained_range/high"}
_PLACES = {
    "/target_share": "/fresh_share",
    "/drained_share": "/drained_range",
    "/mixing_factor": "/machine/mixing_factor",
    "/prices/first": "/first_fluid/price",
    "/prices/last": "/last_fluid/price",
    "/prices/pass": "/pass_price_minor",
}
_PLACES_OF_ONE = {
    **_PLACES,
    **{f"/drained_volumes/{index}": "/drained_volume" for index in range(MAX_PASSES)},
}
