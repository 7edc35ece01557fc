"""Plans of fluid exchanges: one stateless question, answered with its working."""

from __future__ import annotations

import anyio.to_thread
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
async def plan_exchange(
    body: ExchangePlanQuestion, fleet: Fleet, store: Store, units: OwnUnits = UnitSystem.METRIC
) -> Response:
    """Shares of old and fresh fluid after each drain-and-fill pass, what to buy, and what it costs.

    Ask with a number of passes, with volumes measured pass by pass, or with a wanted share of fresh fluid;
    with prices of two fluids the cheapest plan is found. Nothing is stored.
    """
    ask = body.ask()
    if ask.is_small:
        # A fraction of a millisecond, less than handing it to a thread takes.
        answer = _answer(store, fleet.fleet_key, ask, units)
    else:
        answer = await anyio.to_thread.run_sync(_answer, store, fleet.fleet_key, ask, units)
    return Response(answer, media_type="application/json")


def _answer(store: Store, fleet_key: int, ask: exchange_plans.PlanAsk, units: UnitSystem) -> bytes:
    return msgspec.json.encode(shown_plan(exchange_plans.planned(store, fleet_key, ask), units))
