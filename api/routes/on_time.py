"""Whether work was done in time: due, done, late by; visit by visit, and summed over a span."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response

from api.deps import Fleet, Page, ReadSession, Store, Today, Units
from api.downloads import DOCUMENTED_CSV, csv_answer, wants_csv
from api.intake import router
from api.problems import FieldError, RequestRefusedError
from api.schemas.on_time import (
    CSV_COLUMNS,
    OnTimeReport,
    OnTimeSummary,
    csv_rows,
    shown_depot,
    shown_service,
)
from api.schemas.times import Day
from api.services.on_time import MOST_VISITS, SpanAsked, TimedService, on_time_page, on_time_summary

routes = router("/on-time", tag="record")

_CHUNK = 500
_TOO_WIDE = FieldError(
    "query",
    "/through_on",
    "span_too_wide",
    f"A summary is drawn from at most {MOST_VISITS} visits: ask for fewer days, or for one depot.",
)


async def _span(
    from_on: Annotated[Day, Query(description="Work done from this day on.")],
    through_on: Annotated[Day, Query(description="Up to and including this day.")],
    unit: Annotated[
        str | None,
        Query(min_length=1, max_length=64, description="Only of the vehicle of this unit number."),
    ] = None,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only of vehicles of this depot.")
    ] = None,
) -> SpanAsked:
    if through_on < from_on:
        detail = "The last day lies before the first one."
        raise RequestRefusedError([FieldError("query", "/through_on", "range_reversed", detail)])
    return SpanAsked(from_on, through_on, unit, depot)


_Span = Annotated[SpanAsked, Depends(_span)]


@routes.get(
    "",
    operation_id="list_on_time",
    summary="Tell which work was done in time",
    response_model=OnTimeReport,
    responses={200: DOCUMENTED_CSV},
)
def list_on_time(  # noqa: PLR0913, PLR0917 - what the route asks for
    request: Request,
    asked: _Span,
    fleet: Fleet,
    session: ReadSession,
    store: Store,
    page: Page,
    units: Units,
    today: Today,
    response: Response,
) -> Any:
    """Each service done, against its due point just before the visit; work entered from papers is left out.

    A service is late when it was overdue: the sheet's tolerance and a deferral in force excuse. By how much is counted
    from the due point itself.
    """
    if wants_csv(request):
        pages = _pages(store, fleet.fleet_key, asked, today)
        rows = ([row for service in part for row in csv_rows(service, units)] for part in pages)
        return csv_answer("on-time.csv", CSV_COLUMNS, rows)
    position = page.after(int)
    part = on_time_page(
        session,
        fleet.fleet_key,
        asked,
        today=today,
        after=None if position is None else int(position[0] or 0),
        limit=page.limit,
    )
    more = None if part.next_after is None else page.cursor(part.next_after)
    shown = [shown_service(service, units) for service in part.services]
    return OnTimeReport(services=shown, next=page.link(response, more))


@routes.get("/summary", operation_id="show_on_time", summary="Sum up which work was done in time")
def show_on_time(asked: _Span, fleet: Fleet, session: ReadSession, today: Today) -> OnTimeSummary:
    """How many services of the span were done in time and late, a depot."""
    found = on_time_summary(session, fleet.fleet_key, asked, today=today)
    if found is None:
        raise RequestRefusedError([_TOO_WIDE])
    return OnTimeSummary(
        from_on=asked.from_on, through_on=asked.through_on, depots=[shown_depot(depot) for depot in found]
    )


def _pages(store: Store, fleet_key: int, asked: SpanAsked, today: date) -> Iterator[tuple[TimedService, ...]]:
    """The whole list, each page in a unit of work of its own: the request's has ended by then."""
    after: int | None = None
    while True:
        with store.reading() as session:
            part = on_time_page(session, fleet_key, asked, today=today, after=after, limit=_CHUNK)
        yield part.services
        after = part.next_after
        if after is None:
            return
