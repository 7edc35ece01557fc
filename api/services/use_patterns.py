"""Patterns of use that have been learned: what is known, by type and meter."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import msgspec

from api.services.grounds import FOREVER_US
from api.store import queries_use
from domain.use_level import LevelTerms, UsePattern

if TYPE_CHECKING:
    from api.store.session import ReadSession, WriteSession


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


def terms_by_version(session: WriteSession) -> Mapping[int, Mapping[int, LevelTerms]]:
    """How the types of all fleets run their meters: by key of the sheet version, then by code of the meter.

    Remembered for each database until something more is learned or another version is made.

    Args:
        session: A unit of work that makes neither.
    """
    stamp = queries_use.stamp(session)
    if stamp[0] is None:
        return _NO_TERMS
    bind = session.get_bind()
    kept = _terms.get(bind)
    if kept is None or kept[0] != stamp:
        found: dict[int, dict[int, LevelTerms]] = {}
        for row in queries_use.by_version(session):
            found.setdefault(row.id, {})[row.meter] = pattern_of(row.pattern).terms
        kept = _terms[bind] = (stamp, found)
    return kept[1]


@lru_cache(maxsize=4_096)
def pattern_of(stored: str) -> UsePattern:
    """A pattern from what ``use_pattern.pattern`` holds."""
    return _decoder.decode(stored)


def stored_pattern(pattern: UsePattern) -> str:
    """A pattern as ``pattern_of`` reads it."""
    return msgspec.json.encode(pattern).decode()


_decoder = msgspec.json.Decoder(UsePattern)
_NO_TERMS: Mapping[int, Mapping[int, LevelTerms]] = MappingProxyType({})
# One memory for each database.
_terms: MutableMapping[
    object, tuple[tuple[int | None, int | None], Mapping[int, Mapping[int, LevelTerms]]]
] = WeakKeyDictionary()
