"""What the sheet for the bay shows: the job, and the vehicle that it is on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.jobs import job_of
from api.services.meters import MeterNow, meters_now
from api.store import queries_vehicles

if TYPE_CHECKING:
    from datetime import date

    from api.services.jobs import JobShown
    from api.store.session import ReadSession


@dataclass(frozen=True, slots=True)
class BayVehicle:
    """The vehicle of a job, as someone in the bay knows it from others.

    Attributes:
        unit: Its newest unit number.
        make: Who made it.
        model_year: Model year.
        vin: Vehicle identification number.
        serial_number: Serial number.
        engine: Engine code.
        meters: What its meters showed last.
    """

    unit: str
    make: str | None
    model_year: int | None
    vin: str | None
    serial_number: str | None
    engine: str | None
    meters: tuple[MeterNow, ...]


def bay_sheet(
    session: ReadSession, fleet_key: int, number: int, *, today: date
) -> tuple[JobShown, BayVehicle]:
    """A job and the vehicle that it is on.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        number: The job's number.
        today: The day on which its unit number is looked up.

    Raises:
        NotFoundError: The fleet has no such job.
    """
    job = job_of(session, fleet_key, number)
    # The newest number leads to the vehicle also where it has ended; one that begins later leads nowhere yet.
    row = queries_vehicles.labelled(session, fleet_key, job.head.unit, today)
    if row is None:
        return job, BayVehicle(job.head.unit, None, None, None, None, None, ())
    meters = meters_now(session, fleet_key, [row.id])[row.id]
    return job, BayVehicle(
        job.head.unit, row.make, row.model_year, row.vin, row.serial_number, row.engine, meters
    )
