"""Several processes write one SQLite file for some seconds: fair turns, a bounded log, nothing confirmed is lost."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import sqlalchemy as sa

from api.store.session import Store

ROOT = Path(__file__).parents[2]
PROCESSES = 4
SECONDS = 8.0
ROWS = 500
LOG_LIMIT_BYTES = 64 << 20
WRITER = """
import json, sys, time
from sqlalchemy import text
from api.store.session import Store
store, end, worst = Store.at(sys.argv[1]), time.monotonic() + float(sys.argv[3]), 0.0
rows = [{"writer": int(sys.argv[2]), "words": "x" * 60} for _ in range(500)]
commits = 0
while time.monotonic() < end:
    began = time.monotonic()
    with store.writing() as session:
        session.execute(text("INSERT INTO line (writer, words) VALUES (:writer, :words)"), rows)
    worst, commits = max(worst, time.monotonic() - began), commits + 1
    print(commits, flush=True)
print(json.dumps({"commits": commits, "worst_s": worst}), flush=True)
"""


def started(url: str, number: int, seconds: float) -> subprocess.Popen[str]:
    """A process that writes until its time is over."""
    arguments = [sys.executable, "-c", WRITER, url, str(number), str(seconds)]
    return subprocess.Popen(arguments, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def made(tmp_path: Path) -> str:
    """A database with one table."""
    url = f"sqlite:///{tmp_path / 'lines.db'}"
    with Store.at(url).writing() as session:
        session.execute(sa.text("CREATE TABLE line (id INTEGER PRIMARY KEY, writer INTEGER, words TEXT)"))
    return url


@pytest.mark.parametrize("readers", [1, 3])
def test_four_processes_write_in_turns_and_the_log_stays_small(tmp_path: Path, readers: int) -> None:
    """With one reader after another, and with so many that there is never a moment without one."""
    url, largest, done = made(tmp_path), 0, threading.Event()
    log = tmp_path / "lines.db-wal"

    def watch(delay_s: float) -> None:
        nonlocal largest
        store = Store.at(url)
        done.wait(delay_s)
        while not done.is_set():
            with store.reading() as session:  # a reader that holds its snapshot for a second
                session.execute(sa.text("SELECT count(*) FROM line"))
                done.wait(1.0)
                largest = max(largest, log.stat().st_size)
        store.close()

    writers = [started(url, number, SECONDS) for number in range(PROCESSES)]
    watchers = [threading.Thread(target=watch, args=(number / readers,)) for number in range(readers)]
    for watcher in watchers:
        watcher.start()
    ended = [json.loads(writer.communicate(timeout=120)[0].splitlines()[-1]) for writer in writers]
    done.set()
    for watcher in watchers:
        watcher.join()
    commits = [one["commits"] for one in ended]
    assert min(commits) / max(commits) >= 0.5, commits
    assert max(one["worst_s"] for one in ended) < 2.0, ended
    assert largest < LOG_LIMIT_BYTES
    with Store.at(url).reading() as session:
        assert session.execute(sa.text("SELECT count(*) FROM line")).scalar() == ROWS * sum(commits)


def test_what_was_confirmed_is_there_after_kills(tmp_path: Path) -> None:
    url = made(tmp_path)
    confirmed = 0
    for _ in range(20):
        writer = started(url, 0, 60)
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(0.05)
        writer.send_signal(signal.SIGKILL)
        lines = [line for line in writer.communicate()[0].splitlines() if line.isdecimal()]
        confirmed += int(lines[-1]) if lines else 1
        with Store.at(url).reading() as session:
            kept = session.execute(sa.text("SELECT count(*) FROM line")).scalar_one()
            assert session.execute(sa.text("PRAGMA integrity_check")).scalar() == "ok"
        assert kept % ROWS == 0, "a transaction was kept in part"
        # The one that was under way when the kill came may have been kept without being confirmed.
        assert confirmed * ROWS <= kept <= (confirmed + 1) * ROWS
        confirmed = kept // ROWS
