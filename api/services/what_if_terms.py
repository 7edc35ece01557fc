"""What may be assumed otherwise than it stands; light, since schemas take it at every start."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from domain.sheet import DutyCondition, DutyPolicy, Meter


@dataclass(frozen=True, slots=True)
class DutyChange:
    """Another share of use under a condition, on the vehicles that all limits admit."""

    condition: DutyCondition
    share: float
    unit: str | None
    depot: str | None
    spec_sheet: str | None


@dataclass(frozen=True, slots=True)
class DutyPolicyChange:
    """Another way in which duty shortens a type's intervals."""

    spec_sheet: str
    policy: DutyPolicy


@dataclass(frozen=True, slots=True)
class IntervalChange:
    """A type's intervals, multiplied; of all its services unless one is named."""

    spec_sheet: str
    service: str | None
    factor: float


@dataclass(frozen=True, slots=True)
class PassesChange:
    """Another number of drain-and-fill passes of an exchange."""

    spec_sheet: str
    task: str
    passes: int


@dataclass(frozen=True, slots=True)
class MovedChange:
    """A vehicle at another depot."""

    unit: str
    depot: str


@dataclass(frozen=True, slots=True)
class SoldChange:
    """A vehicle that leaves after a day."""

    unit: str
    last_on: date


@dataclass(frozen=True, slots=True)
class AddedChange:
    """New vehicles of a type; ``per_day`` is what each runs in a day [canonical units]."""

    spec_sheet: str
    depot: str
    vehicles: int
    from_on: date | None
    per_day: tuple[tuple[Meter, float], ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """All that is assumed otherwise."""

    duty: tuple[DutyChange, ...]
    duty_policies: tuple[DutyPolicyChange, ...]
    intervals: tuple[IntervalChange, ...]
    passes: tuple[PassesChange, ...]
    moved: tuple[MovedChange, ...]
    sold: tuple[SoldChange, ...]
    added: tuple[AddedChange, ...]
