"""Coolant: mixing by hand, freezing points by table, and what is refused."""

from __future__ import annotations

import math

import pytest

from domain.coolant import (
    ASK_INHIBITOR,
    INHIBITOR_SPENT,
    OUTSIDE_USE_RANGE,
    Basis,
    FreezeTable,
    Glycol,
    InhibitorState,
    drain_and_replace,
    drain_for_target,
    freezing_point,
    mass_share,
    share_for_freezing_point,
    share_for_protection,
    volume_share,
    volume_share_steps,
)
from domain.errors import ExchangeError


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


def test_half_drained_and_filled_with_water_halves_the_share() -> None:
    """Half drained and filled with water halves the share."""
    result = drain_and_replace(system_ml=9000, drained_ml=4500, found_share=0.5, poured_share=0)
    assert (result.share, result.glycol_ml, result.water_ml) == (0.25, 2250, 6750)
    assert result.working[0].result == 0.25


def test_one_drain_that_suffices_by_hand() -> None:
    """One drain that suffices by hand."""
    # 10 L at 30 %, to 50 % with concentrate: 10 * 0.2/0.7 = 2.857 L
    result = drain_for_target(system_ml=10_000, found_share=0.3, poured_share=1, target_share=0.5)
    assert result.exact_ml == pytest.approx(20_000 / 7, abs=1e-9)
    assert [p.drained_ml for p in result.passes] == [2857]
    assert result.share == pytest.approx(0.5, abs=1e-4)


def test_a_small_drain_takes_passes_by_hand() -> None:
    """A small drain takes passes by hand."""
    # 10 L, 2 L a drain, 30 % with concentrate: 0.44, then 10 * 0.06/0.56 = 1.071 L more
    result = drain_for_target(
        system_ml=10_000, found_share=0.3, poured_share=1, target_share=0.5, drainable_ml=2000
    )
    assert [p.drained_ml for p in result.passes] == [2000, 1071]
    assert result.passes[0].share == pytest.approx(0.44, abs=1e-15)
    assert result.poured_ml == 3071
    assert [s.name for s in result.working] == ["drain_needed", "share_after", "share_after"]


def test_a_share_already_reached_takes_nothing() -> None:
    """A share already reached takes nothing."""
    result = drain_for_target(system_ml=10_000, found_share=0.5, poured_share=0.5, target_share=0.5)
    assert (result.passes, result.poured_ml, result.exact_ml, result.share) == ((), 0, 0.0, 0.5)


def test_less_than_half_a_millilitre_is_no_drain() -> None:
    """Less than half a millilitre is no drain."""
    result = drain_for_target(system_ml=1000, found_share=0.5, poured_share=1, target_share=0.5001)
    assert result.passes == ()
    assert result.share == 0.5


def test_a_whole_exchange_reaches_what_is_poured() -> None:
    """A whole exchange reaches what is poured."""
    result = drain_for_target(system_ml=8000, found_share=0.1, poured_share=0.5, target_share=0.5)
    assert [p.drained_ml for p in result.passes] == [8000]
    assert result.share == 0.5


def test_a_target_that_is_only_approached_is_refused() -> None:
    """A target that is only approached is refused."""
    with pytest.raises(ExchangeError) as raised:
        drain_for_target(
            system_ml=8000, found_share=0.1, poured_share=0.5, target_share=0.5, drainable_ml=100
        )
    assert rules(raised) == [("/target_share", "target_not_reached")]


def test_too_many_passes_are_refused() -> None:
    """A target that a hundred passes of a small drain do not reach."""
    with pytest.raises(ExchangeError) as raised:
        drain_for_target(
            system_ml=8000, found_share=0.1, poured_share=0.6, target_share=0.59, drainable_ml=100
        )
    assert rules(raised) == [("/target_share", "target_not_reached")]


def test_rounding_never_asks_for_a_pass_that_nothing_is_left_for() -> None:
    """What is poured lies a rounding error above the target: the plan ends once the target is reached."""
    result = drain_for_target(
        system_ml=8000, found_share=0.1, poured_share=0.5 + 2e-16, target_share=0.5, drainable_ml=6000
    )
    assert result.share == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize(
    ("found", "poured", "rule"),
    [(0.3, 0.4, "concentrate_weaker_than_target"), (0.6, 0.7, "poured_stronger_than_target")],
)
def test_what_no_exchange_reaches_is_refused(found: float, poured: float, rule: str) -> None:
    """What no exchange reaches is refused."""
    with pytest.raises(ExchangeError) as raised:
        drain_for_target(system_ml=8000, found_share=found, poured_share=poured, target_share=0.5)
    assert rules(raised) == [("/poured_share", rule)]


