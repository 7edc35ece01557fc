"""Meter figures as vehicles broadcast them, unscaled: what a raw value means, and when it means nothing.

Sources: scaling and ranges of SAE J1939 parameters 245, 917 and 247 and of OBD service 01, PID A6 from
public code; the ranges of 4-byte J1939 parameters (valid up to FAFFFFFF, error FExxxxxx, not available
FFxxxxxx) from memory, their top confirmed by the printed largest values, which equal FAFFFFFF times the
scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from domain.errors import Breach, MeterError
from domain.sheet import Meter

LARGEST_RAW = 2**32 - 1

_J1939_LARGEST = 0xFAFF_FFFF
_J1939_ERROR = 0xFE00_0000
_J1939_NOT_AVAILABLE = 0xFF00_0000


class Signal(StrEnum):
    """A broadcast parameter that carries a meter's figure."""

    J1939_SPN_245 = "j1939_spn_245"
    J1939_SPN_917 = "j1939_spn_917"
    J1939_SPN_247 = "j1939_spn_247"
    OBD_PID_A6 = "obd_pid_a6"


@dataclass(frozen=True, slots=True)
class SignalForm:
    """How a signal is sent.

    Attributes:
        meter: The meter whose figure it carries.
        step: One count in the meter's canonical unit [m or s].
        largest: Largest count that is a figure.
        byte_order: Order of its four bytes in the frame.
        first_byte: Place of its first byte in the frame's data, from 0.
        name: In words.
    """

    meter: Meter
    step: int
    largest: int
    byte_order: Literal["little", "big"]
    first_byte: int
    name: str


FORMS: dict[Signal, SignalForm] = {
    Signal.J1939_SPN_245: SignalForm(
        Meter.ODOMETER, 125, _J1939_LARGEST, "little", 4, "total vehicle distance, parameter group 65248"
    ),
    Signal.J1939_SPN_917: SignalForm(
        Meter.ODOMETER, 5, _J1939_LARGEST, "little", 0, "high resolution total vehicle distance, group 65217"
    ),
    # The place of its bytes is from memory.
    Signal.J1939_SPN_247: SignalForm(
        Meter.ENGINE_HOURS, 180, _J1939_LARGEST, "little", 0, "total engine hours, parameter group 65253"
    ),
    Signal.OBD_PID_A6: SignalForm(
        Meter.ODOMETER, 100, LARGEST_RAW, "big", 2, "odometer, service 01, after the two bytes 41 A6"
    ),
}


def figure_of(signal: Signal, raw: int) -> int:
    """The figure of an unscaled value, in the whole canonical units of the signal's meter.

    Args:
        signal: The signal.
        raw: The count as sent, 0 to 2^32 - 1.

    Raises:
        MeterError: The value says that the figure is not available (``signal_not_available``), in error
            (``signal_in_error``), or it is no figure (``signal_out_of_range``).
    """
    form = FORMS[signal]
    if not 0 <= raw <= LARGEST_RAW:
        raise MeterError(Breach("", "signal_out_of_range", "an unscaled value has four bytes"))
    if raw > form.largest:
        if raw >= _J1939_NOT_AVAILABLE:
            raise MeterError(
                Breach("", "signal_not_available", "the vehicle says that it has no such figure")
            )
        if raw >= _J1939_ERROR:
            raise MeterError(Breach("", "signal_in_error", "the vehicle says that the figure is in error"))
        raise MeterError(Breach("", "signal_out_of_range", "the value lies in a range that is no figure"))
    return raw * form.step


def raw_of(signal: Signal, data: bytes) -> int:
    """The unscaled value of a signal in the data bytes of its frame.

    Args:
        signal: The signal.
        data: The data bytes; for OBD the answer from 41 A6 on.

    Raises:
        MeterError: The frame is too short, or an OBD answer to something else (``frame_malformed``).
    """
    form = FORMS[signal]
    end = form.first_byte + 4
    if len(data) < end or (signal is Signal.OBD_PID_A6 and data[:2] != b"\x41\xa6"):
        raise MeterError(Breach("", "frame_malformed", "these are not the data bytes of that signal's frame"))
    return int.from_bytes(data[form.first_byte : end], form.byte_order)
