"""Plans of fluid exchanges: one stateless question, answered with its working."""

from __future__ import annotations

import msgspec
from fastapi import Response

from api.deps import Fleet, OwnUnits, Store
from api.intake import router
from api.schemas.exchange_plans import ExchangePlan, ExchangePlanQuestion, shown_plan
from api.schemas.quantities import UnitSystem
from api.services import exchange_plans

routes = router("/exchange-plans", tag="exchange")


@routes.post(
    "",
    operation_id="plan_exchange",
    summary="Plan a fluid exchange",
    response_model=ExchangePlan,
)
def plan_exchange(
    body: ExchangePlanQuestion, fleet: Fleet, store: Store, units: OwnUnits = UnitSystem.METRIC
) -> Response:
    """Shares of old and fresh fluid after each drain-and-fill pass, what to buy, and what it costs.

    Ask with a number of passes, with volumes measured pass by pass, or with a wanted share of fresh fluid;
    with prices of two fluids the cheapest plan is found. Nothing is stored.
    """
    found = exchange_plans.planned(store, fleet.fleet_key, body.ask())
    return Response(msgspec.json.encode(shown_plan(found, units)), media_type="application/json")
