"""Pictures over HTTP: asked for by Accept, the same bytes again, nothing loaded from outside."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

import pytest
from defusedxml import ElementTree

from api.pictures.charts import DemandBars, demand_picture
from tests.support.small_fleet import small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

SVG = "image/svg+xml"
FLUIDS = "/v1/forecasts/fluids?months=3"


def picture(client: CheckedClient, path: str) -> bytes:
    """The picture that a path answers."""
    response = client.get(path, headers={"Accept": SVG})
    assert response.status_code == 200, response.text
    assert (response.headers["content-type"], response.headers["vary"]) == (SVG, "Accept")
    check(response.content)
    return response.content


def check(drawn: bytes) -> None:
    """Well-formed, of paths alone, naming nothing outside of itself."""
    root = ElementTree.fromstring(drawn)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    kinds = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert not kinds & {"text", "image", "script", "foreignObject", "a"}
    assert set(re.findall(rb'href="([^"]{1,2})', drawn)) <= {b"#" + bytes([c]) for c in range(33, 127)}
    assert set(re.findall(rb"[a-z]+://[^\"' ]+", drawn)) == {
        b"http://www.w3.org/1999/xlink",
        b"http://www.w3.org/2000/svg",
    }
    assert b"@import" not in drawn
    colours = set(re.findall(rb"(?:fill|stroke): #([0-9a-f]{6})", drawn))
    assert all(one[:2] == one[2:4] == one[4:] for one in colours), "legible without colour"


# The pictures are drawn from answers, which both databases are held to elsewhere.
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_forecasts_and_use_are_drawn_where_asked_for(client: CheckedClient) -> None:
    made = small_fleet(client.app.state.store)
    empty = picture(client, FLUIDS)
    made.add_vehicle("1", depot="north")
    made.add_vehicle("$2$ \u6c34", depot="north")
    months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
    made.read("1", *((f"{y}-{on:02d}-04T08:00", 0.1 + 2_000 * m) for y, on, m in months))
    one = picture(client, FLUIDS)
    assert len(one) > len(empty)
    fan = picture(client, "/v1/vehicles/1/usage")
    assert picture(client, "/v1/vehicles/1/usage?on=2032-01-01,2031-06-01") != fan
    unread = picture(client, "/v1/vehicles/$2$ \u6c34/usage")
    assert len(unread) < len(fan)
    for path in (FLUIDS, "/v1/vehicles/1/usage"):
        answer = client.get(path, headers={"Accept": "text/html,*/*;q=0.8"})
        assert (answer.headers["content-type"], answer.headers["vary"]) == ("application/json", "Accept")


def test_many_fluids_and_many_periods_are_drawn() -> None:
    days = [date.fromordinal(date(2031, 5, 5).toordinal() + 7 * week) for week in range(40)]
    bars = [DemandBars(f"fluid {n}", (1.0 * n,) * 40, (0.0,) * 40, (2.0 * n,) * 40) for n in range(2)]
    drawn = demand_picture("By week", "L", days, bars)
    check(drawn)
    assert drawn == demand_picture("By week", "L", days, bars)
    nothing = [DemandBars("long " * 40, (0.0,), (0.0,), (0.0,))]
    check(demand_picture("Nothing yet", "L", days[:1], nothing))
