"""The SELECTs of kits and fluid needs: parts with all that can stand in for them, and requirements."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession

    Rows = Sequence[Row[Any]]

# From the parts of some sheet versions along supersessions and alternates to all that can stand in for them.
_REACHED = """
    WITH RECURSIVE
      step(from_id, to_id) AS (
        SELECT id, superseded_by_id FROM part WHERE fleet_id = :fleet AND superseded_by_id IS NOT NULL
        UNION ALL SELECT part_id, alternate_id FROM part_alternate WHERE fleet_id = :fleet),
      reached(id) AS (
        SELECT part_id FROM spec_sheet_part WHERE fleet_id = :fleet AND spec_sheet_version_id IN :versions
        UNION SELECT step.to_id FROM reached JOIN step ON step.from_id = reached.id)
"""
_PARTS = text(
    f"""
    {_REACHED}
    SELECT p.id, p.code, p.name, p.unit, p.kind, n.code AS superseded_by
    FROM reached JOIN part p ON p.fleet_id = :fleet AND p.id = reached.id
    LEFT JOIN part n ON n.fleet_id = :fleet AND n.id = p.superseded_by_id
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("versions", expanding=True))
_ALTERNATES = text(
    f"""
    {_REACHED}
    SELECT a.part_id, p.code
    FROM reached JOIN part_alternate a ON a.fleet_id = :fleet AND a.part_id = reached.id
    JOIN part p ON p.fleet_id = :fleet AND p.id = a.alternate_id
    ORDER BY a.part_id, a.rank, p.code
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("versions", expanding=True))
_REQUIREMENTS = text(
    """
    SELECT code, name, standard, service_class, grade FROM fluid_requirement
    WHERE fleet_id = :fleet AND code IN :codes
    """
).bindparams(bindparam("codes", expanding=True))


def parts(session: ReadSession, fleet: int, versions: Iterable[int]) -> Rows:
    """The parts that sheet versions name, and all that can stand in for them."""
    return session.execute(_PARTS, {"fleet": fleet, "versions": list(versions)}).all()


def alternates(session: ReadSession, fleet: int, versions: Iterable[int]) -> Rows:
    """The alternates of the same parts, best first."""
    return session.execute(_ALTERNATES, {"fleet": fleet, "versions": list(versions)}).all()


def requirements(session: ReadSession, fleet: int, codes: Iterable[str]) -> Rows:
    """The fluid requirements of these codes."""
    return session.execute(_REQUIREMENTS, {"fleet": fleet, "codes": list(codes)}).all()
