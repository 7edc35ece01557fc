"""Readings as CSV: exported whole, imported again without a difference."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import pytest

from api.schemas.exact_figures import exact_figure
from api.schemas.quantities import UnitSystem
from api.schemas.readings import EXPORTED
from domain.units import Dimension, to_canonical_whole
from tests.support.client import codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

CSV = {"Accept": "text/csv"}
SHEET = sheet(service("oil", km=10_000))
PATH = "/v1/vehicles/K-01/readings"


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.app.state.store, SHEET, ["K-01"])
    return client


def rows_of(answer: Response) -> list[dict[str, str]]:
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert "\n" not in answer.text.replace("\r\n", "")
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


def test_the_whole_list_comes_with_its_filters(planted: CheckedClient) -> None:
    """2,500 readings over three pages of the store, each once and in order; filters hold as for JSON."""
    sent = [
        km_row(
            "K-01",
            f"2031-04-{1 + n // 500:02}T{n % 500 // 60:02}:{n % 500 % 60:02}:00.{n:06}Z",
            1000 + n / 10,
        )
        for n in range(2500)
    ]
    planted.post("/v1/readings", json={"readings": [*sent, km_row("K-01", "2031-04-06T00:00:00Z", 5)]})
    rows = rows_of(planted.get(PATH, headers=CSV))
    assert len(rows) == 2501
    assert tuple(rows[0]) == EXPORTED
    assert [row["at"] for row in rows] == sorted(row["at"] for row in rows)
    (held,) = rows_of(planted.get(f"{PATH}?status=held", headers=CSV))
    assert held["unit"] == "K-01"
    assert (held["value"], held["unit_code"], held["status"], held["code"]) == (
        "5.0",
        "km",
        "held",
        "goes_back",
    )
    one_day = rows_of(
        planted.get(f"{PATH}?from_at=2031-04-02T00:00:00Z&until_at=2031-04-03T00:00:00Z", headers=CSV)
    )
    assert len(one_day) == 500


def test_an_export_brings_every_figure_back(planted: CheckedClient) -> None:
    """Odd metres, miles and a quoted unit number: sent in again as rows, each is a duplicate."""
    odd = [
        {**km_row("K-01", "2031-04-01T08:00:00.123456Z", 0), "figure": {"value": 12_345.6, "unit": "mi"}},
        {
            **km_row("K-01", "2031-04-02T08:00:00Z", 0, 'a "quoted", source'),
            "figure": {"value": 19868319, "unit": "m"},
        },
        {
            **km_row("K-01", "2031-04-03T08:00:00Z", 0),
            "meter": "engine_hours",
            "figure": {"value": 3601, "unit": "s"},
        },
    ]
    planted.post("/v1/readings", json={"readings": odd})
    for units in ("metric", "us", "imperial"):
        rows = rows_of(planted.get(f"{PATH}?units={units}", headers=CSV))
        again = [
            {name: row[name] for name in ("unit", "meter", "at", "source")}
            | {"figure": {"value": float(row["value"]), "unit": row["unit_code"]}}
            for row in rows
        ]
        answer = planted.post("/v1/readings", json={"readings": again}).json()
        assert (answer["duplicate"], answer["received"]) == (3, 3)
    assert rows[0]["value"] == "12345.6"


@pytest.mark.parametrize("canonical", [0, 1, 99, 100, 19_868_319, 123_456_789, 999_999_999_999, -7])
def test_figures_have_as_few_places_as_bring_them_back(canonical: int) -> None:
    for dimension in (Dimension.DISTANCE, Dimension.DURATION, Dimension.VOLUME):
        for system in UnitSystem:
            text, code = exact_figure(canonical, dimension, system)
            assert to_canonical_whole(float(text), code, dimension) == canonical
    assert exact_figure(19_868_300, Dimension.DISTANCE, UnitSystem.METRIC) == ("19868.3", "km")
    assert exact_figure(-1, Dimension.DISTANCE, UnitSystem.METRIC) == ("-0.001", "km")


@pytest.mark.parametrize(
    ("accept", "is_csv"),
    [
        ("text/csv", True),
        ("text/csv;q=0.9, application/json;q=0.8", True),
        ("text/*", True),
        ("text/csv, */*;q=0.1", True),
        ("text/csv;q=0.5, application/json", False),
        ("application/json", False),
        ("*/*", False),
        ("text/csv;q=0", False),
        ("text/csv;q=x", False),
        ("image/png", False),
        ("", False),
    ],
)
def test_json_unless_csv_is_preferred(planted: CheckedClient, accept: str, is_csv: bool) -> None:  # noqa: FBT001 - a case
    answer = planted.get(PATH, headers={"Accept": accept})
    assert answer.headers["content-type"].startswith("text/csv") is is_csv


def test_csv_has_no_pages_and_its_problems_are_problems(planted: CheckedClient) -> None:
    """A page of it is refused, and an unknown vehicle is 404, not an empty file."""
    assert codes_at(planted.get(f"{PATH}?limit=5", headers=CSV)) == {"#/limit": "parameter_without_effect"}
    assert planted.get("/v1/vehicles/K-99/readings", headers=CSV).status_code == 404
    assert rows_of(planted.get(PATH, headers=CSV)) == []
