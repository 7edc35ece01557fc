"""A depot, a van whose oil and transmission services are due, and what they take, over HTTP.

The type ``shuttle``: an engine sump of 6.5 L, of which an oil change with filter takes 5.7 L; a continuously variable
transmission of 8 L, of which one drain takes out 4 L, changed in two passes; level checks by dipstick, 0.4 L from mark
to mark, warm. Both services have come due by the calendar on 2031-05-05.
"""

from __future__ import annotations

from copy import deepcopy
from typing import TYPE_CHECKING, Any

from tests.support.sheet_documents import amount, quantity

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

_DRAIN = {
    "code": "drain",
    "wrench": quantity(14, "mm"),
    "torque": quantity(34, "N.m"),
    "seal_part": "S-14",
}
_LEVEL = {
    "method": "dipstick, engine idling",
    "temperature_low": quantity(50, "degC"),
    "temperature_high": quantity(80, "degC"),
    "mark_to_mark": quantity(0.4, "L"),
}

SHUTTLE: dict[str, Any] = {
    "code": "shuttle",
    "name": "Shuttle van",
    "meters": ["odometer"],
    "fluid_requirements": [
        {"code": "oil-c3", "name": "Engine oil, low ash", "standard": "acea", "service_class": "C3"},
        {"code": "cvt-n", "name": "Fluid of family N", "standard": "maker", "service_class": "Family N"},
    ],
    "parts": [
        {"code": "F-2", "name": "Oil filter", "kind": "filter"},
        {"code": "S-14", "name": "Seal ring", "kind": "seal"},
    ],
    "compartments": [
        {
            "code": "sump",
            "kind": "engine_sump",
            "name": "Engine sump",
            "fluid_requirement": "oil-c3",
            "dry_capacity": quantity(6.5, "L"),
            "service_fill_with_filter": quantity(5.7, "L"),
            "level_check": {"method": "dipstick", "mark_to_mark": quantity(1, "L")},
            "plugs": [_DRAIN],
        },
        {
            "code": "cvt",
            "kind": "continuously_variable_transmission",
            "name": "Transmission",
            "fluid_requirement": "cvt-n",
            "dry_capacity": quantity(8, "L"),
            "drained_volume": {"low": quantity(4, "L"), "high": quantity(4, "L")},
            "level_check": _LEVEL,
            "plugs": [_DRAIN],
        },
    ],
    "services": [
        {
            "code": "oil",
            "name": "Engine oil and filter",
            "tasks": [
                {
                    "code": "change-oil",
                    "name": "Change engine oil and filter",
                    "labour_time": quantity(0.6, "h"),
                    "compartment": "sump",
                    "fluid_action": "exchange",
                    "fill_basis": "service_fill_with_filter",
                    "plugs": ["drain"],
                    "parts": [{"part": "F-2", "quantity": 1}],
                    "tools": [{"name": "cap wrench", "size": quantity(36, "mm")}],
                    "closing_checks": ["leak_check"],
                },
                {"code": "look-at-belts", "name": "Look at the belts"},
            ],
            "rules": [{"every": [amount("odometer", 15000, "km"), amount("calendar", 12, "month")]}],
        },
        {
            "code": "gearbox",
            "name": "Transmission fluid",
            "tasks": [
                {
                    "code": "drain-and-fill",
                    "name": "Drain and fill twice",
                    "compartment": "cvt",
                    "fluid_action": "exchange",
                    "passes": 2,
                    "plugs": ["drain"],
                    "margin_share": 0.05,
                    "closing_checks": ["leak_check", "road_test"],
                }
            ],
            "rules": [{"every": [amount("odometer", 60000, "km"), amount("calendar", 12, "month")]}],
        },
    ],
}

PRODUCTS: dict[str, dict[str, Any]] = {
    "oil-c3-5w30": {
        "name": "Engine oil, low ash",
        "kind": "engine_oil",
        "currency": "EUR",
        "containers": [{"size": quantity(5, "L"), "price_minor": 3990}],
        "meets": [{"standard": "acea", "service_class": "C3"}],
        "density_15c": quantity(850, "kg/m3"),
    },
    "cvt-n": {
        "name": "Fluid for continuously variable transmissions",
        "kind": "continuously_variable_fluid",
        "currency": "EUR",
        "containers": [{"size": quantity(1, "L"), "price_minor": 1190}],
        "meets": [{"standard": "maker", "service_class": "Family N"}],
        "density_15c": quantity(850, "kg/m3"),
    },
    "gear-75w90": {
        "name": "Gear oil",
        "kind": "gear_oil",
        "currency": "EUR",
        "containers": [],
        "meets": [{"standard": "api_service", "service_class": "GL-5", "grade": "75W-90"}],
        "density_15c": quantity(870, "kg/m3"),
    },
}


