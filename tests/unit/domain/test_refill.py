"""Refills and levels: cases worked by hand, and every answer that a level can have."""

from __future__ import annotations

import math

import pytest

from domain.corrections import MAX_VOLUME_ML
from domain.errors import ExchangeError
from domain.refill import (
    FACTOR_NOT_APPLIED,
    FINAL_LEVEL_CHECK,
    LEVEL_FALLS,
    NOT_CORRECTED,
    LevelFound,
    LevelSheet,
    LevelVerdict,
    level_adjustment,
    refill,
)
from domain.requirements import FluidKind

MARKS = LevelSheet(mark_to_mark_ml=400, mark_to_mark_mm=10, window_low_c=50, window_high_c=80)
RISING = LevelSheet(
    mark_to_mark_ml=400,
    mark_to_mark_mm=10,
    window_low_c=50,
    window_high_c=80,
    rise_mm_per_c=0.2,
    convertible_low_c=20,
    convertible_high_c=100,
)


def rules(raised: pytest.ExceptionInfo[ExchangeError]) -> list[tuple[str, str]]:
    """The places and rules that an error names."""
    return [(b.pointer, b.rule) for b in raised.value.breaches]


def test_pour_what_came_out() -> None:
    """Pour what came out."""
    result = refill(fluid_kind=FluidKind.GEAR_OIL, drained_ml=1900, drained_at_c=20, poured_at_c=20)
    assert (result.pour_ml, result.temperature_change_ml, result.level_ml) == (1900, 0, 0)
    assert not result.is_temperature_corrected
    assert result.notices[0] is FINAL_LEVEL_CHECK
    assert result.level is None


def test_drained_warm_poured_cold_by_hand() -> None:
    """Drained warm poured cold by hand."""
    # 10 L at 80 degC, 870 kg/m3 at 15 degC: 10 L * 0.95250052/0.99638808 = 9.55953 L at 20 degC
    result = refill(
        fluid_kind=FluidKind.CONTINUOUSLY_VARIABLE_FLUID,
        drained_ml=10_000,
        drained_at_c=80,
        poured_at_c=20,
        density_15c_kg_m3=870,
    )
    assert (result.pour_ml, result.temperature_change_ml) == (9560, -440)
    assert result.is_temperature_corrected
    assert LEVEL_FALLS in result.notices
    assert [s.name for s in result.working] == [
        "volume_factor_F_from",
        "volume_factor_F_to",
        "volume_at_temperature",
        "pour",
    ]


def test_without_temperatures_nothing_is_corrected() -> None:
    """Without temperatures nothing is corrected."""
    result = refill(fluid_kind=FluidKind.ENGINE_OIL, drained_ml=5700, drained_at_c=80)
    assert result.pour_ml == 5700
    assert NOT_CORRECTED in result.notices


@pytest.mark.parametrize(
    "kind",
    [
        FluidKind.COOLANT,
        FluidKind.BRAKE_FLUID,
        FluidKind.AUS_32,
        FluidKind.COMPRESSOR_OIL,
        FluidKind.MINERAL_BRAKE_OIL,
    ],
)
def test_other_fluids_are_never_corrected(kind: FluidKind) -> None:
    """Other fluids are never corrected."""
    result = refill(fluid_kind=kind, drained_ml=5000, drained_at_c=90, poured_at_c=20, density_15c_kg_m3=870)
    assert result.pour_ml == 5000
    assert not result.is_temperature_corrected
    assert FACTOR_NOT_APPLIED in result.notices
    assert [s.name for s in result.working] == ["pour"]


def test_a_level_between_the_marks_by_hand() -> None:
    """A level between the marks by hand."""
    # A quarter of the way up: three quarters of 400 mL are missing.
    result = level_adjustment(LevelFound(mark_share=0.25, temperature_c=60), MARKS)
    assert (result.verdict, result.missing_ml, result.valid_at_c) == (LevelVerdict.JUDGED, 300, 60)
    assert result.notices == (FINAL_LEVEL_CHECK,)


def test_a_level_in_millimetres_by_hand() -> None:
    """A level in millimetres by hand."""
    # 4 mm below the full mark at 400 mL to 10 mm
    assert level_adjustment(LevelFound(above_full_mm=-4, temperature_c=60), MARKS).missing_ml == 160
    assert level_adjustment(LevelFound(above_full_mm=3), LevelSheet(ml_per_mm=25)).missing_ml == -75


