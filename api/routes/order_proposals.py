"""What a depot should order now."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query

from api.deps import Fleet, Now, ReadSession, Units
from api.intake import router
from api.schemas.base import Key
from api.schemas.order_proposals import OrderProposals
from api.services.order_proposals import order_proposals

routes = router("/order-proposals", tag="stock")


@routes.get("", operation_id="propose_orders", summary="What to order")
def propose_orders(
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    now_us: Now,
    depot: Annotated[Key, Query(description="Code of the depot.")],
) -> OrderProposals:
    """Orders by supplier that keep every item of the depot's stock policies up, each line with its reasons.

    What is there and on order has to last over lead time and review period with the chance asked for, by the law of
    what the services ahead will take. What is missing is bought in the cheapest containers. Nothing is stored: an
    order that is placed is entered as stock of the kind `order`. Of fluids only products that are found to meet the
    requirement are proposed.
    """
    return OrderProposals.of(order_proposals(session, fleet.fleet_key, depot, now_us=now_us), units)
