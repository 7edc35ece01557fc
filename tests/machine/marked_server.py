"""The service in a process that can be killed at any moment and tells, even dead, what each request was at.

``python -m tests.machine.marked_server URL MARKS [DELAY_S]`` prints its port, then forks a server for each line that it
reads, prints that server's process number, and prints ``gone`` when it has died. Everything is imported once, so that
a server stands within a fraction of a second. The listening socket outlives the servers.

MARKS is a file of one byte a request: what the request was at. Each phase begins with a random wait of up to DELAY_S,
so that kills fall within each of them.
"""

from __future__ import annotations

import mmap
import os
import random
import socket
import sys
import threading
import time
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn
from sqlalchemy import event
from sqlalchemy.orm import Session

from api.app import create_app
from api.settings import Settings
from api.store.session import WriteSession

if TYPE_CHECKING:
    from collections.abc import MutableMapping

    from fastapi import FastAPI

SLOTS = 64
IDLE, PARSE, INSERT, COMMIT, ANSWER = range(5)
PHASES = {PARSE: "parse", INSERT: "insert", COMMIT: "commit", ANSWER: "answer"}

_slot: ContextVar[int] = ContextVar("slot", default=-1)


class Marks:
    """What each request is at, in a file that outlives the process."""

    def __init__(self, file: Path, delay_s: float) -> None:
        """Map ``file``, which has a byte a slot."""
        with file.open("r+b") as opened:
            self._bytes = mmap.mmap(opened.fileno(), SLOTS)
        self._delay_s = delay_s
        self._mutex = threading.Lock()

    def begin(self) -> int:
        """A free slot, now at its first phase."""
        with self._mutex:
            slot = self._bytes.find(b"\0")
            self._bytes[slot] = PARSE
        return slot

    def at(self, slot: int, phase: int) -> None:
        """Mark a request as being at a phase."""
        if slot >= 0:
            self._bytes[slot] = phase
            if phase != IDLE and self._delay_s:
                time.sleep(random.uniform(0, self._delay_s))  # noqa: S311 - a test's own dice


class Marking:
    """The ASGI application, with the beginning and the end of each feeding request marked."""

    def __init__(self, app: FastAPI, marks: Marks) -> None:
        """Stand before ``app``."""
        self._app = app
        self._marks = marks

    async def __call__(self, scope: MutableMapping[str, Any], receive: Any, send: Any) -> None:
        """Answer one request."""
        if scope["type"] != "http" or scope["method"] != "POST":
            await self._app(scope, receive, send)
            return
        slot = self._marks.begin()
        _slot.set(slot)
        try:
            await self._app(scope, receive, send)
        finally:
            self._marks.at(slot, IDLE)


def mark_sessions(marks: Marks) -> None:
    """Mark writing units of work: first statement, commit, after the commit."""

    @event.listens_for(Session, "after_begin")
    def _on_begin(session: Session, *_: object) -> None:
        if isinstance(session, WriteSession):
            marks.at(_slot.get(), INSERT)

    @event.listens_for(Session, "before_commit")
    def _on_commit(session: Session) -> None:
        if isinstance(session, WriteSession):
            marks.at(_slot.get(), COMMIT)

    @event.listens_for(Session, "after_commit")
    def _after_commit(session: Session) -> None:
        if isinstance(session, WriteSession):
            marks.at(_slot.get(), ANSWER)


def main(database_url: str, marks_file: str, delay_s: str = "0") -> None:
    """Fork a server for each line of the input."""
    marks = Marks(Path(marks_file), float(delay_s))
    app = create_app(Settings(database_url=database_url))
    mark_sessions(marks)
    listening = socket.create_server(("127.0.0.1", 0), backlog=64)
    print(listening.getsockname()[1], flush=True)  # noqa: T201 - what the parent waits for
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            config = uvicorn.Config(Marking(app, marks), access_log=False, log_level="error", lifespan="on")
            uvicorn.Server(config).run(sockets=[listening])
            os._exit(0)
        print(child, flush=True)  # noqa: T201
        os.waitpid(child, 0)
        print("gone", flush=True)  # noqa: T201


if __name__ == "__main__":
    main(*sys.argv[1:])