@pytest.mark.parametrize(
    ("temperature_c", "verdict"),
    [
        (49.9, LevelVerdict.TOO_COLD),
        (50, LevelVerdict.JUDGED),
        (80, LevelVerdict.JUDGED),
        (80.1, LevelVerdict.TOO_HOT),
    ],
)
def test_the_window_decides_without_conversion(temperature_c: float, verdict: LevelVerdict) -> None:
    """The window decides without conversion."""
    result = level_adjustment(LevelFound(mark_share=0.5, temperature_c=temperature_c), MARKS)
    assert result.verdict is verdict
    assert result.missing_ml == (200 if verdict is LevelVerdict.JUDGED else None)


def test_a_cold_level_is_converted_where_the_sheet_gives_its_rise() -> None:
    """A cold level is converted where the sheet gives its rise."""
    # At 30 degC a quarter up; 20 degrees more raise it by 4 of 10 mm: 0.65 up, 0.35 * 400 = 140 mL short.
    result = level_adjustment(LevelFound(mark_share=0.25, temperature_c=30), RISING)
    assert (result.verdict, result.missing_ml, result.valid_at_c) == (LevelVerdict.CONVERTED, 140, 50)
    assert [s.name for s in result.working] == ["level_rise", "level_volume"]


def test_a_hot_level_is_converted_downwards() -> None:
    """A hot level is converted downwards."""
    # 90 degC is 10 above the window: the level falls by 2 mm to 1 mm below the mark.
    result = level_adjustment(LevelFound(above_full_mm=1, temperature_c=90), RISING)
    assert (result.verdict, result.missing_ml, result.valid_at_c) == (LevelVerdict.CONVERTED, 40, 80)


@pytest.mark.parametrize(
    ("temperature_c", "verdict"), [(19, LevelVerdict.TOO_COLD), (101, LevelVerdict.TOO_HOT)]
)
def test_conversion_has_its_own_limits(temperature_c: float, verdict: LevelVerdict) -> None:
    """Conversion has its own limits."""
    found = LevelFound(mark_share=0.5, temperature_c=temperature_c)
    assert level_adjustment(found, RISING).verdict is verdict


def test_conversion_without_limits_and_windows_of_one_side() -> None:
    """Conversion without limits and windows of one side."""
    sheet = LevelSheet(ml_per_mm=40, window_low_c=50, rise_mm_per_c=0.1)
    assert level_adjustment(LevelFound(above_full_mm=-5, temperature_c=-10), sheet).missing_ml == -40
    assert level_adjustment(LevelFound(above_full_mm=-5, temperature_c=150), sheet).missing_ml == 200


def test_a_refill_adds_what_the_level_lacked() -> None:
    """A refill adds what the level lacked."""
    result = refill(
        fluid_kind=FluidKind.TRANSMISSION_FLUID,
        drained_ml=5000,
        drained_at_c=60,
        poured_at_c=20,
        density_15c_kg_m3=870,
        level_found=LevelFound(mark_share=0.25, temperature_c=60),
        level_sheet=MARKS,
    )
    # 0.96741 / 0.99639 = 0.97090...: 5000 mL make 4854 or 4855 mL, 300 mL make 291 mL.
    assert result.level_ml == 291
    assert result.pour_ml == 5000 + result.temperature_change_ml + 291
    assert result.take_out_ml == 0


def test_an_overfull_level_is_taken_out() -> None:
    """An overfull level is taken out."""
    result = refill(
        fluid_kind=FluidKind.GEAR_OIL,
        drained_ml=100,
        drained_at_c=60,
        poured_at_c=20,
        density_15c_kg_m3=870,
        level_found=LevelFound(above_full_mm=10, temperature_c=60),
        level_sheet=LevelSheet(ml_per_mm=40),
    )
    assert result.pour_ml == 0
    assert result.take_out_ml == 388 - 97


def test_a_level_too_cold_changes_no_volume() -> None:
    """A level too cold changes no volume."""
    result = refill(
        fluid_kind=FluidKind.ENGINE_OIL,
        drained_ml=5000,
        drained_at_c=20,
        poured_at_c=20,
        level_found=LevelFound(mark_share=0.0, temperature_c=20),
        level_sheet=MARKS,
    )
    assert (result.pour_ml, result.level_ml) == (5000, 0)
    assert result.level is not None
    assert result.level.verdict is LevelVerdict.TOO_COLD


