"""A large invented fleet with a realistic mixture, put into the tables in bulk.

Four types of the sample fleet, with their kits, each cut to twelve services. Some tens of vehicles call for someone, in
varied states; they are the same at every size. The conclusions of each distinct past are drawn by the service's own
functions and encoders; a past stands for several vehicles. Work and earlier readings are not stored as facts: nothing
that is measured reads them.
"""

from __future__ import annotations

import json
import random
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import insert

from api.schemas.sheets import SpecSheetDocument
from api.services.history import LoadedVehicle
from api.services.spec_sheets import publish_sheet
from api.services.standing import concluded
from api.store.codes import METER_CODES
from api.store.sheets import load_sheet
from api.store.tables_due import DuePoint, Standing
from api.store.tables_fleet import Depot
from api.store.tables_vehicle import MeterSegment as MeterSegmentRow
from api.store.tables_vehicle import UnitNumber, Vehicle
from domain.duty import DutyEntry
from domain.history import Origin, VehicleHistory, WorkDone
from domain.meters import DAY_US, MeterSegment, Timeline
from domain.sheet import DutyCondition, IntervalRule, Limb, Meter, SpecSheet
from domain.usage import folded, rate_per_day
from tests.benchmarks.raw import is_sqlite, raw_connection

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from sqlmodel import SQLModel

    from api.store.session import ReadSession, Store

FLEET = 1
TODAY = date(2031, 5, 5)
NOW_US = int(datetime(2031, 5, 5, 8, tzinfo=UTC).timestamp()) * 1_000_000
SERVICES = 12
CALLING = 90
"""Vehicles that call for someone, at every size of the fleet."""

_SHEETS = Path(__file__).parents[2] / "fixtures" / "fleets" / "ostmere" / "sheets"
# Types with twelve services or more, and the services that are left out to have twelve.
_TYPES = {
    "panel-van": (),
    "sweeper-15t": (),
    "tipper-26t": ("urea-filter",),
    "tractor-40t": ("cabin-filter",),
}
_DEPOTS = {
    "north": "Europe/Oslo",
    "south": "Europe/Lisbon",
    "east": "Europe/Athens",
    "west": "Europe/Dublin",
    "harbour": "UTC",
}
_PASTS = 600
_EPOCH = date(1970, 1, 1)

# Most use in a day, by meter [canonical units].
_PER_DAY = {
    Meter.ODOMETER: 250_000,
    Meter.ENGINE_HOURS: 28_800,
    Meter.SECOND_ENGINE_HOURS: 18_000,
    Meter.POWER_TAKE_OFF_HOURS: 9_000,
    Meter.IDLE_HOURS: 5_400,
    Meter.FUEL_BURNED: 75_000,
}
_DIALS = {Meter.ODOMETER: "km", Meter.FUEL_BURNED: "L"}


@dataclass(frozen=True, slots=True)
class Seeded:
    """A vehicle in the tables, as far as readings of it need it.

    Attributes:
        key: Its key.
        unit: Its unit number.
        figures: What its meters showed last, by meter [canonical units]; empty where nothing was read.
    """

    key: int
    unit: str
    figures: Mapping[Meter, int]


@dataclass(frozen=True, slots=True)
class _Past:
    standing: dict[str, Any]
    points: list[dict[str, Any]]
    vehicle: LoadedVehicle


def seed(store: Store, vehicles: int, *, seed: int = 1) -> list[Seeded]:
    """A fleet of so many vehicles in an empty database, and the vehicles.

    Args:
        store: A migrated database without vehicles.
        vehicles: How many.
        seed: Of the dice.
    """
    depots, versions = _set_up(store)
    with store.reading() as session:
        calling, resting = _pasts(session, random.Random(seed), depots, versions, min(_PASTS, vehicles))  # noqa: S311
    pasts = [*calling, *(resting[place % len(resting)] for place in range(vehicles - len(calling)))]
    # The calling vehicles lie scattered among the others, as they would.
    random.Random(seed).shuffle(pasts)  # noqa: S311 - a benchmark's own dice
    made = [
        Seeded(key, f"V-{key:06d}", {meter: u.last_life for meter, u in past.vehicle.usage.items()})
        for key, past in enumerate(pasts, start=1)
    ]
    _load(store, dict(zip((one.key for one in made), pasts, strict=True)))
    return made


