"""How an answer was computed, step by step, and what to know beside its figures.

The steps are built as plain dictionaries and sent as they are; the models below describe them, and tests hold
the answers against them. Figures in the working carry three places more than the answer's own, so that the
sum can be checked by hand in any unit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.quantities import UnitSystem, unit_code
from domain.cautions import WORDS
from domain.sheet import Caution
from domain.units import UNITS, Dimension
from domain.working import Plain

if TYPE_CHECKING:
    from collections.abc import Iterable

    from domain.working import Notice, Step

_MORE_PLACES = 3
_MEASURES = "What it measures: a dimension, or what the figure is where no unit code measures it."
_UNIT = "Unit code; null where no listed unit measures it."


class ShownFigure(Answer):
    """A figure that entered a step."""

    symbol: Annotated[str, Field(description="Its symbol in the step's formula.")]
    value: Annotated[float, Field(description="The figure, in `unit`.")]
    unit: Annotated[str | None, Field(description=_UNIT)]
    measures: Annotated[Dimension | Plain, Field(description=_MEASURES)]


class ShownStep(Answer):
    """One step of the working."""

    name: Annotated[str, Field(description="Short stable code of what comes out, such as old_share.")]
    case: Annotated[
        str | None,
        Field(
            description="Which end of a range it belongs to, such as least_drained; null for a single figure."
        ),
    ]
    formula: Annotated[str, Field(description="The formula, in the symbols of the figures.")]
    figures: Annotated[list[ShownFigure], Field(description="The figures that entered.")]
    result: Annotated[float, Field(description="What came out, in `unit`.")]
    unit: Annotated[str | None, Field(description=_UNIT)]
    measures: Annotated[Dimension | Plain, Field(description=_MEASURES)]
    source: Annotated[str, Field(description="Where the formula or its constants stand.")]
    valid_range: Annotated[str, Field(description="For which figures the formula holds.")]


class ShownNotice(Answer):
    """Something to know beside the figures."""

    code: Annotated[str, Field(description="Short stable code.")]
    detail: Annotated[str, Field(description="One or two sentences.")]
    source: Annotated[str, Field(description="Where that is known from; common practice is named as such.")]


Notices = Annotated[
    list[ShownNotice],
    Field(
        description="What to know beside the figures; that the vehicle maker's manual governs is the first."
    ),
]
Working = Annotated[list[ShownStep], Field(description="The working, step by step.")]

GOVERNED: dict[str, str] = {
    "code": Caution.MAKERS_MANUAL_GOVERNS.value,
    "detail": WORDS[Caution.MAKERS_MANUAL_GOVERNS],
    "source": "maker's manual",
}


def shown_notices(notices: Iterable[Notice]) -> list[dict[str, str]]:
    """The notices, each once, after the one that the maker's manual governs."""
    once = dict.fromkeys(notices)
    return [GOVERNED, *({"code": n.code, "detail": n.detail, "source": n.source} for n in once)]


def shown_steps(steps: Iterable[Step], units: UnitSystem, case: str | None = None) -> list[dict[str, Any]]:
    """The steps in the units of the answer."""
    scale_of = _SCALES[units].get
    shown = []
    for step in steps:
        result, unit = _measured(step.result, scale_of(step.unit_dimension))
        figures = []
        for one in step.values:
            measured = one.unit_dimension
            value, code = _measured(one.value, scale_of(measured))
            figures.append({"symbol": one.symbol, "value": value, "unit": code, "measures": measured})
        shown.append(
            {
                "name": step.name,
                "case": case,
                "formula": step.formula,
                "figures": figures,
                "result": result,
                "unit": unit,
                "measures": step.unit_dimension,
                "source": step.source,
                "valid_range": step.valid_range,
            }
        )
    return shown


# Unit code, canonical figure of one unit, canonical figure at its zero, places.
_Scale = tuple[str, float, float, int]
_Scales = dict[Dimension | Plain, _Scale]


def _scale(code: str) -> _Scale:
    unit = UNITS[code]
    return code, float(unit.factor), float(unit.offset), unit.decimals + _MORE_PLACES


_SCALES: dict[UnitSystem, _Scales] = {
    system: {dimension: _scale(unit_code(system, dimension)) for dimension in Dimension}
    for system in UnitSystem
}


def _measured(value: float, scale: _Scale | None) -> tuple[float, str | None]:
    if scale is None:
        return value, None
    code, factor, offset, places = scale
    return round((value - offset) / factor, places) + 0.0, code
