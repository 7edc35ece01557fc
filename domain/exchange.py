"""Partial exchange of a fluid: what share of the old fluid stays after drain-and-fill passes; what to buy.

The model. A drain takes out a part of the fluid while the rest stays in converter, cooler and lines; the same
volume of fresh fluid goes in; running the vehicle mixes both completely. So one pass that drains ``d`` of the
capacity ``C`` leaves ``1 - d/C`` of the old fluid. A pass without running in between finds the fresh fluid
still in the pan, drains that, and leaves the share of old fluid as it was.

Invariants: volumes are whole millilitres; what is poured equals what was drained, pass by pass; shares add up
to 1 and their millilitres to the capacity. A drained share known as a range never becomes a single figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from domain.errors import Breach, ExchangeError
from domain.sheet import CompartmentKind
from domain.units import Dimension
from domain.working import COMMON_PRACTICE, Notice, Plain, Step, count, factor, share, volume

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

MAX_PASSES = 100
MAX_VOLUME_ML = 1_000_000_000
MIXING_FACTOR_RANGE = (1.0, 10.0)
REACHED_WITHIN = 1e-12

DILUTION = (
    "dilution of well-mixed batches; the algebra of repeated extraction, q = (V1/(V1 + K V2))^n, as in "
    "textbooks of general chemistry"
)
WASH_OUT = (
    "wash-out of a well-mixed volume, exp(-V/V0), and a factor of 1 to 10 for imperfect mixing: CDC, MMWR "
    "28 Oct 1994, Table S3-1"
)
_MIXED = "0 < d <= C; complete mixing by running before the next drain"

UNRUN_PASS = Notice(
    "pass_without_running",
    "A pass without running in between drains the fresh fluid out of the pan: the share of old fluid stays "
    "as it was.",
    "conservation of volume",
)
DARK_FLUID = Notice(
    "dark_after_change",
    "Fluid that is still dark after a change is what dilution predicts and may mean another pass; a burnt "
    "smell, metal or coolant in it means stop and find the cause.",
)
MACHINE_SHARE = Notice(
    "machine_share", "A machine exchange is reckoned to take out close to all of the old fluid."
)
DRAINED_RANGE_ASSUMED = Notice(
    "drained_range_assumed",
    "The spec sheet gives no drained volume; the range is common practice for this kind of compartment and "
    "no data.",
)
BUY_PRACTICE = Notice(
    "buy_practice",
    "For one pass 85 to 100 % of the capacity is bought, for two or three passes two or three times that.",
)
VARIABLE_TRANSMISSION_LIMIT = Notice(
    "variable_transmission_limit",
    "One drain-and-fill takes out at most about 85 % of the fluid of a continuously variable transmission.",
)


@dataclass(frozen=True, slots=True)
class DrainedRange:
    """The share of a compartment's fluid that one drain takes out, as a range.

    Attributes:
        low_share: Least share drained, above 0.
        high_share: Greatest share drained, at most 1.
        source: Where the range is known from.
        notices: What to know beside the range.
    """

    low_share: float
    high_share: float
    source: str
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Purchase:
    """What to buy: from the drained volume up to the full capacity, times passes, plus the margin.

    Attributes:
        low_ml: Drained volume of all passes plus margin [mL].
        high_ml: Capacity times passes plus margin [mL].
        margin_share: Margin, as a share of the volume.
        working: The steps.
    """

    low_ml: int
    high_ml: int
    margin_share: float
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Pour:
    """One pass: a volume drained and the same volume poured.

    Attributes:
        drained_ml: Drained, and poured after it [mL].
        fluid: Index of the fluid poured; 0 is the old fluid, so 1 or more.
        is_run_before: Whether the vehicle ran, and mixed its fluid, since the pass before.
    """

    drained_ml: int
    fluid: int = 1
    is_run_before: bool = True


@dataclass(frozen=True, slots=True)
class Exchange:
    """What passes with one fluid leave.

    Attributes:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained and poured, pass by pass [mL].
        old_shares: Share of old fluid after each pass.
        old_share: Share of old fluid at the end.
        new_share: Share of fresh fluid at the end.
        old_ml: Old fluid at the end [mL].
        new_ml: Fresh fluid at the end [mL]; ``old_ml + new_ml`` is the capacity.
        poured_ml: Poured in all [mL].
        purchase: What to buy.
        notices: What to know beside the figures.
        working: The steps.
    """

    capacity_ml: int
    drained_ml: tuple[int, ...]
    old_shares: tuple[float, ...]
    old_share: float
    new_share: float
    old_ml: int
    new_ml: int
    poured_ml: int
    purchase: Purchase
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class ExchangeRange:
    """What passes leave when the drained share is known as a range only.

    Attributes:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        passes: Number of passes.
        drained: The range of the drained share.
        drained_low_ml: Least that one pass drains [mL], rounded down.
        drained_high_ml: Most that one pass drains [mL], rounded up.
        old_low_share: Old fluid left when each pass drains the most.
        old_high_share: Old fluid left when each pass drains the least.
        purchase: What to buy, from the least drained volume up.
        notices: What to know beside the figures.
        working: The steps.
    """

    capacity_ml: int
    passes: int
    drained: DrainedRange
    drained_low_ml: int
    drained_high_ml: int
    old_low_share: float
    old_high_share: float
    purchase: Purchase
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class TargetPasses:
    """How many passes reach a share of fresh fluid.

    Attributes:
        target_share: Share of fresh fluid wanted.
        exact_passes: Passes as the logarithms give them, not rounded.
        passes: Passes needed.
        new_share: Share of fresh fluid after them.
        poured_ml: Fluid that they take [mL].
        purchase: What to buy.
        working: The steps.
    """

    target_share: float
    exact_passes: float
    passes: int
    new_share: float
    poured_ml: int
    purchase: Purchase
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class TargetPassesRange:
    """How many passes reach a share of fresh fluid when the drained share is known as a range only.

    Attributes:
        target_share: Share of fresh fluid wanted.
        drained: The range of the drained share.
        passes_low: Passes needed when each drains the most.
        passes_high: Passes needed when each drains the least.
        poured_low_ml: Least fluid that the passes take [mL].
        poured_high_ml: Most fluid that the passes take [mL].
        notices: What to know beside the figures.
        working: The steps.
    """

    target_share: float
    drained: DrainedRange
    passes_low: int
    passes_high: int
    poured_low_ml: int
    poured_high_ml: int
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class MachineExchange:
    """What a machine that pours while it takes out leaves, by the usual models.

    Attributes:
        capacity_ml: Fluid in the circuit [mL].
        poured_ml: Fluid put through [mL].
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.
        plug_flow_share: Share of fresh fluid when it pushes the old before it.
        perfect_mixing_share: Share of fresh fluid when both mix at once.
        bypassing_share: Share of fresh fluid with the mixing factor.
        notices: What to know beside the figures.
        working: The steps.
    """

    capacity_ml: int
    poured_ml: int
    mixing_factor: float
    plug_flow_share: float
    perfect_mixing_share: float
    bypassing_share: float
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class MachineVolumes:
    """The fluid that a machine exchange takes to reach a share, by the usual models.

    Attributes:
        target_share: Share of fresh fluid wanted.
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.
        plug_flow_ml: With plug flow [mL].
        perfect_mixing_ml: With perfect mixing [mL].
        bypassing_ml: With the mixing factor [mL].
        working: The steps.
    """

    target_share: float
    mixing_factor: float
    plug_flow_ml: int
    perfect_mixing_ml: int
    bypassing_ml: int
    working: tuple[Step, ...]


def default_drained_range(kind: CompartmentKind) -> DrainedRange:
    """The range of the drained share that practice expects of a kind of compartment: no data, no figure.

    Raises:
        ExchangeError: There is no such range for the kind (``drained_range_unknown``).
    """
    found = _PRACTICE.get(kind)
    if found is None:
        detail = f"no drained share is common practice for a {kind.value}: the spec sheet has to give it"
        raise ExchangeError(Breach("/compartment_kind", "drained_range_unknown", detail))
    is_variable = kind is CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION
    notices = (DRAINED_RANGE_ASSUMED, *((VARIABLE_TRANSMISSION_LIMIT,) if is_variable else ()))
    return DrainedRange(*found, COMMON_PRACTICE, notices)


def exchange(
    *,
    capacity_ml: int,
    drained_ml: Sequence[int],
    is_run_between: bool | Sequence[bool] = True,
    margin_share: float = 0.0,
) -> Exchange:
    """The shares of old and fresh fluid after passes with one fluid, of equal or measured volumes.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained, pass by pass [mL].
        is_run_between: Whether the vehicle runs between two passes; one for all, or one for each gap.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: A volume not positive or above the capacity, no pass or too many, a wrong number of
            gaps, a margin outside 0 to 1.

    Sources: dilution of well-mixed batches.
    """
    run = run_flags(is_run_between, len(drained_ml))
    refuse(
        *volume_breaches(capacity_ml, drained_ml),
        *run_breaches(run, len(drained_ml)),
        *margin_breaches(margin_share),
    )
    pours = [Pour(d, 1, r) for d, r in zip(drained_ml, run, strict=True)]
    states = states_after(capacity_ml, pours, fluids=2)
    old, new = states[-1]
    old_ml, new_ml = split_ml(capacity_ml, (old, new))
    bought = checked_purchase(capacity_ml, drained_ml, margin_share)
    return Exchange(
        capacity_ml=capacity_ml,
        drained_ml=tuple(drained_ml),
        old_shares=tuple(s[0] for s in states),
        old_share=old,
        new_share=new,
        old_ml=old_ml,
        new_ml=new_ml,
        poured_ml=sum(drained_ml),
        purchase=bought,
        notices=(DARK_FLUID, *(() if all(run) else (UNRUN_PASS,))),
        working=(*old_share_steps(capacity_ml, pours, states), *bought.working),
    )


def exchange_range(
    *, capacity_ml: int, drained: DrainedRange, passes: int, margin_share: float = 0.0
) -> ExchangeRange:
    """The spread of old fluid left, and of what to buy, when the drained share is known as a range only.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained: Range of the share that one drain takes out.
        passes: Number of passes, 1 to ``MAX_PASSES``.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: A capacity not positive, a range reversed or outside (0, 1], passes or margin out of
            range.
    """
    refuse(
        *capacity_breaches(capacity_ml),
        *range_breaches(drained),
        *passes_breaches(passes),
        *margin_breaches(margin_share),
    )
    low_ml, high_ml = drained_ends_ml(capacity_ml, drained)
    old_low, old_high = (1 - drained.high_share) ** passes, (1 - drained.low_share) ** passes
    bought = purchase(capacity_ml=capacity_ml, drained_ml=[low_ml] * passes, margin_share=margin_share)
    n = count("n", passes)
    return ExchangeRange(
        capacity_ml=capacity_ml,
        passes=passes,
        drained=drained,
        drained_low_ml=low_ml,
        drained_high_ml=high_ml,
        old_low_share=old_low,
        old_high_share=old_high,
        purchase=bought,
        notices=(DARK_FLUID, *drained.notices),
        working=(
            _power("old_low_share", "f_high", drained.high_share, n.value, old_low),
            _power("old_high_share", "f_low", drained.low_share, n.value, old_high),
            *bought.working,
        ),
    )


def passes_for_target(
    *,
    capacity_ml: int,
    drained_ml: int,
    target_share: float,
    is_run_between: bool = True,
    margin_share: float = 0.0,
) -> TargetPasses:
    """The number of equal passes, and the fluid, that reach a share of fresh fluid.

    A share counts as reached within 1e-12, so that two passes of 0.4 reach 0.64 in floating point too.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained by one pass [mL].
        target_share: Share of fresh fluid wanted, above 0 and below 1.
        is_run_between: Whether the vehicle runs between passes; without it only the first one counts.
        margin_share: Bought beyond the computed volume, as a share of it, 0 to 1.

    Raises:
        ExchangeError: Bad volumes, target or margin; a target that no number of passes, or more than
            ``MAX_PASSES``, would reach (``target_not_reached``).
    """
    refuse(
        *volume_breaches(capacity_ml, [drained_ml]),
        *target_breaches(target_share),
        *margin_breaches(margin_share),
    )
    drained_share = drained_ml / capacity_ml
    passes = passes_needed(drained_share, target_share, is_run_between=is_run_between)
    new_share = 1 - (1 - drained_share) ** passes
    exact = _exact_passes(drained_share, target_share)
    bought = purchase(capacity_ml=capacity_ml, drained_ml=[drained_ml] * passes, margin_share=margin_share)
    working = (
        _target_step(drained_share, target_share, passes),
        Step(
            "new_share",
            "1 - (1 - f)^n",
            (share("f", drained_share), count("n", passes)),
            new_share,
            Plain.SHARE,
            DILUTION,
            _MIXED,
        ),
        Step(
            "poured_volume",
            "n * d",
            (count("n", passes), volume("d", drained_ml)),
            passes * drained_ml,
            Dimension.VOLUME,
        ),
    )
    return TargetPasses(
        target_share, exact, passes, new_share, passes * drained_ml, bought, (*working, *bought.working)
    )


def passes_for_target_range(
    *, capacity_ml: int, drained: DrainedRange, target_share: float
) -> TargetPassesRange:
    """The spread of passes and fluid that reach a share of fresh fluid, the drained share being a range.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained: Range of the share that one drain takes out.
        target_share: Share of fresh fluid wanted, above 0 and below 1.

    Raises:
        ExchangeError: Bad capacity, range or target; a target that ``MAX_PASSES`` passes would not reach.
    """
    refuse(*capacity_breaches(capacity_ml), *range_breaches(drained), *target_breaches(target_share))
    fewest = passes_needed(drained.high_share, target_share)
    most = passes_needed(drained.low_share, target_share)
    # More passes of less can take less fluid than fewer of more, so each whole number between counts.
    counts = range(fewest, most + 1)
    least = min(n * max(_least_share(n, target_share), drained.low_share) for n in counts)
    greatest = max(
        n * (drained.high_share if n == fewest else _least_share(n - 1, target_share)) for n in counts
    )
    low_ml, high_ml = _floor_ml(least * capacity_ml), _ceil_ml(greatest * capacity_ml)
    given = (
        volume("C", capacity_ml),
        share("t", target_share),
        share("f_low", drained.low_share),
        share("f_high", drained.high_share),
    )
    valid = f"n from {fewest} to {most}"
    return TargetPassesRange(
        target_share=target_share,
        drained=drained,
        passes_low=fewest,
        passes_high=most,
        poured_low_ml=low_ml,
        poured_high_ml=high_ml,
        notices=(DARK_FLUID, *drained.notices),
        working=(
            _target_step(drained.high_share, target_share, fewest),
            _target_step(drained.low_share, target_share, most),
            Step(
                "poured_at_least",
                "C * least over n of n * max(1 - (1 - t)^(1/n), f_low)",
                given,
                low_ml,
                Dimension.VOLUME,
                DILUTION,
                valid,
            ),
            Step(
                "poured_at_most",
                "C * greatest over n of n * min(1 - (1 - t)^(1/(n - 1)), f_high)",
                given,
                high_ml,
                Dimension.VOLUME,
                DILUTION,
                valid,
            ),
        ),
    )


def purchase(*, capacity_ml: int, drained_ml: Sequence[int], margin_share: float = 0.0) -> Purchase:
    """What to buy: from the drained volume up to the capacity, times passes, plus the margin, rounded up.

    Args:
        capacity_ml: Fluid in the compartment and all that it circulates through [mL].
        drained_ml: Drained, pass by pass [mL].
        margin_share: Margin, as a share of the volume, 0 to 1.

    Raises:
        ExchangeError: Bad volumes, passes or margin.

    Sources: 85 to 100 % of capacity for one pass, two or three times that for two or three: common practice.
    """
    refuse(*volume_breaches(capacity_ml, drained_ml), *margin_breaches(margin_share))
    return checked_purchase(capacity_ml, drained_ml, margin_share)


def checked_purchase(capacity_ml: int, drained_ml: Sequence[int], margin_share: float) -> Purchase:
    """What ``purchase`` gives, of figures that are checked."""
    passes, drained = len(drained_ml), sum(drained_ml)
    low_ml, high_ml = (
        with_margin_ml(drained, margin_share),
        with_margin_ml(capacity_ml * passes, margin_share),
    )
    margin = share("m", margin_share)
    steps = (
        Step(
            "buy_at_least", "sum(d) * (1 + m)", (volume("sum(d)", drained), margin), low_ml, Dimension.VOLUME
        ),
        Step(
            "buy_at_most",
            "C * n * (1 + m)",
            (volume("C", capacity_ml), count("n", passes), margin),
            high_ml,
            Dimension.VOLUME,
        ),
    )
    return Purchase(low_ml, high_ml, margin_share, steps)


def machine_exchange(*, capacity_ml: int, poured_ml: int, mixing_factor: float = 1.0) -> MachineExchange:
    """The share of fresh fluid after a machine exchange: plug flow, perfect mixing, the mixing factor.

    Args:
        capacity_ml: Fluid in the circuit [mL].
        poured_ml: Fluid put through [mL].
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.

    Raises:
        ExchangeError: A volume not positive, a mixing factor outside 1 to 10.
    """
    refuse(
        *capacity_breaches(capacity_ml),
        *_positive_breaches("/poured", "poured_volume", poured_ml),
        *mixing_breaches(mixing_factor),
    )
    ratio = poured_ml / capacity_ml
    plug, mixed, bypassing = min(ratio, 1.0), -math.expm1(-ratio), -math.expm1(-ratio / mixing_factor)
    volumes = (volume("V", poured_ml), volume("C", capacity_ml))
    return MachineExchange(
        capacity_ml=capacity_ml,
        poured_ml=poured_ml,
        mixing_factor=mixing_factor,
        plug_flow_share=plug,
        perfect_mixing_share=mixed,
        bypassing_share=bypassing,
        notices=(MACHINE_SHARE,),
        working=(
            Step("plug_flow_share", "min(V/C, 1)", volumes, plug, Plain.SHARE, "conservation of volume"),
            Step("perfect_mixing_share", "1 - exp(-V/C)", volumes, mixed, Plain.SHARE, WASH_OUT),
            Step(
                "bypassing_share",
                "1 - exp(-V/(k*C))",
                (*volumes, factor("k", mixing_factor)),
                bypassing,
                Plain.SHARE,
                WASH_OUT,
                "1 <= k <= 10",
            ),
        ),
    )


def machine_for_target(
    *, capacity_ml: int, target_share: float, mixing_factor: float = 1.0
) -> MachineVolumes:
    """The fluid that a machine exchange takes to reach a share of fresh fluid, rounded up.

    Args:
        capacity_ml: Fluid in the circuit [mL].
        target_share: Share of fresh fluid wanted, above 0 and below 1.
        mixing_factor: 1 for perfect mixing, up to 10 where fluid bypasses.

    Raises:
        ExchangeError: Bad capacity, target or mixing factor.
    """
    refuse(
        *capacity_breaches(capacity_ml),
        *target_breaches(target_share),
        *mixing_breaches(mixing_factor),
    )
    changes = -math.log1p(-target_share)
    plug_ml, mixed_ml, bypassing_ml = (
        _ceil_ml(capacity_ml * turns) for turns in (target_share, changes, mixing_factor * changes)
    )
    given = (volume("C", capacity_ml), share("t", target_share))
    return MachineVolumes(
        target_share=target_share,
        mixing_factor=mixing_factor,
        plug_flow_ml=plug_ml,
        perfect_mixing_ml=mixed_ml,
        bypassing_ml=bypassing_ml,
        working=(
            Step("plug_flow_volume", "C * t", given, plug_ml, Dimension.VOLUME, "conservation of volume"),
            Step("perfect_mixing_volume", "-C * ln(1 - t)", given, mixed_ml, Dimension.VOLUME, WASH_OUT),
            Step(
                "bypassing_volume",
                "-k * C * ln(1 - t)",
                (*given, factor("k", mixing_factor)),
                bypassing_ml,
                Dimension.VOLUME,
                WASH_OUT,
                "1 <= k <= 10",
            ),
        ),
    )


def states_after(capacity_ml: int, pours: Iterable[Pour], *, fluids: int) -> list[tuple[float, ...]]:
    """The share of each fluid after each pass, the old fluid first; volumes as ``exchange`` checks them.

    What was poured since the vehicle last ran stands in the pan, well mixed in itself, and is drained first;
    a drain of more than that takes the rest from the fluid that was mixed before.
    """
    mixed = [1.0] + [0.0] * (fluids - 1)
    pan = [0.0] * fluids
    pan_ml = 0
    states: list[tuple[float, ...]] = []
    for pour in pours:
        if pour.is_run_before:
            mixed = [m + p for m, p in zip(mixed, pan, strict=True)]
            pan, pan_ml = [0.0] * fluids, 0
        from_pan_ml = min(pour.drained_ml, pan_ml)
        from_mixed_ml = pour.drained_ml - from_pan_ml
        if from_pan_ml:
            pan = [p * ((pan_ml - from_pan_ml) / pan_ml) for p in pan]
        if from_mixed_ml:
            mixed_ml = capacity_ml - pan_ml
            mixed = [m * ((mixed_ml - from_mixed_ml) / mixed_ml) for m in mixed]
        pan_ml += from_mixed_ml
        pan[pour.fluid] += pour.drained_ml / capacity_ml
        states.append(tuple(m + p for m, p in zip(mixed, pan, strict=True)))
    return states


def old_share_steps(
    capacity_ml: int, pours: Sequence[Pour], states: Sequence[tuple[float, ...]]
) -> Iterator[Step]:
    """The steps that lead to the share of old fluid, one for each pass."""
    before, unmixed_ml = 1.0, 0
    for number, (pour, state) in enumerate(zip(pours, states, strict=True), start=1):
        unmixed_ml = 0 if pour.is_run_before else unmixed_ml
        kept = "(1 - max(d - u, 0)/(C - u))" if unmixed_ml else "(1 - d/C)"
        formula = f"S{number - 1} * {kept}"
        figures = (
            share(f"S{number - 1}", before),
            volume("d", pour.drained_ml),
            volume("C", capacity_ml),
            *((volume("u", unmixed_ml),) if unmixed_ml else ()),
        )
        yield Step("old_share", formula, figures, state[0], Plain.SHARE, DILUTION, _MIXED)
        before, unmixed_ml = state[0], max(unmixed_ml, pour.drained_ml)


def passes_needed(drained_share: float, target_share: float, *, is_run_between: bool = True) -> int:
    """The least number of passes of one drained share that reaches the target, within 1e-12.

    Raises:
        ExchangeError: No number of passes, or more than ``MAX_PASSES``, would reach it.
    """
    left, passes = 1.0, 0
    while 1 - left < target_share - REACHED_WITHIN:
        if passes == 1 and not is_run_between:
            detail = f"without running in between no number of passes gives more than {drained_share:.6g}"
            raise ExchangeError(Breach("/target_share", "target_not_reached", detail))
        if passes == MAX_PASSES:
            detail = f"{MAX_PASSES} passes give {1 - left:.6g} of fresh fluid; no plan has more passes"
            raise ExchangeError(Breach("/target_share", "target_not_reached", detail))
        passes += 1
        left = (1 - drained_share) ** passes
    return passes


def drained_ends_ml(capacity_ml: int, drained: DrainedRange) -> tuple[int, int]:
    """The least and the most that one drain takes out, rounded outwards, at least 1 mL [mL]."""
    return max(_floor_ml(capacity_ml * drained.low_share), 1), _ceil_ml(capacity_ml * drained.high_share)


def split_ml(total_ml: int, shares: Sequence[float]) -> tuple[int, ...]:
    """Whole millilitres in proportion to shares that add up to 1: they add up to the total.

    The largest remainders are rounded up; of equal ones, the first.
    """
    exact = [total_ml * part for part in shares]
    whole = [math.floor(part) for part in exact]
    order = sorted(range(len(shares)), key=lambda i: (whole[i] - exact[i], i))
    for index in order[: total_ml - sum(whole)]:
        whole[index] += 1
    return tuple(whole)


def with_margin_ml(volume_ml: int, margin_share: float) -> int:
    """The volume plus its margin, rounded up to whole millilitres [mL]."""
    return _ceil_ml(volume_ml * (1 + margin_share))


def run_flags(is_run_between: bool | Sequence[bool], passes: int) -> tuple[bool, ...]:  # noqa: FBT001 - one flag for all, or one a gap
    """Whether the vehicle ran before each pass; it always did before the first."""
    gaps = [is_run_between] * max(passes - 1, 0) if isinstance(is_run_between, bool) else is_run_between
    return (True, *gaps)


def refuse(*breaches: Breach) -> None:
    """Nothing, when there is no breach.

    Raises:
        ExchangeError: With the breaches given.
    """
    if breaches:
        raise ExchangeError(*breaches)


def volume_breaches(capacity_ml: int, drained_ml: Sequence[int]) -> list[Breach]:
    """The rules that a capacity and the drained volumes of passes break."""
    breaches = [*capacity_breaches(capacity_ml), *passes_breaches(len(drained_ml))]
    if breaches:
        return breaches
    for index, drained in enumerate(drained_ml):
        pointer = f"/drained_volumes/{index}"
        breaches += _positive_breaches(pointer, "drained_volume", drained)
        if drained > capacity_ml:
            detail = f"{drained} mL is more than the capacity of {capacity_ml} mL"
            breaches.append(Breach(pointer, "drained_volume_above_capacity", detail))
    return breaches


def run_breaches(run: Sequence[bool], passes: int) -> list[Breach]:
    """The rules that the flags of running before each pass break."""
    if len(run) == max(passes, 1):
        return []
    return [Breach("/is_run_between", "gaps_do_not_fit", "there is one gap fewer than there are passes")]


def capacity_breaches(capacity_ml: int) -> list[Breach]:
    """The rules that a capacity breaks."""
    return _positive_breaches("/capacity", "capacity", capacity_ml)


def passes_breaches(passes: int) -> list[Breach]:
    """The rules that a number of passes breaks."""
    if 1 <= passes <= MAX_PASSES:
        return []
    return [Breach("/passes", "passes_out_of_range", f"a plan has 1 to {MAX_PASSES} passes")]


def target_breaches(target_share: float, pointer: str = "/target_share") -> list[Breach]:
    """The rules that a wanted share breaks."""
    if 0 < target_share < 1:
        return []
    return [Breach(pointer, "target_share_out_of_range", "a wanted share lies above 0 and below 1")]


def margin_breaches(margin_share: float) -> list[Breach]:
    """The rules that a margin breaks."""
    if 0 <= margin_share <= 1:
        return []
    return [Breach("/margin_share", "margin_out_of_range", "a margin is a share from 0 to 1")]


def mixing_breaches(mixing_factor: float) -> list[Breach]:
    """The rules that a mixing factor breaks."""
    low, high = MIXING_FACTOR_RANGE
    if low <= mixing_factor <= high:
        return []
    return [Breach("/mixing_factor", "mixing_factor_out_of_range", "a mixing factor lies from 1 to 10")]


def range_breaches(drained: DrainedRange) -> list[Breach]:
    """The rules that a range of the drained share breaks."""
    breaches = [
        Breach(
            f"/drained_share/{end}", "drained_share_out_of_range", "a drained share is above 0 and at most 1"
        )
        for end, value in (("low", drained.low_share), ("high", drained.high_share))
        if not 0 < value <= 1
    ]
    if not breaches and drained.low_share > drained.high_share:
        breaches.append(Breach("/drained_share", "range_reversed", "the low end lies above the high end"))
    return breaches


def _positive_breaches(pointer: str, noun: str, volume_ml: int) -> list[Breach]:
    if volume_ml <= 0:
        return [Breach(pointer, f"{noun}_not_positive", "the volume has to be above 0")]
    if volume_ml > MAX_VOLUME_ML:
        return [Breach(pointer, f"{noun}_too_large", f"the volume is above {MAX_VOLUME_ML} mL")]
    return []


def _least_share(passes: int, target_share: float) -> float:
    return -math.expm1(math.log1p(-target_share) / passes)


def _exact_passes(drained_share: float, target_share: float) -> float:
    if drained_share == 1:
        return 1.0
    return math.log1p(-target_share) / math.log1p(-drained_share)


def _floor_ml(exact: float) -> int:
    return math.floor(exact + 1e-9 * max(1.0, exact / 1e6))


def _ceil_ml(exact: float) -> int:
    # A product such as 5700 * 1.1 lies a rounding error above 6270; that is no further millilitre.
    return math.ceil(exact - 1e-9 * max(1.0, exact / 1e6))


def _power(name: str, symbol: str, drained_share: float, passes: float, result: float) -> Step:
    figures = (share(symbol, drained_share), count("n", int(passes)))
    return Step(name, f"(1 - {symbol})^n", figures, result, Plain.SHARE, DILUTION, _MIXED)


def _target_step(drained_share: float, target_share: float, passes: int) -> Step:
    return Step(
        "passes",
        "ceil(ln(1 - t)/ln(1 - f))" if drained_share < 1 else "1, for f = 1",
        (share("t", target_share), share("f", drained_share)),
        passes,
        Plain.COUNT,
        DILUTION,
        "0 < t < 1, 0 < f <= 1",
    )


_PLAIN_SUMP = (0.90, 0.95)
_COOLANT = (0.50, 0.70)
_PRACTICE: dict[CompartmentKind, tuple[float, float]] = {
    CompartmentKind.ENGINE_SUMP: _PLAIN_SUMP,
    CompartmentKind.MANUAL_GEARBOX: _PLAIN_SUMP,
    CompartmentKind.AXLE: _PLAIN_SUMP,
    CompartmentKind.TRANSFER_CASE: _PLAIN_SUMP,
    CompartmentKind.ELECTRIC_AXLE_REDUCER: _PLAIN_SUMP,
    CompartmentKind.AUTOMATIC_TRANSMISSION: (0.30, 0.50),
    CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION: (0.40, 0.85),
    CompartmentKind.COOLANT_CIRCUIT: _COOLANT,
    CompartmentKind.BATTERY_COOLANT_CIRCUIT: _COOLANT,
    CompartmentKind.HYDRAULIC_TANK: (0.40, 0.70),
}
