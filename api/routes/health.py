"""Whether the process lives, and whether it can do its work; asked by whoever runs the service."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends
from pydantic import Field

from api import deps
from api.intake import router
from api.schemas.base import Answer
from api.store.migrate import check_revision
from api.store.session import Store

routes = router("", tag="health", is_versioned=False)


class Alive(Answer):
    """The process answers."""

    status: Annotated[str, Field(description="Always `alive`.")]


class Ready(Answer):
    """The process can do its work."""

    status: Annotated[str, Field(description="Always `ready`.")]


@routes.get("/livez", operation_id="show_liveness", summary="Whether the process lives")
async def show_liveness() -> Alive:
    """Answers without touching the database."""
    return Alive(status="alive")


@routes.get("/readyz", operation_id="show_readiness", summary="Whether the service can do its work")
def show_readiness(store: Annotated[Store, Depends(deps.store)]) -> Ready:
    """Answers 503 while the database cannot be reached or is not migrated."""
    with store.reading() as session:
        check_revision(session)
    return Ready(status="ready")
