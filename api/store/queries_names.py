"""The SELECTs that turn keys into the codes that answers show, and codes in filters into keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import bindparam, text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.store.session import ReadSession

_DEPOTS = text("SELECT id, code FROM depot WHERE fleet_id = :fleet")
_SHEET = text("SELECT id FROM spec_sheet WHERE fleet_id = :fleet AND code = :code")
_VERSIONS = text(
    """
    SELECT v.id, s.code, v.number FROM spec_sheet_version v
    JOIN spec_sheet s ON s.fleet_id = v.fleet_id AND s.id = v.spec_sheet_id
    WHERE v.fleet_id = :fleet AND v.id IN :versions
    """
).bindparams(bindparam("versions", expanding=True))

# Every change of a part, of its alternates, of a product or a requirement raises its version.
_SHOWN = text(
    """
    SELECT (SELECT COUNT(*) FROM part WHERE fleet_id = :fleet) AS parts,
      (SELECT COALESCE(SUM(version), 0) FROM part WHERE fleet_id = :fleet) AS part_versions,
      (SELECT COUNT(*) FROM fluid_product WHERE fleet_id = :fleet) AS products,
      (SELECT COALESCE(SUM(version), 0) FROM fluid_product WHERE fleet_id = :fleet) AS product_versions,
      (SELECT COUNT(*) FROM fluid_requirement WHERE fleet_id = :fleet) AS requirements,
      (SELECT COALESCE(SUM(version), 0) FROM fluid_requirement WHERE fleet_id = :fleet) AS requirement_versions
    """
)


def kits_stamp(session: ReadSession, fleet: int) -> str:
    """A text that changes whenever a part, a fluid product or a fluid requirement of the fleet does."""
    return ".".join(str(figure) for figure in session.execute(_SHOWN, {"fleet": fleet}).one())


def depot_codes(session: ReadSession, fleet: int) -> dict[int, str]:
    """The code of each depot, by key."""
    return {row.id: row.code for row in session.execute(_DEPOTS, {"fleet": fleet})}


def spec_sheet_key(session: ReadSession, fleet: int, code: str) -> int | None:
    """The key of the spec sheet of a code, None where there is none."""
    found = session.execute(_SHEET, {"fleet": fleet, "code": code}).scalar()
    return None if found is None else int(found)


def version_names(session: ReadSession, fleet: int, versions: Iterable[int]) -> dict[int, tuple[str, int]]:
    """Code and number of spec sheet versions, by key."""
    asked = sorted(set(versions))
    if not asked:
        return {}
    rows = session.execute(_VERSIONS, {"fleet": fleet, "versions": asked})
    return {row.id: (row.code, row.number) for row in rows}
