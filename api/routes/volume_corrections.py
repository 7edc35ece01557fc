"""Volume correction of lubricating oils for temperature: one stateless question, answered with its working."""

from __future__ import annotations

import msgspec
from fastapi import Response

from api.deps import OwnUnits
from api.intake import router
from api.schemas.quantities import UnitSystem
from api.schemas.volume_corrections import VolumeCorrected, VolumeCorrectionQuestion, shown_correction
from api.services.volume_corrections import corrected

routes = router("/volume-corrections", tag="exchange")


@routes.post(
    "",
    operation_id="correct_volume",
    summary="Correct a volume for temperature",
    response_model=VolumeCorrected,
)
def correct_volume(body: VolumeCorrectionQuestion, units: OwnUnits = UnitSystem.METRIC) -> Response:
    """The volume of a lubricating oil at the base temperature, and at another one where that is asked.

    By the published procedure, API MPMS 11.1 / ASTM D1250, in two editions and on two base temperatures; the
    factors are never applied to coolant, brake fluid, AUS 32 or compressor oil. Nothing is stored.
    """
    ask = body.ask()
    shown = shown_correction(corrected(ask), ask, units)
    return Response(msgspec.json.encode(shown), media_type="application/json")
