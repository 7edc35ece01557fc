"""The outermost layer: what holds for every request and answer, whatever the route.

Invariants: a body larger than the limit is refused whether its length is announced or it comes in chunks;
HEAD is answered wherever GET is; a path with NUL names nothing; every answer says that its type is not to
be guessed and that a shared cache must not keep it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException

from api.problems import problem

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_SENT_ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "private, no-cache",
    "Referrer-Policy": "no-referrer",
}


class Edge:
    """The ASGI application behind the checks that every request meets."""

    def __init__(
        self, app: ASGIApp, *, max_body_bytes: int, larger_bytes: Mapping[str, int] | None = None
    ) -> None:
        """Stand before ``app``.

        Args:
            app: The application.
            max_body_bytes: Where bodies end.
            larger_bytes: Where they end on paths whose routes read them piece by piece and see to the rest.
        """
        self.app = app
        self.max_body_bytes = max_body_bytes
        self.larger_bytes = dict(larger_bytes or {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        is_head = scope["method"] == "HEAD"
        answer = _Answer(send, is_head=is_head)
        if is_head:
            scope = {**scope, "method": "GET"}
        if "\0" in scope["path"]:
            await problem("not-found")(scope, receive, answer.send)
            return
        limit = max(self.max_body_bytes, self.larger_bytes.get(scope["path"], 0))
        announced = Headers(scope=scope).get("content-length", "")
        if announced.isdecimal() and (len(announced) > len(str(1 << 62)) or int(announced) > limit):
            await problem("body-too-large", headers={"Connection": "close"})(scope, receive, answer.send)
            return
        await self.app(scope, _Body(receive, limit).receive, answer.send)


class _Body:
    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive = receive
        self._left = limit

    async def receive(self) -> Message:
        message = await self._receive()
        if message["type"] == "http.request":
            self._left -= len(message.get("body", b""))
            if self._left < 0:
                raise HTTPException(413, headers={"Connection": "close"})
        return message


class _Answer:
    def __init__(self, send: Send, *, is_head: bool) -> None:
        self._send = send
        self._is_head = is_head

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _SENT_ALWAYS.items():
                headers.setdefault(name, value)
        elif self._is_head:
            message = {**message, "body": b""}
        await self._send(message)
