"""The sources of a vehicle's readings: devices fitted, calibrations, and what is remarkable about its meters."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, Page, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import EntryKey, EntryWindow, Place
from api.schemas.entries import EntryWithdrawal
from api.schemas.reading_sources import (
    CalibrationEntry,
    CalibrationList,
    CalibrationShown,
    DeviceFitting,
    DeviceList,
    DeviceRemoval,
    DeviceShown,
    MeterNotices,
    shown_calibration,
    shown_device,
    shown_stuck,
)
from api.services.feed import sources
from api.services.notices import stuck_meters
from api.store.facts import Withdrawal

routes = router("/vehicles/{unit}", tag="readings")


@routes.post(
    "/devices",
    operation_id="fit_device",
    status_code=201,
    summary="Fit a gateway's device to a vehicle",
    responses=documented(409, 410),
)
def fit_device(
    place: Place, body: DeviceFitting, session: WriteSession, now_us: Now, response: Response
) -> DeviceShown:
    """Readings of the device count only for this vehicle and time; those outside are held."""
    found = sources.fit_device(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("devices")
    return shown_device(found)


@routes.get(
    "/devices",
    operation_id="list_devices",
    summary="List the devices of a vehicle",
    responses=documented(410),
)
def list_devices(
    place: Place, window: EntryWindow, page: Page, session: ReadSession, response: Response
) -> DeviceList:
    """In the order of their recording."""
    found = sources.fittings(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    return DeviceList(
        devices=[shown_device(one) for one in found[: page.limit]], next=page.link(response, more)
    )


@routes.post(
    "/devices/{entry}/removal",
    operation_id="remove_device",
    status_code=201,
    summary="Remove a device from a vehicle",
    responses=documented(409, 410),
)
def remove_device(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    entry: EntryKey,
    body: DeviceRemoval,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> DeviceShown:
    """The entry is withdrawn, and the answer is the one that stands in its place from now on."""
    found = sources.remove_device(session, place.address, entry, removed_at_us=body.removed_at, now_us=now_us)
    response.headers["Location"] = place.path("devices")
    return shown_device(found)


@routes.post(
    "/devices/{entry}/withdrawal",
    operation_id="withdraw_device",
    summary="Withdraw a wrong fitting of a device",
    responses=documented(409, 410),
)
def withdraw_device(
    place: Place, entry: EntryKey, body: EntryWithdrawal, session: WriteSession, now_us: Now
) -> DeviceShown:
    """The entry stays, with the reason, and counts no longer."""
    return shown_device(
        sources.withdraw_fitting(session, place.address, entry, Withdrawal(now_us, body.reason))
    )


@routes.post(
    "/calibrations",
    operation_id="calibrate_source",
    status_code=201,
    summary="Calibrate a source's computed figure against the dial",
    responses=documented(410),
)
def calibrate_source(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: CalibrationEntry,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> CalibrationShown:
    """For a distance that a gateway computes beside the dashboard's; readings from the instant on are judged by it."""
    found = sources.calibrate(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("calibrations")
    return shown_calibration(found, units)


@routes.get(
    "/calibrations",
    operation_id="list_calibrations",
    summary="List the calibrations of a vehicle's sources",
    responses=documented(410),
)
def list_calibrations(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, window: EntryWindow, page: Page, session: ReadSession, units: Units, response: Response
) -> CalibrationList:
    """In the order of their recording."""
    found = sources.calibrations(session, place.address, window)
    more = page.cursor(found[page.limit - 1].key) if len(found) > page.limit else None
    shown = [shown_calibration(one, units) for one in found[: page.limit]]
    return CalibrationList(calibrations=shown, next=page.link(response, more))


@routes.post(
    "/calibrations/{entry}/withdrawal",
    operation_id="withdraw_calibration",
    summary="Withdraw a wrong calibration",
    responses=documented(409, 410),
)
def withdraw_calibration(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place, entry: EntryKey, body: EntryWithdrawal, session: WriteSession, now_us: Now, units: Units
) -> CalibrationShown:
    """The entry stays, with the reason, and counts no longer."""
    found = sources.withdraw_calibration(session, place.address, entry, Withdrawal(now_us, body.reason))
    return shown_calibration(found, units)


@routes.get(
    "/meter-notices",
    operation_id="show_meter_notices",
    summary="Show what is remarkable about a vehicle's meters",
    responses=documented(410),
)
def show_meter_notices(place: Place, session: ReadSession, units: Units) -> MeterNotices:
    """A meter that stands while another one runs is reported, and its readings stay accepted."""
    unit, stuck = stuck_meters(session, place.address)
    return MeterNotices(unit=unit, stuck=[shown_stuck(one, units) for one in stuck])
