"""Component exchanges in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Key, Request
from api.schemas.entries import Entry, withdrawal
from api.schemas.meter_figures import MeterFigure, ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day, Instant, ShownInstant
from api.schemas.vehicles import Name
from api.services.exchanges import Exchange, NewExchange
from domain.sheet import Meter

Remark = Annotated[str, Field(max_length=2000, pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$")]
"""Free text of up to 2,000 characters; may hold line breaks."""

_COMPARTMENT = "Code of the compartment, in the vehicle's spec sheet, whose component was exchanged."
_SERIAL = "Serial number of the component put in."


class ExchangeGiven(Request):
    """A component exchanged for another; the services of its compartment start anew."""

    compartment: Annotated[Key, Field(description=_COMPARTMENT)]
    exchanged_at: Annotated[Instant, Field(description="When.")]
    serial_number: Annotated[Name | None, Field(description=_SERIAL)] = None
    figures: Annotated[
        list[MeterFigure], Field(max_length=len(Meter), description="What the meters' dials showed then.")
    ] = []  # noqa: RUF012 - pydantic copies it
    note: Annotated[Remark | None, Field(description="Free text.")] = None

    def value(self) -> NewExchange:
        """The exchange as services take it."""
        return NewExchange(
            self.compartment,
            self.exchanged_at,
            self.serial_number,
            tuple((figure.meter, figure.given()) for figure in self.figures),
            self.note,
        )


class FigureNoted(Answer):
    """A meter's figure as noted with an entry."""

    meter: Annotated[Meter, Field(description="Which meter of the vehicle.")]
    life_to_date: Annotated[ShownFigure, Field(description="Over all meters, as rules count.")]


class ComponentExchange(Entry):
    """A component exchange."""

    compartment: Annotated[str, Field(description=_COMPARTMENT)]
    exchanged_at: Annotated[ShownInstant, Field(description="When.")]
    exchanged_on: Annotated[Day, Field(description="The day, in the depot's time zone.")]
    serial_number: Annotated[str | None, Field(description=_SERIAL)]
    figures: Annotated[list[FigureNoted], Field(description="Figures noted then.")]
    note: Annotated[str | None, Field(description="Free text.")]


class ComponentExchangeList(Answer):
    """A page of component exchanges, in the order in which they were recorded."""

    component_exchanges: Annotated[list[ComponentExchange], Field(description="The entries.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


def shown_exchange(found: Exchange, units: UnitSystem) -> ComponentExchange:
    """A component exchange, in a system's units."""
    return ComponentExchange(
        id=found.key,
        compartment=found.compartment,
        exchanged_at=found.exchanged_at_us,
        exchanged_on=found.exchanged_on,
        serial_number=found.serial_number,
        figures=[
            FigureNoted(meter=meter, life_to_date=shown_figure(meter, life, units))
            for meter, life in found.figures.items()
        ],
        note=found.note,
        recorded_at=found.recorded_at_us,
        withdrawal=withdrawal(found.withdrawn_at_us, found.withdrawn_reason),
    )
