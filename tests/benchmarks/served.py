"""The service in a process of its own, with a bare endpoint beside its routes, and a client that keeps its connection.

``python -m tests.benchmarks.served URL`` serves on a free port of 127.0.0.1 and prints it.
"""

from __future__ import annotations

import contextlib
import http.client
import socket
import subprocess
import sys
import time
from typing import IO, TYPE_CHECKING, Annotated

import msgspec
import uvicorn
from fastapi import Query, Response
from pydantic import Field
from sqlalchemy import text

from api import deps
from api.app import create_app, settled
from api.deps import Fleet, ReadSession, WriteSession  # noqa: TC001 - FastAPI reads annotations while the program runs
from api.intake import router
from api.schemas.base import Request
from api.schemas.exchange_plans import ExchangePlanQuestion  # noqa: TC001 - the same
from api.settings import Settings
from tests.benchmarks.fleets import NOW_US

if TYPE_CHECKING:
    from collections.abc import Iterator

_PATIENCE_S = 60.0
_bare_routes = router("/bare", tag="bare")
_BARE_INSERT = text(
    "INSERT INTO reading (fleet_id, day, vehicle_id, meter, at_us, source_id, figure, life, status, reason,"
    " recorded_at_us) VALUES (:fleet, :day, :vehicle, 1, :at_us, 999, :figure, :figure, 1, 0, :at_us)"
)
_BARE_PAGE = text(
    "SELECT * FROM standing WHERE fleet_id = :fleet AND next_due_on >= 0"
    " ORDER BY next_due_on, vehicle_id LIMIT 100"
)


class BareReading(Request):
    """One row of the table."""

    vehicle: Annotated[int, Field(ge=1, le=10_000_000, description="Key of the vehicle.")]
    at_us: Annotated[int, Field(ge=0, le=10**16, description="Instant [us UTC].")]
    figure: Annotated[int, Field(ge=0, le=10**12, description="Figure [m].")]


@_bare_routes.get(
    "/page", operation_id="show_bare_page", summary="100 rows by index, and a body of a given size"
)
def show_bare_page(
    fleet: Fleet,
    session: ReadSession,
    size: Annotated[int, Query(ge=0, le=10_000_000, description="Size of the body [byte].")],
) -> Response:
    """What a page costs at least: one seek, 100 rows as they are stored, and so many bytes."""
    found = session.execute(_BARE_PAGE, {"fleet": fleet.fleet_key})
    names = found.keys()
    body = msgspec.json.encode([dict(zip(names, row, strict=True)) for row in found.all()])
    return Response(body + b" " * (size - len(body)), media_type="application/json")


@_bare_routes.post(
    "/exchange-plan", operation_id="echo_exchange_plan", summary="A question about a plan, sent back"
)
async def echo_exchange_plan(body: ExchangePlanQuestion) -> Response:
    """What a question about a plan costs at least: it is read and checked, and sent back as it came."""
    return Response(body.model_dump_json(exclude_unset=True), media_type="application/json")


@_bare_routes.post("/reading", operation_id="insert_bare_reading", summary="One reading, read and inserted")
def insert_bare_reading(body: BareReading, fleet: Fleet, session: WriteSession) -> Response:
    """What storing one reading costs at least: a checked body, one insert, one commit."""
    day = body.at_us // 86_400_000_000
    session.execute(_BARE_INSERT, {"fleet": fleet.fleet_key, "day": day, **body.model_dump()})
    return Response(b'{"accepted":1}', media_type="application/json")


class Client:
    """An HTTP client on one connection."""

    def __init__(self, port: int, *, patience_s: float = _PATIENCE_S) -> None:
        """Connect to a port of this machine; no answer may take longer than ``patience_s`` [s]."""
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=patience_s)
        self._connection.connect()
        self._connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def get(self, path: str) -> bytes:
        """The body of a successful answer."""
        return self._asked("GET", path)

    def post(self, path: str, body: bytes | IO[bytes], media: str = "application/json") -> bytes:
        """The body of a successful answer to a body, JSON unless said otherwise."""
        return self._asked("POST", path, body, media)

    def changed(self, method: str, path: str, body: bytes, tag: str = "") -> tuple[bytes, str]:
        """The body and the entity tag of a successful answer to a change that names a version."""
        headers = {"Content-Type": "application/json", **({"If-Match": tag} if tag else {})}
        self._connection.request(method, path, body, headers)
        answer = self._connection.getresponse()
        found = answer.read()
        if answer.status not in {http.client.OK, http.client.CREATED}:
            msg = f"{method} {path}: {answer.status} {found[:500]!r}"
            raise RuntimeError(msg)
        return found, answer.headers.get("ETag", "")

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def _asked(
        self, method: str, path: str, body: bytes | IO[bytes] | None = None, media: str = "application/json"
    ) -> bytes:
        headers = {} if body is None else {"Content-Type": media}
        self._connection.request(method, path, body, headers)
        answer = self._connection.getresponse()
        found = answer.read()
        if answer.status != http.client.OK:
            msg = f"{method} {path}: {answer.status} {found[:500]!r}"
            raise RuntimeError(msg)
        return found


@contextlib.contextmanager
def served(database_url: str) -> Iterator[int]:
    """The port of a service on that database, in a process that ends with the block."""
    with served_process(database_url) as (port, _):
        yield port


@contextlib.contextmanager
def served_process(database_url: str) -> Iterator[tuple[int, int]]:
    """The same, with the number of its process."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.served", database_url], stdout=subprocess.PIPE, text=True
    )
    try:
        if process.stdout is None:
            msg = "the service has no output"
            raise RuntimeError(msg)
        port = int(process.stdout.readline())
        _wait_for(port)
        yield port, process.pid
    finally:
        process.terminate()
        process.wait(_PATIENCE_S)


def _wait_for(port: int) -> None:
    ends = time.monotonic() + _PATIENCE_S
    while True:
        try:
            client = Client(port)
        except ConnectionError:
            if time.monotonic() > ends:
                raise
            time.sleep(0.05)
            continue
        client.close()
        return


def _serve(database_url: str) -> None:
    began = time.monotonic_ns()
    # The seeded fleet's day, running on from its hour.
    clock = deps.Clock(lambda: NOW_US + (time.monotonic_ns() - began) // 1000)
    app = create_app(Settings(database_url=database_url), clock=clock)
    _bare_routes.include_in(app, prefix="/v1")
    settled(app)
    listening = socket.create_server(("127.0.0.1", 0))
    print(listening.getsockname()[1], flush=True)  # noqa: T201 - what the parent waits for
    config = uvicorn.Config(app, access_log=False, log_level="warning", server_header=False)
    uvicorn.Server(config).run(sockets=[listening])


if __name__ == "__main__":
    _serve(sys.argv[1])
