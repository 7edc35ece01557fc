"""A compartment of a stored spec sheet, named by a request in place of its figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from api.store import queries_sheets
from api.store.sheets import load_sheet
from domain.errors import Breach, SheetError

if TYPE_CHECKING:
    from api.store.session import ReadSession
    from domain.sheet import Compartment


@dataclass(frozen=True, slots=True)
class CompartmentNamed:
    """A compartment of a vehicle type.

    Attributes:
        spec_sheet: Code of the sheet, whose newest version counts.
        code: Code of the compartment.
    """

    spec_sheet: str
    code: str


def compartment_named(session: ReadSession, fleet_key: int, named: CompartmentNamed) -> Compartment:
    """The compartment by the newest version of its sheet.

    Raises:
        RefusedError: The fleet has no such sheet, or the sheet no such compartment.
    """
    version = queries_sheets.newest_version_key(session, fleet_key, named.spec_sheet)
    if version is None:
        detail = "the fleet has no spec sheet of this code"
        raise RefusedError(Breach("/compartment/spec_sheet", "spec_sheet_unknown", detail))
    try:
        return load_sheet(session, fleet_key, version).compartment(named.code)
    except SheetError as error:
        detail = "the spec sheet has no compartment of this code"
        raise RefusedError(Breach("/compartment/code", "compartment_unknown", detail)) from error
