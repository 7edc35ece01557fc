"""The caller's fleet and its settings."""

from __future__ import annotations

from fastapi import Response

from api import deps
from api.deps import ExpectedVersion, Now, ReadSession, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.fleets import Fleet, FleetChange
from api.services import fleets

routes = router("/fleet", tag="fleet")


@routes.get("", operation_id="show_fleet", summary="The fleet's settings")
def show_fleet(caller: deps.Fleet, session: ReadSession, response: Response) -> Fleet:
    """The settings that hold for the whole fleet."""
    found = fleets.fleet_state(session, caller.fleet_key)
    tag(response, found.version)
    return Fleet.of(found)


@routes.patch(
    "", operation_id="change_fleet", summary="Change the fleet's settings", responses=documented(412, 428)
)
def change_fleet(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    body: FleetChange,
    version: ExpectedVersion,
    caller: deps.Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> Fleet:
    """Another age at which readings are stale holds for every vehicle at once."""
    found = fleets.change_fleet(
        session, caller.fleet_key, version=version, changes=body.values(), now_us=now_us
    )
    tag(response, found.version)
    return Fleet.of(found)
