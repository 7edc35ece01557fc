"""The turn to write: in order within a process, one holder over all processes, let go by whoever dies."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING

import pytest

from api.store.errors import StoreBusyError, StoreUnavailableError
from api.store.writer_lock import WriterLock

if TYPE_CHECKING:
    from pathlib import Path

HOLDER = """
import sys, time
from pathlib import Path
from api.store.writer_lock import WriterLock
WriterLock(Path(sys.argv[1])).acquire(5)
print("held", flush=True)
time.sleep(60)
"""
WRITER = """
import sys, time
from pathlib import Path
from api.store.writer_lock import WriterLock
lock, turns = WriterLock(Path(sys.argv[1])), 0
print("ready", flush=True)
sys.stdin.readline()
end = time.monotonic() + float(sys.argv[2])
while time.monotonic() < end:
    lock.acquire(5)
    time.sleep(0.002)
    lock.release()
    time.sleep(0.0005)
    turns += 1
print(turns)
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The file that the lock guards."""
    return tmp_path / "guarded.db"


def started(program: str, *arguments: str) -> subprocess.Popen[str]:
    """Another Python process."""
    return subprocess.Popen(
        [sys.executable, "-c", program, *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_threads_take_turns_in_the_order_in_which_they_ask(path: Path) -> None:
    lock = WriterLock(path)
    lock.acquire(1)
    order: list[int] = []

    def take(number: int) -> None:
        lock.acquire(5)
        order.append(number)
        lock.release()

    threads = []
    for number in range(8):
        thread = threading.Thread(target=take, args=(number,))
        thread.start()
        threads.append(thread)
        while len(lock._queue) <= number:
            time.sleep(0.001)
    lock.release()
    for thread in threads:
        thread.join()
    assert order == list(range(8))


def test_eight_writers_get_about_as_many_turns_each(path: Path) -> None:
    lock, stop = WriterLock(path), threading.Event()
    turns = [0] * 8

    def write(number: int) -> None:
        while not stop.is_set():
            lock.acquire(5)
            turns[number] += 1
            lock.release()

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    time.sleep(0.5)
    stop.set()
    for thread in threads:
        thread.join()
    assert min(turns) / max(turns) >= 0.5


def test_a_turn_that_does_not_come_is_reported_and_leaves_the_queue(path: Path) -> None:
    lock = WriterLock(path)
    lock.acquire(1)
    began = time.monotonic()
    with pytest.raises(StoreBusyError):
        lock.acquire(0.1)
    assert 0.1 <= time.monotonic() - began < 1
    lock.release()
    lock.acquire(0.1)
    lock.release()


def test_two_locks_on_one_file_exclude_each_other(path: Path) -> None:
    one, other = WriterLock(path), WriterLock(path)
    one.acquire(1)
    with pytest.raises(StoreBusyError):
        other.acquire(0.05)
    with pytest.raises(StoreBusyError):
        other.acquire(0.05)
    one.release()
    other.acquire(1)
    with pytest.raises(StoreBusyError):
        one.acquire(0.05)
    other.release()
    one.acquire(1)
    one.release()


def test_a_wait_given_up_does_not_keep_the_lock_when_it_comes(path: Path) -> None:
    one, other, third = WriterLock(path), WriterLock(path), WriterLock(path)
    one.acquire(1)
    with pytest.raises(StoreBusyError):
        other.acquire(0.05)
    one.release()
    third.acquire(1)
    third.release()


def test_a_process_that_is_killed_lets_go(path: Path) -> None:
    with started(HOLDER, str(path)) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        lock = WriterLock(path)
        with pytest.raises(StoreBusyError):
            lock.acquire(0.1)
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        lock.acquire(1)
        lock.release()


def test_a_lock_file_that_cannot_be_made_is_reported(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailableError):
        WriterLock(tmp_path / "no" / "such" / "folder.db").acquire(1)


def test_four_processes_get_about_as_many_turns_each(path: Path) -> None:
    writers = [started(WRITER, str(path), "2.5") for _ in range(4)]
    for writer in writers:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    turns = [int(writer.communicate()[0]) for writer in writers]
    assert min(turns) / max(turns) >= 0.5, turns
