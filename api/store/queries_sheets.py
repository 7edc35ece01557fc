"""The SELECTs of spec sheets and their versions, and the rows as they are stored.

Invariant: a version is inserted and never changed; while one is added, its sheet's row is locked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import func, insert, select, update
from sqlmodel import col

from api.store.tables_sheet import SpecSheet, SpecSheetFluid, SpecSheetPart, SpecSheetVersion
from api.store.tables_vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import sqlalchemy
    from sqlalchemy import Select

    from api.store.session import ReadSession, WriteSession

    Found = sqlalchemy.Row[*tuple[Any, ...]]

_NEWEST = (
    select(func.max(col(SpecSheetVersion.number)))
    .where(
        col(SpecSheetVersion.fleet_id) == col(SpecSheet.fleet_id),
        col(SpecSheetVersion.spec_sheet_id) == col(SpecSheet.id),
    )
    .correlate(SpecSheet)
    .scalar_subquery()
)


def has_sheet(session: ReadSession, fleet: int, code: str) -> bool:
    """Whether the fleet has a spec sheet of that code."""
    query = select(col(SpecSheet.id)).where(col(SpecSheet.fleet_id) == fleet, col(SpecSheet.code) == code)
    return session.execute(query).first() is not None


def version(session: ReadSession, fleet: int, code: str, *, number: int | None) -> Found | None:
    """One version of a sheet with its document, and ``newest_number``.

    Args:
        session: Any unit of work.
        fleet: The fleet.
        code: Code of the sheet.
        number: Number of the version; None: the newest.
    """
    query = _versions(fleet, col(SpecSheetVersion.document)).where(col(SpecSheet.code) == code)
    return session.execute(
        query.where(col(SpecSheetVersion.number) == (_NEWEST if number is None else number))
    ).first()


def newest_version_key(session: ReadSession, fleet: int, code: str) -> int | None:
    """The key of a sheet's newest version; None where the fleet has no sheet of that code."""
    query = (
        select(col(SpecSheetVersion.id))
        .join(
            SpecSheet,
            (col(SpecSheet.fleet_id) == col(SpecSheetVersion.fleet_id))
            & (col(SpecSheet.id) == col(SpecSheetVersion.spec_sheet_id)),
        )
        .where(col(SpecSheet.fleet_id) == fleet, col(SpecSheet.code) == code)
        .order_by(col(SpecSheetVersion.number).desc())
        .limit(1)
    )
    key = session.execute(query).scalar()
    return None if key is None else int(key)


def listed_sheets(session: ReadSession, fleet: int, *, after: str | None, limit: int) -> Sequence[Found]:
    """Sheets by their newest version in the order of their codes, from the one after ``after`` on."""
    query = _versions(fleet).where(col(SpecSheetVersion.number) == _NEWEST)
    query = query.order_by(col(SpecSheet.code)).limit(limit)
    if after is not None:
        query = query.where(col(SpecSheet.code) > after)
    return session.execute(query).all()


def vehicle_keys(session: ReadSession, fleet: int, sheet_key: int) -> list[int]:
    """Keys of the vehicles of a sheet, in their order."""
    query = (
        select(col(Vehicle.id))
        .where(col(Vehicle.fleet_id) == fleet, col(Vehicle.spec_sheet_id) == sheet_key)
        .order_by(col(Vehicle.id))
    )
    return [int(key or 0) for key in session.execute(query).scalars()]


def add_sheet(session: WriteSession, fleet: int, code: str, *, now_us: int) -> int:
    """The key of a new sheet; it has no version yet."""
    key = session.execute(
        insert(SpecSheet)
        .values(fleet_id=fleet, code=code, version=0, recorded_at_us=now_us)
        .returning(col(SpecSheet.id))
    ).scalar_one()
    return int(key or 0)


def lock_sheet(session: WriteSession, fleet: int, code: str) -> int | None:
    """The key of a sheet, kept from other writers until the unit of work ends; None where it has none."""
    key = session.execute(
        update(SpecSheet)
        .where(col(SpecSheet.fleet_id) == fleet, col(SpecSheet.code) == code)
        .values(version=col(SpecSheet.version) + 1)
        .returning(col(SpecSheet.id)),
        execution_options={"synchronize_session": False},
    ).scalar_one_or_none()
    return None if key is None else int(key)


def add_version(session: WriteSession, fleet: int, sheet_key: int, values: Mapping[str, Any]) -> int:
    """The key of a new version with these columns, the next of its sheet, which is locked."""
    newest = session.execute(
        select(func.max(col(SpecSheetVersion.number))).where(
            col(SpecSheetVersion.fleet_id) == fleet, col(SpecSheetVersion.spec_sheet_id) == sheet_key
        )
    ).scalar_one()
    key = session.execute(
        insert(SpecSheetVersion)
        .values(fleet_id=fleet, spec_sheet_id=sheet_key, number=(newest or 0) + 1, **values)
        .returning(col(SpecSheetVersion.id))
    ).scalar_one()
    return int(key or 0)


def add_references(
    session: WriteSession, fleet: int, version_key: int, *, parts: Iterable[int], fluids: Iterable[int]
) -> None:
    """Store which parts and fluid requirements a version names.

    Args:
        session: The unit of work.
        fleet: The fleet.
        version_key: The version.
        parts: Keys of parts.
        fluids: Keys of fluid requirements.
    """
    owner = {"fleet_id": fleet, "spec_sheet_version_id": version_key}
    part_rows = [{**owner, "part_id": key} for key in sorted(parts)]
    fluid_rows = [{**owner, "fluid_requirement_id": key} for key in sorted(fluids)]
    if part_rows:
        session.execute(insert(SpecSheetPart), part_rows)
    if fluid_rows:
        session.execute(insert(SpecSheetFluid), fluid_rows)


def _versions(fleet: int, *more: Any) -> Select[*tuple[Any, ...]]:
    return (
        select(
            col(SpecSheet.code),
            col(SpecSheetVersion.name),
            col(SpecSheetVersion.number),
            col(SpecSheetVersion.recorded_at_us),
            _NEWEST.label("newest_number"),
            *more,
        )
        .join(
            SpecSheetVersion,
            (col(SpecSheetVersion.fleet_id) == col(SpecSheet.fleet_id))
            & (col(SpecSheetVersion.spec_sheet_id) == col(SpecSheet.id)),
        )
        .where(col(SpecSheet.fleet_id) == fleet)
    )
