"""``fillmark demo``, run as a user runs it."""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from typer.testing import CliRunner

from api.cli.main import app
from api.store import queries_fleets
from api.store.session import Store

if TYPE_CHECKING:
    import pytest

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "from api.cli.main import app; app()", "demo"]


def played(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The command, run to its end in a working directory and a terminal of 80 columns."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("FILLMARK_")}
    return subprocess.run(
        [*COMMAND, *arguments],
        cwd=folder,
        env=kept | {"PYTHONPATH": str(ROOT), "COLUMNS": "80"},
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )


def calls_in(output: str) -> list[list[str]]:
    """The arguments of each printed call, as a shell would read them."""
    calls = []
    for start in re.finditer(r"^curl ", output, re.MULTILINE):
        text = ""
        for line in output[start.start() :].splitlines(keepends=True):
            text += line
            if not line.endswith("\\\n") and text.count("'") % 2 == 0:
                break
        calls.append(shlex.split(text.replace("\\\n", "")))
    return calls


def test_the_demo_loads_a_fresh_fleet_and_tells_the_stories(tmp_path: Path) -> None:
    (tmp_path / "fillmark-demo.db").write_bytes(b"left over from another day")
    result = played(tmp_path, "--once", "--port", "0")
    assert result.returncode == 0, result.stderr
    assert "made anew" in result.stdout
    assert "32 vehicles of 10 types at 4 depots" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80
    # The gateway's six readings, and again.
    assert "6 received: 2 accepted, 1 duplicate, 2 held, 1 refused" in result.stdout
    assert "6 received: 0 accepted, 5 duplicate, 0 held, 1 refused" in result.stdout
    # The tool's work: 100 215 km on the dial and half of 60 000 miles.
    assert re.search(r"before +overdue .* 96\s475\.3 km", result.stdout)
    assert re.search(r"now +not due .* 148\s495\.3 km", result.stdout)
    calls = calls_in(result.stdout)
    bodies = [json.loads(call[call.index("-d") + 1]) for call in calls if "-d" in call]
    assert [sorted(body) for body in bodies] == [
        ["readings"],
        ["done_at", "figures", "fluids", "reference", "services", "unit"],
    ]
    assert all(re.fullmatch(r"http://127\.0\.0\.1:\d+/v1/\S+", call[2]) for call in calls)
    assert re.search(r"\d+ vehicles, \d+ services: .* L ", result.stdout)


def test_a_database_that_holds_a_fleet_is_left_alone(database_url: str) -> None:
    store = Store.at(database_url)
    depot = {"code": "north", "name": "North", "time_zone": "UTC", "recorded_at_us": 0}
    with store.writing() as session:
        queries_fleets.add_depot(session, 1, depot)
    result = CliRunner().invoke(app, ["demo", "--once", "--port", "0", "--database-url", database_url])
    assert result.exit_code == 2
    assert "holds a fleet already" in result.stderr
    with store.reading() as session:
        assert [row.code for row in queries_fleets.listed_depots(session, 1, after=None, limit=9)] == [
            "north"
        ]
    store.close()


def test_a_port_that_is_taken_ends_the_demo_before_it_touches_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    kept = tmp_path / "fillmark-demo.db"
    kept.write_bytes(b"of a demo that is running")
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        result = CliRunner().invoke(app, ["demo", "--once", "--port", str(port)])
    assert result.exit_code == 2
    assert f"port {port}" in result.stderr
    assert kept.read_bytes() == b"of a demo that is running"
