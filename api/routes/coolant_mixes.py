"""Coolant mixtures and their freezing points: one stateless question, answered with its working."""

from __future__ import annotations

import msgspec
from fastapi import Response

from api.deps import OwnUnits
from api.intake import router
from api.schemas.coolant_mixes import CoolantMix, CoolantMixQuestion, shown_mix
from api.schemas.quantities import UnitSystem
from api.services.coolant_mixes import mixed

routes = router("/coolant-mixes", tag="exchange")


@routes.post("", operation_id="mix_coolant", summary="Work out a coolant mixture", response_model=CoolantMix)
def mix_coolant(body: CoolantMixQuestion, units: OwnUnits = UnitSystem.METRIC) -> Response:
    """The freezing point of a coolant, and what to drain and pour for a wanted share or protection.

    By a named published table, with the spread between tables as a guard band; above the tables' range, where
    more glycol protects less, no figure is given. Low-conductivity coolants go by the vehicle's sheet alone.
    Nothing is stored.
    """
    ask = body.ask()
    return Response(msgspec.json.encode(shown_mix(mixed(ask), ask, units)), media_type="application/json")
