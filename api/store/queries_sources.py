"""The SELECTs of what judging readings rests on: devices fitted, calibrations, people's decisions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession, WriteSession

    Rows = Sequence[Row[Any]]

# A fact holds for a question from its recording up to its withdrawal.
_KNOWN = (
    "fleet_id = :fleet AND recorded_at_us <= :known AND (withdrawn_at_us IS NULL OR withdrawn_at_us > :known)"
)

# One statement for both, told apart by ``meter``: a fitting is of no meter.
_TERMS = text(
    f"""
    SELECT vehicle_id, source_id, 0 AS meter, fitted_at_us AS from_us, removed_at_us AS until_us,
           0 AS factor_ppb, 0 AS figure_offset, id
    FROM source_fitting WHERE {_KNOWN} AND vehicle_id IN :vehicles
    UNION ALL
    SELECT vehicle_id, source_id, meter, from_us, NULL, factor_ppb, figure_offset, id
    FROM source_calibration WHERE {_KNOWN} AND vehicle_id IN :vehicles
    ORDER BY 1, 2, 3, 4, 8
    """  # noqa: S608 - a constant of this module
).bindparams(bindparam("vehicles", expanding=True))

_DECISIONS = text(
    """
    SELECT id, vehicle_id, meter, at_us, source_id, figure, decision, meant_figure, decided_by, why, recorded_at_us
    FROM reading_decision
    WHERE fleet_id = :fleet AND vehicle_id IN :vehicles AND recorded_at_us <= :known ORDER BY id
    """
).bindparams(bindparam("vehicles", expanding=True))

_DECISIONS_UNDER_UNIT = text(
    """
    SELECT id, unit, meter, at_us, source_id, figure, decision, meant_figure, decided_by, why, recorded_at_us
    FROM reading_decision WHERE fleet_id = :fleet AND unit = :unit ORDER BY id
    """
)

# An index leads to the vehicles' days only, so this walks the readings; it is asked when a source becomes a device.
_IS_USED_ELSEWHERE = text(
    """
    SELECT 1 FROM reading WHERE fleet_id = :fleet AND source_id = :source AND vehicle_id <> :vehicle LIMIT 1
    """
)
_SOURCE = "SELECT id, device_since_us FROM reading_source WHERE fleet_id = :fleet AND code = :code"
_SOURCE_QUERIES = {"sqlite": text(_SOURCE), "postgresql": text(_SOURCE + " FOR UPDATE")}
_BECOME_DEVICE = text(
    "UPDATE reading_source SET device_since_us = :now WHERE fleet_id = :fleet AND id = :source"
)
_FITTINGS_OF = text(
    "SELECT vehicle_id, fitted_at_us, removed_at_us FROM source_fitting"
    " WHERE fleet_id = :fleet AND source_id = :source AND withdrawn_at_us IS NULL"
)
_CODES = text("SELECT id, code FROM reading_source WHERE fleet_id = :fleet AND id IN :sources").bindparams(
    bindparam("sources", expanding=True)
)


def terms(session: ReadSession, fleet: int, vehicles: Sequence[int], known: int) -> Rows:
    """Devices fitted (``meter`` is 0) and calibrations of vehicles, as known at an instant [us UTC].

    In order of vehicle, source, meter and beginning; the one recorded last of those that begin together is last.
    """
    return session.execute(_TERMS, {"fleet": fleet, "vehicles": list(vehicles), "known": known}).all()


def decisions(session: ReadSession, fleet: int, vehicles: Sequence[int], known: int) -> Rows:
    """People's decisions on readings of vehicles, as known at an instant [us UTC], in order of time."""
    return session.execute(_DECISIONS, {"fleet": fleet, "vehicles": list(vehicles), "known": known}).all()


def decisions_under(session: ReadSession, fleet: int, unit: str) -> Rows:
    """People's decisions on readings that waited under a unit number, in order of time."""
    return session.execute(_DECISIONS_UNDER_UNIT, {"fleet": fleet, "unit": unit}).all()


def locked_source(session: WriteSession, fleet: int, code: str) -> Any:
    """The row of a source, kept from feeds that use it until the unit of work ends; it exists."""
    dialect = session.get_bind().dialect.name
    return session.execute(_SOURCE_QUERIES[dialect], {"fleet": fleet, "code": code}).one()


def is_used_elsewhere(session: ReadSession, fleet: int, source: int, vehicle: int) -> bool:
    """Whether any other vehicle has readings of a source."""
    asked = {"fleet": fleet, "source": source, "vehicle": vehicle}
    return session.execute(_IS_USED_ELSEWHERE, asked).first() is not None


def become_device(session: WriteSession, fleet: int, source: int, now_us: int) -> None:
    """Let a source be a device from now on."""
    session.execute(_BECOME_DEVICE, {"fleet": fleet, "source": source, "now": now_us})


def source_codes(session: ReadSession, fleet: int, sources: Sequence[int]) -> dict[int, str]:
    """Codes of sources, by key."""
    rows = session.execute(_CODES, {"fleet": fleet, "sources": list(sources)})
    return {row.id: row.code for row in rows}


def fittings_of(session: ReadSession, fleet: int, source: int) -> Rows:
    """Every fitting of a device that stands, on whichever vehicle."""
    return session.execute(_FITTINGS_OF, {"fleet": fleet, "source": source}).all()