def litres(value: float) -> dict[str, Any]:
    """A volume in litres."""
    return quantity(value, "L")


def degrees(value: float) -> dict[str, Any]:
    """A temperature in degrees Celsius."""
    return quantity(value, "degC")


def set_up_bay(client: CheckedClient, *units: str, **changes: Any) -> None:
    """The depot ``north``, the type, the products, and vans that are new on 2030-05-01; no stock."""
    made = client.post("/v1/depots", json={"code": "north", "name": "North", "time_zone": "UTC"})
    assert made.status_code == 201, made.text
    made = client.post("/v1/spec-sheets", json=deepcopy(SHUTTLE) | changes)
    assert made.status_code == 201, made.text
    for code, product in PRODUCTS.items():
        assert client.put(f"/v1/fluid-products/{code}", json=product).status_code == 201
    for unit in units or ("T-104",):
        made = client.post(
            "/v1/vehicles",
            json={
                "unit": unit,
                "spec_sheet": "shuttle",
                "depot": "north",
                "in_service_on": "2030-05-01",
                "is_known_from_new": True,
            },
        )
        assert made.status_code == 201, made.text
        reading = {
            "unit": unit,
            "meter": "odometer",
            "at": "2031-05-04T07:00:00Z",
            "figure": quantity(14_100, "km"),
            "source": "gateway",
        }
        assert client.post("/v1/readings", json={"readings": [reading]}).status_code == 200


def receive(client: CheckedClient, **amounts: float) -> None:
    """Receipts into the depot's stock: litres of products, pieces of parts; ``_`` stands for ``-``."""
    for name, figure in amounts.items():
        code = name.replace("_", "-")
        line: dict[str, Any] = (
            {"fluid_product": code, "amount": litres(figure)}
            if code in PRODUCTS
            else {"part": code, "amount": quantity(figure, "piece")}
        )
        body = {"key": f"in-{code}", "kind": "receipt", "depot": "north", "lines": [line]}
        made = client.post("/v1/stock-entries", json=body)
        assert made.status_code in {200, 201}, made.text


class Bay:
    """One job, with the entity tag that its last answer gave."""

    def __init__(self, client: CheckedClient, by: str = "mechanic one") -> None:
        """A job is yet to be opened."""
        self.client = client
        self.by = by
        self.number = 0
        self.tag = ""

    def open(self, unit: str = "T-104", **more: Any) -> dict[str, Any]:
        """The job, opened."""
        made = self.client.post("/v1/jobs", json={"unit": unit, "opened_by": "foreman", **more})
        assert made.status_code == 201, made.text
        self.number, self.tag = made.json()["number"], made.headers["ETag"]
        found: dict[str, Any] = made.json()
        return found

    def send(self, kind: str, **members: Any) -> Response:
        """The answer to an entry, whatever it is."""
        answer = self.client.post(
            f"/v1/jobs/{self.number}/entries",
            json={"kind": kind, "by": self.by, **members},
            headers={"If-Match": self.tag},
        )
        if answer.status_code == 201:
            self.tag = answer.headers["ETag"]
        return answer

    def enter(self, kind: str, **members: Any) -> dict[str, Any]:
        """An entry that is taken."""
        answer = self.send(kind, **members)
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def refuse(self, kind: str, **members: Any) -> list[str]:
        """The rules that an entry breaks; the job stays as it was."""
        before = self.shown()
        answer = self.send(kind, **members)
        assert answer.status_code in {409, 422}, answer.text
        assert self.shown() == before
        return [error["code"] for error in answer.json()["errors"]]

    def shown(self) -> dict[str, Any]:
        """The job as it stands."""
        answer = self.client.get(f"/v1/jobs/{self.number}")
        assert answer.status_code == 200, answer.text
        assert answer.headers["ETag"] == f'"{answer.json()["version"]}"'
        found: dict[str, Any] = answer.json()
        return found

    def sign_off(self, **more: Any) -> Response:
        """The answer to a signing off."""
        body = {"done_by": [self.by], "checked_by": "foreman", **more}
        answer = self.client.post(
            f"/v1/jobs/{self.number}/signing-off", json=body, headers={"If-Match": self.tag}
        )
        if answer.status_code == 200:
            self.tag = answer.headers["ETag"]
        return answer
