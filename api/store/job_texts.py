"""Entries of a job, and what was frozen when it was opened, as stored: JSON in canonical units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec

from domain.drain_expectation import DrainExpectation  # noqa: TC001 - msgspec reads it while the program runs
from domain.job_entries import CLASS_OF, EntryKind, Said
from domain.job_plan import FluidPlan  # noqa: TC001 - the same


@dataclass(frozen=True, slots=True)
class FrozenLine:
    """So many of a part, as the kit had it [unit]."""

    part: str
    name: str
    unit: str
    quantity: int


@dataclass(frozen=True, slots=True)
class FrozenFluid:
    """A fluid that a job takes; one exchanged with two products stands twice, the first one first.

    Attributes:
        compartment: Code of the compartment.
        requirement: Code of the requirement that it meets.
        product: Code of the product reserved; None where none is known to suit.
        need_ml: What the job takes of it, margin and all [mL].
    """

    compartment: str
    requirement: str
    product: str | None
    need_ml: int


@dataclass(frozen=True, slots=True)
class FrozenMissing:
    """What was reserved beyond what was free: a part or a product, and how much [piece or mL]."""

    part: str | None
    product: str | None
    missing: int


@dataclass(frozen=True, slots=True)
class Frozen:
    """What was planned when a job was opened, beside the sheet version.

    Attributes:
        services: Codes of the services named.
        expected: What a drain was expected to take out, by compartment.
        plans: What is to be used, by compartment.
        lines: Parts of the kit.
        fluids: Fluids.
        missing: What the depot lacked.
    """

    services: tuple[str, ...]
    expected: dict[str, DrainExpectation]
    plans: dict[str, FluidPlan]
    lines: tuple[FrozenLine, ...]
    fluids: tuple[FrozenFluid, ...]
    missing: tuple[FrozenMissing, ...] = ()


def encode(value: Said | Frozen) -> str:
    """The value as stored."""
    return msgspec.json.encode(value).decode()


def decode_said(kind: str, stored: str) -> Said:
    """What an entry of that kind says."""
    said: Said = _decoder(kind).decode(stored)
    return said


def decode_frozen(stored: str) -> Frozen:
    """What was frozen when a job was opened."""
    return _FROZEN.decode(stored)


def _decoder(kind: str) -> msgspec.json.Decoder[Any]:
    found = _DECODERS.get(kind)
    if found is None:
        found = _DECODERS[kind] = msgspec.json.Decoder(CLASS_OF[EntryKind(kind)])
    return found


_DECODERS: dict[str, msgspec.json.Decoder[Any]] = {}
_FROZEN = msgspec.json.Decoder(Frozen)
