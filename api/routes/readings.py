"""Readings: recorded in batches, and listed by vehicle."""

from __future__ import annotations

from typing import Annotated, cast

import msgspec
from anyio.to_thread import run_sync
from fastapi import Depends, Path, Query, Request, Response

from api.deps import Fleet, Now, Page, ReadSession, Store, Today, Units, WritingTurn
from api.intake import refuse_media_type, router
from api.openapi import raw_body
from api.problems import documented
from api.schemas.readings import (
    ReadingBatch,
    ReadingVerdicts,
    StoredReadings,
    StoredStatus,
    read_batch,
    shown_stored,
    shown_verdicts,
)
from api.schemas.times import Instant
from api.services.feed import listing
from api.services.feed.listing import ReadingStatus
from api.services.feed.recording import record
from api.services.units import vehicle_key_of
from domain.sheet import Meter

routes = router("", tag="readings")


async def _raw_body(request: Request) -> bytes:
    refuse_media_type(request)
    return await request.body()


@routes.post(
    "/readings",
    operation_id="record_readings",
    summary="Record readings",
    response_model=ReadingVerdicts,
    responses=documented(400, 415, 422, 503, 507),
    openapi_extra=raw_body(ReadingBatch),
)
async def record_readings(
    body: Annotated[bytes, Depends(_raw_body)], fleet: Fleet, store: Store, turn: WritingTurn, now_us: Now
) -> Response:
    """Store a batch: each row gets a verdict, a bad row never sinks its batch, the same batch again changes nothing.

    The answer is sent after the rows are on disk. Any answer but 200 means that nothing was stored.
    """
    del turn  # held until the answer

    def recorded() -> bytes:
        sent, refused = read_batch(body)
        outcome = store.write(lambda session: record(session, fleet.fleet_key, sent, now_us=now_us))
        return msgspec.json.encode(shown_verdicts(outcome, refused, len(sent) + len(refused)))

    return Response(await run_sync(recorded), media_type="application/json")


@routes.get(
    "/vehicles/{unit}/readings", operation_id="list_readings", summary="List the readings of a vehicle"
)
def list_readings(  # noqa: PLR0913, PLR0917 - what the route asks for
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number, valid today.")],
    fleet: Fleet,
    session: ReadSession,
    today: Today,
    page: Page,
    units: Units,
    response: Response,
    meter: Annotated[Meter | None, Query(description="Only this meter.")] = None,
    status: Annotated[StoredStatus | None, Query(description="Only readings that stand so now.")] = None,
    from_at: Annotated[Instant | None, Query(description="From this instant on.")] = None,
    until_at: Annotated[Instant | None, Query(description="Up to, not including, this instant.")] = None,
) -> StoredReadings:
    """In order of time, with how each stands now: later readings and people's decisions may change that."""
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, today)
    asked = listing.ReadingsAsked(
        meter, None if status is None else ReadingStatus[status.name], from_at or 0, until_at or 2**62
    )
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
