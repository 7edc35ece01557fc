"""Forecasts of demand as answered: figures in columns, one a period, with the unit stated once.

Invariants: expected figures of depots and periods add up to the expected figure shown of the whole; quantiles are read
from the law of just that depot and time, and don't add up; what is left out is told with its reason.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from pydantic import Field

from api.schemas.base import Answer
from api.schemas.fluid_totals import RequirementShown
from api.schemas.quantities import UnitSystem, unit_code
from api.schemas.times import Day
from api.services.demand_terms import SHARES, By, Kind, Source
from domain.cautions import WORDS
from domain.rounding import shown_grid
from domain.sheet import Caution
from domain.units import Dimension, column_from_canonical

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from api.services.demand import Forecast
    from api.services.demand_terms import ItemDemand, RisingTopUps, Span
    from domain.rounding import ShownGrid

    Real = NDArray[np.float64]

QUANTILES = tuple(f"p{round(share * 100):02d}" for share in SHARES)
PIECES_PER_WHOLE = 10_000
DEPOT_COLUMNS = ("low", "expected", "margin", *QUANTILES)

ADDING = (
    "Expected figures add up over depots and periods. Quantiles do not: each is read from the law of its own depot and"
    " time, and the sum of quantiles is more than the quantile of the sum."
)
_LEAST = "Expected, by the least that the work takes."
_EXPECTED = "Expected, by the most that the work takes."
_MARGIN = "Expected to have at hand beyond it; never in it."
_SOURCE = "What asks for it: services that fall due, or top-ups between them."
_REASONS = {
    "baseline_needed": "The last time is unknown: enter work done, or papers.",
    "no_reading": "A meter that the rule runs on has no reading.",
    "use_unknown": "There are too few readings to tell how the meter runs.",
}


class Figures(Answer):
    """Demand at one depot, or at all, over one time."""

    expected: Annotated[float, Field(description=_EXPECTED)]
    p05: Annotated[float, Field(description="Not exceeded with a chance of 5 %.")]
    p50: Annotated[float, Field(description="Not exceeded with a chance of 50 %.")]
    p90: Annotated[float, Field(description="Not exceeded with a chance of 90 %.")]
    p95: Annotated[float, Field(description="Not exceeded with a chance of 95 %.")]


class FluidFigures(Figures):
    """Demand for a fluid at one depot, or at all, over one time."""

    low: Annotated[float, Field(description=_LEAST)]
    margin: Annotated[float, Field(description=_MARGIN)]


class PeriodFigures(Answer):
    """Demand in each period, one figure a period."""

    expected: Annotated[list[float], Field(description=_EXPECTED)]
    p05: Annotated[list[float], Field(description="Not exceeded with a chance of 5 %.")]
    p50: Annotated[list[float], Field(description="Not exceeded with a chance of 50 %.")]
    p90: Annotated[list[float], Field(description="Not exceeded with a chance of 90 %.")]
    p95: Annotated[list[float], Field(description="Not exceeded with a chance of 95 %.")]


class FluidPeriodFigures(PeriodFigures):
    """Demand for a fluid in each period, one figure a period."""

    low: Annotated[list[float], Field(description=_LEAST)]
    margin: Annotated[list[float], Field(description=_MARGIN)]


class ForecastPeriod(Answer):
    """A period of a forecast."""

    first_on: Annotated[Day, Field(description="Its first day.")]
    through: Annotated[Day, Field(description="Its last day.")]


class LeftOutShown(Answer):
    """Services that the forecast can not count, for one reason."""

    reason: Annotated[str, Field(description="Code of the reason.")]
    services: Annotated[int, Field(description="How many services of vehicles.")]
    vehicles: Annotated[int, Field(description="On how many vehicles.")]
    detail: Annotated[str, Field(description="The reason in words.")]


class DepotDemand(Answer):
    """Demand at one depot."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    total: Annotated[Figures, Field(description="Over the whole time.")]
    periods: Annotated[PeriodFigures, Field(description="In each period.")]


class DepotFluidDemand(Answer):
    """Demand for a fluid at one depot."""

    depot: Annotated[str, Field(description="Code of the depot.")]
    total: Annotated[FluidFigures, Field(description="Over the whole time.")]
    periods: Annotated[FluidPeriodFigures, Field(description="In each period.")]


