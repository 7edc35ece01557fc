"""Answers as pictures: fluids ahead as bars, a vehicle's use as fans."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from fastapi import Response

from api.pictures.charts import SVG, DemandBars, MeterFan, demand_picture, fan_picture

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.schemas.usage import MeterUsage, VehicleUsage

DOCUMENTED_SVG: dict[str, Any] = {
    SVG: {
        "schema": {"type": "string", "description": "A picture of the same figures, legible without colour."}
    }
}
"""What a route that answers SVG too says under the content of its status 200."""

_SOURCES = {"services": "", "top_ups": ", top-ups between services"}


def fluids_answer(answer: Mapping[str, Any]) -> Response:
    """The picture of a forecast of fluids: all depots together, a panel a fluid.

    Args:
        answer: The forecast as it is sent as JSON.
    """
    bars = [
        DemandBars(
            f"{one['fluid_requirement']['code']}, {one['fluid_requirement']['name']}"
            f"{_SOURCES.get(one['source'], '')}",
            tuple(one["periods"]["expected"]),
            tuple(one["periods"]["p05"]),
            tuple(one["periods"]["p95"]),
        )
        for one in answer["fluids"]
    ]
    first_days = [date.fromisoformat(period["first_on"]) for period in answer["periods"]]
    title = f"Demand for fluids by {answer['by']}, {answer['as_of']} to {answer['through']}"
    return _sent(demand_picture(title, answer["unit"], first_days, bars))


def usage_answer(answer: VehicleUsage) -> Response:
    """The picture of how a vehicle's meters run: a fan for each meter that something tells about."""
    title = f"Vehicle {answer.unit}: what its meters will show, as of {answer.as_of.isoformat()}"
    fans = [fan for one in answer.meters if (fan := _fan(one)) is not None]
    return _sent(fan_picture(title, fans))


def _fan(one: MeterUsage) -> MeterFan | None:
    if one.reading is None or one.read_on is None or not one.expected:
        return None
    expected = sorted((day for day in one.expected if day.on > one.read_on), key=lambda day: day.on)
    if not expected:
        return None
    return MeterFan(
        f"{one.meter.value.replace('_', ' ').capitalize()}, life-to-date",
        one.reading.unit,
        one.read_on,
        one.reading.value,
        tuple(day.on for day in expected),
        tuple(day.low.value for day in expected),
        tuple(day.middle.value for day in expected),
        tuple(day.high.value for day in expected),
    )


def _sent(picture: bytes) -> Response:
    return Response(picture, media_type=SVG, headers={"Vary": "Accept"})
