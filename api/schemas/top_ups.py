"""Top-ups in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request
from api.schemas.entries import Entry, withdrawal
from api.schemas.exchanges import FigureNoted, Remark
from api.schemas.meter_figures import MeterFigure, shown_figure
from api.schemas.quantities import ShownVolume, UnitSystem, Volume, shown_quantity
from api.schemas.times import Day, Instant, ShownInstant
from api.services.top_ups import NewTopUp, StoredTopUp, TopUpReason
from domain.sheet import Meter
from domain.units import Dimension

_COMPARTMENT = "Code of the compartment, in the vehicle's spec sheet."


class TopUpGiven(Request):
    """Fluid filled into a compartment between services; it resets no service."""

    compartment: Annotated[Key, Field(description=_COMPARTMENT)]
    volume: Annotated[Volume, Field(description="What was filled in.")]
    topped_up_at: Annotated[Instant, Field(description="When.")]
    reason: Annotated[
        Choice[TopUpReason], Field(description="Whether a level was low, or a repair had let fluid out.")
    ] = TopUpReason.LEVEL_LOW
    figures: Annotated[
        list[MeterFigure], Field(max_length=len(Meter), description="What the meters' dials showed then.")
    ] = []  # noqa: RUF012 - pydantic copies it
    note: Annotated[Remark | None, Field(description="Free text.")] = None

    def value(self) -> NewTopUp:
        """The top-up as services take it."""
        return NewTopUp(
            self.compartment,
            self.volume.canonical(),
            self.reason,
            self.topped_up_at,
            tuple((figure.meter, figure.given()) for figure in self.figures),
            self.note,
        )


class TopUp(Entry):
    """A top-up."""

    compartment: Annotated[str, Field(description=_COMPARTMENT)]
    fluid_requirement: Annotated[str, Field(description="Code of the requirement that its fluid meets.")]
    volume: Annotated[ShownVolume, Field(description="What was filled in.")]
    reason: Annotated[TopUpReason, Field(description="Why.")]
    topped_up_at: Annotated[ShownInstant, Field(description="When.")]
    topped_up_on: Annotated[Day, Field(description="The day, in the depot's time zone.")]
    figures: Annotated[list[FigureNoted], Field(description="Figures noted then.")]
    note: Annotated[str | None, Field(description="Free text.")]


class TopUpList(Answer):
    """A page of top-ups, in the order in which they were recorded."""

    top_ups: Annotated[list[TopUp], Field(description="The entries.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


def shown_top_up(found: StoredTopUp, units: UnitSystem) -> TopUp:
    """A top-up, in a system's units."""
    return TopUp(
        id=found.key,
        compartment=found.compartment,
        fluid_requirement=found.fluid_requirement,
        volume=ShownVolume.model_validate(shown_quantity(found.volume_ml, Dimension.VOLUME, units)),
        reason=found.reason,
        topped_up_at=found.topped_up_at_us,
        topped_up_on=found.topped_up_on,
        figures=[
            FigureNoted(meter=meter, life_to_date=shown_figure(meter, life, units))
            for meter, life in found.figures.items()
        ],
        note=found.note,
        recorded_at=found.recorded_at_us,
        withdrawal=withdrawal(found.withdrawn_at_us, found.withdrawn_reason),
    )
