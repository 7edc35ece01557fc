"""What to pour after a drain, and what a level found on the dipstick asks for.

Pour what came out. A lubricating oil measured warm and poured cold takes less room, by the published volume
factor; a level found off its mark asks for more or less. The factors for lubricating oils are never applied
to coolant, brake fluid, AUS 32 or anything else outside their group.

Invariants: the maker's final level check decides, not the volume poured, and each answer says so; a level
read outside its temperature window is converted where the sheet gives how it rises, else it is not judged;
the mass poured equals the mass drained, plus what the level asks for.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain.corrections import MAX_VOLUME_ML, Base, Edition, nearest_ml, volume_change
from domain.errors import Breach, ExchangeError
from domain.requirements import LUBRICATING_OILS, FluidKind
from domain.units import Dimension
from domain.working import Figure, Notice, Plain, Step, share, temperature, volume

if TYPE_CHECKING:
    from collections.abc import Iterator

COMMON_LEVEL_WINDOW_C = (50.0, 80.0)

FINAL_LEVEL_CHECK = Notice(
    "final_level_check", "The maker's final level check decides, not the volume poured.", "maker's manual"
)
FACTOR_NOT_APPLIED = Notice(
    "volume_factor_not_applied",
    "The volume factors for lubricating oils do not hold for this fluid: the volume is not corrected for "
    "temperature.",
    "API MPMS 11.1 / ASTM D1250, commodity groups",
)
NOT_CORRECTED = Notice(
    "temperature_not_given",
    "Without both temperatures the volume is not corrected: what is drained warm takes less room when cold.",
    "API MPMS 11.1 / ASTM D1250",
)
POUR_WHAT_CAME_OUT = Notice("pour_what_came_out", "The refill is exactly what came out, by measure.")
LEVEL_WINDOW = Notice(
    "level_window",
    "Transmission levels are read between 50 and 80 degC (122 and 176 degF), reached in about ten minutes of "
    "driving, where the sheet gives no window.",
)
LEVEL_FALLS = Notice(
    "level_falls_after_filling",
    "Just after a refill a cold level may read slightly high; it falls once converter and cooler have "
    "filled.",
)


class LevelVerdict(StrEnum):
    """What a level found is worth."""

    JUDGED = "judged"
    CONVERTED = "converted"
    TOO_COLD = "too_cold_to_judge"
    TOO_HOT = "too_hot_to_judge"


@dataclass(frozen=True, slots=True)
class LevelSheet:
    """What the spec sheet gives for judging a level; None where it gives nothing.

    Attributes:
        mark_to_mark_ml: Volume between the low and the full mark [mL].
        mark_to_mark_mm: Distance between the marks [mm].
        ml_per_mm: Volume that one millimetre of level stands for [mL/mm].
        window_low_c: Lowest fluid temperature at which the level may be judged [degC].
        window_high_c: Highest such temperature [degC].
        rise_mm_per_c: How much the level rises by one degree [mm/degC]; allows conversion.
        convertible_low_c: Lowest temperature that may be converted from [degC].
        convertible_high_c: Highest temperature that may be converted from [degC].
    """

    mark_to_mark_ml: int | None = None
    mark_to_mark_mm: float | None = None
    ml_per_mm: float | None = None
    window_low_c: float | None = None
    window_high_c: float | None = None
    rise_mm_per_c: float | None = None
    convertible_low_c: float | None = None
    convertible_high_c: float | None = None


@dataclass(frozen=True, slots=True)
class LevelFound:
    """A level as read: by marks or in millimetres, one of both.

    Attributes:
        mark_share: Where it stands between the marks: 0 at the low mark, 1 at the full mark; beyond, past
            them.
        above_full_mm: How far it stands above the full mark; negative below it [mm].
        temperature_c: Temperature of the fluid [degC].
    """

    mark_share: float | None = None
    above_full_mm: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class LevelAdjustment:
    """What a level asks for.

    Attributes:
        verdict: Whether it could be judged.
        missing_ml: To pour, or when negative to take out, up to the full mark [mL]; None when not judged.
        valid_at_c: Temperature that the volume is meant at [degC]; None when not known.
        notices: What to know beside the figures.
        working: The steps.
    """

    verdict: LevelVerdict
    missing_ml: int | None
    valid_at_c: float | None
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Refill:
    """What to pour.

    Attributes:
        pour_ml: To pour [mL].
        take_out_ml: To take out instead, where the level stood higher than what was drained accounts for
            [mL].
        drained_ml: Drained, as measured [mL].
        temperature_change_ml: Part of the difference that is due to temperature [mL].
        level_ml: Part that the level found asks for, at the temperature of pouring [mL].
        is_temperature_corrected: Whether the volume was corrected for temperature.
        level: What the level found is worth; None when none was given.
        notices: What to know beside the figures; the final level check first.
        working: The steps.
    """

    pour_ml: int
    take_out_ml: int
    drained_ml: int
    temperature_change_ml: int
    level_ml: int
    is_temperature_corrected: bool
    level: LevelAdjustment | None
    notices: tuple[Notice, ...]
    working: tuple[Step, ...]


def refill(  # noqa: PLR0913 - the figures of one request, by keyword
    *,
    fluid_kind: FluidKind,
    drained_ml: int,
    drained_at_c: float | None = None,
    poured_at_c: float | None = None,
    density_15c_kg_m3: float | None = None,
    level_found: LevelFound | None = None,
    level_sheet: LevelSheet | None = None,
    edition: Edition = Edition.YEAR_1980,
) -> Refill:
    """What to pour: what came out, corrected for temperature and for the level found before the drain.

    Args:
        fluid_kind: What the fluid is; only lubricating oils are corrected for temperature.
        drained_ml: Drained, as measured [mL].
        drained_at_c: Temperature at which it was measured [degC].
        poured_at_c: Temperature of the fluid poured [degC].
        density_15c_kg_m3: Density of the fluid at 15 degC [kg/m3]; needed for a correction.
        level_found: Level found before the drain.
        level_sheet: What the sheet gives for judging it.
        edition: Edition of the volume-correction procedure.

    Raises:
        ExchangeError: A volume out of range; temperatures that differ and no density; a temperature or
            density outside the procedure's range; a level that the sheet gives no volume for.

    Sources: API MPMS 11.1 / ASTM D1250 for the correction; the rest is conservation of mass.
    """
    if not 0 <= drained_ml <= MAX_VOLUME_ML:
        detail = f"a volume is at least 0 and at most {MAX_VOLUME_ML} mL"
        raise ExchangeError(Breach("/drained_volume", "volume_out_of_range", detail))
    level = None if level_found is None else level_adjustment(level_found, level_sheet or LevelSheet())
    scale = _Scale(fluid_kind, poured_at_c, density_15c_kg_m3, edition)
    at_pouring_ml, drain_steps = scale.poured_ml(drained_ml, drained_at_c, "/drained_at")
    level_ml = 0
    level_steps: tuple[Step, ...] = ()
    if level is not None and level.missing_ml is not None:
        level_ml, level_steps = scale.poured_ml(level.missing_ml, level.valid_at_c, "/level/temperature")
    total_ml = at_pouring_ml + level_ml
    return Refill(
        pour_ml=max(total_ml, 0),
        take_out_ml=max(-total_ml, 0),
        drained_ml=drained_ml,
        temperature_change_ml=at_pouring_ml - drained_ml,
        level_ml=level_ml,
        is_temperature_corrected=scale.is_applied(drained_at_c),
        level=level,
        notices=(
            FINAL_LEVEL_CHECK,
            POUR_WHAT_CAME_OUT,
            *scale.notices(drained_at_c),
            *((LEVEL_FALLS, LEVEL_WINDOW) if fluid_kind in _WITH_CONVERTER else ()),
        ),
        working=(
            *drain_steps,
            *(() if level is None else level.working),
            *level_steps,
            Step(
                "pour",
                "V_poured + V_level",
                (volume("V_poured", at_pouring_ml), volume("V_level", level_ml)),
                total_ml,
                Dimension.VOLUME,
                valid_range="until the maker's final level check",
            ),
        ),
    )


def level_adjustment(found: LevelFound, sheet: LevelSheet) -> LevelAdjustment:
    """What a level asks for, up to the full mark, or that it is too cold or too hot to judge.

    Args:
        found: The level as read.
        sheet: What the sheet gives for judging it.

    Raises:
        ExchangeError: A level given in no way or in both, one without a temperature although the sheet has a
            window, a sheet that gives no volume or distance for it, a figure out of range.
    """
    breaches = list(_level_breaches(found, sheet))
    if breaches:
        raise ExchangeError(*breaches)
    read_at_c, rise = found.temperature_c, sheet.rise_mm_per_c
    edge_c = None if read_at_c is None else _nearest_in_window(read_at_c, sheet)
    if read_at_c is None or edge_c is None or edge_c == read_at_c:
        missing_ml, steps = _missing(found, sheet, 0.0)
        return LevelAdjustment(LevelVerdict.JUDGED, missing_ml, read_at_c, (FINAL_LEVEL_CHECK,), steps)
    if rise is None or not _is_convertible(read_at_c, sheet):
        verdict = LevelVerdict.TOO_COLD if read_at_c < edge_c else LevelVerdict.TOO_HOT
        return LevelAdjustment(verdict, None, None, (FINAL_LEVEL_CHECK,), ())
    rise_mm = rise * (edge_c - read_at_c)
    missing_ml, steps = _missing(found, sheet, rise_mm)
    conversion = Step(
        "level_rise",
        "rise * (t_window - t)",
        (
            Figure("rise", rise, Plain.MM_PER_KELVIN),
            temperature("t_window", edge_c),
            temperature("t", read_at_c),
        ),
        rise_mm,
        Dimension.LENGTH,
        "the vehicle's sheet",
    )
    return LevelAdjustment(
        LevelVerdict.CONVERTED, missing_ml, edge_c, (FINAL_LEVEL_CHECK,), (conversion, *steps)
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    # Leads volumes at other temperatures to the temperature of pouring, where the fluid is one that it holds
    # for.
    fluid_kind: FluidKind
    poured_at_c: float | None
    density_15c_kg_m3: float | None
    edition: Edition

    def is_applied(self, measured_at_c: float | None) -> bool:
        return (
            self.fluid_kind in LUBRICATING_OILS
            and measured_at_c is not None
            and self.poured_at_c is not None
            and measured_at_c != self.poured_at_c
        )

    def poured_ml(
        self, volume_ml: int, measured_at_c: float | None, pointer: str
    ) -> tuple[int, tuple[Step, ...]]:
        if not self.is_applied(measured_at_c) or measured_at_c is None or self.poured_at_c is None:
            return volume_ml, ()
        if self.density_15c_kg_m3 is None:
            detail = "a correction for temperature takes the fluid's density at 15 degC"
            raise ExchangeError(Breach("/density_15c", "density_missing", detail))
        try:
            change = volume_change(
                volume_ml=abs(volume_ml),
                from_c=measured_at_c,
                to_c=self.poured_at_c,
                base_density_kg_m3=self.density_15c_kg_m3,
                edition=self.edition,
                base=Base.DEG_C_15,
            )
        except ExchangeError as error:
            # The correction names its own figures; here they have other places.
            places = {
                "/from_temperature": pointer,
                "/to_temperature": "/poured_at",
                "/density": "/density_15c",
            }
            moved = (Breach(places.get(b.pointer, b.pointer), b.rule, b.detail) for b in error.breaches)
            raise ExchangeError(*moved) from error
        return (change.to_ml if volume_ml >= 0 else -change.to_ml), change.working

    def notices(self, measured_at_c: float | None) -> tuple[Notice, ...]:
        if self.fluid_kind not in LUBRICATING_OILS:
            return (FACTOR_NOT_APPLIED,)
        return (NOT_CORRECTED,) if measured_at_c is None or self.poured_at_c is None else ()


def _nearest_in_window(temperature_c: float, sheet: LevelSheet) -> float:
    low = temperature_c if sheet.window_low_c is None else max(temperature_c, sheet.window_low_c)
    return low if sheet.window_high_c is None else min(low, sheet.window_high_c)


def _is_convertible(temperature_c: float, sheet: LevelSheet) -> bool:
    return (sheet.convertible_low_c is None or temperature_c >= sheet.convertible_low_c) and (
        sheet.convertible_high_c is None or temperature_c <= sheet.convertible_high_c
    )


def _missing(found: LevelFound, sheet: LevelSheet, rise_mm: float) -> tuple[int, tuple[Step, ...]]:
    if found.mark_share is not None and sheet.mark_to_mark_ml is not None:
        at_share = found.mark_share + (rise_mm / sheet.mark_to_mark_mm if sheet.mark_to_mark_mm else 0.0)
        missing_ml = nearest_ml((1 - at_share) * sheet.mark_to_mark_ml)
        figures = (share("s", at_share), volume("M", sheet.mark_to_mark_ml))
        return missing_ml, (_level_step("(1 - s) * M", figures, missing_ml),)
    above_mm = (found.above_full_mm or 0.0) + rise_mm
    per_mm = _ml_per_mm(sheet)
    missing_ml = nearest_ml(-above_mm * per_mm)
    figures = (Figure("h", above_mm, Dimension.LENGTH), Figure("k", per_mm, Plain.ML_PER_MM))
    return missing_ml, (_level_step("-h * k", figures, missing_ml),)


def _level_step(formula: str, figures: tuple[Figure, ...], missing_ml: int) -> Step:
    return Step("level_volume", formula, figures, missing_ml, Dimension.VOLUME, "the vehicle's sheet")


def _ml_per_mm(sheet: LevelSheet) -> float:
    if sheet.ml_per_mm is not None:
        return sheet.ml_per_mm
    return (sheet.mark_to_mark_ml or 0) / (sheet.mark_to_mark_mm or 1.0)


def _level_breaches(found: LevelFound, sheet: LevelSheet) -> Iterator[Breach]:
    yield from _sheet_breaches(sheet)
    if (found.mark_share is None) == (found.above_full_mm is None):
        yield Breach("/level", "level_not_one_reading", "a level is read by marks or in millimetres")
    elif found.mark_share is not None:
        yield from _mark_breaches(found.mark_share, sheet)
    else:
        yield from _height_breaches(found.above_full_mm or 0.0, sheet)
    has_window = sheet.window_low_c is not None or sheet.window_high_c is not None
    low, high = _TEMPERATURES_C
    if found.temperature_c is None:
        if has_window:
            detail = "the sheet gives a temperature window, so the level needs its temperature"
            yield Breach("/level/temperature", "level_temperature_missing", detail)
    elif not low <= found.temperature_c <= high:
        yield Breach("/level/temperature", "temperature_out_of_range", f"{low:g} to {high:g} degC")


def _mark_breaches(mark_share: float, sheet: LevelSheet) -> Iterator[Breach]:
    if not -_FARTHEST <= mark_share <= _FARTHEST:
        yield Breach("/level/mark_share", "level_out_of_range", "the level is too far off the marks")
    if sheet.mark_to_mark_ml is None:
        yield Breach(
            "/sheet/mark_to_mark", "level_volume_missing", "the sheet gives no volume from mark to mark"
        )
    if sheet.rise_mm_per_c is not None and sheet.mark_to_mark_mm is None:
        detail = "converting a level read by marks takes the distance between them"
        yield Breach("/sheet/mark_distance", "mark_distance_missing", detail)


def _height_breaches(above_full_mm: float, sheet: LevelSheet) -> Iterator[Breach]:
    if not -_FARTHEST_MM <= above_full_mm <= _FARTHEST_MM:
        yield Breach("/level/above_full", "level_out_of_range", "the level is too far off the full mark")
    if sheet.ml_per_mm is None and (sheet.mark_to_mark_ml is None or sheet.mark_to_mark_mm is None):
        detail = "the sheet gives no volume for a millimetre of level"
        yield Breach("/sheet/volume_per_length", "level_volume_missing", detail)


def _sheet_breaches(sheet: LevelSheet) -> Iterator[Breach]:
    for field, figure in (
        ("mark_to_mark", sheet.mark_to_mark_ml),
        ("mark_distance", sheet.mark_to_mark_mm),
        ("volume_per_length", sheet.ml_per_mm),
        ("rise", sheet.rise_mm_per_c),
    ):
        if figure is not None and not 0 < figure <= _LARGEST:
            yield Breach(f"/sheet/{field}", "figure_out_of_range", "the figure is above 0 and at most 1e9")
    for field, low_c, high_c in (
        ("window", sheet.window_low_c, sheet.window_high_c),
        ("convertible", sheet.convertible_low_c, sheet.convertible_high_c),
    ):
        if low_c is not None and high_c is not None and not low_c <= high_c:
            yield Breach(f"/sheet/{field}", "range_reversed", "the low temperature lies above the high one")


_WITH_CONVERTER = frozenset({FluidKind.TRANSMISSION_FLUID, FluidKind.CONTINUOUSLY_VARIABLE_FLUID})
_TEMPERATURES_C = (-60.0, 200.0)
_FARTHEST = 100.0
_FARTHEST_MM = 10_000.0
_LARGEST = 1e9
