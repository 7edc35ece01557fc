"""Used fluid, kept apart by waste stream until it is collected."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Path, Query, Response

from api.deps import Fleet, Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.schemas.base import LARGEST_WHOLE, Key
from api.schemas.used_fluids import (
    UsedFluidEntry,
    UsedFluidEntryGiven,
    UsedFluidEntryList,
    UsedFluidList,
    shown_stream,
)
from api.services import stock, used_fluids
from domain.stock import WasteStream

routes = router("", tag="used fluids")

EntryId = Annotated[int, Path(ge=1, le=LARGEST_WHOLE, description="Identifies the entry.")]
OfDepot = Annotated[Key | None, Query(description="Only of the depot of this code.")]


@routes.post(
    "/used-fluid-entries",
    operation_id="enter_used_fluid",
    status_code=201,
    summary="Enter used fluid",
    responses=documented(409),
)
def enter_used_fluid(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    body: UsedFluidEntryGiven,
    fleet: Fleet,
    session: WriteSession,
    units: Units,
    now_us: Now,
    response: Response,
) -> UsedFluidEntry:
    """Puts drained fluid into its stream, or books its collection; one sent again with its key books nothing more.

    Used oil is stored only in sound containers marked as such, and never mixed with solvents (40 CFR 279.22 and
    279.10): that makes hazardous waste of all of it.
    """
    depot_key = None if body.depot is None else stock.named_depot(session, fleet.fleet_key, body.depot)
    key = used_fluids.enter_used_fluid(session, fleet.fleet_key, body.value(depot_key), now_us=now_us)
    response.headers["Location"] = f"/v1/used-fluid-entries/{key}"
    return UsedFluidEntry.of(used_fluids.used_fluid_entry(session, fleet.fleet_key, key), units)


@routes.get(
    "/used-fluid-entries", operation_id="list_used_fluid_entries", summary="List entries of used fluid"
)
def list_used_fluid_entries(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    page: Page,
    response: Response,
    depot: OfDepot = None,
    stream: Annotated[WasteStream | None, Query(description="Only of this stream.")] = None,
) -> UsedFluidEntryList:
    """The newest recorded first; entries are never changed or erased."""
    after = page.after(int)
    found = used_fluids.used_fluid_entries(
        session,
        fleet.fleet_key,
        before=None if after is None else int(after[0] or 0),
        limit=page.limit + 1,
        depot_key=None if depot is None else stock.depot_key_of(session, fleet.fleet_key, depot),
        stream=stream,
    )
    more = page.cursor(found[page.limit - 1].id) if len(found) > page.limit else None
    return UsedFluidEntryList(
        used_fluid_entries=[UsedFluidEntry.of(entry, units) for entry in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get(
    "/used-fluid-entries/{entry_id}",
    operation_id="show_used_fluid_entry",
    summary="Show an entry of used fluid",
)
def show_used_fluid_entry(
    entry_id: EntryId, fleet: Fleet, session: ReadSession, units: Units
) -> UsedFluidEntry:
    """What it moved, and the entry that takes it back if one does."""
    return UsedFluidEntry.of(used_fluids.used_fluid_entry(session, fleet.fleet_key, entry_id), units)


@routes.get("/used-fluids", operation_id="list_used_fluids", summary="What waits for collection")
def list_used_fluids(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    fleet: Fleet, session: ReadSession, units: Units, page: Page, response: Response, depot: OfDepot = None
) -> UsedFluidList:
    """Used fluid at each depot by waste stream, as it stands now."""
    after = cast("tuple[int, str] | None", page.after(int, str))
    found = used_fluids.used_fluids_held(
        session,
        fleet.fleet_key,
        after=after,
        limit=page.limit + 1,
        depot_key=None if depot is None else stock.depot_key_of(session, fleet.fleet_key, depot),
    )
    last = found[page.limit - 1] if len(found) > page.limit else None
    more = None if last is None else page.cursor(last.depot_key, last.stream.value)
    return UsedFluidList(
        used_fluids=[shown_stream(one, units) for one in found[: page.limit]], next=page.link(response, more)
    )
