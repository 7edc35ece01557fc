"""A small invented fleet, stored row by row, for hand-worked cases about visits.

One type: a van whose large service includes the oil service, with a fluid of its own in the gearbox.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from api.services.feed.batch import Outcome, SentReading
from api.services.feed.recording import record
from api.services.history import stored_limits
from api.services.standing import recompute
from api.store.codes import METER_CODES
from api.store.sheets import encode_sheet
from api.store.tables_fleet import Depot, FluidRequirement, Part, PartAlternate
from api.store.tables_sheet import SpecSheet as SheetRow
from api.store.tables_sheet import SpecSheetPart, SpecSheetVersion
from api.store.tables_vehicle import Deferral, MeterSegment, UnitNumber, Vehicle
from domain.sheet import (
    Amount,
    Compartment,
    CompartmentKind,
    FillBasis,
    FluidAction,
    IntervalRule,
    Limb,
    Meter,
    PartLine,
    Plug,
    Service,
    SpecSheet,
    Task,
    Tool,
    check_sheet,
)

if TYPE_CHECKING:
    from api.store.session import Store, WriteSession

FLEET = 1
RECORDED_US = 1_900_000_000_000_000  # 2030-03-17


def us(text: str) -> int:
    """An instant in UTC, such as ``2031-05-04T08:00`` [us]."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000


def every(km: int | None, months: int) -> IntervalRule:
    """So many kilometres or months, whichever comes first."""
    distance = () if km is None else (Amount(Limb.ODOMETER, km * 1000),)
    return IntervalRule(every=(*distance, Amount(Limb.CALENDAR, months)))


RENEW_OIL = Task(
    code="renew-oil",
    name="Renew engine oil and filter",
    labour_s=1_800,
    compartment="sump",
    fluid_action=FluidAction.EXCHANGE,
    fill_basis=FillBasis.SERVICE_FILL_WITH_FILTER,
    margin_share=0.1,
    plugs=("drain",),
    parts=(PartLine("F-1", 1),),
    tools=(Tool("filter wrench", 76.0),),
)
AIR_FILTER = Task(code="air-filter", name="Renew air filter", labour_s=600, parts=(PartLine("F-2", 1),))
BELTS = Task(code="belts", name="Look at the belts", labour_s=300, tools=(Tool("lamp"),))
GEARBOX_FLUID = Task(
    code="gearbox-fluid",
    name="Drain and fill the gearbox",
    labour_s=2_400,
    compartment="gearbox",
    fluid_action=FluidAction.EXCHANGE,
    plugs=("drain",),
)
SHEET = SpecSheet(
    code="van",
    name="Van",
    meters=(Meter.ODOMETER,),
    compartments=(
        Compartment(
            code="sump",
            kind=CompartmentKind.ENGINE_SUMP,
            name="Engine sump",
            fluid_requirement="oil-a",
            dry_capacity_ml=6_500,
            service_fill_with_filter_ml=5_700,
            plugs=(Plug("drain", wrench_mm=17.0, torque_nm=40.0, seal_part="S-17"),),
        ),
        Compartment(
            code="gearbox",
            kind=CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION,
            name="Continuously variable transmission",
            fluid_requirement="fluid-b",
            dry_capacity_ml=8_000,
            drained_low_ml=3_500,
            drained_high_ml=4_100,
            plugs=(Plug("drain", wrench_mm=19.05, torque_nm=34.0, seal_part="S-19"),),
        ),
    ),
    services=(
        Service(code="oil", name="Oil service", tasks=(RENEW_OIL,), rules=(every(15_000, 12),)),
        Service(
            code="large",
            name="Large service",
            tasks=(AIR_FILTER, BELTS),
            rules=(every(30_000, 24),),
            includes=("oil",),
        ),
        Service(code="gearbox", name="Gearbox", tasks=(GEARBOX_FLUID,), rules=(every(60_000, 48),)),
        Service(
            code="inspection",
            name="Yearly inspection",
            tasks=(Task(code="inspect", name="Inspect", labour_s=900),),
            rules=(every(None, 12),),
            is_inspection=True,
            is_statutory=True,
        ),
    ),
)


