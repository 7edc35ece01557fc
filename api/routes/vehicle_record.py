"""The record of a vehicle: as JSON, as CSV, and as a document to print."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import Request, Response

from api.deps import Now, QueryDay, ReadSession, Units
from api.downloads import CSV, csv_answer, preferred
from api.intake import router
from api.printed.markup import HTML
from api.printed.record import record_document
from api.problems import documented
from api.routes.addressing import Place
from api.schemas.vehicle_record import CSV_COLUMNS, Record, csv_rows, shown_record
from api.services.units import vehicle_at
from api.services.vehicle_record import record_of

routes = router("/vehicles/{unit}/record", tag="record")

_JSON = "application/json"
_KINDS: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {
            CSV: {"schema": {"type": "string", "description": "RFC 4180, with a header line."}},
            HTML: {"schema": {"type": "string", "description": "A document to print."}},
        }
    }
}


@routes.get(
    "",
    operation_id="show_vehicle_record",
    summary="Show the record of a vehicle",
    response_model=Record,
    responses=_KINDS | documented(410),
)
def show_vehicle_record(  # noqa: PLR0913, PLR0917 - what the route asks for
    request: Request,
    place: Place,
    session: ReadSession,
    units: Units,
    now_us: Now,
    response: Response,
    from_on: QueryDay = None,
    through_on: QueryDay = None,
) -> Any:
    """Identity, what is coming and when, and all that was done, found and put off, with what corrects what.

    `from_on` and `through_on` bound the day of what happened. As `text/csv` it is a table, as `text/html` a document
    to print.
    """
    vehicle = vehicle_at(session, place.address)
    today = datetime.fromtimestamp(now_us / 1e6, UTC).astimezone(ZoneInfo(vehicle.time_zone)).date()
    found = record_of(session, place.address, today=today, from_on=from_on, through_on=through_on)
    record = shown_record(found, units)
    kind = preferred(request, _JSON, CSV, HTML)
    if kind == HTML:
        return record_document(record)
    if kind == CSV:
        return csv_answer("vehicle-record.csv", CSV_COLUMNS, iter([csv_rows(record)]))
    response.headers["Vary"] = "Accept"
    return record
