"""Readings that wait for a person: listed, exported, and decided on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, cast

from fastapi import Depends, Path, Query, Response

from api.deps import Fleet, Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.schemas.reading_reviews import (
    READING_NAME,
    DecidedReading,
    DecisionGiven,
    HeldReadings,
    reviewed_csv,
    shown_decided,
    shown_reviewed,
)
from api.services.feed import reviews
from api.services.feed.batch import Why
from domain.sheet import Meter

routes = router("", tag="readings")

CSV = "text/csv"
ReadingName = Annotated[
    str, Path(max_length=64, pattern=READING_NAME, description="Identifies the reading, from a list.")
]


async def _asked(
    unit: Annotated[
        str | None,
        Query(
            min_length=1,
            max_length=64,
            description="Only of vehicles that carry or carried this unit number, or waiting under it.",
        ),
    ] = None,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only of vehicles of this depot.")
    ] = None,
    meter: Annotated[Meter | None, Query(description="Only this meter.")] = None,
    code: Annotated[Why | None, Query(description="Only for this reason.")] = None,
) -> reviews.HeldAsked:
    """Which readings are asked for."""
    return reviews.HeldAsked(unit, depot, meter, code)


HeldAsked = Annotated[reviews.HeldAsked, Depends(_asked)]


@dataclass(frozen=True, slots=True)
class _Found:
    readings: list[reviews.Reviewed]
    next: str | None


def _page(asked: HeldAsked, page: Page, session: ReadSession, fleet: Fleet, response: Response) -> _Found:
    after = cast("reviews.HeldPlace", page.after(int, str, int, int, int, int, int) or reviews.FIRST)
    found = reviews.held(session, fleet.fleet_key, asked, after=after, limit=page.limit + 1)
    shown = found[: page.limit]
    cursor = page.cursor(*shown[-1].place) if len(found) > page.limit else None
    return _Found(shown, page.link(response, cursor))


HeldPage = Annotated[_Found, Depends(_page)]


@routes.get(
    "/held-readings", operation_id="list_held_readings", summary="List the readings that wait for a person"
)
def list_held_readings(found: HeldPage, units: Units) -> HeldReadings:
    """Held readings of vehicles, then readings that wait under a unit number that no vehicle carried then."""
    return HeldReadings(readings=[shown_reviewed(one, units) for one in found.readings], next=found.next)


@routes.get(
    "/held-readings.csv",
    operation_id="export_held_readings",
    summary="Export the readings that wait for a person",
    response_class=Response,
    responses={200: {"content": {CSV: {"schema": {"type": "string"}}}, "description": "A page as CSV."}},
)
def export_held_readings(found: HeldPage, units: Units, response: Response) -> Response:
    """The same page as CSV; the Link header leads to the next one."""
    headers = {name: response.headers[name] for name in ("link",) if name in response.headers}
    return Response(reviewed_csv(found.readings, units), media_type=CSV, headers=headers)


@routes.get("/readings/{reading}", operation_id="show_reading", summary="Show one reading and its decisions")
def show_reading(reading: ReadingName, session: ReadSession, fleet: Fleet, units: Units) -> DecidedReading:
    """How it stands now, and what people have decided on it."""
    return shown_decided(*reviews.reading_of(session, fleet.fleet_key, reading), units)


@routes.post(
    "/readings/{reading}/decisions",
    operation_id="decide_reading",
    status_code=201,
    summary="Release, discard or convert one reading",
    responses=documented(409),
)
def decide_reading(  # noqa: PLR0913, PLR0917 - what the route asks for
    reading: ReadingName,
    body: DecisionGiven,
    session: WriteSession,
    fleet: Fleet,
    now_us: Now,
    units: Units,
    response: Response,
) -> DecidedReading:
    """What is due follows at once, as if the reading had come in so. Decisions are kept; the last one holds."""
    reviews.decide(session, fleet.fleet_key, reading, body.ruling(), now_us=now_us)
    response.headers["Location"] = f"/v1/readings/{reading}"
    return shown_decided(*reviews.reading_of(session, fleet.fleet_key, reading), units)
