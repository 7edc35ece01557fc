"""Bringing the fleet in over HTTP.

Invariant: an answer that is no success ends the loading and names the call.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from api.cli.demo.scenario import Call

_FIRST_ERROR = 400


class Reply(Protocol):
    """An answer, as an HTTP client gives it."""

    @property
    def status_code(self) -> int:
        """The HTTP status."""

    @property
    def headers(self) -> Mapping[str, str]:
        """The headers."""

    def json(self) -> Any:
        """The body."""


class Client(Protocol):
    """What the demo asks of an HTTP client."""

    def request(self, method: str, url: str, *, json: Any = None, headers: Any = None) -> Reply:
        """The answer to a request."""


class DemoRefusedError(Exception):
    """The service refused a call of the demo."""

    def __init__(self, call: Call, status: int, body: Any) -> None:
        """Keep what was asked and answered."""
        super().__init__(f"{call.method} {call.path} was answered {status}: {body}")
        self.call = call
        self.status = status
        self.body = body


@dataclass(slots=True)
class Loaded:
    """What was brought in: rows by noun, and the verdicts on readings."""

    rows: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[str] = field(default_factory=Counter)


def answer(client: Client, call: Call) -> Any:
    """The body of the answer to a call; a change names the version that it starts from.

    Raises:
        DemoRefusedError: The service refused it.
    """
    headers = {}
    if call.method == "PATCH":
        headers["If-Match"] = client.request("GET", call.path).headers["ETag"]
    reply = client.request(call.method, call.path, json=call.body, headers=headers)
    if reply.status_code >= _FIRST_ERROR:
        raise DemoRefusedError(call, reply.status_code, reply.json())
    return reply.json()


def load(client: Client, calls: Iterable[Call], on_call: Callable[[Call], None]) -> Loaded:
    """What the calls brought in.

    Args:
        client: Talks to the service.
        calls: The calls, in order.
        on_call: Told of each call after it.

    Raises:
        DemoRefusedError: The service refused one.
    """
    loaded = Loaded()
    for call in calls:
        body = answer(client, call)
        loaded.rows[call.noun] += call.rows
        if call.noun == "readings":
            for verdict in ("accepted", "duplicate", "held", "refused"):
                loaded.verdicts[verdict] += body[verdict]
        if call.withdrawal is not None:
            path = f"{call.path}/{body['id']}/withdrawal"
            answer(client, Call("POST", path, {"reason": call.withdrawal}))
        on_call(call)
    return loaded
