"""``create_app``: the only place where settings, storage, routes and error answers are put together.

Invariants: nothing is opened at import or when the app is made; the lifespan opens the store and closes it.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import pkgutil
import sys
from collections.abc import AsyncIterator
from typing import Any

import anyio.to_thread
from fastapi import FastAPI

import api.routes
from api import deps, openapi, problems
from api.edge import Edge
from api.intake import Router
from api.routes.gathering import Gathering
from api.settings import Settings, settings_from_environment
from api.store.engine import make_engines
from api.store.migrate import migrate
from api.store.session import Store

VERSION = "0.1.0"
_DESCRIPTION = (
    "Due services, parts kits and fluid totals of a vehicle fleet, from meter readings and duty."
    " Every quantity carries its unit. Wherever a volume, an interval or a torque is given, the vehicle"
    " maker's manual governs."
)


class Service(FastAPI):
    """The application; its description carries problems and examples."""

    def openapi(self) -> dict[str, Any]:
        """The OpenAPI description, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = openapi.completed(super().openapi(), openapi.examples())
        return self.openapi_schema


def create_app(
    settings: Settings, *, migrates: bool = False, clock: deps.Clock = deps.SYSTEM_CLOCK
) -> FastAPI:
    """The service on one database.

    Args:
        settings: Settings of this process.
        migrates: Whether the start brings the schema to its newest revision.
        clock: What ``Now`` and ``Today`` read.
    """

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        settings: Settings = app.state.settings
        if migrates:
            await anyio.to_thread.run_sync(migrate, settings.database_url)
        anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
        engines = make_engines(
            settings.database_url,
            threads=settings.threads,
            writer_wait_s=settings.writer_wait_s,
            statement_timeout_s=settings.statement_timeout_s,
        )
        app.state.store = Store(engines)
        app.state.reading_turns = anyio.Semaphore(settings.threads)
        app.state.writing_turns = anyio.Semaphore(engines.writers)
        app.state.gathering = Gathering()
        try:
            yield
        finally:
            app.state.store.close()

    app = Service(
        title="Fillmark",
        version=VERSION,
        description=_DESCRIPTION,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry={"tracing": False, "metrics": False, "logs": False},
    )
    app.state.settings = settings
    app.state.clock = clock
    app.add_middleware(
        Edge,
        max_body_bytes=settings.max_body_bytes,
        larger_bytes={"/v1/readings": settings.max_feed_bytes},
    )
    problems.install(app)
    for router in routers():
        router.include_in(app, prefix="/v1" if router.is_versioned else "")
    return app


def routers() -> list[Router]:
    """The router of every module of ``api.routes`` that has one, by the module's name.

    A new noun is wired by being there. The modules are imported here and not with this one: who wants no app (the
    parent of several server processes, the command's help) does not wait for all their models.
    """
    found = []
    for module in pkgutil.iter_modules(api.routes.__path__, "api.routes."):
        declared = getattr(importlib.import_module(module.name), "routes", None)
        if isinstance(declared, Router):
            found.append(declared)
    return found


def app_from_environment() -> FastAPI:
    """The service with the settings of this process; server workers call it."""
    return settled(create_app(settings_from_environment()))


def settled(app: FastAPI) -> FastAPI:
    """The app, whose own objects live as long as the process: the collector of garbage need not walk them.

    There are half a million, and a batch of 10,000 readings makes and drops tens of thousands, none of them in a
    ring: it took a third longer while the collector walked both. And a thread that computes lets the others in after
    a millisecond, not five: an answer asks for its turn dozens of times while a long body comes in.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    sys.setswitchinterval(0.001)
    return app
