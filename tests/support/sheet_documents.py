"""Spec sheet documents as clients send them, for tests over HTTP."""

from __future__ import annotations

from copy import deepcopy
from typing import Any


def quantity(value: float, unit: str) -> dict[str, Any]:
    """A figure with its unit."""
    return {"value": value, "unit": unit}


def amount(limb: str, value: float, unit: str) -> dict[str, Any]:
    """A figure on a limb."""
    return {"limb": limb, "amount": quantity(value, unit)}


_VAN: dict[str, Any] = {
    "code": "van",
    "name": "Delivery van",
    "meters": ["odometer", "engine_hours", "idle_hours"],
    "fluid_requirements": [
        {
            "code": "oil-a",
            "name": "Engine oil",
            "standard": "acea",
            "service_class": "C3",
            "grade": "5W-30",
        },
        {"code": "cvt-b", "name": "Fluid of the transmission's maker", "standard": "maker"},
    ],
    "parts": [
        {"code": "F-1", "name": "Oil filter", "kind": "filter", "superseded_by": "F-2"},
        {"code": "F-2", "name": "Oil filter, new pattern", "kind": "filter", "alternates": ["F-3"]},
        {"code": "F-3", "name": "Oil filter, other supply", "kind": "filter"},
        {"code": "S-14", "name": "Seal ring", "kind": "seal"},
    ],
    "compartments": [
        {
            "code": "sump",
            "kind": "engine_sump",
            "name": "Engine sump",
            "fluid_requirement": "oil-a",
            "dry_capacity": quantity(6.5, "L"),
            "service_fill_with_filter": quantity(5.7, "L"),
            "level_check": {
                "method": "dipstick",
                "temperature_low": quantity(68, "degF"),
                "temperature_high": quantity(80, "degC"),
                "mark_to_mark": quantity(1, "qt_us"),
            },
            "plugs": [
                {
                    "code": "drain",
                    "wrench": quantity(0.75, "in"),
                    "torque": quantity(30, "lbf.ft"),
                    "seal_part": "S-14",
                }
            ],
        },
        {
            "code": "cvt",
            "kind": "continuously_variable_transmission",
            "name": "Transmission",
            "fluid_requirement": "cvt-b",
            "dry_capacity": quantity(8, "qt_us"),
            "drained_volume": {"low": quantity(3.5, "L"), "high": quantity(4, "qt_us")},
        },
    ],
    "services": [
        {
            "code": "oil",
            "name": "Oil service",
            "compartment": "sump",
            "tasks": [
                {
                    "code": "change-oil",
                    "name": "Change oil and filter",
                    "labour_time": quantity(0.6, "h"),
                    "compartment": "sump",
                    "fluid_action": "exchange",
                    "fill_basis": "service_fill_with_filter",
                    "margin_share": 0.1,
                    "plugs": ["drain"],
                    "parts": [{"part": "F-1", "quantity": 1}],
                    "tools": [{"name": "cap wrench", "size": quantity(36, "mm")}],
                }
            ],
            "rules": [
                {
                    "every": [
                        amount("odometer", 10000, "mi"),
                        amount("engine_hours", 400, "h"),
                        amount("calendar", 1, "year"),
                    ],
                    "first": [amount("odometer", 5000, "mi")],
                    "early_window": [amount("odometer", 500, "mi")],
                    "tolerance": [amount("odometer", 300, "mi")],
                    "policy": "weighted",
                    "conditions": [
                        {
                            "condition": "stop_and_go",
                            "factor": 0.5,
                            "threshold_share": 0.25,
                            "limbs": ["odometer", "engine_hours"],
                        }
                    ],
                    "idle_distance": quantity(25, "mi/h"),
                    "applies_to": {"model_year_from": 2024, "engines": ["D20"]},
                },
                {"every": [amount("odometer", 15000, "km")]},
            ],
        },
        {
            "code": "gearbox",
            "name": "Gearbox fluid",
            "tasks": [
                {
                    "code": "drain-and-fill",
                    "name": "Drain and fill twice",
                    "compartment": "cvt",
                    "fluid_action": "exchange",
                    "passes": 2,
                }
            ],
            "rules": [{"every": [amount("odometer", 60000, "mi"), amount("calendar", 48, "month")]}],
        },
        {
            "code": "large",
            "name": "Large service",
            "includes": ["oil", "gearbox"],
            "rules": [
                {
                    "every": [amount("odometer", 120000, "km")],
                    "early_window": [amount("odometer", 5000, "km")],
                    "counting": "set_points",
                }
            ],
        },
        {
            "code": "inspection",
            "name": "Yearly inspection",
            "is_inspection": True,
            "is_statutory": True,
            "tasks": [{"code": "inspect", "name": "Inspect"}],
            "rules": [{"every": [amount("calendar", 12, "month")]}],
        },
    ],
}


def van_document(**changes: Any) -> dict[str, Any]:
    """A sound document that uses every part of the schema; ``changes`` replace members of its root."""
    return deepcopy(_VAN) | changes


def changed(document: dict[str, Any], pointer: str, value: Any) -> dict[str, Any]:
    """The document with another value at a JSON Pointer, or a new member there.

    Args:
        document: Changed in place.
        pointer: Such as ``/services/0/rules/0/every``.
        value: The new value.
    """
    *steps, last = pointer.split("/")[1:]
    place: Any = document
    for step in steps:
        place = place[int(step)] if isinstance(place, list) else place[step]
    if isinstance(place, list):
        place[int(last)] = value
    else:
        place[last] = value
    return document
