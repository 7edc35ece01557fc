"""Unscaled values against the scaling and ranges of open standards.

Sources: SAE J1939 parameter scaling (0.125 km, 5 m and 0.05 h a bit, parameter groups 65248, 65217, 65253)
and the OBD odometer (0.1 km a bit, service 01 PID A6) as printed in public code; the largest valid values
printed there, 526 385 151.875 km, 21 055 406 km and 210 554 060.75 h, equal FAFFFFFF times the scale. The
error and not-available ranges are from memory.
"""

from __future__ import annotations

import pytest

from domain.broadcast import FORMS, Signal, figure_of, raw_of
from domain.errors import MeterError


@pytest.mark.parametrize(
    ("signal", "data", "figure"),
    [
        # 1,000,000 counts of 0.125 km are 125,000 km; bytes 5 to 8, least significant first.
        (Signal.J1939_SPN_245, "00000000 40420f00", 125_000_000),
        (Signal.J1939_SPN_245, "00000000 15cd5b07", 15_432_098_625),
        (Signal.J1939_SPN_917, "15cd5b07 00000000", 617_283_945),
        # 6,172,839.45 h
        (Signal.J1939_SPN_247, "15cd5b07 00000000", 6_172_839 * 3600 + 1620),
        (Signal.OBD_PID_A6, "41a6 0003d09a", 25_001_000),
        (Signal.OBD_PID_A6, "41a6 001234ab", 119_313_100),
    ],
)
def test_frames(signal: Signal, data: str, figure: int) -> None:
    """Each frame's bytes give the printed figure."""
    assert figure_of(signal, raw_of(signal, bytes.fromhex(data))) == figure


def test_largest_printed_values() -> None:
    """The top of the valid range is the printed largest value."""
    assert figure_of(Signal.J1939_SPN_245, 0xFAFFFFFF) == 526_385_151_875
    assert figure_of(Signal.J1939_SPN_917, 0xFAFFFFFF) == 21_055_406_075
    assert figure_of(Signal.J1939_SPN_247, 0xFAFFFFFF) == 210_554_060 * 3600 + 2700
    assert figure_of(Signal.OBD_PID_A6, 0xFFFFFFFF) == 429_496_729_500


@pytest.mark.parametrize(
    ("raw", "rule"),
    [
        (0xFB000000, "signal_out_of_range"),
        (0xFDFFFFFF, "signal_out_of_range"),
        (0xFE000000, "signal_in_error"),
        (0xFEFFFFFF, "signal_in_error"),
        (0xFF000000, "signal_not_available"),
        (0xFFFFFFFF, "signal_not_available"),
        (2**32, "signal_out_of_range"),
        (-1, "signal_out_of_range"),
    ],
)
def test_values_that_are_no_figure(raw: int, rule: str) -> None:
    """Error and not-available ranges never become figures."""
    for signal, form in FORMS.items():
        if signal is Signal.OBD_PID_A6 and 0 <= raw < 2**32:
            assert figure_of(signal, raw) == raw * form.step
            continue
        with pytest.raises(MeterError) as caught:
            figure_of(signal, raw)
        assert caught.value.breaches[0].rule == rule


def test_both_distances_of_one_vehicle_agree() -> None:
    """The high resolution distance, cut to 125 m, is the normal one."""
    fine = figure_of(Signal.J1939_SPN_917, 2_469_135)
    coarse = figure_of(Signal.J1939_SPN_245, 2_469_135 * 5 // 125)
    assert 0 <= fine - coarse < 125


@pytest.mark.parametrize("data", ["", "41a6 0003d0", "410d 0003d09a"])
def test_other_frames(data: str) -> None:
    """A short frame, and an answer to another question."""
    with pytest.raises(MeterError):
        raw_of(Signal.OBD_PID_A6, bytes.fromhex(data))