class FluidDemand(Answer):
    """Demand for fluids that meet one requirement."""

    fluid_requirement: Annotated[RequirementShown, Field(description="What the fluid must meet.")]
    source: Annotated[Source, Field(description=_SOURCE)]
    is_common_practice: Annotated[
        bool, Field(description="Whether any of it rests on common practice and not on the sheets' data.")
    ]
    total: Annotated[FluidFigures, Field(description="Of all depots over the whole time.")]
    periods: Annotated[FluidPeriodFigures, Field(description="Of all depots in each period.")]
    depots: Annotated[list[DepotFluidDemand], Field(description="Of each depot.")]


class PartDemand(Answer):
    """Demand for one part."""

    part: Annotated[str, Field(description="The part number now supplied.")]
    name: Annotated[str, Field(description="In words; the number itself where the fleet does not keep it.")]
    total: Annotated[Figures, Field(description="Of all depots over the whole time.")]
    periods: Annotated[PeriodFigures, Field(description="Of all depots in each period.")]
    depots: Annotated[list[DepotDemand], Field(description="Of each depot.")]


class RisingTopUpsShown(Answer):
    """Top-ups that have become more often than chance explains: look for a leak, or a change of use."""

    unit: Annotated[str, Field(description="Unit number of the vehicle.")]
    compartment: Annotated[str, Field(description="Code of the compartment.")]
    fluid_requirement: Annotated[str, Field(description="Code of the requirement that its fluid meets.")]
    recent: Annotated[int, Field(description="Top-ups of a low level in the recent time.")]
    recent_days: Annotated[int, Field(description="How long that is [d].")]
    before: Annotated[int, Field(description="Top-ups of a low level in the time before.")]
    before_days: Annotated[int, Field(description="How long that is [d].")]
    chance: Annotated[
        float,
        Field(description="Chance of so many or more of them in the recent time, if nothing had changed."),
    ]
    detail: Annotated[str, Field(description="The same in a sentence.")]


class _Ahead(Answer):
    as_of: Annotated[Day, Field(description="The first day.")]
    through: Annotated[Day, Field(description="The last day.")]
    by: Annotated[By, Field(description="How the time is divided.")]
    periods: Annotated[list[ForecastPeriod], Field(description="The periods; the last week may be short.")]
    vehicles: Annotated[int, Field(description="How many vehicles the forecast looks at.")]
    not_in_forecast: Annotated[
        list[LeftOutShown], Field(description="Services that it can not count, by reason.")
    ]
    unit: Annotated[str, Field(description="Unit of all figures.")]
    adding: Annotated[str, Field(description="Which figures add up and which don't.")]


class FluidForecast(_Ahead):
    """Demand for fluids, ahead."""

    fluids: Annotated[list[FluidDemand], Field(description="By requirement; different ones are never added.")]
    rising_top_ups: Annotated[
        list[RisingTopUpsShown], Field(description="Vehicles to look at, the least likely by chance first.")
    ]
    governed_by: Annotated[str, Field(description="What governs wherever a volume is given.")]


class PartForecast(_Ahead):
    """Demand for parts, ahead."""

    parts: Annotated[list[PartDemand], Field(description="By the number now supplied.")]


class BayHoursForecast(_Ahead):
    """Labour time of services that fall due, ahead."""

    total: Annotated[Figures, Field(description="Of all depots over the whole time.")]
    hours: Annotated[PeriodFigures, Field(description="Of all depots in each period.")]
    depots: Annotated[list[DepotDemand], Field(description="Of each depot.")]


def shown_fluids(
    found: Forecast, requirements: Mapping[str, RequirementShown], by: By, units: UnitSystem
) -> dict[str, Any]:
    """A ``FluidForecast`` in the units of the answer."""
    unit = unit_code(units, Dimension.VOLUME)
    fluids = [
        {
            "fluid_requirement": requirements[item.code].model_dump(),
            "source": item.source.value,
            "is_common_practice": item.is_common_practice,
            **_parts(item, found.depots, unit, is_fluid=True),
        }
        for item in found.items
    ]
    governs = WORDS[Caution.MAKERS_MANUAL_GOVERNS]
    rising = [_rising(one) for one in found.rising]
    return {
        **ahead(found, by),
        "unit": unit,
        "fluids": fluids,
        "rising_top_ups": rising,
        "governed_by": governs,
    }