@dataclass
class SmallFleet:
    """What was stored, by code."""

    store: Store
    sheets: dict[str, int] = field(default_factory=dict)
    depots: dict[str, int] = field(default_factory=dict)
    vehicles: dict[str, int] = field(default_factory=dict)

    def add_sheet(self, sheet: SpecSheet, *, recorded_at_us: int = RECORDED_US) -> None:
        """Store a sheet, or its next version."""
        check_sheet(sheet)
        with self.store.writing() as session:
            if sheet.code not in self.sheets:
                row = SheetRow(fleet_id=FLEET, code=sheet.code, recorded_at_us=recorded_at_us)
                self.sheets[sheet.code] = _stored(session, row)
            number = (
                1 + session.query(SpecSheetVersion).filter_by(spec_sheet_id=self.sheets[sheet.code]).count()
            )
            version = SpecSheetVersion(
                fleet_id=FLEET,
                spec_sheet_id=self.sheets[sheet.code],
                number=number,
                name=sheet.name,
                document="{}",
                sheet=encode_sheet(sheet),
                recorded_at_us=recorded_at_us,
            )
            key = _stored(session, version)
            for part in session.query(Part).all():
                session.add(SpecSheetPart(fleet_id=FLEET, spec_sheet_version_id=key, part_id=part.id or 0))
            session.flush()
            recompute(session, FLEET, self.vehicles.values(), now_us=recorded_at_us)

    def add_parts(self) -> None:
        """Store an oil filter that another one supersedes, an alternate of that, an air filter and seals."""
        with self.store.writing() as session:
            keys = {
                code: _stored(
                    session,
                    Part(
                        fleet_id=FLEET,
                        code=code,
                        name=name,
                        unit="piece",
                        kind=kind,
                        recorded_at_us=RECORDED_US,
                    ),
                )
                for code, name, kind in (
                    ("F-1B", "Oil filter, new pattern", "filter"),
                    ("F-1C", "Oil filter, other make", "filter"),
                    ("F-1", "Oil filter", "filter"),
                    ("F-2", "Air filter", "filter"),
                    ("S-17", "Seal of the sump's plug", "seal"),
                    ("S-19", "Seal of the gearbox's plug", "seal"),
                )
            }
            superseded = session.get(Part, keys["F-1"])
            assert superseded is not None
            superseded.superseded_by_id = keys["F-1B"]
            session.add(
                PartAlternate(fleet_id=FLEET, part_id=keys["F-1B"], alternate_id=keys["F-1C"], rank=1)
            )
            session.flush()

    def add_fluids(self) -> None:
        """Store the two fluid requirements of the van."""
        with self.store.writing() as session:
            for code, name, standard, service_class, grade in (
                ("oil-a", "Engine oil", "ACEA", "C3", "5W-30"),
                ("fluid-b", "Transmission fluid of the maker", "maker", None, None),
            ):
                session.add(
                    FluidRequirement(
                        fleet_id=FLEET,
                        code=code,
                        name=name,
                        standard=standard,
                        service_class=service_class,
                        grade=grade,
                        recorded_at_us=RECORDED_US,
                    )
                )
            session.flush()

    def add_depot(self, code: str, *, time_zone: str = "UTC") -> None:
        """Store a depot."""
        with self.store.writing() as session:
            row = Depot(
                fleet_id=FLEET, code=code, name=code.title(), time_zone=time_zone, recorded_at_us=RECORDED_US
            )
            self.depots[code] = _stored(session, row)

    def add_vehicle(
        self,
        unit: str,
        *,
        depot: str = "north",
        in_service_on: str = "2030-05-01",
        is_known_from_new: bool = True,
        retired_on: str | None = None,
        sheet: str = "van",
        offset_m: int = 0,
        numbered_from: str | None = None,
    ) -> None:
        """Store a vehicle with an odometer that shows ``offset_m`` less than life-to-date.

        It bears its unit number from ``numbered_from`` on, or from its first day.
        """
        first = date.fromisoformat(in_service_on)
        last = None if retired_on is None else date.fromisoformat(retired_on)
        with self.store.writing() as session:
            row = Vehicle(
                fleet_id=FLEET,
                spec_sheet_id=self.sheets[sheet],
                depot_id=self.depots[depot],
                in_service_on=first,
                is_known_from_new=is_known_from_new,
                retired_on=last,
                recorded_at_us=RECORDED_US,
            )
            key = self.vehicles[unit] = _stored(session, row)
            session.add(
                UnitNumber(
                    fleet_id=FLEET,
                    vehicle_id=key,
                    unit=unit,
                    valid_from=first if numbered_from is None else date.fromisoformat(numbered_from),
                    valid_through=last,
                    recorded_at_us=RECORDED_US,
                )
            )
            session.add(
                MeterSegment(
                    fleet_id=FLEET,
                    vehicle_id=key,
                    meter=METER_CODES[Meter.ODOMETER],
                    fitted_at_us=us(f"{in_service_on}T00:00"),
                    life_offset=offset_m,
                    unit="km",
                    recorded_at_us=RECORDED_US,
                )
            )
            session.flush()
            recompute(session, FLEET, [key], now_us=RECORDED_US)

    def defer(self, unit: str, service: str, *, granted_on: str, until_on: str) -> None:
        """Put a service off until a day."""
        with self.store.writing() as session:
            session.add(
                Deferral(
                    fleet_id=FLEET,
                    vehicle_id=self.vehicles[unit],
                    service=service,
                    granted_on=date.fromisoformat(granted_on),
                    authority="Workshop manager",
                    reason="Parts on order",
                    limits=stored_limits({Limb.CALENDAR: date.fromisoformat(until_on).toordinal()}),
                    recorded_at_us=RECORDED_US,
                )
            )
            session.flush()
            recompute(session, FLEET, [self.vehicles[unit]], now_us=RECORDED_US)

    def read(self, unit: str, *readings: tuple[str, float]) -> Outcome:
        """Record odometer readings, (instant, km on the dial)."""
        sent = [
            SentReading(place, unit, METER_CODES[Meter.ODOMETER], us(at), round(km * 1000), "hand")
            for place, (at, km) in enumerate(readings)
        ]
        with self.store.writing() as session:
            return record(session, FLEET, sent, now_us=us("2031-05-05T08:00"))


def small_fleet(store: Store) -> SmallFleet:
    """The van's sheet, its parts and fluids, and the depots ``north`` and ``south``; no vehicle yet."""
    fleet = SmallFleet(store)
    fleet.add_parts()
    fleet.add_fluids()
    fleet.add_depot("north")
    fleet.add_depot("south")
    fleet.add_sheet(SHEET)
    return fleet


def _stored(session: WriteSession, row: SheetRow | SpecSheetVersion | Part | Depot | Vehicle) -> int:
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id
