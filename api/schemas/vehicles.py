"""Vehicles and their unit numbers in requests and answers."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Key, Request, Text
from api.schemas.meters import FittedMeter, MeterFitting, MeterState, fitted_meter, meter_state
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day
from api.services import registration, vehicles
from domain.sheet import Meter
from domain.vin import VinVerdict

EARLIEST_YEAR, LATEST_YEAR = 1900, 2199

Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")]
"""One line of text, 1 to 64 characters, not blank."""

_Vin = Annotated[
    str,
    Field(
        max_length=64,
        description="Vehicle identification number, 17 characters; its check digit counts where it binds.",
        examples=["1M8GDM9AXKP042788"],
    ),
]
_Serial = Annotated[Name, Field(description="Serial number, of plant and machines.")]
_Year = Annotated[int, Field(ge=EARLIEST_YEAR, le=LATEST_YEAR, description="Model year.")]
_Engine = Annotated[Name, Field(description="Engine code, for rules that are limited to some engines.")]
_Make = Annotated[Name, Field(description="Who made it.")]
_Tyres = Annotated[
    Name, Field(description="Size of its tyres, as marked on them.", examples=["215/75 R 16 C"])
]
_Supplier = Annotated[
    Text, Field(description="Who supplied it, where the fleet does not own it: a lessor, a partner.")
]
_FirstDay = Annotated[Day, Field(description="Day on which it was first put to use.")]
_KnownFromNew = Annotated[
    bool,
    Field(description="False for a vehicle bought used: what was done before is unknown unless entered."),
]


class VehicleRegistration(Request):
    """A vehicle as registered."""

    unit: Annotated[Key, Field(description="The fleet's own unit number.", examples=["T-104"])]
    valid_from: Annotated[
        Day | None, Field(description="First day of the unit number; the vehicle's first day unless given.")
    ] = None
    spec_sheet: Annotated[Key, Field(description="Code of the vehicle's type.")]
    depot: Annotated[Key, Field(description="Code of its depot.")]
    vin: _Vin | None = None
    serial_number: _Serial | None = None
    model_year: _Year | None = None
    engine: _Engine | None = None
    make: _Make | None = None
    tyre_size: _Tyres | None = None
    supplied_by: _Supplier | None = None
    in_service_on: _FirstDay
    is_known_from_new: _KnownFromNew
    meters: Annotated[
        list[MeterFitting],
        Field(
            max_length=len(Meter),
            description="Meters that differ from a new one fitted on the first day; the type has the others.",
        ),
    ] = []  # noqa: RUF012 - pydantic copies it

    def value(self) -> registration.NewVehicle:
        """The vehicle as services take it."""
        return registration.NewVehicle(
            self.unit,
            self.valid_from,
            self.spec_sheet,
            self.depot,
            self.vin,
            self.serial_number,
            self.model_year,
            self.engine,
            self.in_service_on,
            self.is_known_from_new,
            tuple(meter.value() for meter in self.meters),
            self.make,
            self.tyre_size,
            self.supplied_by,
        )


class VehicleChange(Request):
    """Fields of a vehicle that change; a field left out stays as it is (RFC 7396)."""

    depot: Annotated[Key, Field(default_factory=str, description="Code of its depot.")]
    vin: _Vin | None = None
    serial_number: _Serial | None = None
    model_year: _Year | None = None
    engine: _Engine | None = None
    make: _Make | None = None
    tyre_size: _Tyres | None = None
    supplied_by: _Supplier | None = None
    is_known_from_new: Annotated[_KnownFromNew, Field(default_factory=bool)]
    retired_on: Annotated[
        Day | None,
        Field(description="Its last day in the fleet, which ends its unit number; null takes it back."),
    ] = None

    def values(self) -> dict[str, Any]:
        """The fields that were sent."""
        return {name: getattr(self, name) for name in self.model_fields_set}


class Vehicle(Answer):
    """A vehicle."""

    unit: Annotated[str, Field(description="The fleet's own unit number.")]
    valid_from: Annotated[Day, Field(description="First day of that number.")]
    valid_through: Annotated[Day | None, Field(description="Last day of it; null until further notice.")]
    spec_sheet: Annotated[str, Field(description="Code of the vehicle's type.")]
    depot: Annotated[str, Field(description="Code of its depot.")]
    vin: Annotated[str | None, Field(description="Vehicle identification number, in capitals.")]
    vin_check: Annotated[
        VinVerdict | None,
        Field(
            description="What its check digit says; `not_verifiable` where none is required; null without."
        ),
    ]
    serial_number: Annotated[str | None, Field(description="Serial number, of plant and machines.")]
    model_year: Annotated[int | None, Field(description="Model year.")]
    engine: Annotated[str | None, Field(description="Engine code.")]
    make: Annotated[str | None, Field(description="Who made it.")]
    tyre_size: Annotated[str | None, Field(description="Size of its tyres.")]
    supplied_by: Annotated[
        str | None, Field(description="Who supplied it; null where the fleet owns it, or nobody has said.")
    ]
    in_service_on: _FirstDay
    is_known_from_new: _KnownFromNew
    retired_on: Annotated[Day | None, Field(description="Its last day in the fleet; null while it is in it.")]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag holds it.")]


class VehicleAnswer(Vehicle):
    """A vehicle with the meters fitted to it; what they show stands at `meters` below its path."""

    meters: Annotated[list[FittedMeter], Field(description="Meters that are fitted now.")]


class ListedVehicle(Vehicle):
    """A vehicle with the meters fitted to it and how they stand."""

    meters: Annotated[list[MeterState], Field(description="Meters that are fitted now.")]


class VehicleList(Answer):
    """A page of vehicles, in the order in which they were registered."""

    vehicles: Annotated[list[ListedVehicle], Field(description="The vehicles.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class UnitNumberGiven(Request):
    """A new unit number of a vehicle."""

    unit: Annotated[Key, Field(description="The new number.")]
    valid_from: Annotated[
        Day, Field(description="First day of it; the number before ends on the day before.")
    ]


class UnitNumber(Answer):
    """A unit number of a vehicle with its validity."""

    unit: Annotated[str, Field(description="The number.")]
    valid_from: Annotated[Day, Field(description="First day.")]
    valid_through: Annotated[Day | None, Field(description="Last day; null until further notice.")]


class UnitNumberList(Answer):
    """Every unit number of a vehicle, in order of time."""

    unit_numbers: Annotated[list[UnitNumber], Field(description="The numbers.")]


def vehicle_answer(found: vehicles.Vehicle) -> VehicleAnswer:
    """A vehicle."""
    return VehicleAnswer(**_fields(found), meters=[fitted_meter(meter) for meter in found.meters])


def listed_vehicle(found: vehicles.Vehicle, units: UnitSystem) -> ListedVehicle:
    """A vehicle with what its meters show, in a system's units."""
    return ListedVehicle(**_fields(found), meters=[meter_state(meter, units) for meter in found.meters])


def unit_number(label: registration.Label) -> UnitNumber:
    """A unit number."""
    return UnitNumber(unit=label.unit, valid_from=label.valid_from, valid_through=label.valid_through)


def _fields(found: vehicles.Vehicle) -> dict[str, Any]:
    ref = found.ref
    return {
        "unit": ref.unit,
        "valid_from": ref.valid_from,
        "valid_through": ref.valid_through,
        "spec_sheet": ref.spec_sheet,
        "depot": ref.depot,
        "vin": found.vin,
        "vin_check": found.vin_check,
        "serial_number": found.serial_number,
        "model_year": found.model_year,
        "engine": found.engine,
        "make": found.make,
        "tyre_size": found.tyre_size,
        "supplied_by": found.supplied_by,
        "in_service_on": ref.in_service_on,
        "is_known_from_new": found.is_known_from_new,
        "retired_on": ref.retired_on,
        "version": ref.version,
    }
