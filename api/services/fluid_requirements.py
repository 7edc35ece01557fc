"""Fluid requirements as the fleet keeps them; what spec sheets name is one of these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import NotFoundError, StaleVersionError
from api.store import queries_fluids
from api.store.new_rows import insert_new
from api.store.tables_fleet import FluidRequirement
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from api.services.preconditions import PutCondition
    from api.store.queries_fluids import Found
    from api.store.session import ReadSession, WriteSession

_KIND = "fluid requirement"


@dataclass(frozen=True, slots=True)
class FluidTerms:
    """What a fluid must meet.

    Attributes:
        code: The fleet's code of the requirement.
        name: In words.
        standard: The standard that names the class.
        service_class: The class within it.
        grade: Viscosity grade or concentration.
    """

    code: str
    name: str
    standard: str
    service_class: str | None
    grade: str | None


@dataclass(frozen=True, slots=True)
class FluidState:
    """A fluid requirement as it is stored.

    Attributes:
        key: Its key.
        terms: What a fluid must meet.
        version: Grows by one with each change.
        recorded_at_us: When it was first recorded [us UTC].
    """

    key: int
    terms: FluidTerms
    version: int
    recorded_at_us: int


def fluid_state(session: ReadSession, fleet_key: int, code: str) -> FluidState:
    """The requirement of that code.

    Raises:
        NotFoundError: The fleet has none.
    """
    row = queries_fluids.fluid_requirement(session, fleet_key, code)
    if row is None:
        raise NotFoundError(_KIND)
    return _state(row)


def fluids_after(session: ReadSession, fleet_key: int, after: str | None, limit: int) -> list[FluidState]:
    """Requirements in the order of their codes, from the one after ``after`` on."""
    rows = queries_fluids.listed_fluid_requirements(session, fleet_key, after=after, limit=limit)
    return [_state(row) for row in rows]


def put_fluid(
    session: WriteSession, fleet_key: int, terms: FluidTerms, condition: PutCondition, *, now_us: int
) -> tuple[FluidState, bool]:
    """The requirement as it is now, and whether it was created.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        terms: All of the requirement.
        condition: What the replacement expects to find.
        now_us: The instant of the request [us UTC].

    Raises:
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The requirement is there, and the request names no version.
    """
    row = queries_fluids.fluid_requirement(session, fleet_key, terms.code)
    condition.check(_KIND, None if row is None else row.version)
    if row is None:
        _insert(session, fleet_key, [terms], now_us)
        return fluid_state(session, fleet_key, terms.code), True
    stored = _state(row)
    if stored.terms == terms:
        return stored, False
    is_changed = queries_fluids.change_fluid_requirement(
        session, fleet_key, terms.code, version=stored.version, values=_columns(terms)
    )
    newer = fluid_state(session, fleet_key, terms.code)
    if not is_changed:
        raise StaleVersionError(_KIND, stored_version=newer.version)
    return newer, False


def define_fluids(
    session: WriteSession, fleet_key: int, defined: Sequence[FluidTerms], *, now_us: int
) -> list[Breach]:
    """Store requirements that a document defines; gives back where another is stored under a code.

    Args:
        session: The unit of work; it must not be kept if there are breaches.
        fleet_key: The fleet.
        defined: The definitions, each code once; places are relative to this sequence.
        now_us: The instant of the request [us UTC].
    """
    inserted = _insert(session, fleet_key, defined, now_us)
    rows = queries_fluids.fluid_requirements(session, fleet_key, [terms.code for terms in defined])
    stored = {row.code: _state(row).terms for row in rows}
    return [
        Breach(f"/{index}", "definition_differs", "another fluid requirement is stored under this code")
        for index, terms in enumerate(defined)
        if terms.code not in inserted and stored[terms.code] != terms
    ]


def fluid_keys(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> dict[str, int]:
    """Keys of the requirements of these codes that are stored."""
    wanted = sorted(set(codes))
    if not wanted:
        return {}
    return {row.code: int(row.id) for row in queries_fluids.fluid_requirements(session, fleet_key, wanted)}


def _insert(session: WriteSession, fleet_key: int, defined: Sequence[FluidTerms], now_us: int) -> set[str]:
    rows = [
        {
            "fleet_id": fleet_key,
            "code": terms.code,
            **_columns(terms),
            "version": 1,
            "recorded_at_us": now_us,
        }
        for terms in defined
    ]
    return insert_new(session, FluidRequirement, rows)


def _columns(terms: FluidTerms) -> dict[str, str | None]:
    return {
        "name": terms.name,
        "standard": terms.standard,
        "service_class": terms.service_class,
        "grade": terms.grade,
    }


def _state(row: Found) -> FluidState:
    terms = FluidTerms(row.code, row.name, row.standard, row.service_class, row.grade)
    return FluidState(int(row.id), terms, row.version, row.recorded_at_us)
