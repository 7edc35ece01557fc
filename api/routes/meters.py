"""The physical meters of a vehicle: what they show, fitting one, replacing one."""

from __future__ import annotations

from fastapi import Response

from api.deps import Now, ReadSession, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.routes.addressing import Place, PlaceAsked
from api.schemas.meters import MeterFitting, MeterReplacement, VehicleMeters, meter_span, meter_state
from api.schemas.quantities import UnitSystem
from api.services import meters
from api.services.units import VehicleRef, vehicle_at
from api.store.session import ReadSession as Session

routes = router("/vehicles/{unit}", tag="vehicles")


@routes.get(
    "/meters", operation_id="list_meters", summary="Show the meters of a vehicle", responses=documented(410)
)
def list_meters(place: Place, session: ReadSession, units: Units) -> VehicleMeters:
    """Figures are those of the last accepted reading, on the dial fitted now and in life-to-date."""
    return _shown(session, place, vehicle_at(session, place.address), units)


@routes.post(
    "/meters",
    operation_id="fit_meter",
    status_code=201,
    summary="Fit a meter that the vehicle's type has and the vehicle had not",
    responses=documented(410),
)
def fit_meter(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: MeterFitting,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> VehicleMeters:
    """For a meter that a newer version of the spec sheet names; a meter that is there is replaced instead."""
    vehicle = meters.fit(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("meters")
    return _shown(session, place, vehicle, units)


@routes.post(
    "/meter-replacements",
    operation_id="replace_meter",
    status_code=201,
    summary="Replace a meter",
    responses=documented(410),
)
def replace_meter(  # noqa: PLR0913, PLR0917 - what the route asks for
    place: Place,
    body: MeterReplacement,
    session: WriteSession,
    now_us: Now,
    units: Units,
    response: Response,
) -> VehicleMeters:
    """Life-to-date goes on as it was; a figure that accepted readings contradict is refused."""
    vehicle = meters.replace_meter(session, place.address, body.value(), now_us=now_us)
    response.headers["Location"] = place.path("meters")
    return _shown(session, place, vehicle, units)


def _shown(session: Session, place: PlaceAsked, vehicle: VehicleRef, units: UnitSystem) -> VehicleMeters:
    fleet_key = place.address.fleet_key
    now = meters.meters_now(session, fleet_key, [vehicle.key])[vehicle.key]
    spans = meters.segments_of(session, fleet_key, vehicle.key)
    return VehicleMeters(
        unit=vehicle.unit,
        meters=[meter_state(meter, units) for meter in now],
        spans=[meter_span(segment, units) for segment in spans],
    )
