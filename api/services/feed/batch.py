"""Batches of readings, and what becomes of their rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from api.store.codes import ReadingReason


class Verdict(StrEnum):
    """What became of a row, at the moment of the answer."""

    ACCEPTED = "accepted"
    DUPLICATE = "duplicate"
    HELD = "held"
    REFUSED = "refused"


class Why(StrEnum):
    """Why a row is not accepted."""

    SAME_READING_STORED = "same_reading_stored"
    SAME_READING_IN_BATCH = "same_reading_in_batch"
    UNIT_UNKNOWN = "unit_unknown"
    UNIT_NOT_VALID_THEN = "unit_not_valid_then"
    GOES_BACK = "goes_back"
    TOO_FAST = "too_fast"
    CONTRADICTS_SAME_INSTANT = "contradicts_same_instant"
    IN_FUTURE = "in_future"
    METER_NOT_FITTED = "meter_not_fitted"
    OUTSIDE_VEHICLE_LIFE = "outside_vehicle_life"
    WORK_WITHDRAWN = "work_withdrawn"
    MILES_GIVEN_AS_KM = "miles_given_as_km"
    KM_GIVEN_AS_MILES = "km_given_as_miles"
    ROLLED_OVER = "rolled_over"
    DEVICE_NOT_FITTED = "device_not_fitted"
    DISCARDED_BY_PERSON = "discarded_by_person"


WHY_TEXT: dict[Why, str] = {
    Why.SAME_READING_STORED: "The same reading is stored already.",
    Why.SAME_READING_IN_BATCH: "The same reading stands earlier in this batch.",
    Why.UNIT_UNKNOWN: (
        "No vehicle carries this unit number; the reading waits under it until one is registered."
    ),
    Why.UNIT_NOT_VALID_THEN: "The unit number was not valid on that day; the reading waits under it.",
    Why.GOES_BACK: "The figure does not fit between the readings before and after it: a meter only rises.",
    Why.TOO_FAST: "The figure rises faster than the meter can run.",
    Why.CONTRADICTS_SAME_INSTANT: "Another reading of this meter at the same instant shows another figure.",
    Why.IN_FUTURE: "The instant lies ahead of the service's clock by more than 5 minutes.",
    Why.METER_NOT_FITTED: "No such meter was fitted to the vehicle at that instant.",
    Why.OUTSIDE_VEHICLE_LIFE: "The instant lies before the vehicle's first day.",
    Why.WORK_WITHDRAWN: "The entry of work done that noted this figure was withdrawn.",
    Why.MILES_GIVEN_AS_KM: "The figure fits as miles, not as the kilometres that it was given in.",
    Why.KM_GIVEN_AS_MILES: "The figure fits as kilometres, not as the miles that it was given in.",
    Why.ROLLED_OVER: (
        "The figure fits if the dial has passed its highest figure and begun again at zero; a meter replacement"
        " with both figures says so."
    ),
    Why.DEVICE_NOT_FITTED: "The source is a device that was not fitted to this vehicle at that instant.",
    Why.DISCARDED_BY_PERSON: "A person has decided that the reading does not hold.",
}

_OF_STORED: dict[ReadingReason, Why] = {
    ReadingReason.GOES_BACK: Why.GOES_BACK,
    ReadingReason.TOO_FAST: Why.TOO_FAST,
    ReadingReason.CONTRADICTS_SAME_INSTANT: Why.CONTRADICTS_SAME_INSTANT,
    ReadingReason.IN_FUTURE: Why.IN_FUTURE,
    ReadingReason.METER_NOT_FITTED: Why.METER_NOT_FITTED,
    ReadingReason.OUTSIDE_VEHICLE_LIFE: Why.OUTSIDE_VEHICLE_LIFE,
    ReadingReason.WORK_WITHDRAWN: Why.WORK_WITHDRAWN,
    ReadingReason.DISCARDED_BY_PERSON: Why.DISCARDED_BY_PERSON,
    ReadingReason.MILES_GIVEN_AS_KM: Why.MILES_GIVEN_AS_KM,
    ReadingReason.KM_GIVEN_AS_MILES: Why.KM_GIVEN_AS_MILES,
    ReadingReason.ROLLED_OVER: Why.ROLLED_OVER,
    ReadingReason.DEVICE_NOT_FITTED: Why.DEVICE_NOT_FITTED,
}


class SentReading(NamedTuple):
    """One row of a batch.

    Attributes:
        place: Its place in the request.
        unit: Unit number.
        meter: Meter code (``api.store.codes``).
        at_us: Instant [us UTC].
        figure: Figure on the dial [canonical units].
        source: Code of the reading source.
    """

    place: int
    unit: str
    meter: int
    at_us: int
    figure: int
    source: str


@dataclass(frozen=True, slots=True)
class NotAccepted:
    """A row that was not accepted: its place in the request, what became of it, and why."""

    place: int
    verdict: Verdict
    why: Why


@dataclass(slots=True)
class Outcome:
    """What became of a batch: exact counts, and every row that was not accepted, in the order found."""

    accepted: int = 0
    duplicate: int = 0
    held: int = 0
    rows: list[NotAccepted] = field(default_factory=list)

    def note(self, place: int, verdict: Verdict, why: Why) -> None:
        """Count a row that was not accepted."""
        self.rows.append(NotAccepted(place, verdict, why))
        if verdict is Verdict.HELD:
            self.held += 1
        else:
            self.duplicate += 1


def why_of(reason: int) -> Why | None:
    """The reason of a stored reading; None where it is accepted."""
    return _OF_STORED.get(ReadingReason(reason))
