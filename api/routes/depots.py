"""Depots of the fleet."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Response

from api.deps import ExpectedVersion, Fleet, Now, Page, ReadSession, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.depots import Depot, DepotChange, DepotList, DepotOpening
from api.services import depots

routes = router("/depots", tag="depots")

Code = Annotated[Key, Path(description="The fleet's code of the depot.")]


@routes.post(
    "", operation_id="open_depot", summary="Open a depot", status_code=201, responses=documented(409)
)
def open_depot(
    body: DepotOpening, fleet: Fleet, session: WriteSession, now_us: Now, response: Response
) -> Depot:
    """A depot is where vehicles stand; dates of its vehicles are in its time zone."""
    terms = depots.DepotTerms(body.name, body.time_zone)
    found = depots.open_depot(session, fleet.fleet_key, body.code, terms, now_us=now_us)
    tag(response, found.version)
    response.headers["Location"] = f"/v1/depots/{found.code}"
    return Depot.of(found)


@routes.get("", operation_id="list_depots", summary="The fleet's depots")
def list_depots(page: Page, fleet: Fleet, session: ReadSession, response: Response) -> DepotList:
    """Depots in the order of their codes."""
    after = page.after(str)
    found = depots.depots_after(
        session, fleet.fleet_key, None if after is None else str(after[0]), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].code) if len(found) > page.limit else None
    return DepotList(
        depots=[Depot.of(state) for state in found[: page.limit]], next=page.link(response, more)
    )


@routes.get("/{code}", operation_id="show_depot", summary="One depot")
def show_depot(code: Code, fleet: Fleet, session: ReadSession, response: Response) -> Depot:
    """The depot; its ETag is what a change names."""
    found = depots.depot_state(session, fleet.fleet_key, code)
    tag(response, found.version)
    return Depot.of(found)


@routes.patch(
    "/{code}", operation_id="change_depot", summary="Change a depot", responses=documented(412, 428)
)
def change_depot(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: DepotChange,
    version: ExpectedVersion,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> Depot:
    """Another time zone draws the due points of its vehicles again."""
    change = depots.DepotChange(code, version, body.values())
    found = depots.change_depot(session, fleet.fleet_key, change, now_us=now_us)
    tag(response, found.version)
    return Depot.of(found)