def read_vehicles(made: Sequence[Seeded], count: int) -> list[Seeded]:
    """So many vehicles with an odometer and engine hours, evenly from the whole fleet."""
    both = [one for one in made if {Meter.ODOMETER, Meter.ENGINE_HOURS} <= one.figures.keys()]
    return both[:: max(1, len(both) // count)][:count]


def analyze(store: Store) -> None:
    """Let the database gather its statistics."""
    with store.engines.write.connect() as connection:
        connection.exec_driver_sql("ANALYZE")
        connection.commit()


def _set_up(store: Store) -> tuple[dict[int, str], list[int]]:
    with store.writing() as session:
        for name, dropped in _TYPES.items():
            document = json.loads((_SHEETS / f"{name}.json").read_text())
            document["services"] = [s for s in document["services"] if s["code"] not in dropped]
            for service in document["services"]:  # each of the twelve holds for each vehicle
                for rule in service["rules"]:
                    rule.pop("applies_to", None)
            sheet = SpecSheetDocument.model_validate_json(json.dumps(document))
            publish_sheet(session, FLEET, sheet.publication(), now_us=NOW_US - 2_000 * DAY_US)
        depots = session.execute(
            insert(Depot).returning(Depot.id),  # type: ignore[call-overload]
            [
                {
                    "fleet_id": FLEET,
                    "code": code,
                    "name": code.title(),
                    "time_zone": zone,
                    "version": 1,
                    "recorded_at_us": NOW_US,
                }
                for code, zone in _DEPOTS.items()
            ],
        ).scalars()
        keys = session.connection().exec_driver_sql("SELECT id FROM spec_sheet_version ORDER BY id").scalars()
        return dict(zip(depots, _DEPOTS.values(), strict=True)), list(keys)


def _pasts(
    session: ReadSession, dice: random.Random, depots: Mapping[int, str], versions: Sequence[int], count: int
) -> tuple[list[_Past], list[_Past]]:
    """Pasts of vehicles that call for someone, and of those that don't within a month."""
    calling: list[_Past] = []
    resting: list[_Past] = []
    today = TODAY.toordinal()
    while len(calling) < CALLING or len(resting) < count - CALLING:
        is_calling = len(calling) < CALLING
        version = dice.choice(versions)
        sheet = load_sheet(session, FLEET, version)
        history = _history(sheet, dice, len(calling) if is_calling else None)
        vehicle = _vehicle(history, *dice.choice(list(depots.items())), version)
        standing, points = concluded(session, vehicle, FLEET, {})
        past = _Past(standing, points, vehicle)
        if len(points) != SERVICES:
            msg = f"{sheet.code} has {len(points)} services, not {SERVICES}"
            raise RuntimeError(msg)
        next_on = min(standing["next_due_on"], standing["stale_on"])
        if is_calling and next_on <= today:
            calling.append(past)
        elif not is_calling and next_on > today and standing["next_due_on"] > today + 30:
            resting.append(past)
    return calling, resting


def _vehicle(history: VehicleHistory, depot: int, time_zone: str, version: int) -> LoadedVehicle:
    usage = {
        meter: state
        for meter, line in history.timelines.items()
        if (state := folded(zip(line.at_us, line.life, strict=True))) is not None
    }
    lines = {m: replace(line, per_day=rate_per_day(usage.get(m))) for m, line in history.timelines.items()}
    return LoadedVehicle(
        0,
        "",
        depot,
        "",
        time_zone,
        0,
        version,
        14,
        None,
        usage,
        replace(history, timelines=lines),
    )


def _history(sheet: SpecSheet, dice: random.Random, calling: int | None) -> VehicleHistory:
    """A past; of those that call, one has no papers, one no reading, and one in ten is silent."""
    kind = None if calling is None else calling if calling < 2 else 2 + calling % 10
    age = dice.randrange(700, 2_500)
    began = TODAY - timedelta(days=age)
    silent = 20 if kind == 2 else dice.randrange(0, 6)
    rates = {meter: round(_PER_DAY[meter] * dice.uniform(0.3, 1.0)) for meter in sheet.meters}
    days = [d for d in range(30, age, 30) if d < age - silent - 20] + list(
        range(age - silent - 20, age - silent + 1)
    )
    began_us = (began - _EPOCH).days * DAY_US
    timelines: dict[Meter, Timeline] = {}
    if kind != 1:
        for meter, rate in rates.items():
            at_us = tuple(began_us + d * DAY_US + dice.randrange(3_600, 25_000) * 1_000_000 for d in days)
            timelines[meter] = Timeline(at_us, tuple((at - began_us) * rate // DAY_US for at in at_us))
    segments = tuple(MeterSegment(m, began_us, None, 0, _DIALS.get(m, "h")) for m in sheet.meters)
    duty: tuple[DutyEntry, ...] = ()
    if dice.random() < 0.3:
        condition = dice.choice([DutyCondition.TOWING, DutyCondition.STOP_AND_GO, DutyCondition.DUST])
        duty = (DutyEntry(condition, dice.choice([0.2, 0.4, 0.7]), began + timedelta(days=age // 3)),)
    work = () if kind == 0 else _work(sheet, dice, rates, began_us, age, is_late=kind is not None)
    return VehicleHistory(Origin(began, is_known_from_new=kind != 0), timelines, segments, work, duty=duty)


def _work(
    sheet: SpecSheet,
    dice: random.Random,
    rates: Mapping[Meter, int],
    began_us: int,
    age: int,
    *,
    is_late: bool,
) -> tuple[WorkDone, ...]:
    """Each service done last at some part of its interval ago; with ``is_late`` one or two of them too long ago."""
    late = set(dice.sample([s.code for s in sheet.services], 2)) if is_late else set()
    work = []
    for place, service in enumerate(sheet.services):
        share = dice.uniform(0.98, 1.15) if service.code in late else dice.uniform(0.02, 0.6)
        ago = min(age - 1, round(share * _days(service.rules[0], rates)))
        at_us = (TODAY - _EPOCH).days * DAY_US - ago * DAY_US
        on = TODAY - timedelta(days=ago)
        figures = {meter: (at_us - began_us) * rate // DAY_US for meter, rate in rates.items()}
        work.append(WorkDone(place + 1, at_us, on, figures, frozenset({service.code})))
    return tuple(work)


def _days(rule: IntervalRule, rates: Mapping[Meter, int]) -> float:
    """How long a rule's interval takes [d]."""
    return min(
        amount.amount * 30.4
        if amount.limb is Limb.CALENDAR
        else amount.amount / rates[Meter(amount.limb.value)]
        for amount in rule.every
    )


def _load(store: Store, pasts: Mapping[int, _Past]) -> None:
    with closing(raw_connection(store.engines)) as connection:
        if is_sqlite(store.engines):
            _load_sqlite(connection, pasts)
        else:
            _load_postgresql(connection, pasts)


def _load_sqlite(connection: Any, pasts: Mapping[int, _Past]) -> None:
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    for table, columns, rows in _tables(pasts):
        marks = ", ".join("?" * len(columns))
        # Names of this project's own tables.
        connection.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", rows)  # noqa: S608
    connection.execute("COMMIT")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _load_postgresql(connection: Any, pasts: Mapping[int, _Past]) -> None:
    with connection.transaction(), connection.cursor() as cursor:
        for table, columns, rows in _tables(pasts):
            with cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        for table in ("vehicle", "unit_number", "meter_segment"):
            # Names of this project's own tables.
            keys = f"(SELECT MAX(id) FROM {table})"  # noqa: S608
            cursor.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {keys})")


def _tables(pasts: Mapping[int, _Past]) -> Iterator[tuple[str, list[str], Iterable[tuple[Any, ...]]]]:
    """Table, columns and rows, parents first."""
    yield _table(
        Vehicle,
        ["id", "fleet_id", "spec_sheet_id", "depot_id", "in_service_on", "is_known_from_new", "version"],
        (
            (
                key,
                FLEET,
                past.vehicle.spec_sheet_version_key,  # one version a sheet: their keys are the same
                past.vehicle.depot_key,
                past.vehicle.history.origin.in_service_on.isoformat(),
                past.vehicle.history.origin.is_known_from_new,
                1,
            )
            for key, past in pasts.items()
        ),
    )
    yield _table(
        UnitNumber,
        ["fleet_id", "vehicle_id", "unit", "valid_from"],
        (
            (FLEET, key, f"V-{key:06d}", past.vehicle.history.origin.in_service_on.isoformat())
            for key, past in pasts.items()
        ),
    )
    yield _table(
        MeterSegmentRow,
        ["fleet_id", "vehicle_id", "meter", "fitted_at_us", "life_offset", "unit"],
        (
            (FLEET, key, METER_CODES[s.meter], s.fitted_at_us, s.offset, s.unit)
            for key, past in pasts.items()
            for s in past.vehicle.history.segments
        ),
    )
    yield _dicts(
        Standing, ({**past.standing, "vehicle_id": k, "unit": f"V-{k:06d}"} for k, past in pasts.items())
    )
    yield _dicts(
        DuePoint,
        (
            {**row, "vehicle_id": key}
            for key, past in pasts.items()
            for row in sorted(past.points, key=lambda row: row["service"])
        ),
    )


def _table(
    model: type[SQLModel], columns: list[str], rows: Iterable[tuple[Any, ...]]
) -> tuple[str, list[str], Iterable[tuple[Any, ...]]]:
    stamped = ((*row, NOW_US) for row in rows)
    return str(model.__tablename__), [*columns, "recorded_at_us"], stamped


def _dicts(
    model: type[SQLModel], rows: Iterator[dict[str, Any]]
) -> tuple[str, list[str], Iterable[tuple[Any, ...]]]:
    columns = [name for name in model.model_fields if name not in {"first_day", "last_day"}]
    return str(model.__tablename__), columns, (tuple(row[name] for name in columns) for row in rows)
