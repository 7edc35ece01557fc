"""Spec sheets: publishing versions and reading them.

Invariants: a published version never changes, and what was due or done under it stays so; every part and
fluid requirement that it names is a row of the fleet; nothing of a refused document is stored.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import ConflictError, NotFoundError, RefusedError
from api.services.fluid_requirements import FluidTerms, define_fluids, fluid_keys
from api.services.parts import PartTerms, define_parts, definition_breaches, part_keys
from api.services.standing import recompute
from api.store import queries_sheets
from api.store.sheets import encode_sheet
from domain.errors import Breach, SheetError
from domain.sheet import SpecSheet, check_sheet

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from api.store.queries_sheets import Found
    from api.store.session import ReadSession, WriteSession

_KIND = "spec sheet"


@dataclass(frozen=True, slots=True)
class Publication:
    """A document to be published.

    Attributes:
        document: What the client sent, JSON in its own units.
        sheet: The same in canonical units.
        fluids: Fluid requirements that it defines.
        parts: Parts that it defines.
    """

    document: str
    sheet: SpecSheet
    fluids: tuple[FluidTerms, ...]
    parts: tuple[PartTerms, ...]


@dataclass(frozen=True, slots=True)
class VersionState:
    """A version as it is stored.

    Attributes:
        code: Code of the sheet.
        name: The vehicle type in words.
        number: Number of the version, from 1 up.
        newest_number: Number of the newest version.
        recorded_at_us: When it was recorded [us UTC].
    """

    code: str
    name: str
    number: int
    newest_number: int
    recorded_at_us: int


def version_with_document(
    session: ReadSession, fleet_key: int, code: str, number: int | None = None
) -> tuple[VersionState, str]:
    """A version of a sheet and its document as it was sent.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        code: Code of the sheet.
        number: Number of the version; None: the newest.

    Raises:
        NotFoundError: The fleet has no such sheet or version.
    """
    row = queries_sheets.version(session, fleet_key, code, number=number)
    if row is None:
        raise NotFoundError(_KIND if number is None else "spec sheet version")
    return _state(row), row.document


def sheets_after(session: ReadSession, fleet_key: int, after: str | None, limit: int) -> list[VersionState]:
    """Sheets by their newest version in the order of their codes, from the one after ``after`` on."""
    return [_state(row) for row in queries_sheets.listed_sheets(session, fleet_key, after=after, limit=limit)]


def publish_sheet(session: WriteSession, fleet_key: int, publication: Publication, *, now_us: int) -> None:
    """Store a new sheet with its first version.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        publication: The document.
        now_us: The instant of the request [us UTC].

    Raises:
        ConflictError: The fleet has a sheet of that code, or other parts or fluid requirements of a code.
        RefusedError: The document contradicts itself, or names what is neither in it nor stored.
    """
    code = publication.sheet.code
    if queries_sheets.has_sheet(session, fleet_key, code):
        raise ConflictError(Breach("/code", "code_taken", "the fleet has a spec sheet of this code already"))
    _check(session, fleet_key, publication)
    key = queries_sheets.add_sheet(session, fleet_key, code, now_us=now_us)
    _add_version(session, fleet_key, key, publication, now_us)


def publish_version(
    session: WriteSession, fleet_key: int, code: str, publication: Publication, *, now_us: int
) -> None:
    """Store the next version of a sheet, and draw the due points of its vehicles again.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        code: Code of the sheet.
        publication: The document.
        now_us: The instant of the request [us UTC].

    Raises:
        NotFoundError: The fleet has no such sheet.
        ConflictError: Other parts or fluid requirements of a code are stored.
        RefusedError: The document is of another sheet, contradicts itself, or names what is neither in it
            nor stored.
    """
    key = queries_sheets.lock_sheet(session, fleet_key, code)
    if key is None:
        raise NotFoundError(_KIND)
    more = []
    if publication.sheet.code != code:
        more.append(Breach("/code", "code_differs", "the document is of another sheet than the path"))
    _check(session, fleet_key, publication, more)
    _add_version(session, fleet_key, key, publication, now_us)
    recompute(session, fleet_key, queries_sheets.vehicle_keys(session, fleet_key, key), now_us=now_us)


def _check(
    session: ReadSession, fleet_key: int, publication: Publication, more: Iterable[Breach] = ()
) -> None:
    breaches = [*more]
    try:
        check_sheet(publication.sheet)
    except SheetError as error:
        breaches += error.breaches
    breaches += _repeated("/fluid_requirements", [terms.code for terms in publication.fluids])
    breaches += _repeated("/parts", [terms.code for terms in publication.parts])
    defined = definition_breaches(session, fleet_key, publication.parts)
    breaches += [breach.under("/parts") for breach in defined]
    breaches += _unknown(session, fleet_key, publication)
    if breaches:
        raise RefusedError(*breaches)


def _repeated(place: str, codes: list[str]) -> Iterator[Breach]:
    counts = Counter(codes)
    for index, code in enumerate(codes):
        if counts[code] > 1:
            yield Breach(f"{place}/{index}/code", "code_repeated", "another entry has the same code")


def _unknown(session: ReadSession, fleet_key: int, publication: Publication) -> Iterator[Breach]:
    fluids = _fluids_named(publication.sheet)
    known_fluids = {terms.code for terms in publication.fluids}
    known_fluids |= fluid_keys(session, fleet_key, set(fluids.values()) - known_fluids).keys()
    for place, code in fluids.items():
        if code not in known_fluids:
            detail = "no fluid requirement of this code is stored or defined here"
            yield Breach(place, "fluid_requirement_unknown", detail)
    parts = _parts_named(publication.sheet)
    known_parts = {terms.code for terms in publication.parts}
    known_parts |= part_keys(session, fleet_key, set(parts.values()) - known_parts).keys()
    for place, code in parts.items():
        if code not in known_parts:
            yield Breach(place, "part_unknown", "no part of this code is stored or defined here")


def _fluids_named(sheet: SpecSheet) -> dict[str, str]:
    return {
        f"/compartments/{index}/fluid_requirement": compartment.fluid_requirement
        for index, compartment in enumerate(sheet.compartments)
        if compartment.fluid_requirement is not None
    }


def _parts_named(sheet: SpecSheet) -> dict[str, str]:
    seals = {
        f"/compartments/{index}/plugs/{place}/seal_part": plug.seal_part
        for index, compartment in enumerate(sheet.compartments)
        for place, plug in enumerate(compartment.plugs)
        if plug.seal_part is not None
    }
    lines = {
        f"/services/{index}/tasks/{place}/parts/{at}/part": line.part
        for index, service in enumerate(sheet.services)
        for place, task in enumerate(service.tasks)
        for at, line in enumerate(task.parts)
    }
    return seals | lines


def _add_version(
    session: WriteSession, fleet_key: int, sheet_key: int, publication: Publication, now_us: int
) -> None:
    fluids = define_fluids(session, fleet_key, publication.fluids, now_us=now_us)
    parts = define_parts(session, fleet_key, publication.parts, now_us=now_us)
    conflicts = [
        *(breach.under("/fluid_requirements") for breach in fluids),
        *(breach.under("/parts") for breach in parts),
    ]
    if conflicts:
        raise ConflictError(*conflicts)
    sheet = publication.sheet
    version_key = queries_sheets.add_version(
        session,
        fleet_key,
        sheet_key,
        {
            "name": sheet.name,
            "document": publication.document,
            "sheet": encode_sheet(sheet),
            "recorded_at_us": now_us,
        },
    )
    queries_sheets.add_references(
        session,
        fleet_key,
        version_key,
        parts=part_keys(session, fleet_key, _parts_named(sheet).values()).values(),
        fluids=fluid_keys(session, fleet_key, _fluids_named(sheet).values()).values(),
    )


def _state(row: Found) -> VersionState:
    return VersionState(row.code, row.name, row.number, row.newest_number, row.recorded_at_us)