def shown_parts(found: Forecast, names: Mapping[str, str], by: By) -> dict[str, Any]:
    """A ``PartForecast``."""
    parts = [
        {"part": item.code, "name": names.get(item.code, item.code), **_parts(item, found.depots, _PIECES)}
        for item in found.items
    ]
    return {**ahead(found, by), "unit": _PIECES, "parts": parts}


def shown_hours(found: Forecast, by: By, units: UnitSystem) -> dict[str, Any]:
    """A ``BayHoursForecast``."""
    unit = unit_code(units, Dimension.DURATION)
    if not found.items:
        zero = dict.fromkeys(("expected", *QUANTILES), 0.0)
        none = {name: [0.0] * (len(found.span.bounds) - 1) for name in zero}
        return {**ahead(found, by), "unit": unit, "total": zero, "hours": none, "depots": []}
    shown = _parts(found.items[0], found.depots, unit)
    return {
        **ahead(found, by),
        "unit": unit,
        "total": shown["total"],
        "hours": shown["periods"],
        "depots": shown["depots"],
    }


def ahead(found: Forecast, by: By) -> dict[str, Any]:
    """What every forecast says beside its figures."""
    return {
        "as_of": found.span.first_on.isoformat(),
        "through": (found.span.bounds[-1] - timedelta(days=1)).isoformat(),
        "by": by.value,
        "periods": [
            {"first_on": first.isoformat(), "through": last.isoformat()}
            for first, last in _periods(found.span)
        ],
        "vehicles": found.vehicles,
        "not_in_forecast": [
            {
                "reason": reason,
                "services": one.services,
                "vehicles": one.vehicles,
                "detail": _REASONS[reason],
            }
            for reason, one in found.left_out.items()
        ],
        "adding": ADDING,
    }


def compared_lines(before: Forecast, after: Forecast, units: UnitSystem) -> dict[str, Any]:
    """A ``KindCompared``: each item of either forecast, with the difference of what is shown."""
    unit = _unit(before.kind, units)
    periods = len(before.span.bounds) - 1
    sides = [
        {(item.code, item.source): _parts(item, side.depots, unit) for item in side.items}
        for side in (before, after)
    ]
    none = {
        "total": dict.fromkeys(("expected", *QUANTILES), 0.0),
        "periods": {"expected": [0.0] * periods},
        "depots": [],
    }
    return {
        "unit": unit,
        "items": [
            {
                "item": code,
                "source": source.value,
                **_compared(*(side.get((code, source), none) for side in sides)),
            }
            for code, source in sorted(sides[0].keys() | sides[1].keys())
        ],
    }


