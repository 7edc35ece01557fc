"""One writer at a time over every thread and process that shares a SQLite file.

Invariants: the lock is held from before BEGIN IMMEDIATE until after COMMIT; threads of one process take
turns in the order in which they asked; among processes the kernel's queue decides (``flock``). A process
that dies lets go by itself. SQLite's own busy handler is safe but unfair: under four writing processes it
let the write-ahead log grow to hundreds of megabytes, since no checkpoint ever caught up.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections import deque
from typing import TYPE_CHECKING

from api.store.errors import StoreBusyError, StoreFullError, StoreUnavailableError

try:
    import fcntl
except ImportError:  # Windows: SQLite's own lock stands between processes there
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from pathlib import Path

_TOO_LONG = "the turn to write did not come in time"


class WriterLock:
    """The turn to write to one SQLite file."""

    def __init__(self, path: Path) -> None:
        """Guard the file at ``path`` by a lock file beside it; nothing is opened yet."""
        self.path = path.with_name(f"{path.name}.lock")
        self._mutex = threading.Lock()
        self._queue: deque[threading.Event] = deque()
        self._is_held = False
        self._held_fd: int | None = None
        self._wait: _FileWait | None = None

    def acquire(self, wait_s: float) -> None:
        """Wait for the turn; whoever acquires releases, from any thread.

        Args:
            wait_s: Longest wait [s].

        Raises:
            StoreBusyError: The turn did not come in time.
            StoreFullError: There is no room for the lock file.
            StoreUnavailableError: The lock file cannot be opened.
        """
        deadline = time.monotonic() + wait_s
        self._take_turn(deadline)
        try:
            self._held_fd = self._locked_file(deadline)
        except BaseException:
            self._pass_turn()
            raise

    def release(self) -> None:
        """Give the turn to the next in line."""
        fd, self._held_fd = self._held_fd, None
        if fd is not None:
            os.close(fd)
        self._pass_turn()

    def _take_turn(self, deadline: float) -> None:
        with self._mutex:
            if not self._is_held:
                self._is_held = True
                return
            ticket = threading.Event()
            self._queue.append(ticket)
        if ticket.wait(max(0.0, deadline - time.monotonic())):
            return
        with self._mutex:
            if ticket.is_set():  # handed over between the timeout and here
                return
            self._queue.remove(ticket)
        raise StoreBusyError(_TOO_LONG)

    def _pass_turn(self) -> None:
        with self._mutex:
            if self._queue:
                self._queue.popleft().set()
            else:
                self._is_held = False

    def _locked_file(self, deadline: float) -> int | None:
        if fcntl is None:
            return None
        wait = self._wait
        if wait is None or not wait.resume():
            fd = _opened(self.path)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                wait = self._wait = _FileWait(fd)
            except BaseException:
                os.close(fd)
                raise
            else:
                return fd
        if wait.finished(max(0.0, deadline - time.monotonic())):
            self._wait = None
            return wait.fd
        raise StoreBusyError(_TOO_LONG)


def _opened(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        msg = f"the lock file cannot be opened: {error.strerror}"
        if error.errno in {errno.ENOSPC, errno.EDQUOT}:
            raise StoreFullError(msg) from error
        raise StoreUnavailableError(msg) from error


class _FileWait:
    """A blocking ``flock`` in a thread of its own, since the call knows no time limit.

    A waiter that gives up leaves the thread in the kernel's queue; the next waiter resumes it, and a lock
    that comes when nobody waits is let go at once.
    """

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self._mutex = threading.Lock()
        self._got = threading.Event()
        self._is_wanted = True
        self._is_over = False
        threading.Thread(target=self._run, name="fillmark-writer-lock", daemon=True).start()

    def finished(self, wait_s: float) -> bool:
        if self._got.wait(wait_s):
            return True
        with self._mutex:
            if self._got.is_set():
                return True
            self._is_wanted = False
            return False

    def resume(self) -> bool:
        with self._mutex:
            self._is_wanted = not self._is_over
            return self._is_wanted

    def _run(self) -> None:
        fcntl.flock(self.fd, fcntl.LOCK_EX)
        with self._mutex:
            self._is_over = True
            if self._is_wanted:
                self._got.set()
            else:
                os.close(self.fd)