def test_bad_figures_are_named_together() -> None:
    """Bad figures are named together."""
    with pytest.raises(ExchangeError) as raised:
        drain_for_target(
            system_ml=0,
            found_share=-0.1,
            poured_share=1.1,
            target_share=1,
            drainable_ml=5,
            is_low_conductivity=True,
        )
    assert rules(raised) == [
        ("/is_low_conductivity", "low_conductivity_by_sheet_only"),
        ("/capacity", "capacity_not_positive"),
        ("/drainable_volume", "drainable_volume_out_of_range"),
        ("/found_share", "glycol_share_out_of_range"),
        ("/poured_share", "glycol_share_out_of_range"),
        ("/target_share", "glycol_share_out_of_range"),
    ]


def test_more_drained_than_the_circuit_holds_is_refused() -> None:
    """More drained than the circuit holds is refused."""
    with pytest.raises(ExchangeError) as raised:
        drain_and_replace(system_ml=8000, drained_ml=8001, found_share=0.5, poured_share=1)
    assert rules(raised) == [("/drained_volumes/0", "drained_volume_above_capacity")]


def test_a_freezing_point_comes_with_its_guard_band() -> None:
    """A freezing point comes with its guard band."""
    result = freezing_point(0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME, inhibitor=InhibitorState.GOOD)
    assert result.figure.table is FreezeTable.ASHRAE_2001
    assert [o.table for o in result.others] == [FreezeTable.MELINDER_2010]
    assert result.spread_k == pytest.approx(result.freezing_c - result.others[0].freezing_c, abs=1e-12)
    assert result.guard_k == 3.0
    assert result.protected_to_c == result.freezing_c + 3.0
    assert result.notices == ()


