"""Patterns of use that have been learned: what is known, by type and meter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import msgspec

from api.services.grounds import FOREVER_US
from api.store import queries_use
from domain.use_level import UsePattern

if TYPE_CHECKING:
    from api.store.session import ReadSession


@dataclass(frozen=True, slots=True)
class KnownPattern:
    """A learned pattern.

    Attributes:
        pattern: The pattern.
        version: Which one of the type and meter, counted from 1.
        vehicles: How many vehicles it was learned from.
        forecasts: How many forecasts were held against what happened.
        learned_at_us: When it was learned [us UTC].
    """

    pattern: UsePattern
    version: int
    vehicles: int
    forecasts: int
    learned_at_us: int


Patterns = Mapping[tuple[int, int], KnownPattern]
"""Patterns by key of the spec sheet and code of the meter."""

NO_PATTERNS: Patterns = MappingProxyType({})


def patterns_known(session: ReadSession, fleet_key: int, *, known_at_us: int = FOREVER_US) -> Patterns:
    """The newest pattern of each type and meter that had been learned by an instant.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        known_at_us: The instant [us UTC]; by now unless given.
    """
    return {
        (row.spec_sheet_id, row.meter): KnownPattern(
            pattern_of(row.pattern), row.version, row.vehicles, row.forecasts, row.learned_at_us
        )
        for row in queries_use.patterns(session, fleet_key, known_at_us)
    }


@lru_cache(maxsize=4_096)
def pattern_of(stored: str) -> UsePattern:
    """A pattern from what ``use_pattern.pattern`` holds."""
    return _decoder.decode(stored)


def stored_pattern(pattern: UsePattern) -> str:
    """A pattern as ``pattern_of`` reads it."""
    return msgspec.json.encode(pattern).decode()


_decoder = msgspec.json.Decoder(UsePattern)
