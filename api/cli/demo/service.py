"""The demo's service: the real one, in a thread of this process, on an address of this machine.

Invariant: the port is taken before anything is loaded, and let go when the block ends.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from api.settings import PREFIX, Settings

if TYPE_CHECKING:
    import uvicorn

HOST = "127.0.0.1"
_LONGEST_START_S = 60.0
_STEP_S = 0.02


class NotStartedError(Exception):
    """The service did not start."""


@contextlib.contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """A socket that holds the port.

    Args:
        port: The port; 0 for any that is free.

    Raises:
        NotStartedError: Another program listens on it.
    """
    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError:
            msg = f"port {port} of {HOST} is taken; choose another with --port"
            raise NotStartedError(msg) from None
        yield listener


@contextlib.contextmanager
def running(settings: Settings, listener: socket.socket) -> Iterator[str]:
    """The base URL of a service that answers inside the block.

    Args:
        settings: The service's settings; its database is migrated.
        listener: Where it listens.

    Raises:
        NotStartedError: The start failed.
    """
    import uvicorn

    os.environ[f"{PREFIX}DATABASE_URL"] = settings.database_url
    config = uvicorn.Config(
        "api.app:app_from_environment",
        factory=True,
        access_log=False,
        log_level="warning",
        server_header=False,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        _wait(server, thread)
        yield f"http://{HOST}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


def _wait(server: uvicorn.Server, thread: threading.Thread) -> None:
    deadline = time.monotonic() + _LONGEST_START_S
    while not server.started:
        if not thread.is_alive() or time.monotonic() > deadline:
            msg = "the service did not start"
            raise NotStartedError(msg)
        time.sleep(_STEP_S)
