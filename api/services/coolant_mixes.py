"""Glycol coolant: freezing point, what a drain-and-replace gives, and what to drain for a target.

Nothing is stored. Invariants: mixing sums are by volume, whatever basis the request states its shares on; above
the tables' range nothing is told and the request is refused; below it the freezing point alone is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from api.services.places import placed
from domain.coolant import (
    Basis,
    FreezeTable,
    FreezingPoint,
    Glycol,
    InhibitorState,
    drain_and_replace,
    drain_for_target,
    freezing_point,
    mass_share,
    share_for_protection,
    volume_share,
    volume_share_steps,
)
from domain.corrections import nearest_ml
from domain.errors import Breach, ExchangeError
from domain.refill import FACTOR_NOT_APPLIED, FINAL_LEVEL_CHECK
from domain.working import Notice

if TYPE_CHECKING:
    from collections.abc import Iterator

    from domain.working import Step

FOUND_OUTSIDE_TABLE = Notice(
    "found_outside_table",
    "What is in the circuit lies outside the table's range: no freezing point is told for it.",
    "the table's valid range",
)
RESULT_BELOW_TABLE = Notice(
    "result_below_table",
    "The mixture lies below the table's range: no freezing point is told, and it protects little against frost.",
    "the table's valid range",
)
_ABOVE = frozenset({"glycol_share_above_table"})
_BELOW = frozenset({"glycol_share_below_table"})


@dataclass(frozen=True, slots=True)
class MixAsk:
    """A coolant, and what is to be done to it.

    Attributes:
        glycol: Its glycol.
        basis: Whether shares are by volume or by mass.
        table: Table of freezing points.
        inhibitor: State of the corrosion inhibitor, as tested.
        is_low_conductivity: Whether it is a low-conductivity coolant.
        found_share: Share of glycol found.
        system_ml: Coolant in the circuit [mL]; None asks for the freezing point alone.
        poured_share: Share of glycol in what is poured, 0 (water) to 1 (concentrate).
        drained_ml: Drained, and poured after it [mL].
        target_share: Share of glycol wanted.
        protect_to_c: Temperature down to which it shall be relied on, instead [degC].
        drainable_ml: What one drain takes out at most [mL].
    """

    glycol: Glycol
    basis: Basis
    table: FreezeTable
    inhibitor: InhibitorState | None
    is_low_conductivity: bool
    found_share: float
    system_ml: int | None
    poured_share: float | None
    drained_ml: int | None
    target_share: float | None
    protect_to_c: float | None
    drainable_ml: int | None


@dataclass(frozen=True, slots=True)
class MixState:
    """A mixture.

    Attributes:
        volume_share: Share of glycol by volume.
        mass_share: Share of glycol by mass.
        freezing: Its freezing point; None where the table tells none.
    """

    volume_share: float
    mass_share: float
    freezing: FreezingPoint | None


@dataclass(frozen=True, slots=True)
class MixPass:
    """One drain-and-replace.

    Attributes:
        drained_ml: Drained and poured [mL].
        volume_share: Share of glycol by volume after it.
        mass_share: Share of glycol by mass after it.
    """

    drained_ml: int
    volume_share: float
    mass_share: float


@dataclass(frozen=True, slots=True)
class MixFound:
    """The answer.

    Attributes:
        found: What is in the circuit.
        target_share: Share of glycol by volume that is wanted; None where none is.
        exact_ml: What one drain would have to take out for it, not rounded [mL].
        passes: The passes.
        result: What is in the circuit in the end; None where nothing is done.
        system_ml: Coolant in the circuit [mL].
        glycol_ml: Glycol in it in the end [mL].
        poured_ml: Poured in all [mL].
        notices: What to know beside the figures.
        working: The steps, each with the mixture that it belongs to; None for the mixing itself.
    """

    found: MixState
    target_share: float | None
    exact_ml: float | None
    passes: tuple[MixPass, ...]
    result: MixState | None
    system_ml: int | None
    glycol_ml: int | None
    poured_ml: int | None
    notices: tuple[Notice, ...]
    working: tuple[tuple[str | None, tuple[Step, ...]], ...]


def mixed(ask: MixAsk) -> MixFound:
    """Freezing points, and the passes that lead from what is found to what is wanted.

    Raises:
        RefusedError: A figure is missing, given twice or out of range; a target that is not reached; a
            mixture above the table's range; a low-conductivity coolant.
    """
    _check_question(ask)
    if ask.system_ml is None:
        with placed({"/glycol_share": "/found_share"}):
            freezing = _freezing(ask, ask.found_share, ask.basis)
        return _frozen(ask, freezing)
    if ask.drained_ml is not None:
        return _replaced(ask, ask.system_ml, ask.drained_ml)
    return _led_to_target(ask, ask.system_ml)


def _check_question(ask: MixAsk) -> None:
    work = {
        "/poured_share": ask.poured_share,
        "/drained_volume": ask.drained_ml,
        "/target_share": ask.target_share,
        "/protect_to": ask.protect_to_c,
        "/drainable_volume": ask.drainable_ml,
    }
    if ask.system_ml is None:
        detail = "this goes with system_volume; without it only the freezing point is told"
        breaches = [
            Breach(place, "system_volume_missing", detail)
            for place, value in work.items()
            if value is not None
        ]
    else:
        breaches = list(_exchange_breaches(ask))
    if breaches:
        raise RefusedError(*breaches)


def _exchange_breaches(ask: MixAsk) -> Iterator[Breach]:
    ways = [ask.drained_ml, ask.target_share, ask.protect_to_c]
    if sum(one is not None for one in ways) != 1:
        detail = "give drained_volume, target_share or protect_to: one of them"
        yield Breach("", "exchange_not_one_way", detail)
    if ask.poured_share is None:
        yield Breach("/poured_share", "poured_share_missing", "say what is poured: 0 is water, 1 concentrate")
    if ask.drainable_ml is not None and ask.drained_ml is not None:
        detail = "what one drain can take out goes with a target"
        yield Breach("/drainable_volume", "drained_given_twice", detail)


def _frozen(ask: MixAsk, freezing: FreezingPoint) -> MixFound:
    by_volume = _by_volume(ask, ask.found_share)
    return MixFound(
        found=_state(ask, by_volume, freezing),
        target_share=None,
        exact_ml=None,
        passes=(),
        result=None,
        system_ml=None,
        glycol_ml=None,
        poured_ml=None,
        notices=freezing.notices,
        working=(("found", freezing.working),),
    )


def _replaced(ask: MixAsk, system_ml: int, drained_ml: int) -> MixFound:
    poured_share = ask.poured_share or 0.0
    with placed(_PLACES):
        mixture = drain_and_replace(
            system_ml=system_ml,
            drained_ml=drained_ml,
            found_share=_by_volume(ask, ask.found_share),
            poured_share=_by_volume(ask, poured_share),
            is_low_conductivity=ask.is_low_conductivity,
        )
    with placed({"/glycol_share": "/poured_share"}):
        freezing, notices = _result_freezing(ask, mixture.share)
    one = MixPass(drained_ml, mixture.share, mass_share(mixture.share, ask.glycol))
    return _changed(ask, system_ml, (one,), freezing, notices, steps=mixture.working)


def _led_to_target(ask: MixAsk, system_ml: int) -> MixFound:
    place = "/protect_to" if ask.target_share is None else "/target_share"
    steps: tuple[Step, ...] = ()
    with placed({**_PLACES, "/target_share": place}):
        if ask.protect_to_c is not None:
            target, step = share_for_protection(
                ask.protect_to_c, glycol=ask.glycol, basis=Basis.VOLUME, table=ask.table
            )
            steps = (step,)
        else:
            target = _by_volume(ask, ask.target_share or 0.0)
            steps = volume_share_steps(ask.target_share or 0.0, glycol=ask.glycol, basis=ask.basis)
        found = drain_for_target(
            system_ml=system_ml,
            found_share=_by_volume(ask, ask.found_share),
            poured_share=_by_volume(ask, ask.poured_share or 0.0),
            target_share=target,
            drainable_ml=ask.drainable_ml,
            is_low_conductivity=ask.is_low_conductivity,
        )
    with placed({"/glycol_share": place}):
        freezing, notices = _result_freezing(ask, found.share)
    passes = tuple(MixPass(p.drained_ml, p.share, mass_share(p.share, ask.glycol)) for p in found.passes)
    return _changed(
        ask,
        system_ml,
        passes,
        freezing,
        notices,
        steps=(*steps, *found.working),
        target=(target, found.exact_ml),
    )


def _changed(  # noqa: PLR0913 - a mixture's figures
    ask: MixAsk,
    system_ml: int,
    passes: tuple[MixPass, ...],
    freezing: FreezingPoint | None,
    notices: tuple[Notice, ...],
    *,
    steps: tuple[Step, ...],
    target: tuple[float, float] | None = None,
) -> MixFound:
    before, more = _found_freezing(ask)
    found_share = _by_volume(ask, ask.found_share)
    end_share = passes[-1].volume_share if passes else found_share
    conversions = tuple(
        step
        for share in (ask.found_share, ask.poured_share or 0.0)
        if 0 < share < 1
        for step in volume_share_steps(share, glycol=ask.glycol, basis=ask.basis)
    )
    return MixFound(
        found=_state(ask, found_share, before),
        target_share=None if target is None else target[0],
        exact_ml=None if target is None else target[1],
        passes=passes,
        result=_state(ask, end_share, freezing),
        system_ml=system_ml,
        glycol_ml=nearest_ml(system_ml * end_share),
        poured_ml=sum(one.drained_ml for one in passes),
        notices=(FINAL_LEVEL_CHECK, FACTOR_NOT_APPLIED, *notices, *more),
        working=(
            *(() if before is None else (("found", before.working),)),
            (None, (*conversions, *steps)),
            *(() if freezing is None else (("result", freezing.working),)),
        ),
    )


def _state(ask: MixAsk, by_volume: float, freezing: FreezingPoint | None) -> MixState:
    return MixState(by_volume, mass_share(by_volume, ask.glycol), freezing)


def _by_volume(ask: MixAsk, share: float) -> float:
    return share if ask.basis is Basis.VOLUME else volume_share(share, ask.glycol)


def _freezing(ask: MixAsk, share: float, basis: Basis) -> FreezingPoint:
    return freezing_point(
        share,
        glycol=ask.glycol,
        basis=basis,
        table=ask.table,
        inhibitor=ask.inhibitor,
        is_low_conductivity=ask.is_low_conductivity,
    )


def _found_freezing(ask: MixAsk) -> tuple[FreezingPoint | None, tuple[Notice, ...]]:
    """The freezing point of what is found; a circuit of water, or too strong a one, is there to be mended."""
    if not 0 < ask.found_share < 1:
        return None, (FOUND_OUTSIDE_TABLE,)
    try:
        return _freezing(ask, ask.found_share, ask.basis), ()
    except ExchangeError as error:
        if {breach.rule for breach in error.breaches} <= _ABOVE | _BELOW:
            return None, (FOUND_OUTSIDE_TABLE,)
        raise


def _result_freezing(ask: MixAsk, by_volume: float) -> tuple[FreezingPoint | None, tuple[Notice, ...]]:
    """The freezing point of the mixture; above the table's range it is refused."""
    if by_volume == 0:
        return None, (RESULT_BELOW_TABLE,)
    try:
        found = _freezing(ask, by_volume, Basis.VOLUME)
    except ExchangeError as error:
        if {breach.rule for breach in error.breaches} <= _BELOW:
            return None, (RESULT_BELOW_TABLE,)
        raise
    return found, found.notices


_PLACES = {
    "/capacity": "/system_volume",
    "/drained_volumes/0": "/drained_volume",
    "/glycol_share": "/found_share",
}
