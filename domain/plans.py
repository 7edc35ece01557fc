"""Exchange plans with two fluids: all passes but the last with a cheaper one that meets the requirement.

The plan with ``a`` first and ``b`` last passes, each draining the share ``f``, leaves ``(1 - f)^(a + b)`` of
the old fluid, ``(1 - f)^b - (1 - f)^(a + b)`` of the first fluid, and ``1 - (1 - f)^b`` of the last one. A
part of the first fluid stays for good, so that it has to meet the full requirement itself.

Invariants: the three shares add up to 1 and their millilitres to the capacity; a cost in all is the sum of
the costs shown; ``plan_columns`` equals ``plan`` element by element.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.errors import Breach, ExchangeError
from domain.exchange import (
    DARK_FLUID,
    DILUTION,
    MAX_PASSES,
    UNRUN_PASS,
    DrainedRange,
    MachineExchange,
    MachineVolumes,
    Pour,
    Purchase,
    capacity_breaches,
    checked_purchase,
    drained_ends_ml,
    machine_exchange,
    machine_for_target,
    margin_breaches,
    mixing_breaches,
    old_share_steps,
    passes_breaches,
    passes_needed,
    range_breaches,
    refuse,
    run_breaches,
    run_flags,
    split_ml,
    states_after,
    target_breaches,
    volume_breaches,
)
from domain.working import Figure, Notice, Plain, Step, count, share, volume

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

MAX_PRICE_MINOR_PER_L = 1e9
MAX_PASS_MINOR = 1_000_000_000
_MAX_BREACHES = 100
_ML_PER_L = 1000
_FIRST, _LAST = 1, 2

FIRST_FLUID_STAYS = Notice(
    "first_fluid_stays",
    "Part of the first fluid stays for good, so it has to meet the full requirement as the last fluid does.",
    DILUTION,
)
FIRST_FLUID_PRACTICE = Notice(
    "first_fluid_practice", "A first pass may use a cheaper fluid that meets the requirement."
)


@dataclass(frozen=True, slots=True)
class Prices:
    """What the fluids and the work cost, in the minor unit of one currency.

    Attributes:
        first_minor_per_l: First fluid, a litre.
        last_minor_per_l: Last fluid, a litre.
        pass_minor: Each pass, beside its fluid: labour, seals.
    """

    first_minor_per_l: float
    last_minor_per_l: float
    pass_minor: int = 0

    def cost(self, first_ml: int, last_ml: int, passes: int) -> int:
        """The cost of a plan [minor unit], each of its parts rounded first, halves up."""
        return self.first_cost(first_ml) + self.last_cost(last_ml) + self.pass_minor * passes

    def first_cost(self, first_ml: int) -> int:
        """The cost of that much of the first fluid [minor unit]."""
        return _rounded_cost(first_ml, self.first_minor_per_l)

    def last_cost(self, last_ml: int) -> int:
        """The cost of that much of the last fluid [minor unit]."""
        return _rounded_cost(last_ml, self.last_minor_per_l)


@dataclass(frozen=True, slots=True)
class PlanPass:
    """One pass of a plan.

    Attributes:
        number: From 1.
        drained_ml: Drained, and poured after it [mL].
        is_last_fluid: Whether the last fluid is poured; else the first one.
        is_run_before: Whether the vehicle ran since the pass before.
        old_share: Share of old fluid after it.
        first_share: Share of the first fluid after it.
        last_share: Share of the last fluid after it.
    """

    number: int
    drained_ml: int
    is_last_fluid: bool
    is_run_before: bool
    old_share: float
    first_share: float
    last_share: float


@dataclass(frozen=True, slots=True)
class Plan:
    """What a plan leaves, takes and costs.

    Attributes:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        passes: The passes.
        old_share: Share of old fluid at the end.
        first_share: Share of the first fluid at the end.
        last_share: Share of the last fluid at the end.
        old_ml: Old fluid at the end [mL].
        first_ml: First fluid at the end [mL].
        last_ml: Last fluid at the end [mL].
        first_poured_ml: First fluid poured [mL].
        last_poured_ml: Last fluid poured [mL].
        first_purchase: What to buy of the first fluid; None when no pass uses it.
        last_purchase: What to buy of the last fluid.
        first_cost_minor: Cost of the first fluid poured; None without prices.
        last_cost_minor: Cost of the last fluid poured; None without prices.
        pass_cost_minor: Cost of the passes beside fluid; None without prices.
        cost_minor: Cost in all; None without prices.
        notices: What to know beside the figures.
        working: The steps.
    """

    capacity_ml: int
    passes: tuple[PlanPass, ...]
    old_share: float
    first_share: float
    last_share: float
    old_ml: int
    first_ml: int
    last_ml: int
    first_poured_ml: int
    last_poured_ml: int
    first_purchase: Purchase | None
    last_purchase: Purchase
    first_cost_minor: int | None
    last_cost_minor: int | None
    pass_cost_minor: int | None
    cost_minor: int | None
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]

    @property
    def fresh_share(self) -> float:
        """The share of first and last fluid together."""
        return self.first_share + self.last_share

    @property
    def poured_ml(self) -> int:
        """The fluid poured in all [mL]."""
        return self.first_poured_ml + self.last_poured_ml


@dataclass(frozen=True, slots=True)
class PassRange:
    """One pass of a plan when the drained share is known as a range only.

    Attributes:
        number: From 1.
        drained_low_ml: Least drained [mL].
        drained_high_ml: Most drained [mL].
        is_last_fluid: Whether the last fluid is poured; else the first one.
        old_low_share: Least old fluid after it.
        old_high_share: Most old fluid after it.
        first_low_share: Least first fluid after it.
        first_high_share: Most first fluid after it.
        last_low_share: Least last fluid after it.
        last_high_share: Most last fluid after it.
    """

    number: int
    drained_low_ml: int
    drained_high_ml: int
    is_last_fluid: bool
    old_low_share: float
    old_high_share: float
    first_low_share: float
    first_high_share: float
    last_low_share: float
    last_high_share: float


@dataclass(frozen=True, slots=True)
class PlanRange:
    """What a plan leaves, takes and costs when the drained share is known as a range only.

    Attributes:
        drained: The range of the drained share.
        passes: The passes.
        least: The plan when each pass drains the least, rounded down to millilitres.
        most: The plan when each pass drains the most, rounded up to millilitres.
        old_low_share: Least old fluid at the end.
        old_high_share: Most old fluid at the end.
        first_low_share: Least first fluid at the end.
        first_high_share: Most first fluid at the end; it may lie at a share inside the range.
        last_low_share: Least last fluid at the end.
        last_high_share: Most last fluid at the end.
        notices: What to know beside the figures.
    """

    drained: DrainedRange
    passes: tuple[PassRange, ...]
    least: Plan
    most: Plan
    old_low_share: float
    old_high_share: float
    first_low_share: float
    first_high_share: float
    last_low_share: float
    last_high_share: float
    notices: tuple[Notice, ...]


@dataclass(frozen=True, slots=True)
class MachineComparison:
    """A plan beside a machine exchange with the last fluid.

    Attributes:
        for_same_share: Fluid that the machine takes for the plan's share of fresh fluid.
        with_same_fluid: Shares that the machine reaches with as much fluid as the plan pours.
        plug_flow_cost_minor: Cost of the fluid for the same share with plug flow, and of the machine.
        perfect_mixing_cost_minor: The same with perfect mixing.
        bypassing_cost_minor: The same with the mixing factor.
        plan_cost_minor: Cost of the plan.
    """

    for_same_share: MachineVolumes
    with_same_fluid: MachineExchange
    plug_flow_cost_minor: int | None
    perfect_mixing_cost_minor: int | None
    bypassing_cost_minor: int | None
    plan_cost_minor: int | None


@dataclass(frozen=True, slots=True)
class PlanColumns:
    """Plans in columns; each array has one element a plan.

    Attributes:
        old_share: Share of old fluid at the end.
        first_share: Share of the first fluid at the end.
        last_share: Share of the last fluid at the end.
        first_poured_ml: First fluid poured [mL].
        last_poured_ml: Last fluid poured [mL].
        cost_minor: Cost in all [minor unit].
    """

    old_share: NDArray[np.float64]
    first_share: NDArray[np.float64]
    last_share: NDArray[np.float64]
    first_poured_ml: NDArray[np.int64]
    last_poured_ml: NDArray[np.int64]
    cost_minor: NDArray[np.int64]


def plan(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    capacity_ml: int,
    drained_ml: Sequence[int],
    last_passes: int = 1,
    is_run_between: bool | Sequence[bool] = True,
    prices: Prices | None = None,
    margin_share: float = 0.0,
) -> Plan:
    """The final shares, litres and cost of a plan; its last passes use the last fluid, all others the first.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained, pass by pass [mL].
        last_passes: How many of the passes, at the end, use the last fluid; from 1 to all.
        is_run_between: Whether the vehicle runs between two passes; one for all, or one for each gap.
        prices: Prices; without them no cost is given.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: Bad volumes, passes, gaps, margin or prices.

    Sources: dilution of well-mixed batches.
    """
    run = run_flags(is_run_between, len(drained_ml))
    refuse(
        *volume_breaches(capacity_ml, drained_ml),
        *_last_passes_breaches(last_passes, len(drained_ml)),
        *run_breaches(run, len(drained_ml)),
        *margin_breaches(margin_share),
        *_price_breaches(prices),
    )
    first_passes = len(drained_ml) - last_passes
    pours = [
        Pour(drained, _FIRST if index < first_passes else _LAST, run[index])
        for index, drained in enumerate(drained_ml)
    ]
    states = states_after(capacity_ml, pours, fluids=3)
    old, first, last = states[-1]
    old_ml, first_ml, last_ml = split_ml(capacity_ml, (old, first, last))
    first_drained, last_drained = drained_ml[:first_passes], drained_ml[first_passes:]
    first_purchase = checked_purchase(capacity_ml, first_drained, margin_share) if first_passes else None
    last_purchase = checked_purchase(capacity_ml, last_drained, margin_share)
    first_poured_ml, last_poured_ml = sum(first_drained), sum(last_drained)
    costs = _costs(prices, first_poured_ml, last_poured_ml, len(drained_ml))
    return Plan(
        capacity_ml=capacity_ml,
        passes=tuple(
            PlanPass(number, pour.drained_ml, pour.fluid == _LAST, pour.is_run_before, *state)
            for number, (pour, state) in enumerate(zip(pours, states, strict=True), start=1)
        ),
        old_share=old,
        first_share=first,
        last_share=last,
        old_ml=old_ml,
        first_ml=first_ml,
        last_ml=last_ml,
        first_poured_ml=first_poured_ml,
        last_poured_ml=last_poured_ml,
        first_purchase=first_purchase,
        last_purchase=last_purchase,
        first_cost_minor=costs[0],
        last_cost_minor=costs[1],
        pass_cost_minor=costs[2],
        cost_minor=costs[3],
        notices=(
            DARK_FLUID,
            *((FIRST_FLUID_STAYS, FIRST_FLUID_PRACTICE) if first_passes else ()),
            *(() if all(run) else (UNRUN_PASS,)),
        ),
        working=(
            *old_share_steps(capacity_ml, pours, states),
            *_share_steps(pours, states),
            *(first_purchase.working if first_purchase else ()),
            *last_purchase.working,
            *_cost_steps(prices, first_poured_ml, last_poured_ml, len(drained_ml)),
        ),
    )


def plan_range(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    capacity_ml: int,
    drained: DrainedRange,
    passes: int,
    last_passes: int = 1,
    prices: Prices | None = None,
    margin_share: float = 0.0,
) -> PlanRange:
    """The spread of a plan of equal passes when the drained share is known as a range only.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained: Range of the share that one drain takes out.
        passes: Number of passes, 1 to ``MAX_PASSES``.
        last_passes: How many of them, at the end, use the last fluid; from 1 to all.
        prices: Prices; without them no cost is given.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: Bad capacity, range, passes, margin or prices.
    """
    refuse(*capacity_breaches(capacity_ml), *range_breaches(drained), *passes_breaches(passes))
    ends_ml = drained_ends_ml(capacity_ml, drained)
    least, most = (
        plan(
            capacity_ml=capacity_ml,
            drained_ml=[end_ml] * passes,
            last_passes=last_passes,
            prices=prices,
            margin_share=margin_share,
        )
        for end_ml in ends_ml
    )
    kept_shares = [1 - end_ml / capacity_ml for end_ml in ends_ml]
    ranges = tuple(
        _pass_range(low, high, max(low.number - (passes - last_passes), 0), kept_shares)
        for low, high in zip(least.passes, most.passes, strict=True)
    )
    last = ranges[-1]
    return PlanRange(
        drained=drained,
        passes=ranges,
        least=least,
        most=most,
        old_low_share=last.old_low_share,
        old_high_share=last.old_high_share,
        first_low_share=last.first_low_share,
        first_high_share=last.first_high_share,
        last_low_share=last.last_low_share,
        last_high_share=last.last_high_share,
        notices=(*least.notices, *drained.notices),
    )


def cheapest_plan(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    capacity_ml: int,
    drained_ml: int,
    fresh_share: float,
    last_share: float | None = None,
    cost: Callable[[int, int, int], int] | Prices,
    max_passes: int = MAX_PASSES,
    margin_share: float = 0.0,
) -> Plan:
    """The cheapest plan of equal passes that reaches a share of fresh fluid and one of the last fluid.

    Of equally cheap plans it is the one with fewer passes, then with less of the first fluid. At least one
    pass uses the last fluid. The cost must never fall when one of its arguments rises, as no price list does;
    then only plans with no pass to spare can be the cheapest, and all of those are tried.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained by one pass [mL].
        fresh_share: Share of first and last fluid together wanted, above 0 and below 1.
        last_share: Share of the last fluid wanted, above 0 and below 1; None: one pass is enough.
        cost: Prices a litre, or a cost of (first fluid [mL], last fluid [mL], passes), as of containers.
        max_passes: No plan has more, 1 to ``MAX_PASSES``.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: Bad volumes, shares, prices or margin; shares that no plan reaches
            (``target_not_reached``).
    """
    prices = cost if isinstance(cost, Prices) else None
    cost_of = cost.cost if isinstance(cost, Prices) else cost
    refuse(
        *volume_breaches(capacity_ml, [drained_ml]),
        *target_breaches(fresh_share, "/fresh_share"),
        *([] if last_share is None else target_breaches(last_share, "/last_share")),
        *_max_passes_breaches(max_passes),
        *margin_breaches(margin_share),
        *_price_breaches(prices),
    )
    drained_share = drained_ml / capacity_ml
    last_needed = 1 if last_share is None else _passes(drained_share, last_share, "/last_share", max_passes)
    all_needed = _passes(drained_share, fresh_share, "/fresh_share", max_passes)

    def rank(last_passes: int) -> tuple[int, int, int]:
        first_passes = max(all_needed - last_passes, 0)
        passes = first_passes + last_passes
        return cost_of(first_passes * drained_ml, last_passes * drained_ml, passes), passes, first_passes

    last_passes = min(range(last_needed, max(last_needed, all_needed) + 1), key=rank)
    return plan(
        capacity_ml=capacity_ml,
        drained_ml=[drained_ml] * max(all_needed, last_passes),
        last_passes=last_passes,
        prices=prices,
        margin_share=margin_share,
    )


def compare_with_machine(
    compared: Plan,
    *,
    mixing_factor: float = 1.0,
    prices: Prices | None = None,
    machine_minor: int = 0,
) -> MachineComparison:
    """A plan beside a machine exchange with the last fluid: fluid for the same share and the converse.

    Args:
        compared: The plan; its share of fresh fluid is below 1.
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.
        prices: Prices; the machine's fluid costs what the last one does.
        machine_minor: Cost of using the machine once [minor unit].

    Raises:
        ExchangeError: A mixing factor or price out of range; a plan that leaves no old fluid, which perfect
            mixing never reaches (``target_share_out_of_range``).
    """
    refuse(
        *mixing_breaches(mixing_factor),
        *_price_breaches(prices),
        *_money_breaches("/machine_cost", machine_minor),
        *target_breaches(1 - compared.old_share, "/plan"),
    )
    volumes = machine_for_target(
        capacity_ml=compared.capacity_ml, target_share=1 - compared.old_share, mixing_factor=mixing_factor
    )
    costs = [
        None if prices is None else prices.last_cost(needed_ml) + machine_minor
        for needed_ml in (volumes.plug_flow_ml, volumes.perfect_mixing_ml, volumes.bypassing_ml)
    ]
    return MachineComparison(
        for_same_share=volumes,
        with_same_fluid=machine_exchange(
            capacity_ml=compared.capacity_ml, poured_ml=compared.poured_ml, mixing_factor=mixing_factor
        ),
        plug_flow_cost_minor=costs[0],
        perfect_mixing_cost_minor=costs[1],
        bypassing_cost_minor=costs[2],
        plan_cost_minor=None
        if prices is None
        else prices.cost(compared.first_poured_ml, compared.last_poured_ml, len(compared.passes)),
    )


def plan_columns(
    *,
    capacity_ml: NDArray[np.int64],
    drained_ml: NDArray[np.int64],
    first_passes: NDArray[np.int64],
    last_passes: NDArray[np.int64],
    prices: Prices,
) -> PlanColumns:
    """The shares, volumes and costs of plans of equal passes, in columns; equals ``plan`` element by element.

    Args:
        capacity_ml: Capacities [mL], shape (n,).
        drained_ml: Drained by one pass [mL], shape (n,).
        first_passes: Passes with the first fluid, 0 or more, shape (n,).
        last_passes: Passes with the last fluid, 1 or more, shape (n,).
        prices: One price list for all.

    Raises:
        ExchangeError: With a breach for each plan that breaks a rule, the first hundred.
    """
    refuse(
        *_column_breaches(capacity_ml, drained_ml, first_passes, last_passes),
        *_price_breaches(prices),
    )
    kept_share = 1.0 - drained_ml / capacity_ml
    kept_by_last = kept_share**last_passes
    old_share = kept_share ** (first_passes + last_passes)
    first_poured_ml, last_poured_ml = first_passes * drained_ml, last_passes * drained_ml
    cost = np.floor(first_poured_ml * prices.first_minor_per_l / _ML_PER_L + 0.5)
    cost += np.floor(last_poured_ml * prices.last_minor_per_l / _ML_PER_L + 0.5)
    return PlanColumns(
        old_share=old_share,
        first_share=kept_by_last - old_share,
        last_share=1.0 - kept_by_last,
        first_poured_ml=first_poured_ml,
        last_poured_ml=last_poured_ml,
        cost_minor=cost.astype(np.int64) + (first_passes + last_passes) * prices.pass_minor,
    )


def _pass_range(least: PlanPass, most: PlanPass, last_passes: int, kept_shares: Sequence[float]) -> PassRange:
    # ``last_passes``: how many passes up to this one used the last fluid.
    ends = (least.first_share, most.first_share)
    top = _most_first_share(least.number, last_passes, kept_shares)
    return PassRange(
        number=least.number,
        drained_low_ml=least.drained_ml,
        drained_high_ml=most.drained_ml,
        is_last_fluid=least.is_last_fluid,
        old_low_share=most.old_share,
        old_high_share=least.old_share,
        first_low_share=min(ends),
        first_high_share=max(*ends, top),
        last_low_share=least.last_share,
        last_high_share=most.last_share,
    )


def _most_first_share(passes: int, last_passes: int, kept_shares: Sequence[float]) -> float:
    # k^b - k^n is greatest at k = (b/n)^(1/(n - b)): what the passes keep, b last of n passes.
    if last_passes == passes:
        return 0.0
    best = (last_passes / passes) ** (1 / (passes - last_passes))
    kept = min(max(best, min(kept_shares)), max(kept_shares))
    return float(kept**last_passes - kept**passes)


def _rounded_cost(volume_ml: int, minor_per_l: float) -> int:
    return math.floor(volume_ml * minor_per_l / _ML_PER_L + 0.5)


def _costs(prices: Prices | None, first_ml: int, last_ml: int, passes: int) -> tuple[int | None, ...]:
    if prices is None:
        return (None,) * 4
    parts = (prices.first_cost(first_ml), prices.last_cost(last_ml), prices.pass_minor * passes)
    return (*parts, sum(parts))


def _passes(drained_share: float, wanted_share: float, pointer: str, max_passes: int) -> int:
    try:
        needed = passes_needed(drained_share, wanted_share)
    except ExchangeError as error:
        raise ExchangeError(*(Breach(pointer, b.rule, b.detail) for b in error.breaches)) from error
    if needed > max_passes:
        detail = f"it takes {needed} passes, and the plan may have {max_passes}"
        raise ExchangeError(Breach(pointer, "target_not_reached", detail))
    return needed


def _share_steps(pours: Sequence[Pour], states: Sequence[tuple[float, ...]]) -> tuple[Step, ...]:
    old, first, last = states[-1]
    before_last = next(i for i, pour in enumerate(pours) if pour.fluid == _LAST)
    if not before_last:
        return (Step("last_share", "1 - old", (share("old", old),), last, Plain.SHARE),)
    fresh_first = states[before_last - 1][1]
    return (
        Step(
            "first_share",
            "F * k",
            (share("F", fresh_first), share("k", first / fresh_first)),
            first,
            Plain.SHARE,
            DILUTION,
            "F after its own passes; k what the last passes keep of it, (1 - d/C) each with running before it",
        ),
        Step("last_share", "1 - old - first", (share("old", old), share("first", first)), last, Plain.SHARE),
    )


def _cost_steps(prices: Prices | None, first_ml: int, last_ml: int, passes: int) -> tuple[Step, ...]:
    if prices is None:
        return ()
    return (
        Step(
            "cost",
            "V_first * p_first + V_last * p_last + n * p_pass",
            (
                volume("V_first", first_ml),
                Figure("p_first", prices.first_minor_per_l, Plain.MINOR_MONEY_PER_LITRE),
                volume("V_last", last_ml),
                Figure("p_last", prices.last_minor_per_l, Plain.MINOR_MONEY_PER_LITRE),
                count("n", passes),
                Figure("p_pass", prices.pass_minor, Plain.MINOR_MONEY),
            ),
            prices.cost(first_ml, last_ml, passes),
            Plain.MINOR_MONEY,
            valid_range="each part rounded to whole minor units, halves up",
        ),
    )


def _last_passes_breaches(last_passes: int, passes: int) -> list[Breach]:
    if passes == 0 or 1 <= last_passes <= passes:
        return []
    return [
        Breach("/last_passes", "last_passes_out_of_range", "from one to all of the passes use the last fluid")
    ]


def _max_passes_breaches(max_passes: int) -> list[Breach]:
    if 1 <= max_passes <= MAX_PASSES:
        return []
    return [Breach("/max_passes", "passes_out_of_range", f"a plan has 1 to {MAX_PASSES} passes")]


def _price_breaches(prices: Prices | None) -> list[Breach]:
    if prices is None:
        return []
    return [
        *_rate_breaches("/prices/first", prices.first_minor_per_l),
        *_rate_breaches("/prices/last", prices.last_minor_per_l),
        *_money_breaches("/prices/pass", prices.pass_minor),
    ]


def _rate_breaches(pointer: str, minor_per_l: float) -> list[Breach]:
    if 0 <= minor_per_l <= MAX_PRICE_MINOR_PER_L:
        return []
    return [
        Breach(pointer, "price_out_of_range", "a price a litre is at least 0 and at most 1e9 minor units")
    ]


def _money_breaches(pointer: str, minor: int) -> list[Breach]:
    if 0 <= minor <= MAX_PASS_MINOR:
        return []
    return [Breach(pointer, "price_out_of_range", "a price is at least 0 and at most 1e9 minor units")]


def _column_breaches(
    capacity_ml: NDArray[np.int64],
    drained_ml: NDArray[np.int64],
    first_passes: NDArray[np.int64],
    last_passes: NDArray[np.int64],
) -> list[Breach]:
    is_bad = (drained_ml <= 0) | (drained_ml > capacity_ml)
    is_bad |= (first_passes < 0) | (last_passes < 1) | (first_passes + last_passes > MAX_PASSES)
    if not is_bad.any():
        return []
    detail = f"a plan drains more than nothing and at most its capacity, in 1 to {MAX_PASSES} passes"
    return [
        Breach(f"/plans/{index}", "plan_out_of_range", detail)
        for index in np.flatnonzero(is_bad)[:_MAX_BREACHES]
    ]
