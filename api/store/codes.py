"""The small integers that stand for words in the largest tables. A code once given never changes its meaning."""

from __future__ import annotations

from enum import IntEnum

from domain.sheet import Meter

METER_CODES: dict[Meter, int] = {
    Meter.ODOMETER: 1,
    Meter.ENGINE_HOURS: 2,
    Meter.SECOND_ENGINE_HOURS: 3,
    Meter.POWER_TAKE_OFF_HOURS: 4,
    Meter.IDLE_HOURS: 5,
    Meter.FUEL_BURNED: 6,
}
METERS_BY_CODE: dict[int, Meter] = {code: meter for meter, code in METER_CODES.items()}


class ReadingStatus(IntEnum):
    """How a stored reading stands."""

    ACCEPTED = 1
    HELD = 2
    DISCARDED = 3


class ReadingReason(IntEnum):
    """Why a reading is not accepted."""

    NONE = 0
    GOES_BACK = 1
    TOO_FAST = 2
    CONTRADICTS_SAME_INSTANT = 3
    IN_FUTURE = 4
    METER_NOT_FITTED = 5
    OUTSIDE_VEHICLE_LIFE = 6
    WORK_WITHDRAWN = 7
    DISCARDED_BY_PERSON = 8
    MILES_GIVEN_AS_KM = 9
    KM_GIVEN_AS_MILES = 10
    ROLLED_OVER = 11
    DEVICE_NOT_FITTED = 12


class ReadingVerdict(IntEnum):
    """What a person decided on a reading."""

    RELEASED = 1
    DISCARDED = 2
    CONVERTED = 3
    REOPENED = 4
