"""The ``fillmark`` command, run as a user runs it."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import httpx2
import pytest

from api.store.migrate import newest_revision, stored_revision
from api.store.session import Store

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "from api.cli.main import app; app()"]


def environment(**settings: str) -> dict[str, str]:
    """The environment with these settings and no others."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("FILLMARK_")}
    return kept | {f"FILLMARK_{name.upper()}": value for name, value in settings.items()}


def ended(*arguments: str, **settings: str) -> subprocess.CompletedProcess[str]:
    """The command, run to its end."""
    return subprocess.run(
        [*COMMAND, *arguments],
        cwd=ROOT,
        env=environment(**settings),
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def test_migrate_brings_a_database_to_the_newest_revision(empty_database_url: str) -> None:
    result = ended("migrate", database_url=empty_database_url)
    assert result.returncode == 0, result.stderr
    assert f"revision {newest_revision()}" in re.sub(r"\s+", " ", result.stderr)
    store = Store.at(empty_database_url)
    with store.reading() as session:
        assert stored_revision(session) == newest_revision()
    store.close()


def test_serve_migrates_answers_and_ends_on_request(empty_database_url: str) -> None:
    port = free_port()
    with subprocess.Popen(
        [*COMMAND, "serve", "--port", str(port)],
        cwd=ROOT,
        env=environment(database_url=empty_database_url),
        stderr=subprocess.PIPE,
        text=True,
    ) as server:
        try:
            deadline = time.monotonic() + 120
            while True:
                try:
                    ready = httpx2.get(f"http://127.0.0.1:{port}/readyz")
                    break
                except httpx2.TransportError:
                    assert time.monotonic() < deadline
                    time.sleep(0.05)
            assert ready.json() == {"status": "ready"}
            assert "server" not in ready.headers
        finally:
            server.send_signal(signal.SIGTERM)
        server.wait(60)
    assert server.returncode in {0, -signal.SIGTERM}


@pytest.mark.parametrize(
    ("settings", "named"),
    [
        ({"database_uri": "sqlite:///x.db"}, "FILLMARK_DATABASE_URI"),
        ({"database_url": "sqlite://"}, "FILLMARK_DATABASE_URL"),
        ({"database_url": "sqlite:////no/such/folder/x.db"}, "database"),
    ],
)
def test_a_wrong_setting_ends_in_one_line(settings: dict[str, str], named: str) -> None:
    result = ended("migrate", **settings)
    assert result.returncode == 2
    assert named in result.stderr
    assert "Traceback" not in result.stderr
    assert "Traceback" not in result.stdout
