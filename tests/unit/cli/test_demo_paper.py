from __future__ import annotations

import json
import shlex

import pytest

from api.cli.demo.paper import curl, figure, span, wrapped
from api.cli.demo.scenario import Call

BASE = "http://127.0.0.1:8000"


def test_a_call_without_a_body_is_one_line() -> None:
    assert curl(BASE, Call("GET", "/v1/depots")) == f"curl -s {BASE}/v1/depots"
    assert shlex.split(curl(BASE, Call("GET", "/v1/due?a=1&b=2"))) == ["curl", "-s", f"{BASE}/v1/due?a=1&b=2"]


@pytest.mark.parametrize(
    "body",
    [
        {"a": 1},
        {"note": "the driver's own words", "services": [{"service": "oil"}]},
        {
            "readings": [
                {"unit": f"V-{n}", "figure": {"value": n, "unit": "km"}, "at": "x" * 40} for n in range(9)
            ]
        },
        {f"member-{n}": "word " * 3 for n in range(12)},
    ],
)
def test_a_call_with_a_body_reads_as_the_same_body_in_a_shell_and_fits_the_terminal(body: object) -> None:
    text = curl(BASE, Call("POST", "/v1/readings", body))
    arguments = shlex.split(text.replace("\\\n", ""))
    assert json.loads(arguments[arguments.index("-d") + 1]) == body
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("value", "shown"), [(3.9, "3.9 L"), (22.0, "22 L"), (96475.32, "96\u00a0475.32 L"), (-0.333, "-0.33 L")]
)
def test_a_figure_is_shown_as_people_write_it(value: float, shown: str) -> None:
    assert figure({"value": value, "unit": "L"}) == shown


def test_a_span_names_its_unit_once() -> None:
    low, high = {"value": 3.5, "unit": "L"}, {"value": 3.9, "unit": "L"}
    assert span({"low": low, "high": high}) == "3.5 to 3.9 L"
    assert span({"low": high, "high": high}) == "3.9 L"


def test_a_figure_is_not_broken_over_two_lines() -> None:
    assert wrapped("reading 100 215.0 km", 13) == ["reading", "100\u00a0215.0 km"]
