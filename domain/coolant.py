"""Glycol coolant: what a drain-and-replace gives, what to drain for a target, and the freezing point.

A share of glycol is by volume or by mass, and says which; mixing sums are by volume. The freezing point comes
from one named table, with the spread between published tables as a guard band: they differ by up to about
3 K, so that nobody should be told a tenth of a degree.

Invariants: glycol and water fill the circuit to the millilitre; a mixture lies between what was in it and
what was poured; above the tables' range, where more glycol protects less, nothing is told. Low-conductivity
coolants go by the vehicle's sheet alone.

Sources: the curves are polynomials of our own, fitted to figures that CoolProp 8.0 gives for its mixtures AEG
and APG (ASHRAE Fundamentals 2001, share by volume) and MEG and MPG (Melinder 2010, share by mass), to within
0.002 K over the whole range; Lange's Handbook of Chemistry, 15th edition, Table 5.13.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

from domain.corrections import nearest_ml
from domain.errors import Breach, ExchangeError
from domain.exchange import MAX_PASSES, capacity_breaches, refuse, volume_breaches
from domain.units import Dimension
from domain.working import Figure, Notice, Plain, Step, density, share, temperature, volume

if TYPE_CHECKING:
    from collections.abc import Iterator

GUARD_BAND_MIN_K = 3.0
USE_RANGE_BY_VOLUME = (0.40, 0.60)
WATER_20C_KG_M3 = 998.2
MIXING_SOURCE = "mass balance of a well-mixed circuit: x = V (c1 - c0)/(cr - c0), as in textbooks of algebra"
DENSITY_SOURCE = "ideal mixing at 20 degC; densities of the pure fluids as CoolProp 8.0 gives them"
_IDEAL = "ideal mixing; volumes as at 20 degC"

ABOVE_RANGE_WORDS = "above it more glycol protects less, and no figure is given"
ASK_INHIBITOR = Notice(
    "inhibitor_state_needed",
    "The freezing point says nothing about the corrosion inhibitor: its state has to be tested and told "
    "beside it.",
)
INHIBITOR_SPENT = Notice(
    "inhibitor_spent", "The inhibitor is spent: the coolant is due, whatever its freezing point."
)
OUTSIDE_USE_RANGE = Notice(
    "outside_use_range",
    "Engine coolants are used at 40 to 60 volume % of glycol, up to 70 by agreement.",
    "ASTM D3306, scope, as cited in public pages",
)


class Glycol(StrEnum):
    """The glycol of a coolant."""

    ETHYLENE = "ethylene"
    PROPYLENE = "propylene"


class Basis(StrEnum):
    """What a share of glycol is a share of."""

    VOLUME = "volume"
    MASS = "mass"


class FreezeTable(StrEnum):
    """A published table of freezing points."""

    ASHRAE_2001 = "ashrae_2001"
    MELINDER_2010 = "melinder_2010"
    LANGE_15 = "lange_15"


class InhibitorState(StrEnum):
    """State of the corrosion inhibitor, as tested."""

    GOOD = "good"
    SPENT = "spent"


@dataclass(frozen=True, slots=True)
class TableFigure:
    """What one table gives for the mixture.

    Attributes:
        table: The table.
        share: Share of glycol on the table's basis.
        basis: The table's basis.
        freezing_c: Freezing point [degC].
    """

    table: FreezeTable
    share: float
    basis: Basis
    freezing_c: float


@dataclass(frozen=True, slots=True)
class FreezingPoint:
    """The freezing point of a mixture.

    Attributes:
        freezing_c: By the table asked for [degC].
        figure: That table's figure.
        others: What the other tables give, where the mixture lies in their range.
        spread_k: Difference between the highest and the lowest of all these [K].
        guard_k: Guard band: the spread, at least 3 K [K].
        protected_to_c: Freezing point plus guard band: what may be relied on [degC].
        notices: What to know beside the figures.
        working: The steps.
    """

    freezing_c: float
    figure: TableFigure
    others: tuple[TableFigure, ...]
    spread_k: float
    guard_k: float
    protected_to_c: float
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class ShareNeeded:
    """The share of glycol that a freezing point takes.

    Attributes:
        share: Share on the basis asked for that freezes at the temperature.
        guarded_share: Share that freezes a guard band of 3 K below it; None beyond the table's range.
        table: The table.
        working: The steps.
    """

    share: float
    guarded_share: float | None
    table: FreezeTable
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Mixture:
    """What a drain-and-replace gives.

    Attributes:
        share: Share of glycol by volume.
        glycol_ml: Glycol in the circuit [mL].
        water_ml: The rest [mL]; both fill the circuit.
        drained_ml: Drained and poured [mL].
        working: The steps.
    """

    share: float
    glycol_ml: int
    water_ml: int
    drained_ml: int
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class CoolantPass:
    """One drain-and-replace on the way to a target.

    Attributes:
        drained_ml: Drained and poured [mL].
        share: Share of glycol by volume after it.
    """

    drained_ml: int
    share: float


@dataclass(frozen=True, slots=True)
class CoolantPlan:
    """What to drain and replace to reach a share of glycol.

    Attributes:
        exact_ml: What one drain would have to take out, not rounded [mL].
        passes: The passes; more than one where the circuit drains less than that, none where it is reached.
        share: Share of glycol by volume in the end.
        poured_ml: Poured in all [mL].
        working: The steps.
    """

    exact_ml: float
    passes: tuple[CoolantPass, ...]
    share: float
    poured_ml: int
    working: tuple[Step, ...]


def freezing_point(  # noqa: PLR0913 - the figures of one request, by keyword
    glycol_share: float,
    *,
    glycol: Glycol,
    basis: Basis,
    table: FreezeTable = FreezeTable.ASHRAE_2001,
    inhibitor: InhibitorState | None = None,
    is_low_conductivity: bool = False,
) -> FreezingPoint:
    """The freezing point of a mixture by a named table, with a guard band from the other tables.

    Args:
        glycol_share: Share of glycol, above 0 and below 1.
        glycol: Which glycol.
        basis: Whether the share is by volume or by mass.
        table: The table; one by the other basis is entered at the converted share.
        inhibitor: State of the inhibitor, as tested.
        is_low_conductivity: Whether it is a low-conductivity coolant.

    Raises:
        ExchangeError: A share of 0 or 1 or beyond, one outside the table's range, a table without this
            glycol, a low-conductivity coolant.
    """
    refuse(*_conductivity_breaches(is_low_conductivity=is_low_conductivity), *_open_share(glycol_share))
    figure = _figure(glycol_share, glycol, basis, table)
    others = tuple(
        _figure(glycol_share, glycol, basis, other)
        for other in FreezeTable
        if other is not table and _is_in_range(glycol_share, glycol, basis, other)
    )
    all_c = [figure.freezing_c, *(other.freezing_c for other in others)]
    spread = max(all_c) - min(all_c)
    guard = max(GUARD_BAND_MIN_K, spread)
    low, high = USE_RANGE_BY_VOLUME
    by_volume = _on_basis(glycol_share, glycol, basis, Basis.VOLUME)
    notices = [*_inhibitor_notices(inhibitor), *([] if low <= by_volume <= high else [OUTSIDE_USE_RANGE])]
    return FreezingPoint(
        freezing_c=figure.freezing_c,
        figure=figure,
        others=others,
        spread_k=spread,
        guard_k=guard,
        protected_to_c=figure.freezing_c + guard,
        notices=tuple(notices),
        working=(
            *_basis_steps(glycol_share, glycol, basis, figure.basis, figure.share),
            *(_table_step(one, glycol) for one in (figure, *others)),
            Step(
                "guard_band",
                "max(3 K, highest - lowest of the tables)",
                tuple(temperature(one.table.value, one.freezing_c) for one in (figure, *others)),
                guard,
                Plain.KELVIN_DIFFERENCE,
                "spread between published tables, up to about 3 K",
            ),
            Step(
                "protected_to",
                "t + guard",
                (temperature("t", figure.freezing_c), Figure("guard", guard, Plain.KELVIN_DIFFERENCE)),
                figure.freezing_c + guard,
                Dimension.TEMPERATURE,
            ),
        ),
    )


def share_for_freezing_point(
    freezing_c: float,
    *,
    glycol: Glycol,
    basis: Basis,
    table: FreezeTable = FreezeTable.ASHRAE_2001,
) -> ShareNeeded:
    """The share of glycol that freezes at a temperature by a named table, and one with the guard band of 3 K.

    Args:
        freezing_c: Freezing point wanted [degC].
        glycol: Which glycol.
        basis: Whether the share is given by volume or by mass.
        table: The table.

    Raises:
        ExchangeError: A temperature outside the table's range, a table without this glycol.
    """
    curve = _curve(glycol, table)
    found = curve.share_at(freezing_c)
    if found is None:
        detail = f"the table holds from {curve.at(curve.low):.1f} to {curve.at(curve.high):.1f} degC"
        raise ExchangeError(Breach("/freezing_point", "temperature_outside_table", detail))
    guarded = curve.share_at(freezing_c - GUARD_BAND_MIN_K)
    given = _on_basis(found, glycol, curve.basis, basis)
    return ShareNeeded(
        share=given,
        guarded_share=None if guarded is None else _on_basis(guarded, glycol, curve.basis, basis),
        table=table,
        working=(
            Step(
                "table_share",
                f"the share by {curve.basis.value} whose freezing point is t",
                (temperature("t", freezing_c),),
                found,
                Plain.SHARE,
                curve.source,
                curve.valid,
            ),
            *_basis_steps(given, glycol, basis, curve.basis, found),
        ),
    )


def share_for_protection(
    protected_to_c: float,
    *,
    glycol: Glycol,
    basis: Basis,
    table: FreezeTable = FreezeTable.ASHRAE_2001,
) -> tuple[float, Step]:
    """The least share of glycol that may be relied on down to a temperature, its guard band included.

    Args:
        protected_to_c: Temperature down to which it shall be relied on [degC].
        glycol: Which glycol.
        basis: Whether the share is given by volume or by mass.
        table: The table.

    Returns:
        The share on the basis asked for, and its step.

    Raises:
        ExchangeError: A temperature that no share within the table's range protects to, or that even the
            lowest one does; a table without this glycol.
    """
    curve = _curve(glycol, table)

    def reached_c(at_share: float) -> float:
        return freezing_point(at_share, glycol=glycol, basis=curve.basis, table=table).protected_to_c

    low, high = curve.low, curve.high
    if not reached_c(high) <= protected_to_c <= reached_c(low):
        detail = (
            f"with the guard band the table holds from {reached_c(low):.1f} to {reached_c(high):.1f} degC"
        )
        raise ExchangeError(Breach("/protect_to", "temperature_outside_table", detail))
    # More glycol within the range protects further down all the way, the guard band included.
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if reached_c(middle) > protected_to_c else (low, middle)
    found = _on_basis(high, glycol, curve.basis, basis)
    return found, Step(
        "share_for_protection",
        f"the least share by {basis.value} with t + guard <= t_wanted",
        (temperature("t_wanted", protected_to_c),),
        found,
        Plain.SHARE,
        curve.source,
        curve.valid,
    )


def mass_share(volume_share: float, glycol: Glycol) -> float:
    """The share of glycol by mass that belongs to a share by volume, by ideal mixing at 20 degC."""
    heavy = volume_share * _GLYCOL_20C_KG_M3[glycol]
    return heavy / (heavy + (1 - volume_share) * WATER_20C_KG_M3)


def volume_share(by_mass: float, glycol: Glycol) -> float:
    """The share of glycol by volume that belongs to a share by mass, by ideal mixing at 20 degC."""
    large = by_mass / _GLYCOL_20C_KG_M3[glycol]
    return large / (large + (1 - by_mass) / WATER_20C_KG_M3)


def volume_share_steps(glycol_share: float, *, glycol: Glycol, basis: Basis) -> tuple[Step, ...]:
    """The step that leads to the share by volume; none where the share is by volume."""
    by_volume = _on_basis(glycol_share, glycol, basis, Basis.VOLUME)
    return tuple(_basis_steps(glycol_share, glycol, basis, Basis.VOLUME, by_volume))


def drain_and_replace(
    *,
    system_ml: int,
    drained_ml: int,
    found_share: float,
    poured_share: float,
    is_low_conductivity: bool = False,
) -> Mixture:
    """The share of glycol after a drain-and-replace and running, by volume.

    Args:
        system_ml: Coolant in the circuit [mL].
        drained_ml: Drained, and poured after it [mL].
        found_share: Share of glycol found, by volume, 0 to 1.
        poured_share: Share of glycol in what is poured, by volume, 0 (water) to 1 (concentrate).
        is_low_conductivity: Whether it is a low-conductivity coolant.

    Raises:
        ExchangeError: Bad volumes or shares, a low-conductivity coolant.
    """
    refuse(
        *_conductivity_breaches(is_low_conductivity=is_low_conductivity),
        *volume_breaches(system_ml, [drained_ml]),
        *_closed_share("/found_share", found_share),
        *_closed_share("/poured_share", poured_share),
    )
    result = _mixed(system_ml, drained_ml, found_share, poured_share)
    glycol_ml = nearest_ml(system_ml * result)
    return Mixture(
        share=result,
        glycol_ml=glycol_ml,
        water_ml=system_ml - glycol_ml,
        drained_ml=drained_ml,
        working=(_mix_step(system_ml, drained_ml, found_share, poured_share),),
    )


def drain_for_target(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    system_ml: int,
    found_share: float,
    poured_share: float,
    target_share: float,
    drainable_ml: int | None = None,
    is_low_conductivity: bool = False,
) -> CoolantPlan:
    """What to drain and replace to reach a share of glycol, in as many passes as the drainable volume takes.

    Args:
        system_ml: Coolant in the circuit [mL].
        found_share: Share of glycol found, by volume, 0 to 1.
        poured_share: Share of glycol in what is poured, by volume, 0 (water) to 1 (concentrate).
        target_share: Share of glycol wanted, by volume, above 0 and below 1.
        drainable_ml: What one drain takes out at most [mL]; None: all of it.
        is_low_conductivity: Whether it is a low-conductivity coolant.

    Raises:
        ExchangeError: Bad volumes or shares, what is poured weaker (or stronger) than the target, a target
            that more than ``MAX_PASSES`` passes would take, a low-conductivity coolant.
    """
    most_ml = system_ml if drainable_ml is None else drainable_ml
    refuse(
        *_conductivity_breaches(is_low_conductivity=is_low_conductivity),
        *capacity_breaches(system_ml),
        *_drainable_breaches(system_ml, drainable_ml),
        *_closed_share("/found_share", found_share),
        *_closed_share("/poured_share", poured_share),
        *_open_share(target_share, "/target_share"),
    )
    refuse(*_target_breaches(found_share, poured_share, target_share))
    if abs(target_share - found_share) <= _ROUNDING_SHARE:
        return CoolantPlan(0.0, (), found_share, 0, ())
    if poured_share == target_share and most_ml < system_ml:
        detail = "what is poured is just the target, which drains of a part only approach"
        raise ExchangeError(Breach("/target_share", "target_not_reached", detail))
    exact_ml = _needed_ml(system_ml, found_share, poured_share, target_share)
    steps = [
        Step(
            "drain_needed",
            "V * (c1 - c0)/(cr - c0)",
            (
                volume("V", system_ml),
                share("c1", target_share),
                share("c0", found_share),
                share("cr", poured_share),
            ),
            exact_ml,
            Dimension.VOLUME,
            MIXING_SOURCE,
            _IDEAL,
        )
    ]
    passes: list[CoolantPass] = []
    current, needed = found_share, exact_ml
    while needed > most_ml + _ROUNDING_ML:
        if len(passes) == MAX_PASSES:
            detail = f"{MAX_PASSES} passes reach {current:.6g}; no plan has more passes"
            raise ExchangeError(Breach("/target_share", "target_not_reached", detail))
        steps.append(_mix_step(system_ml, most_ml, current, poured_share))
        current = _mixed(system_ml, most_ml, current, poured_share)
        passes.append(CoolantPass(most_ml, current))
        needed = _needed_ml(system_ml, current, poured_share, target_share)
    last_ml = nearest_ml(needed)
    if last_ml > 0:
        steps.append(_mix_step(system_ml, last_ml, current, poured_share))
        current = _mixed(system_ml, last_ml, current, poured_share)
        passes.append(CoolantPass(last_ml, current))
    return CoolantPlan(exact_ml, tuple(passes), current, sum(p.drained_ml for p in passes), tuple(steps))


@dataclass(frozen=True, slots=True)
class _Curve:
    # ``terms``: coefficients of (share - 0.35)^0, ^1, ...; ``points``: a table to interpolate in, by rising
    # share.
    basis: Basis
    source: str
    low: float
    high: float
    terms: tuple[float, ...] = ()
    points: tuple[tuple[float, float], ...] = ()

    @property
    def valid(self) -> str:
        return f"{self.low:.0%} to {self.high:.0%} by {self.basis.value}; {ABOVE_RANGE_WORDS}"

    @property
    def formula(self) -> str:
        if self.points:
            return "straight line between the table's neighbouring rows"
        return " ".join(f"{term:+.10g}*(c - 0.35)^{power}" for power, term in enumerate(self.terms))

    def at(self, glycol_share: float) -> float:
        if self.points:
            (left, upper), (right, lower) = next(
                pair for pair in pairwise(self.points) if glycol_share <= pair[1][0]
            )
            return upper + (lower - upper) * (glycol_share - left) / (right - left)
        found = 0.0
        for term in reversed(self.terms):
            found = found * (glycol_share - _CENTRE) + term
        return found

    def share_at(self, freezing_c: float) -> float | None:
        # The curves fall all the way, so halving the interval finds the one share.
        low, high = self.low, self.high
        if not self.at(high) <= freezing_c <= self.at(low):
            return None
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            low, high = (middle, high) if self.at(middle) > freezing_c else (low, middle)
        return high


def _curve(glycol: Glycol, table: FreezeTable) -> _Curve:
    curve = _CURVES.get((glycol, table))
    if curve is None:
        detail = f"{table.value} has no figures for {glycol.value} glycol"
        raise ExchangeError(Breach("/table", "glycol_not_in_table", detail))
    return curve


def _figure(glycol_share: float, glycol: Glycol, basis: Basis, table: FreezeTable) -> TableFigure:
    curve = _curve(glycol, table)
    entered = _on_basis(glycol_share, glycol, basis, curve.basis)
    if entered > curve.high + _ROUNDING_SHARE:
        detail = f"the table ends at {curve.high:.0%} by {curve.basis.value}; {ABOVE_RANGE_WORDS}"
        raise ExchangeError(Breach("/glycol_share", "glycol_share_above_table", detail))
    if entered < curve.low - _ROUNDING_SHARE:
        detail = f"the table begins at {curve.low:.0%} by {curve.basis.value}"
        raise ExchangeError(Breach("/glycol_share", "glycol_share_below_table", detail))
    entered = min(max(entered, curve.low), curve.high)
    return TableFigure(table, entered, curve.basis, curve.at(entered))


def _is_in_range(glycol_share: float, glycol: Glycol, basis: Basis, table: FreezeTable) -> bool:
    curve = _CURVES.get((glycol, table))
    if curve is None:
        return False
    return curve.low <= _on_basis(glycol_share, glycol, basis, curve.basis) <= curve.high


def _on_basis(glycol_share: float, glycol: Glycol, given: Basis, wanted: Basis) -> float:
    if given is wanted:
        return glycol_share
    return mass_share(glycol_share, glycol) if wanted is Basis.MASS else volume_share(glycol_share, glycol)


def _mixed(system_ml: int, drained_ml: int, found_share: float, poured_share: float) -> float:
    return found_share + drained_ml / system_ml * (poured_share - found_share)


def _needed_ml(system_ml: int, current_share: float, poured_share: float, target_share: float) -> float:
    if abs(target_share - current_share) <= _ROUNDING_SHARE:
        return 0.0
    return system_ml * (target_share - current_share) / (poured_share - current_share)


def _mix_step(system_ml: int, drained_ml: int, found_share: float, poured_share: float) -> Step:
    return Step(
        "share_after",
        "c0 + d/V * (cr - c0)",
        (
            share("c0", found_share),
            volume("d", drained_ml),
            volume("V", system_ml),
            share("cr", poured_share),
        ),
        _mixed(system_ml, drained_ml, found_share, poured_share),
        Plain.SHARE,
        MIXING_SOURCE,
        _IDEAL,
    )


def _basis_steps(
    glycol_share: float, glycol: Glycol, basis: Basis, wanted: Basis, on_wanted: float
) -> Iterator[Step]:
    if basis is wanted:
        return
    densities = (density("rg", _GLYCOL_20C_KG_M3[glycol]), density("rw", WATER_20C_KG_M3))
    if basis is Basis.VOLUME:
        formula, symbol = "v*rg/(v*rg + (1 - v)*rw)", "v"
    else:
        formula, symbol = "(w/rg)/(w/rg + (1 - w)/rw)", "w"
    yield Step(
        f"share_by_{wanted.value}",
        formula,
        (share(symbol, glycol_share), *densities),
        on_wanted,
        Plain.SHARE,
        DENSITY_SOURCE,
        _IDEAL,
    )


def _table_step(figure: TableFigure, glycol: Glycol) -> Step:
    curve = _CURVES[glycol, figure.table]
    return Step(
        f"freezing_point_{figure.table.value}",
        curve.formula,
        (share("c", figure.share),),
        figure.freezing_c,
        Dimension.TEMPERATURE,
        curve.source,
        curve.valid,
    )


def _inhibitor_notices(inhibitor: InhibitorState | None) -> list[Notice]:
    if inhibitor is None:
        return [ASK_INHIBITOR]
    return [INHIBITOR_SPENT] if inhibitor is InhibitorState.SPENT else []


def _conductivity_breaches(*, is_low_conductivity: bool) -> list[Breach]:
    if not is_low_conductivity:
        return []
    detail = "a low-conductivity coolant is filled and judged by the vehicle's sheet alone"
    return [Breach("/is_low_conductivity", "low_conductivity_by_sheet_only", detail)]


def _drainable_breaches(system_ml: int, drainable_ml: int | None) -> list[Breach]:
    if drainable_ml is None or 0 < drainable_ml <= system_ml:
        return []
    detail = "a drain takes out more than nothing and at most what the circuit holds"
    return [Breach("/drainable_volume", "drainable_volume_out_of_range", detail)]


def _open_share(glycol_share: float, pointer: str = "/glycol_share") -> list[Breach]:
    if 0 < glycol_share < 1:
        return []
    return [Breach(pointer, "glycol_share_out_of_range", "a share of glycol lies above 0 and below 1")]


def _closed_share(pointer: str, glycol_share: float) -> list[Breach]:
    if 0 <= glycol_share <= 1:
        return []
    return [Breach(pointer, "glycol_share_out_of_range", "a share of glycol lies from 0 to 1")]


def _target_breaches(found_share: float, poured_share: float, target_share: float) -> list[Breach]:
    if found_share < target_share and poured_share < target_share:
        detail = "what is poured holds less glycol than the target, which no exchange then reaches"
        return [Breach("/poured_share", "concentrate_weaker_than_target", detail)]
    if found_share > target_share and poured_share > target_share:
        detail = "what is poured holds more glycol than the target, which no exchange then reaches"
        return [Breach("/poured_share", "poured_stronger_than_target", detail)]
    return []


_CENTRE = 0.35
_HALVINGS = 60
_ROUNDING_ML = 1e-6
_ROUNDING_SHARE = 1e-12
_GLYCOL_20C_KG_M3 = {Glycol.ETHYLENE: 1113.2, Glycol.PROPYLENE: 1036.1}
_ASHRAE = "ASHRAE Fundamentals 2001 by way of CoolProp 8.0 ({}), own polynomial within 0.002 K"
_MELINDER = "Melinder 2010 by way of CoolProp 8.0 ({}), own polynomial within 0.002 K"
_CURVES: dict[tuple[Glycol, FreezeTable], _Curve] = {
    (Glycol.ETHYLENE, FreezeTable.ASHRAE_2001): _Curve(
        Basis.VOLUME,
        _ASHRAE.format("AEG"),
        0.10,
        0.60,
        (-19.877, -90.542, -149.35, -169.487, 392.135, 1110.588, -572.489),
    ),
    (Glycol.PROPYLENE, FreezeTable.ASHRAE_2001): _Curve(
        Basis.VOLUME,
        _ASHRAE.format("APG"),
        0.10,
        0.60,
        (-16.913, -83.596, -157.177, -172.447, -154.193, -228.478, 400.647),
    ),
    (Glycol.ETHYLENE, FreezeTable.MELINDER_2010): _Curve(
        Basis.MASS, _MELINDER.format("MEG"), 0.10, 0.60, (-18.841, -92.231, -141.438, -56.018, 102.968, 11.4)
    ),
    (Glycol.PROPYLENE, FreezeTable.MELINDER_2010): _Curve(
        Basis.MASS,
        _MELINDER.format("MPG"),
        0.10,
        0.60,
        (-16.321, -77.082, -142.49, -284.188, -309.425, 146.5),
    ),
    (Glycol.PROPYLENE, FreezeTable.LANGE_15): _Curve(
        Basis.VOLUME,
        "Lange's Handbook of Chemistry, 15th edition, Table 5.13, p. 5.85",
        0.05,
        0.50,
        points=(
            (0.05, -1.1),
            (0.10, -2.2),
            (0.15, -3.9),
            (0.20, -6.7),
            (0.25, -8.9),
            (0.30, -12.8),
            (0.35, -16.1),
            (0.40, -20.6),
            (0.45, -26.7),
            (0.50, -33.3),
        ),
    ),
}