def test_a_correction_takes_a_density() -> None:
    """A correction takes a density."""
    with pytest.raises(ExchangeError) as raised:
        refill(fluid_kind=FluidKind.ENGINE_OIL, drained_ml=5000, drained_at_c=80, poured_at_c=20)
    assert rules(raised) == [("/density_15c", "density_missing")]


@pytest.mark.parametrize("drained_ml", [-1, MAX_VOLUME_ML + 1])
def test_drained_volumes_out_of_range_are_refused(drained_ml: int) -> None:
    """Drained volumes out of range are refused."""
    with pytest.raises(ExchangeError) as raised:
        refill(fluid_kind=FluidKind.ENGINE_OIL, drained_ml=drained_ml)
    assert rules(raised) == [("/drained_volume", "volume_out_of_range")]


@pytest.mark.parametrize(
    ("found", "sheet", "broken"),
    [
        (LevelFound(), LevelSheet(), [("/level", "level_not_one_reading")]),
        (LevelFound(mark_share=0, above_full_mm=0), LevelSheet(), [("/level", "level_not_one_reading")]),
        (LevelFound(mark_share=0.5), LevelSheet(), [("/sheet/mark_to_mark", "level_volume_missing")]),
        (
            LevelFound(mark_share=0.5),
            LevelSheet(mark_to_mark_ml=400, rise_mm_per_c=0.2),
            [("/sheet/mark_distance", "mark_distance_missing")],
        ),
        (
            LevelFound(mark_share=101),
            LevelSheet(mark_to_mark_ml=1),
            [("/level/mark_share", "level_out_of_range")],
        ),
        (LevelFound(above_full_mm=1), LevelSheet(), [("/sheet/volume_per_length", "level_volume_missing")]),
        (
            LevelFound(above_full_mm=math.nan),
            LevelSheet(ml_per_mm=1),
            [("/level/above_full", "level_out_of_range")],
        ),
        (LevelFound(mark_share=0.5), MARKS, [("/level/temperature", "level_temperature_missing")]),
        (
            LevelFound(mark_share=0.5, temperature_c=201),
            MARKS,
            [("/level/temperature", "temperature_out_of_range")],
        ),
        (
            LevelFound(above_full_mm=1, temperature_c=60),
            LevelSheet(ml_per_mm=0, window_low_c=80, window_high_c=50),
            [("/sheet/volume_per_length", "figure_out_of_range"), ("/sheet/window", "range_reversed")],
        ),
    ],
)
def test_bad_levels_are_named(found: LevelFound, sheet: LevelSheet, broken: list[tuple[str, str]]) -> None:
    """Bad levels are named."""
    with pytest.raises(ExchangeError) as raised:
        level_adjustment(found, sheet)
    assert rules(raised) == broken


@pytest.mark.parametrize(
    ("figures", "expected"),
    [
        ({"drained_at_c": 151.0}, [("/drained_at", "temperature_outside_table")]),
        ({"poured_at_c": -51.0}, [("/poured_at", "temperature_outside_table")]),
        ({"density_15c_kg_m3": 1200.0}, [("/density_15c", "density_outside_group")]),
    ],
)
def test_a_figure_outside_the_procedure_is_named_in_the_refills_own_terms(
    figures: dict[str, float], expected: list[tuple[str, str]]
) -> None:
    """Not in those of the volume correction that the refill uses."""
    given = {"drained_at_c": 80.0, "poured_at_c": 20.0, "density_15c_kg_m3": 870.0} | figures
    with pytest.raises(ExchangeError) as raised:
        refill(
            fluid_kind=FluidKind.GEAR_OIL,
            drained_ml=1000,
            drained_at_c=given["drained_at_c"],
            poured_at_c=given["poured_at_c"],
            density_15c_kg_m3=given["density_15c_kg_m3"],
        )
    assert rules(raised) == expected


def test_a_level_too_hot_for_the_procedure_is_named_as_the_level() -> None:
    """The level's own temperature is what the correction of its volume begins at."""
    with pytest.raises(ExchangeError) as raised:
        refill(
            fluid_kind=FluidKind.GEAR_OIL,
            drained_ml=0,
            poured_at_c=20,
            density_15c_kg_m3=870,
            level_found=LevelFound(above_full_mm=-1, temperature_c=160),
            level_sheet=LevelSheet(ml_per_mm=40),
        )
    assert rules(raised) == [("/level/temperature", "temperature_outside_table")]
