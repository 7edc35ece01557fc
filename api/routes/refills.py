"""What to pour after a drain: one stateless question, answered with its working."""

from __future__ import annotations

import msgspec
from fastapi import Response

from api.deps import Fleet, OwnUnits, Store
from api.intake import router
from api.schemas.quantities import UnitSystem
from api.schemas.refills import RefillQuestion, RefillShown, shown_refill
from api.services.refills import refilled

routes = router("/refills", tag="exchange")


@routes.post("", operation_id="work_out_refill", summary="Work out what to pour", response_model=RefillShown)
def work_out_refill(
    body: RefillQuestion, fleet: Fleet, store: Store, units: OwnUnits = UnitSystem.METRIC
) -> Response:
    """What came out, corrected for temperature and for the level found.

    A volume measured warm and poured cold takes less room, for lubricating oils by the published factor. A
    level outside its temperature window is converted where the sheet gives its rise, else it is too cold or
    too hot to judge. The maker's final level check decides, not the volume poured. Nothing is stored.
    """
    shown = shown_refill(refilled(store, fleet.fleet_key, body.ask()), units)
    return Response(msgspec.json.encode(shown), media_type="application/json")
