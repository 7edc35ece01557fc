"""The sheet for the bay and the record in a real browser: one page on A4 and on Letter, boxes to tick, nothing fetched.

Chromium prints each page to PDF from a server of the test's own, which counts what is asked for. Its proxy leads
nowhere, so that a request to anywhere else would fail, and the page with it.
"""

from __future__ import annotations

import http.server
import re
import subprocess
import threading
from copy import deepcopy
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from api.app import create_app
from api.settings import Settings
from api.store.migrate import migrate
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.examples import in_order, send

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BROWSER = (
    "chromium",
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)
WAIT_S = 120
NOW = datetime(2031, 5, 5, 8, tzinfo=UTC)
PAGE = re.compile(rb"/Type\s*/Page[^s]")
REFUSED = 400
LEAST_STEPS = {"planned": 26, "midway": 26, "large": 50}
PAPERS = {"a4": (595, 842), "letter": (612, 792)}


class Server(http.server.ThreadingHTTPServer):
    """Serves one text under every path, on paper of a size, and keeps what was asked for."""

    def __init__(self) -> None:
        """Listen on a port of its own."""
        super().__init__(("127.0.0.1", 0), Handler)
        self.text = ""
        self.asked: list[str] = []

    @property
    def address(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.server_port}"


class Handler(http.server.BaseHTTPRequestHandler):
    """Answers each path with the text; ``/a4`` and ``/letter`` set the paper."""

    server: Server

    def do_GET(self) -> None:
        """Answer with the text, on the paper that the path names."""
        self.server.asked.append(self.path)
        paper = f"<style>@page {{ size: {self.path.strip('/')}; }}</style></head>"
        body = self.server.text.replace("</head>", paper).encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class's own name
        """Nothing: what was asked for is kept instead."""


@pytest.fixture
def server() -> Iterator[Server]:
    with Server() as made:
        thread = threading.Thread(target=made.serve_forever, daemon=True)
        thread.start()
        yield made
        made.shutdown()


@pytest.fixture
def client(tmp_path: Path) -> Iterator[CheckedClient]:
    url = f"sqlite:///{tmp_path / 'fleet.db'}"
    migrate(url)
    with CheckedClient(set_on(create_app(Settings()), url, SetClock(NOW))) as made:
        yield made


def printed(server: Server, text: str, paper: str, folder: Path) -> bytes:
    """The text as PDF on a paper."""
    server.text = text
    file = folder / f"{paper}.pdf"
    profile = f"--user-data-dir={folder / 'profile'}"
    command = [*BROWSER, profile, "--no-pdf-header-footer", f"--print-to-pdf={file}"]
    subprocess.run([*command, f"{server.address}/{paper}"], check=True, capture_output=True, timeout=WAIT_S)
    return file.read_bytes()


def size(pdf: bytes) -> tuple[int, int]:
    """Width and height of its first page [pt]."""
    box = re.search(rb"/MediaBox\s*\[\s*0\s+0\s+([0-9.]+)\s+([0-9.]+)", pdf)
    assert box is not None
    return round(float(box[1])), round(float(box[2]))


def story(client: CheckedClient, name: str) -> None:
    """Send an example and all that it builds on."""
    for example in in_order(name, set()):
        assert send(client, example).status_code < REFUSED


def large_job(client: CheckedClient) -> None:
    """The same job with two transfer cases more, each with two passes, under long names."""
    for example in in_order("open_job.due", set()):
        request: dict[str, Any] = deepcopy(example.request)
        body: dict[str, Any] = request["body"]
        if example.operation_id == "publish_spec_sheet":
            for number in (1, 2):
                compartment, service = deepcopy(body["compartments"][1]), deepcopy(body["services"][1])
                name = f"Transfer case {number} behind the intermediate shaft, reached from the left"
                compartment |= {"code": f"case-{number}", "kind": "transfer_case", "name": name}
                service |= {"code": f"case-{number}", "name": f"Fluid of transfer case {number}"}
                service["tasks"][0] |= {"code": f"case-{number}", "compartment": compartment["code"]}
                body["compartments"].append(compartment)
                body["services"].append(service)
        answer = client.request(request["method"], request["path"], headers=request.get("headers"), json=body)
        assert answer.status_code < REFUSED, answer.text


@pytest.mark.parametrize("case", ["planned", "midway", "large"])
def test_a_sheet_is_one_page_with_every_box_and_fetches_nothing(
    client: CheckedClient, server: Server, tmp_path: Path, case: str
) -> None:
    """Two passes on a transmission, engine oil and filter, and a task beside them; and a job twice as long."""
    if case == "large":
        large_job(client)
    else:
        story(client, {"planned": "open_job.due", "midway": "enter_job_entry.oil_run"}[case])
    steps = client.get("/v1/jobs/1").json()["steps"]
    text = client.get("/v1/jobs/1/sheet").text
    for paper, expected in PAPERS.items():
        pdf = printed(server, text, paper, tmp_path)
        assert len(PAGE.findall(pdf)) == 1
        assert size(pdf) == pytest.approx(expected, abs=1)
    command = [*BROWSER, f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", f"{server.address}/a4"]
    seen = subprocess.run(command, check=True, capture_output=True, text=True, timeout=WAIT_S).stdout
    assert seen.count('class="box"') == len(steps) >= LEAST_STEPS[case]
    assert set(server.asked) <= {"/a4", "/letter", "/favicon.ico"}


def test_the_record_prints_and_fetches_nothing(client: CheckedClient, server: Server, tmp_path: Path) -> None:
    story(client, "take_defect_step.released")
    story_name = "enter_work_done.correction"
    for example in in_order(
        story_name, {"register_vehicle.new", "open_depot.north", "publish_spec_sheet.van"}
    ):
        assert send(client, example).status_code < REFUSED
    text = client.get("/v1/vehicles/T-104/record", headers={"Accept": "text/html"}).text
    for paper, expected in PAPERS.items():
        pdf = printed(server, text, paper, tmp_path)
        assert len(PAGE.findall(pdf)) in {1, 2}
        assert size(pdf) == pytest.approx(expected, abs=1)
    assert set(server.asked) <= {"/a4", "/letter", "/favicon.ico"}