def test_a_wide_spread_widens_the_guard_band() -> None:
    """A wide spread widens the guard band."""
    result = freezing_point(0.57, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert result.guard_k == result.spread_k > 3.0


def test_the_other_basis_is_converted_and_shown() -> None:
    """The other basis is converted and shown."""
    by_mass = freezing_point(0.52723, glycol=Glycol.ETHYLENE, basis=Basis.MASS)
    by_volume = freezing_point(0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert by_mass.freezing_c == pytest.approx(by_volume.freezing_c, abs=0.01)
    assert by_mass.working[0].name == "share_by_volume"
    melinder = freezing_point(
        0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME, table=FreezeTable.MELINDER_2010
    )
    assert melinder.working[0].name == "share_by_mass"


def test_three_tables_for_propylene_glycol() -> None:
    """Three tables for propylene glycol."""
    result = freezing_point(0.5, glycol=Glycol.PROPYLENE, basis=Basis.VOLUME, table=FreezeTable.LANGE_15)
    assert result.freezing_c == pytest.approx(-33.3)
    assert [o.table for o in result.others] == [FreezeTable.ASHRAE_2001, FreezeTable.MELINDER_2010]
    above = freezing_point(0.55, glycol=Glycol.PROPYLENE, basis=Basis.VOLUME)
    assert [o.table for o in above.others] == [FreezeTable.MELINDER_2010]


def test_a_table_is_read_between_its_rows() -> None:
    """A table is read between its rows."""
    # Halfway between 0.30 (-12.8) and 0.35 (-16.1)
    result = freezing_point(0.325, glycol=Glycol.PROPYLENE, basis=Basis.VOLUME, table=FreezeTable.LANGE_15)
    assert result.freezing_c == pytest.approx(-14.45, abs=1e-12)
    assert result.working[0].formula == "straight line between the table's neighbouring rows"


@pytest.mark.parametrize(
    ("inhibitor", "glycol_share", "notices"),
    [
        (None, 0.5, (ASK_INHIBITOR,)),
        (InhibitorState.SPENT, 0.5, (INHIBITOR_SPENT,)),
        (InhibitorState.GOOD, 0.3, (OUTSIDE_USE_RANGE,)),
    ],
)
def test_what_has_to_be_told_beside_it(
    inhibitor: InhibitorState | None, glycol_share: float, notices: tuple[object, ...]
) -> None:
    """What has to be told beside it."""
    result = freezing_point(glycol_share, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME, inhibitor=inhibitor)
    assert result.notices == notices


@pytest.mark.parametrize(
    ("glycol_share", "rule"),
    [
        (0.0, "glycol_share_out_of_range"),
        (1.0, "glycol_share_out_of_range"),
        (math.nan, "glycol_share_out_of_range"),
        (0.601, "glycol_share_above_table"),
        (0.099, "glycol_share_below_table"),
    ],
)
def test_shares_outside_the_range_are_refused(glycol_share: float, rule: str) -> None:
    """Shares outside the range are refused."""
    with pytest.raises(ExchangeError) as raised:
        freezing_point(glycol_share, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert rules(raised) == [("/glycol_share", rule)]


def test_a_table_without_the_glycol_is_refused() -> None:
    """A table without the glycol is refused."""
    with pytest.raises(ExchangeError) as raised:
        freezing_point(0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME, table=FreezeTable.LANGE_15)
    assert rules(raised) == [("/table", "glycol_not_in_table")]


def test_low_conductivity_coolant_goes_by_its_sheet() -> None:
    """Low conductivity coolant goes by its sheet."""
    with pytest.raises(ExchangeError) as raised:
        freezing_point(0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME, is_low_conductivity=True)
    assert rules(raised) == [("/is_low_conductivity", "low_conductivity_by_sheet_only")]


def test_the_share_for_a_freezing_point_leads_back() -> None:
    """The share for a freezing point leads back."""
    needed = share_for_freezing_point(-30, glycol=Glycol.ETHYLENE, basis=Basis.MASS)
    back = freezing_point(needed.share, glycol=Glycol.ETHYLENE, basis=Basis.MASS)
    assert back.freezing_c == pytest.approx(-30, abs=1e-9)
    assert needed.guarded_share is not None
    guarded = freezing_point(needed.guarded_share, glycol=Glycol.ETHYLENE, basis=Basis.MASS)
    assert guarded.freezing_c == pytest.approx(-33, abs=1e-9)
    assert [s.name for s in needed.working] == ["table_share", "share_by_volume"]


def test_near_the_end_of_a_table_there_is_no_guarded_share() -> None:
    """Near the end of a table there is no guarded share."""
    needed = share_for_freezing_point(-50, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert needed.guarded_share is None


@pytest.mark.parametrize("freezing_c", [0.0, -60.0, math.nan])
def test_freezing_points_outside_the_table_are_refused(freezing_c: float) -> None:
    """Freezing points outside the table are refused."""
    with pytest.raises(ExchangeError) as raised:
        share_for_freezing_point(freezing_c, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert rules(raised) == [("/freezing_point", "temperature_outside_table")]


@pytest.mark.parametrize("glycol", list(Glycol))
def test_volume_and_mass_are_inverse(glycol: Glycol) -> None:
    """Volume and mass are inverse."""
    for v in (0.0, 0.25, 0.5, 1.0):
        assert volume_share(mass_share(v, glycol), glycol) == pytest.approx(v, abs=1e-15)


@pytest.mark.parametrize("glycol", Glycol)
@pytest.mark.parametrize("protected_to_c", [-10.0, -25.0, -45.0])
def test_the_share_for_protection_is_the_least_that_protects(glycol: Glycol, protected_to_c: float) -> None:
    """With the guard band: at -45 degC the tables for ethylene glycol lie more than 3 K apart."""
    found, step = share_for_protection(protected_to_c, glycol=glycol, basis=Basis.VOLUME)
    reached = freezing_point(found, glycol=glycol, basis=Basis.VOLUME)
    assert reached.protected_to_c == pytest.approx(protected_to_c, abs=1e-6)
    assert step.result == found
    by_mass, _ = share_for_protection(protected_to_c, glycol=glycol, basis=Basis.MASS)
    assert by_mass == pytest.approx(mass_share(found, glycol), abs=1e-12)


@pytest.mark.parametrize("protected_to_c", [-60.0, 0.0])
def test_protection_outside_the_table_is_refused(protected_to_c: float) -> None:
    """Lower than the strongest mixture of the table protects to, or higher than the weakest."""
    with pytest.raises(ExchangeError) as raised:
        share_for_protection(protected_to_c, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME)
    assert rules(raised) == [("/protect_to", "temperature_outside_table")]


def test_the_step_to_a_share_by_volume() -> None:
    """By ideal mixing at 20 degC: 50 % by mass of ethylene glycol are 47.277 % by volume."""
    (step,) = volume_share_steps(0.5, glycol=Glycol.ETHYLENE, basis=Basis.MASS)
    assert step.result == pytest.approx(0.47277, abs=5e-6)
    assert volume_share_steps(0.5, glycol=Glycol.ETHYLENE, basis=Basis.VOLUME) == ()