def _compared(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    depots = [{one["depot"]: one["total"]["expected"] for one in side["depots"]} for side in (before, after)]
    months = before["periods"]["expected"], after["periods"]["expected"]
    return {
        "before": before["total"],
        "after": after["total"],
        "difference": _less(after["total"]["expected"], before["total"]["expected"]),
        "periods": {
            "before": months[0],
            "after": months[1],
            "difference": [_less(one, other) for other, one in zip(*months, strict=True)],
        },
        "depots": [
            {
                "depot": code,
                "before": depots[0].get(code, 0.0),
                "after": depots[1].get(code, 0.0),
                "difference": _less(depots[1].get(code, 0.0), depots[0].get(code, 0.0)),
            }
            for code in sorted(depots[0].keys() | depots[1].keys())
        ],
    }


def _less(one: float, other: float) -> float:
    """A difference of shown figures, without what binary fractions add to it."""
    return round(one - other, 6) + 0.0


CSV_COLUMNS = (
    "item",
    "source",
    "depot",
    "first_on",
    "through",
    "unit",
    "low",
    "expected",
    "margin",
    *QUANTILES,
)


def csv_rows(found: Forecast, units: UnitSystem) -> Iterator[list[list[object]]]:
    """The forecast as rows, an item at a time; no depot stands for all of them, and the whole time comes last."""
    unit = _unit(found.kind, units)
    ends = [*_periods(found.span), (found.span.first_on, found.span.bounds[-1] - timedelta(days=1))]
    for item in found.items:
        shown = _parts(item, found.depots, unit, is_fluid=True)
        rows: list[list[object]] = []
        for depot, part in [*((one["depot"], one) for one in shown["depots"]), ("", shown)]:
            for place, (first_on, through) in enumerate(ends):
                is_whole = place == len(ends) - 1
                figures = [
                    part["total"][name] if is_whole else part["periods"][name][place]
                    for name in DEPOT_COLUMNS
                ]
                rows.append(
                    [
                        item.code,
                        item.source.value,
                        depot,
                        first_on.isoformat(),
                        through.isoformat(),
                        unit,
                        *figures,
                    ]
                )
        yield rows


_PIECES = "piece"


def _rising(one: RisingTopUps) -> dict[str, Any]:
    detail = (
        f"{one.recent} top-ups in the last {one.recent_days} days after {one.before} in the {one.before_days} days"
        " before: look for a leak, or for a change in how the vehicle is used"
    )
    return {
        "unit": one.unit,
        "compartment": one.compartment,
        "fluid_requirement": one.fluid_requirement,
        "recent": one.recent,
        "recent_days": one.recent_days,
        "before": one.before,
        "before_days": one.before_days,
        "chance": float(f"{one.chance:.2g}"),
        "detail": detail,
    }


def _unit(kind: Kind, units: UnitSystem) -> str:
    if kind is Kind.PART:
        return _PIECES
    return unit_code(units, Dimension.VOLUME if kind is Kind.FLUID else Dimension.DURATION)


def _periods(span: Span) -> list[tuple[Any, Any]]:
    one = timedelta(days=1)
    return [(first, after - one) for first, after in zip(span.bounds, span.bounds[1:], strict=False)]


def _parts(item: ItemDemand, depots: Sequence[str], unit: str, *, is_fluid: bool = False) -> dict[str, Any]:
    """Figures of all depots and of each, in the unit."""
    shown = {"expected": _grid(item.mean, unit)}
    if is_fluid:
        shown["low"] = shown["expected"] if item.low is item.mean else _grid(item.low, unit)
        shown["margin"] = _grid(item.margin, unit)
    quantiles = _in_unit(item.quantiles, unit).tolist()
    places = 10**6
    total = {name: grid.total for name, grid in shown.items()} | dict(
        zip(QUANTILES, quantiles[-1][-1], strict=True)
    )
    # What is shown of all depots in a period is the sum of what is shown of each.
    periods = {
        name: [round(sum(cells) * places) / places for cells in zip(*grid.rows, strict=True)]
        for name, grid in shown.items()
    } | _columns(quantiles[-1])
    of_depots = [
        {
            "depot": depots[at],
            "total": {name: grid.totals[at] for name, grid in shown.items()}
            | dict(zip(QUANTILES, quantiles[at][-1], strict=True)),
            "periods": {name: grid.rows[at] for name, grid in shown.items()} | _columns(quantiles[at]),
        }
        for at in sorted(range(len(depots)), key=depots.__getitem__)
        if item.mean[at, -1] > 0
    ]
    return {"total": total, "periods": periods, "depots": of_depots}


def _columns(quantiles: list[list[float]]) -> dict[str, list[float]]:
    """Quantiles of each period, by their names."""
    return {
        name: list(column) for name, column in zip(QUANTILES, zip(*quantiles[:-1], strict=True), strict=True)
    }


def _grid(cells: Real, unit: str) -> ShownGrid:
    is_pieces = unit == _PIECES
    whole = np.round(cells[:-1, :-1] * (PIECES_PER_WHOLE if is_pieces else 1)).astype(np.int64).tolist()
    return shown_grid(whole, None if is_pieces else unit)


def _in_unit(cells: Real, unit: str) -> Real:
    if unit == _PIECES:
        return np.round(cells)
    return column_from_canonical(cells, unit)
