"""Readings: recorded in batches, and listed by vehicle."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated, cast

import msgspec
from fastapi import Depends, Path, Query, Request, Response

from api.bodies import Body, received
from api.deps import CurrentSettings, Fleet, Now, Page, ReadSession, Store, Today, Units
from api.downloads import DOCUMENTED_CSV, csv_answer, wants_csv
from api.intake import JSON, router
from api.openapi import raw_body
from api.problems import documented
from api.routes.feeding import NDJSON, Feeding
from api.schemas.readings import (
    EXPORTED,
    ReadingBatch,
    ReadingRow,
    ReadingVerdicts,
    StoredReadings,
    StoredStatus,
    exported,
    shown_stored,
    shown_verdicts,
)
from api.schemas.times import Instant
from api.services.feed import listing
from api.services.feed.listing import ReadingStatus
from api.services.units import vehicle_key_of
from domain.sheet import Meter

routes = router("", tag="readings")


async def _body(request: Request, settings: CurrentSettings) -> AsyncIterator[Body]:
    limits_bytes = {JSON: settings.max_body_bytes, NDJSON: settings.max_feed_bytes}
    async with received(request, limits_bytes) as body:
        yield body


@routes.post(
    "/readings",
    operation_id="record_readings",
    summary="Record readings",
    response_model=ReadingVerdicts,
    responses=documented(400, 413, 415, 422, 503, 507),
    openapi_extra=raw_body(ReadingBatch, lines_of=ReadingRow),
)
async def record_readings(
    request: Request, body: Annotated[Body, Depends(_body)], fleet: Fleet, store: Store, now_us: Now
) -> Response:
    """Store readings: each row gets a verdict, a bad row never sinks its batch, the same again changes nothing.

    A JSON object of rows, or one row a line (application/x-ndjson); either may be compressed (Content-Encoding:
    gzip). The answer is sent after the rows are on disk. Any answer but 200 means that nothing was stored, with one
    exception: more than 50,000 lines are checked first and then stored in parts of 10,000, each whole or absent, and
    a failure after the first part tells the last line that is stored. Sending the same again is always safe.
    """
    tally = await Feeding(request, store, fleet.fleet_key, now_us).take(body)
    answer = shown_verdicts(tally, is_lines=body.media == NDJSON)
    return Response(msgspec.json.encode(answer), media_type=JSON)


@routes.get(
    "/vehicles/{unit}/readings",
    operation_id="list_readings",
    summary="List the readings of a vehicle",
    response_model=StoredReadings,
    responses={200: DOCUMENTED_CSV},
)
def list_readings(  # noqa: PLR0913, PLR0917 - what the route asks for
    request: Request,
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number, valid today.")],
    fleet: Fleet,
    store: Store,
    session: ReadSession,
    today: Today,
    page: Page,
    units: Units,
    response: Response,
    meter: Annotated[Meter | None, Query(description="Only this meter.")] = None,
    status: Annotated[StoredStatus | None, Query(description="Only readings that stand so now.")] = None,
    from_at: Annotated[Instant | None, Query(description="From this instant on.")] = None,
    until_at: Annotated[Instant | None, Query(description="Up to, not including, this instant.")] = None,
) -> StoredReadings | Response:
    """In order of time, with how each stands now: later readings and people's decisions may change that.

    With `Accept: text/csv` the whole list comes as CSV, its figures with as many places as bring them back exactly:
    the file can be imported again.
    """
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, today)
    asked = listing.ReadingsAsked(
        meter, None if status is None else ReadingStatus[status.name], from_at or 0, until_at or 2**62
    )
    if wants_csv(request):
        pages = listing.pages(store, fleet.fleet_key, vehicle.key, asked)
        lines = ([exported(unit, row, units) for row in some] for some in pages)
        return csv_answer("readings.csv", EXPORTED, lines)
    after = cast("listing.ReadingPlace", page.after(int, int, str, int) or (-1, 0, "", 0))
    rows = listing.readings_after(
        session, fleet.fleet_key, vehicle.key, asked, after=after, limit=page.limit + 1
    )
    shown = rows[: page.limit]
    last = shown[-1] if len(rows) > page.limit else None
    cursor = None if last is None else page.cursor(last.at_us, last.meter, last.source, last.figure)
    return StoredReadings.model_validate(
        {
            "unit": unit,
            "readings": [shown_stored(row, units) for row in shown],
            "next": page.link(response, cursor),
        }
    )
