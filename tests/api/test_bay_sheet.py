"""The sheet for the bay over HTTP: every step with its box, figures in both systems, text escaped, steps ticked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.support.examples import in_order, send

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SHEET = "/v1/jobs/1/sheet"


def test_the_record_names_who_signed_a_job_off(client: CheckedClient) -> None:
    sent: set[str] = set()
    for example in in_order("sign_off_job.road_test_left_open", sent):
        send(client, example)
    job = client.get("/v1/jobs/1").json()
    lines = client.get("/v1/vehicles/S-12/record").json()["entries"]
    signature = job["signature"]
    (done,) = [line for line in lines if line["kind"] == "work_done"]
    assert done["entry"] == job["work_done"]
    assert done["by"] == f"{', '.join(signature['done_by'])}; checked by {signature['checked_by']}"


def test_the_sheet_holds_the_job_and_ticks_what_was_done(client: CheckedClient) -> None:
    """The job of the worked examples: two passes on a transmission, engine oil and filter in one visit."""
    sent: set[str] = set()
    for example in in_order("open_job.due", sent):
        send(client, example)
    hostile = {"make": "<img src=//x onerror=y>"}
    changed = client.patch("/v1/vehicles/S-12", json=hostile, headers={"If-Match": '"1"'})
    assert changed.status_code == 200, changed.text
    job = client.get("/v1/jobs/1").json()
    page = client.get(SHEET)
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert page.headers["content-security-policy"].startswith("default-src 'none'")
    text = page.text
    assert text.count('<span class="box"></span>') == len(job["steps"])
    assert "34 N·m (25.1 lbf·ft)" in text
    assert "about 4 L (4.23 US qt)" in text
    assert "at 50 to 80 °C (122 to 176 °F)" in text
    assert "&lt;img src=//x onerror=y&gt;" in text
    assert "<img" not in text
    for caution in job["cautions"]:
        assert caution["words"].replace("'", "&#x27;") in text
    for loaded in ("src=", "href=", "url(", "@import", "<script", "<link"):
        assert loaded not in text.replace("src=//x", "")
    imperial = client.get(f"{SHEET}?units=imperial").text
    assert "about 4 L (3.52 imp. qt)" in imperial

    for name in ("enter_job_entry.started", "enter_job_entry.oil_checked"):
        for example in in_order(name, sent):
            send(client, example)
    done = sum(step["is_done"] for step in client.get("/v1/jobs/1").json()["steps"])
    assert done > 0
    assert client.get(SHEET).text.count('<span class="box">X</span>') == done
    assert client.get("/v1/jobs/2/sheet").status_code == 404
