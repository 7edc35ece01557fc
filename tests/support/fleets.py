"""Fleets put straight into the tables, for tests and benchmarks that need many vehicles or a bare start."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, text

from api.services.standing import recompute
from api.store.codes import METER_CODES
from api.store.sheets import encode_sheet
from api.store.tables_fleet import Depot
from api.store.tables_sheet import SpecSheet as SpecSheetRow
from api.store.tables_sheet import SpecSheetVersion
from api.store.tables_vehicle import DutyEntry, MeterSegment, UnitNumber, Vehicle
from api.store.tables_work import WorkDone, WorkService
from domain.sheet import Amount, IntervalRule, Limb, Meter, Service, SpecSheet, Task

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from api.store.session import Store, WriteSession

FLEET = 1


def at_us(day: str, hour: int = 12, minute: int = 0) -> int:
    """An instant of a UTC day [us]."""
    moment = datetime.fromisoformat(day).replace(hour=hour, minute=minute, tzinfo=UTC)
    return int(moment.timestamp()) * 1_000_000


def service(
    code: str, *, km: float | None = None, months: int | None = None, hours: float | None = None
) -> Service:
    """A service of one task, under one plain rule."""
    amounts = []
    if km is not None:
        amounts.append(Amount(Limb.ODOMETER, round(km * 1000)))
    if hours is not None:
        amounts.append(Amount(Limb.ENGINE_HOURS, round(hours * 3600)))
    if months is not None:
        amounts.append(Amount(Limb.CALENDAR, months))
    return Service(
        code, code.replace("-", " "), (Task(f"{code}-task", code),), (IntervalRule(tuple(amounts)),)
    )


def sheet(*services: Service, code: str = "van") -> SpecSheet:
    """A sheet with odometer and engine hours and these services."""
    return SpecSheet(code, code, (Meter.ODOMETER, Meter.ENGINE_HOURS), (), services)


@dataclass(slots=True)
class Planted:
    """A fleet in the tables.

    Attributes:
        depot: Key of its depot.
        version: Key of its spec sheet version.
        vehicles: Keys of its vehicles, by unit number.
    """

    depot: int
    version: int
    vehicles: dict[str, int]


def plant(
    store: Store,
    spec: SpecSheet,
    units: Sequence[str],
    *,
    in_service_on: date = date(2030, 1, 1),
    time_zone: str = "UTC",
    is_known_from_new: bool = True,
    depot: str = "north",
) -> Planted:
    """A depot, a sheet and vehicles of it, each with odometer and engine hours from zero."""
    with store.writing() as session:
        connection = session.connection()
        now = at_us("2030-01-01")
        depot_key = _key(
            connection.execute(
                insert(Depot).values(
                    fleet_id=FLEET, code=depot, name=depot, time_zone=time_zone, version=1, recorded_at_us=now
                )
            )
        )
        sheet_key = _key(
            connection.execute(
                insert(SpecSheetRow).values(fleet_id=FLEET, code=spec.code, version=1, recorded_at_us=now)
            )
        )
        version_key = _key(
            connection.execute(
                insert(SpecSheetVersion).values(
                    fleet_id=FLEET,
                    spec_sheet_id=sheet_key,
                    number=1,
                    name=spec.name,
                    document="{}",
                    sheet=encode_sheet(spec),
                    recorded_at_us=now,
                )
            )
        )
        first = int(connection.execute(text("SELECT COALESCE(MAX(id), 0) FROM vehicle")).scalar_one()) + 1
        keys = {unit: first + place for place, unit in enumerate(units)}
        connection.execute(
            insert(Vehicle),
            [
                {
                    "id": key,
                    "fleet_id": FLEET,
                    "spec_sheet_id": sheet_key,
                    "depot_id": depot_key,
                    "in_service_on": in_service_on,
                    "is_known_from_new": is_known_from_new,
                    "version": 1,
                    "recorded_at_us": now,
                }
                for key in keys.values()
            ],
        )
        connection.execute(
            insert(UnitNumber),
            [
                {
                    "fleet_id": FLEET,
                    "vehicle_id": key,
                    "unit": unit,
                    "valid_from": in_service_on,
                    "recorded_at_us": now,
                }
                for unit, key in keys.items()
            ],
        )
        connection.execute(
            insert(MeterSegment),
            [
                {
                    "fleet_id": FLEET,
                    "vehicle_id": key,
                    "meter": METER_CODES[meter],
                    "fitted_at_us": at_us(in_service_on.isoformat(), 0),
                    "life_offset": 0,
                    "unit": "km" if meter is Meter.ODOMETER else "h",
                    "recorded_at_us": now,
                }
                for key in keys.values()
                for meter in spec.meters
            ],
        )
        recompute(session, FLEET, keys.values(), now_us=now)
        return Planted(depot_key, version_key, keys)


def plant_work(
    session: WriteSession, planted: Planted, unit: str, services: Iterable[str], day: str, *, odometer_m: int
) -> None:
    """Work done at noon of a day, entered then."""
    connection = session.connection()
    key = _key(
        connection.execute(
            insert(WorkDone).values(
                fleet_id=FLEET,
                vehicle_id=planted.vehicles[unit],
                spec_sheet_version_id=planted.version,
                done_at_us=at_us(day),
                done_on=date.fromisoformat(day),
                figures=f'{{"odometer":{odometer_m}}}',
                is_from_papers=False,
                recorded_at_us=at_us(day, 13),
            )
        )
    )
    connection.execute(
        insert(WorkService),
        [
            {
                "fleet_id": FLEET,
                "work_done_id": key,
                "service": code,
                "is_named": True,
                "is_completed": True,
                "restored_share": 1.0,
            }
            for code in services
        ],
    )


def plant_duty(
    session: WriteSession, vehicle: int, condition: str, share: float, from_on: date, through_on: date | None
) -> None:
    """A duty entry."""
    session.connection().execute(
        insert(DutyEntry).values(
            fleet_id=FLEET,
            vehicle_id=vehicle,
            condition=condition,
            share=share,
            from_on=from_on,
            through_on=through_on,
            recorded_at_us=at_us("2030-01-01"),
        )
    )


def km_row(unit: str, at: str, km: float, source: str = "gateway") -> dict[str, Any]:
    """A row of a batch of odometer readings."""
    return {
        "unit": unit,
        "meter": "odometer",
        "at": at,
        "figure": {"value": km, "unit": "km"},
        "source": source,
    }


def _key(result: Any) -> int:
    return int(result.inserted_primary_key[0])
