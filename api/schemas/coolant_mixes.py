"""Coolant mixtures in requests and answers. The answer is built as plain dictionaries and sent as it is."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Answer, Choice, Request, Share
from api.schemas.quantities import (
    ShownTemperature,
    ShownVolume,
    Temperature,
    UnitSystem,
    Volume,
    shown_quantity,
    unit_code,
)
from api.schemas.working import Notices, Working, shown_notices, shown_steps
from api.services.coolant_mixes import MixAsk, MixFound, MixState
from domain.coolant import Basis, FreezeTable, FreezingPoint, Glycol, InhibitorState
from domain.rounding import shown_parts
from domain.units import Dimension

_GLYCOL = "The glycol of the coolant."
_BASIS = "Whether the shares of the request are by volume or by mass."
_TABLE = "Published table of freezing points."
_INHIBITOR = "State of the corrosion inhibitor, as tested; a freezing point says nothing about it."
_BY_VOLUME = "Share of glycol by volume [1]."
_BY_MASS = "Share of glycol by mass [1], by ideal mixing at 20 degC."


class CoolantMixQuestion(Request):
    """A coolant, and what is to be done to it: nothing, one drain-and-replace, or as many as a target takes."""

    glycol: Annotated[Choice[Glycol], Field(description=_GLYCOL)]
    basis: Annotated[Choice[Basis], Field(description=_BASIS)]
    table: Annotated[Choice[FreezeTable], Field(description=_TABLE)] = FreezeTable.ASHRAE_2001
    found_share: Annotated[Share, Field(description="Share of glycol found, from 0 to 1 [1].")]
    inhibitor: Annotated[Choice[InhibitorState] | None, Field(description=_INHIBITOR)] = None
    is_low_conductivity: Annotated[
        bool,
        Field(
            description="Whether it is a low-conductivity coolant, which only the vehicle's sheet can tell about."
        ),
    ] = False
    system_volume: Annotated[
        Volume | None,
        Field(description="Coolant in the circuit; without it only the freezing point is told."),
    ] = None
    poured_share: Annotated[
        Share | None, Field(description="Share of glycol in what is poured: 0 is water, 1 concentrate [1].")
    ] = None
    drained_volume: Annotated[Volume | None, Field(description="Drained, and poured after it.")] = None
    target_share: Annotated[
        Share | None, Field(description="Share of glycol wanted, above 0 and below 1 [1].")
    ] = None
    protect_to: Annotated[
        Temperature | None,
        Field(
            description="Temperature down to which it shall be relied on, the guard band included, instead."
        ),
    ] = None
    drainable_volume: Annotated[
        Volume | None, Field(description="What one drain takes out at most; all of it unless given.")
    ] = None

    def ask(self) -> MixAsk:
        """The question as the services take it."""
        return MixAsk(
            glycol=self.glycol,
            basis=self.basis,
            table=self.table,
            inhibitor=self.inhibitor,
            is_low_conductivity=self.is_low_conductivity,
            found_share=self.found_share,
            system_ml=_ml(self.system_volume),
            poured_share=self.poured_share,
            drained_ml=_ml(self.drained_volume),
            target_share=self.target_share,
            protect_to_c=None if self.protect_to is None else self.protect_to.canonical(),
            drainable_ml=_ml(self.drainable_volume),
        )


class TableFigure(Answer):
    """What one table gives."""

    table: Annotated[FreezeTable, Field(description=_TABLE)]
    basis: Annotated[Basis, Field(description="The table's own basis.")]
    share: Annotated[float, Field(description="Share of glycol on that basis [1].")]
    freezing_point: Annotated[ShownTemperature, Field(description="Freezing point by this table.")]


class FreezingShown(Answer):
    """The freezing point of a mixture, with a guard band from the spread of published tables."""

    freezing_point: Annotated[ShownTemperature, Field(description="By the table asked for.")]
    tables: Annotated[
        list[TableFigure],
        Field(description="The table asked for, then the others in whose range the mixture lies."),
    ]
    spread_k: Annotated[float, Field(description="Between the highest and the lowest of the tables [K].")]
    guard_k: Annotated[float, Field(description="Guard band: the spread, at least 3 K [K].")]
    protected_to: Annotated[
        ShownTemperature, Field(description="Freezing point and guard band: what may be relied on.")
    ]


class MixtureShown(Answer):
    """A mixture."""

    share_by_volume: Annotated[float, Field(description=_BY_VOLUME)]
    share_by_mass: Annotated[float, Field(description=_BY_MASS)]
    freezing: Annotated[
        FreezingShown | None, Field(description="Its freezing point; null where the table tells none.")
    ]


class CoolantPassShown(Answer):
    """One drain-and-replace."""

    number: Annotated[int, Field(description="From 1.")]
    drained: Annotated[ShownVolume, Field(description="Drained, and poured after it.")]
    share_by_volume: Annotated[float, Field(description="Share of glycol by volume after it [1].")]
    share_by_mass: Annotated[float, Field(description="Share of glycol by mass after it [1].")]


class CoolantFill(Answer):
    """What fills the circuit; the parts shown add up."""

    system: Annotated[ShownVolume, Field(description="Coolant in the circuit.")]
    glycol: Annotated[ShownVolume, Field(description="Glycol in it.")]
    water: Annotated[ShownVolume, Field(description="The rest.")]


class CoolantMix(Answer):
    """A coolant, what is done to it, and its freezing points, with the working."""

    glycol: Annotated[Glycol, Field(description=_GLYCOL)]
    basis: Annotated[Basis, Field(description=_BASIS)]
    inhibitor: Annotated[InhibitorState | None, Field(description=_INHIBITOR)]
    found: Annotated[MixtureShown, Field(description="What is in the circuit.")]
    target_share_by_volume: Annotated[
        float | None, Field(description="Share of glycol by volume that is wanted [1]; null where none is.")
    ]
    drain_needed: Annotated[
        ShownVolume | None,
        Field(description="What one drain would have to take out for it; null where none is wanted."),
    ]
    passes: Annotated[
        list[CoolantPassShown],
        Field(description="The passes: more than one where less can be drained than is needed."),
    ]
    poured: Annotated[ShownVolume | None, Field(description="Poured in all; null where nothing is done.")]
    result: Annotated[
        MixtureShown | None, Field(description="What is in it in the end; null where nothing is done.")
    ]
    fill: Annotated[CoolantFill | None, Field(description="In volumes; null where nothing is done.")]
    notices: Notices
    working: Working


def shown_mix(found: MixFound, ask: MixAsk, units: UnitSystem) -> dict[str, Any]:
    """The answer in the units asked for."""
    return {
        "glycol": ask.glycol,
        "basis": ask.basis,
        "inhibitor": ask.inhibitor,
        "found": _mixture(found.found, units),
        "target_share_by_volume": found.target_share,
        "drain_needed": _volume(found.exact_ml, units),
        "passes": [
            {
                "number": number,
                "drained": _volume(one.drained_ml, units),
                "share_by_volume": one.volume_share,
                "share_by_mass": one.mass_share,
            }
            for number, one in enumerate(found.passes, start=1)
        ],
        "poured": _volume(found.poured_ml, units),
        "result": None if found.result is None else _mixture(found.result, units),
        "fill": _fill(found, units),
        "notices": shown_notices(found.notices),
        "working": [step for case, steps in found.working for step in shown_steps(steps, units, case)],
    }


def _mixture(state: MixState, units: UnitSystem) -> dict[str, Any]:
    return {
        "share_by_volume": state.volume_share,
        "share_by_mass": state.mass_share,
        "freezing": None if state.freezing is None else _freezing(state.freezing, units),
    }


def _freezing(freezing: FreezingPoint, units: UnitSystem) -> dict[str, Any]:
    return {
        "freezing_point": shown_quantity(freezing.freezing_c, Dimension.TEMPERATURE, units),
        "tables": [
            {
                "table": one.table,
                "basis": one.basis,
                "share": one.share,
                "freezing_point": shown_quantity(one.freezing_c, Dimension.TEMPERATURE, units),
            }
            for one in (freezing.figure, *freezing.others)
        ],
        "spread_k": round(freezing.spread_k, 3),
        "guard_k": round(freezing.guard_k, 3),
        "protected_to": shown_quantity(freezing.protected_to_c, Dimension.TEMPERATURE, units),
    }


def _fill(found: MixFound, units: UnitSystem) -> dict[str, Any] | None:
    if found.system_ml is None or found.glycol_ml is None:
        return None
    code = unit_code(units, Dimension.VOLUME)
    (glycol, water), system = shown_parts((found.glycol_ml, found.system_ml - found.glycol_ml), code)
    return {
        "system": {"value": system, "unit": code},
        "glycol": {"value": glycol, "unit": code},
        "water": {"value": water, "unit": code},
    }


def _volume(canonical_ml: float | None, units: UnitSystem) -> dict[str, Any] | None:
    return None if canonical_ml is None else shown_quantity(canonical_ml, Dimension.VOLUME, units)


def _ml(volume: Volume | None) -> int | None:
    return None if volume is None else volume.canonical()
