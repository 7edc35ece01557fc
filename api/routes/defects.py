"""Defects of vehicles, from their finding to their release."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query, Response

from api.deps import Fleet, Now, Page, ReadSession, Today, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey
from api.schemas.defects import (
    Defect,
    DefectFound,
    DefectList,
    DefectStepGiven,
    DefectWithdrawal,
    shown_defect,
)
from api.services import defects
from domain.defects import DefectState

routes = router("/defects", tag="defects")


@routes.post("", operation_id="raise_defect", status_code=201, summary="Raise a defect of a vehicle")
def raise_defect(
    body: DefectFound, fleet: Fleet, session: WriteSession, now_us: Now, response: Response
) -> Defect:
    """It stands in the vehicle's due list until it is released, and takes the vehicle off the road where it says so."""
    key = defects.enter(session, fleet.fleet_key, body.unit, body.value(), now_us=now_us)
    response.headers["Location"] = f"/v1/defects/{key}"
    return shown_defect(defects.defect(session, fleet.fleet_key, key))


@routes.get("", operation_id="list_defects", summary="List defects")
def list_defects(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    page: Page,
    today: Today,
    response: Response,
    unit: Annotated[
        str | None,
        Query(min_length=1, max_length=64, description="Only of the vehicle of this unit number."),
    ] = None,
    depot: Annotated[
        str | None, Query(min_length=1, max_length=64, description="Only of vehicles of this depot.")
    ] = None,
    state: Annotated[DefectState | None, Query(description="Only in this state.")] = None,
    is_off_road: Annotated[
        bool | None,
        Query(description="Only those that take the vehicle off the road, or only the others."),
    ] = None,
    assigned_to: Annotated[
        str | None,
        Query(min_length=1, max_length=200, description="Only those that this person is to see to."),
    ] = None,
    reference: Annotated[
        str | None,
        Query(min_length=1, max_length=100, description="Only those found with this job or paper."),
    ] = None,
    has_withdrawn: Annotated[bool, Query(description="Whether withdrawn ones are listed too.")] = False,  # noqa: FBT002 - a query parameter
) -> DefectList:
    """The newest recorded first, each with its steps."""
    after = page.after(int)
    found = defects.defects(
        session,
        fleet.fleet_key,
        defects.DefectsAsked(unit, depot, state, is_off_road, assigned_to, reference, has_withdrawn),
        today=today,
        before=None if after is None else int(after[0] or 0),
        limit=page.limit + 1,
    )
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    return DefectList(
        defects=[shown_defect(one) for one in found[: page.limit]], next=page.link(response, more)
    )


@routes.get("/{entry}", operation_id="show_defect", summary="Show one defect")
def show_defect(entry: EntryKey, fleet: Fleet, session: ReadSession) -> Defect:
    """A withdrawn one is still shown, with its withdrawal."""
    return shown_defect(defects.defect(session, fleet.fleet_key, entry))


@routes.post(
    "/{entry}/steps",
    operation_id="take_defect_step",
    summary="Assign a defect, see to it, release it",
    responses=documented(409),
)
def take_defect_step(
    entry: EntryKey, body: DefectStepGiven, fleet: Fleet, session: WriteSession, now_us: Now
) -> Defect:
    """From open by `seen_to` to `released`; `reopened` where what was done did not help. Each step is kept."""
    return shown_defect(defects.take_step(session, fleet.fleet_key, entry, body.value(now_us), now_us=now_us))


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_defect",
    summary="Withdraw a defect entered in error",
    responses=documented(409),
)
def withdraw_defect(
    entry: EntryKey, body: DefectWithdrawal, fleet: Fleet, session: WriteSession, now_us: Now
) -> Defect:
    """The entry stays, with name and reason, and stands against the vehicle no longer."""
    return shown_defect(
        defects.withdraw(session, fleet.fleet_key, entry, by=body.by, reason=body.reason, now_us=now_us)
    )
