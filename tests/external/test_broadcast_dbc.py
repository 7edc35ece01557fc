"""Unscaled values against a general CAN library that reads a DBC text.

The DBC text states the facts of SAE J1939 parameters 245, 917 and 247 (parameter group, bytes, scaling) and of the OBD
odometer as printed in public code; the library does the arithmetic of bits, byte orders and scales on its own.
"""

from __future__ import annotations

from typing import Any, cast

import cantools
import pytest
from hypothesis import given
from hypothesis import strategies as st

from domain.broadcast import FORMS, Signal, figure_of, raw_of

# Identifiers are extended ones of priority 6 and source address FE with bit 31 set, as DBC writes them. Byte places of
# parameter 247 are from memory, as in the code under test.
DBC = """
VERSION ""
NS_ :
BS_:
BU_: Vehicle Reader
BO_ 2566840574 VehicleDistance: 8 Vehicle
 SG_ TotalVehicleDistance : 32|32@1+ (0.125,0) [0|526385151.875] "km" Reader
BO_ 2566832638 HighResolutionVehicleDistance: 8 Vehicle
 SG_ HighResolutionTotalVehicleDistance : 0|32@1+ (5,0) [0|21055406075] "m" Reader
BO_ 2566841854 EngineHours: 8 Vehicle
 SG_ EngineTotalHoursOfOperation : 0|32@1+ (0.05,0) [0|210554060.75] "h" Reader
BO_ 2024 OnBoardDiagnosticAnswer: 8 Vehicle
 SG_ Odometer : 31|32@0+ (0.1,0) [0|429496729.5] "km" Reader
"""
# signal -> message, signal in it, parameter group (0 where it has none), canonical units in one of its unit, and what
# stands before the figure's bytes: an OBD answer on CAN begins with its length, mode and parameter.
CASES: dict[Signal, tuple[str, str, int, int, bytes]] = {
    Signal.J1939_SPN_245: ("VehicleDistance", "TotalVehicleDistance", 65248, 1000, b""),
    Signal.J1939_SPN_917: (
        "HighResolutionVehicleDistance",
        "HighResolutionTotalVehicleDistance",
        65217,
        1,
        b"",
    ),
    Signal.J1939_SPN_247: ("EngineHours", "EngineTotalHoursOfOperation", 65253, 3600, b""),
    Signal.OBD_PID_A6: ("OnBoardDiagnosticAnswer", "Odometer", 0, 1000, b"\x06"),
}
BUS: Any = cantools.database.load_string(DBC, "dbc")


@pytest.mark.parametrize("signal", list(Signal))
@given(raw=st.integers(0, 0xFAFFFFFF))
def test_the_library_reads_the_same_figure(signal: Signal, raw: int) -> None:
    """The library's frame of a count gives the count, and its scaled figure is ours."""
    message, name, _, per_unit, before = CASES[signal]
    data = BUS.encode_message(message, {name: raw}, scaling=False, padding=True)
    if signal is Signal.OBD_PID_A6:
        data = b"\x06\x41\xa6" + data[3:7] + b"\x55"
    assert raw_of(signal, data[len(before) :]) == raw
    scaled = cast("float", BUS.decode_message(message, data)[name])
    assert figure_of(signal, raw) == pytest.approx(scaled * per_unit, rel=1e-12, abs=1e-6)


@pytest.mark.parametrize("signal", list(Signal))
def test_identifiers_carry_the_groups_and_ranges_end_together(signal: Signal) -> None:
    """The group number stands in bits 8 to 24 of the identifier; the largest figure printed is the largest taken."""
    message, name, group, per_unit, _ = CASES[signal]
    described = BUS.get_message_by_name(message)
    if group:
        assert described.is_extended_frame
        assert described.frame_id >> 8 & 0x1FFFF == group
        assert str(group) in FORMS[signal].name
    largest = described.get_signal_by_name(name).maximum
    assert figure_of(signal, FORMS[signal].largest) == round(largest * per_unit)
