"""Vehicles put into the fleet over HTTP, for tests of what is said about them.

The type ``van`` counts an odometer and engine hours; it has an engine sump, an oil service every 10,000 km or
12 months (5,000 km under towing), and a roadworthiness test by law every 24 months.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

VAN: dict[str, Any] = {
    "code": "van",
    "name": "Delivery van",
    "meters": ["odometer", "engine_hours"],
    "fluid_requirements": [
        {"code": "oil-c3", "name": "Engine oil, low ash", "standard": "acea", "service_class": "C3"}
    ],
    "compartments": [
        {
            "code": "sump",
            "kind": "engine_sump",
            "name": "Engine sump",
            "fluid_requirement": "oil-c3",
            "dry_capacity": {"value": 6.5, "unit": "L"},
            "service_fill_with_filter": {"value": 5.7, "unit": "L"},
        }
    ],
    "services": [
        {
            "code": "oil",
            "name": "Engine oil",
            "compartment": "sump",
            "tasks": [{"code": "oil-change", "name": "Renew the engine oil"}],
            "rules": [
                {
                    "every": [
                        {"limb": "odometer", "amount": {"value": 10_000, "unit": "km"}},
                        {"limb": "calendar", "amount": {"value": 12, "unit": "month"}},
                    ],
                    "conditions": [
                        {
                            "condition": "towing",
                            "factor": 0.5,
                            "threshold_share": 0.2,
                            "limbs": ["odometer"],
                        }
                    ],
                }
            ],
        },
        {
            "code": "roadworthiness",
            "name": "Roadworthiness test",
            "is_statutory": True,
            "is_inspection": True,
            "tasks": [{"code": "test", "name": "Present at the test station"}],
            "rules": [{"every": [{"limb": "calendar", "amount": {"value": 24, "unit": "month"}}]}],
        },
    ],
}


def set_up(client: CheckedClient) -> None:
    """A depot ``north`` in UTC, a depot ``south`` in Auckland's zone, and the type ``van``."""
    for code, zone in (("north", "UTC"), ("south", "Pacific/Auckland")):
        made = client.post("/v1/depots", json={"code": code, "name": code, "time_zone": zone})
        assert made.status_code == 201, made.text
    made = client.post("/v1/spec-sheets", json=VAN)
    assert made.status_code == 201, made.text


def registration(unit: str = "T-104", **changes: Any) -> dict[str, Any]:
    """A registration that is accepted after ``set_up``, with changes."""
    body: dict[str, Any] = {
        "unit": unit,
        "spec_sheet": "van",
        "depot": "north",
        "in_service_on": "2030-05-01",
        "is_known_from_new": True,
    }
    return body | changes


def register(client: CheckedClient, unit: str = "T-104", **changes: Any) -> Response:
    """The answer to a registration."""
    return client.post("/v1/vehicles", json=registration(unit, **changes))


def read_km(client: CheckedClient, unit: str, *readings: tuple[str, float]) -> dict[str, Any]:
    """The answer to a batch of odometer readings [km] at instants."""
    rows = [
        {
            "unit": unit,
            "meter": "odometer",
            "at": at,
            "figure": {"value": km, "unit": "km"},
            "source": "gateway",
        }
        for at, km in readings
    ]
    found: dict[str, Any] = client.post("/v1/readings", json={"readings": rows}).json()
    return found


def km(value: float) -> dict[str, Any]:
    """A distance."""
    return {"value": value, "unit": "km"}
