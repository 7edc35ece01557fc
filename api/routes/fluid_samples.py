"""Fluid samples of a vehicle, each judged by the limits of its spec sheet."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.fluid_samples import (
    FluidSample,
    FluidSampleList,
    SampleTaken,
    SampleWithdrawal,
    shown_sample,
)
from api.services import fluid_samples

routes = router("/vehicles/{unit}/fluid-samples", tag="fluid condition")


@routes.post(
    "",
    operation_id="enter_fluid_sample",
    status_code=201,
    summary="Enter a fluid sample",
    responses=documented(410),
)
def enter_fluid_sample(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: SampleTaken,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> FluidSample:
    """How it was taken decides what it says: pan drainings are no basis for a cleanliness code, and marked so.

    A sample beyond a limit becomes a defect of the vehicle (its reference names the sample), unless that of an earlier
    sample of the compartment stands.
    """
    found = fluid_samples.enter(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("fluid-samples", found.key)
    return shown_sample(found, units)


@routes.get(
    "",
    operation_id="list_fluid_samples",
    summary="List the fluid samples of a vehicle",
    responses=documented(410),
)
def list_fluid_samples(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, window: EntryWindow, page: Page, session: ReadSession, units: Units, response: Response
) -> FluidSampleList:
    """In the order in which they were recorded."""
    found = fluid_samples.samples_of(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    shown = [shown_sample(one, units) for one in found[: page.limit]]
    return FluidSampleList(samples=shown, next=page.link(response, more))


@routes.get(
    "/{entry}", operation_id="show_fluid_sample", summary="Show one fluid sample", responses=documented(410)
)
def show_fluid_sample(place: Place, entry: EntryKey, session: ReadSession, units: Units) -> FluidSample:
    """A withdrawn sample is still shown, with its withdrawal."""
    return shown_sample(fluid_samples.sample_of(session, place.address, entry), units)


@routes.post(
    "/{entry}/withdrawal",
    operation_id="withdraw_fluid_sample",
    summary="Withdraw a fluid sample",
    responses=documented(409, 410),
)
def withdraw_fluid_sample(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: SampleWithdrawal,
    session: WriteSession,
    now_us: Now,
    units: Units,
) -> FluidSample:
    """The entry stays, with name and reason, counts in no trend, and ends the defect that it raised unless seen to."""
    found = fluid_samples.withdraw(
        session, place.address, entry, by=body.by, reason=body.reason, now_us=now_us
    )
    return shown_sample(found, units)
