"""The statements of a request don't grow with the fleet, nor with the rows of a batch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.queries import counted_queries
from tests.support.small_fleet import SmallFleet, small_fleet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.support.client import CheckedClient

FEW, MANY = 2, 22

# More than these mean that a query has crept in; raise a figure with a reason only.
LISTS = {
    "/v1/due?limit=1000": 8,
    "/v1/due?limit=1000&window_days=60&window_distance=500km": 8,
    "/v1/due?limit=1000&state=overdue": 8,
    "/v1/kits?limit=1000": 12,
    "/v1/fluids": 14,
}
ONE_VEHICLE = {"/v1/vehicles/K-0/due": 18, "/v1/vehicles/K-0/kit": 20, "/v1/vehicles/K-0/fluids": 20}


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    made = small_fleet(client.app.state.store)
    _grow(made, FEW)
    return made


@pytest.mark.parametrize(("path", "most"), (LISTS | ONE_VEHICLE).items())
def test_a_question_takes_as_many_statements_for_a_large_fleet_as_for_a_small_one(
    client: CheckedClient, fleet: SmallFleet, path: str, most: int
) -> None:
    few = _asked(client, path)
    _grow(fleet, MANY)
    many = _asked(client, path)
    assert many == few
    assert len(few) <= most


def test_what_was_not_asked_before_takes_no_more_for_more_vehicles(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    """Nothing is remembered of a window not asked about before, and each is another question."""
    few = _asked(client, "/v1/due?limit=1000&window_days=61", first="/v1/due?limit=1000")
    _grow(fleet, MANY)
    assert _asked(client, "/v1/due?limit=1000&window_days=62", first="/v1/due?limit=1000") == few


def test_newest_readings_take_as_many_statements_for_many_vehicles_as_for_few(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    _grow(fleet, MANY)
    units = [f"K-{place}" for place in range(MANY)]
    _sent(client, units, "2031-05-01T08:00:00Z", 9_000)
    _sent(client, units, "2031-05-02T08:00:00Z", 9_100)
    few = _sent(client, units[:FEW], "2031-05-03T08:00:00Z", 9_200)
    many = _sent(client, units[FEW:], "2031-05-03T08:00:00Z", 9_200)
    assert many == few
    assert len(few) <= 6


@pytest.mark.parametrize(("kind", "each"), [("duplicate", 0), ("unknown unit", 0), ("first", 1), ("late", 1)])
def test_other_readings_take_at_most_one_more_statement_a_vehicle_of_the_batch(
    client: CheckedClient, fleet: SmallFleet, kind: str, each: int
) -> None:
    """Where a history is judged again, each vehicle's is read by itself; the size of the fleet does not matter."""
    _grow(fleet, MANY)
    units = [f"{'X' if kind == 'unknown unit' else 'K'}-{place}" for place in range(MANY)]
    at, km = "2031-05-03T08:00:00Z", 9_200.0
    if kind in {"late", "duplicate"}:
        _sent(client, units, "2031-05-04T08:00:00Z", 9_300)
    if kind == "duplicate":
        at, km = "2031-05-04T08:00:00Z", 9_300
    _sent(client, units[-1:], at, km)  # the source is known from here on
    few, many = units[:FEW], units[FEW:-1]
    most = len(_sent(client, few, at, km)) + each * (len(many) - len(few))
    assert len(_sent(client, many, at, km)) <= most


def _grow(fleet: SmallFleet, count: int) -> None:
    """Vehicles up to so many, all a year old and due for their services."""
    for place in range(len(fleet.vehicles), count):
        fleet.add_vehicle(f"K-{place}", depot="north" if place % 2 else "south")


def _asked(client: CheckedClient, path: str, *, first: str | None = None) -> list[str]:
    """The statements of a question that was asked once before (or another one in its place)."""
    assert client.get(first or path).status_code == 200
    with counted_queries(client.app.state.store) as counted:
        answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return counted.statements


def _sent(client: CheckedClient, units: Sequence[str], at: str, km: float) -> list[str]:
    """The statements of a batch of one odometer reading of each vehicle."""
    rows = [
        {
            "unit": unit,
            "meter": "odometer",
            "at": at,
            "figure": {"value": km, "unit": "km"},
            "source": "gateway",
        }
        for unit in units
    ]
    with counted_queries(client.app.state.store) as counted:
        answer = client.post("/v1/readings", json={"readings": rows})
    assert answer.status_code == 200, answer.text
    return counted.statements
