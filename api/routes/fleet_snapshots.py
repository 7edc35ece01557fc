"""Fleet snapshots: the figures of a mixed fleet in one document."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated

import msgspec
from anyio.to_thread import run_sync
from fastapi import Depends, Query, Request, Response

from api.bodies import Body, received
from api.deps import CurrentSettings, Fleet, Now, Store
from api.intake import JSON, decoded_whole, router
from api.openapi import raw_body
from api.problems import documented
from api.routes.feeding import Feeding
from api.schemas.fleet_snapshots import (
    SNAPSHOT_SCHEMA,
    Snapshot,
    SnapshotVerdicts,
    shown_snapshot,
    snapshot_of_json,
    snapshot_of_xml,
)

routes = router("/fleet-snapshots", tag="readings")

_XML = "application/xml"
_SOURCE = r"^[A-Za-z0-9][A-Za-z0-9._-]*$"


async def _body(request: Request, settings: CurrentSettings) -> AsyncIterator[Body]:
    async with received(request, dict.fromkeys((JSON, _XML), settings.max_body_bytes)) as body:
        yield body


@routes.post(
    "",
    operation_id="record_fleet_snapshot",
    summary="Record a fleet snapshot",
    response_model=SnapshotVerdicts,
    responses=documented(400, 413, 415, 422, 503, 507),
    openapi_extra=raw_body(SNAPSHOT_SCHEMA, also={_XML: "The same as XML: a Fleet element (ISO 15143-3)."}),
)
async def record_fleet_snapshot(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    request: Request,
    body: Annotated[Body, Depends(_body)],
    fleet: Fleet,
    store: Store,
    now_us: Now,
    source: Annotated[
        str, Query(min_length=1, max_length=64, pattern=_SOURCE, description="Source of these readings.")
    ] = "fleet-snapshot",
) -> Response:
    """Store the meters' figures of a snapshot (ISO 15143-3), JSON or XML, each with its verdict.

    EquipmentID is taken as the unit number. Distance, CumulativeOperatingHours, CumulativeIdleHours and FuelUsed become
    readings of the odometer, engine hours, idle hours and fuel burned, each at its own datetime; everything else is
    passed over. The snapshot is one transaction.
    """
    snapshot = await run_sync(_read, body, source)
    tally = await Feeding(request, store, fleet.fleet_key, now_us).take_rows(snapshot.sent, snapshot.refused)
    return Response(msgspec.json.encode(shown_snapshot(snapshot, tally)), media_type=JSON)


def _read(body: Body, source: str) -> Snapshot:
    if body.media == _XML:
        return snapshot_of_xml(body.file(), source)
    return snapshot_of_json(decoded_whole(body.whole()), source)
