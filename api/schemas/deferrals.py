"""Deferrals in requests and answers."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.entries import Entry, Reason, withdrawal
from api.schemas.figures import AnyFigure, given
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day
from api.services.deferrals import Deferral, NewDeferral, NewLimit
from domain.sheet import Limb, Meter

_SERVICE = "Code of the service, in the vehicle's spec sheet."
_AUTHORITY = "Who granted it: a person's role, a body, or a rule."
_GRANTED = "Day on which it was granted, in the depot's time zone."
_LIMITS = "New limits, at most one a limb; the first that is reached ends the deferral."


class DeferralLimit(Request):
    """A new limit: a day on the calendar, or a figure of a meter."""

    limb: Annotated[Choice[Limb], Field(description="What the limit runs in: the calendar or a meter.")]
    on: Annotated[Day | None, Field(description="Last day, on the calendar.")] = None
    figure: Annotated[
        AnyFigure | None, Field(description="Figure that the dial fitted now will show, on a meter.")
    ] = None


class DeferralGiven(Request):
    """A service put off."""

    service: Annotated[Key, Field(description=_SERVICE)]
    authority: Annotated[Text, Field(description=_AUTHORITY)]
    reason: Annotated[Reason, Field(description="Why, in a sentence.")]
    granted_on: Annotated[Day, Field(description=_GRANTED)]
    limits: Annotated[list[DeferralLimit], Field(min_length=1, max_length=len(Limb), description=_LIMITS)]

    def value(self) -> NewDeferral:
        """The deferral as services take it."""
        return NewDeferral(
            self.service,
            self.authority,
            self.reason,
            self.granted_on,
            tuple(
                NewLimit(limit.limb, limit.on, None if limit.figure is None else given(limit.figure))
                for limit in self.limits
            ),
        )


class ShownLimit(Answer):
    """A limit of a deferral."""

    limb: Annotated[Limb, Field(description="What the limit runs in.")]
    on: Annotated[Day | None, Field(description="Last day, on the calendar; null on a meter.")]
    figure: Annotated[ShownFigure | None, Field(description="On the dial fitted now; null on the calendar.")]
    life_to_date: Annotated[
        ShownFigure | None, Field(description="Over all meters, as rules count; null on the calendar.")
    ]


class ShownDeferral(Entry):
    """A deferral."""

    service: Annotated[str, Field(description=_SERVICE)]
    authority: Annotated[str, Field(description=_AUTHORITY)]
    reason: Annotated[str, Field(description="Why.")]
    granted_on: Annotated[Day, Field(description=_GRANTED)]
    limits: Annotated[list[ShownLimit], Field(description=_LIMITS)]


class DeferralList(Answer):
    """A page of deferrals, in the order in which they were recorded."""

    deferrals: Annotated[list[ShownDeferral], Field(description="The entries.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


def shown_deferral(found: Deferral, units: UnitSystem) -> ShownDeferral:
    """A deferral, in a system's units."""
    return ShownDeferral(
        id=found.key,
        service=found.service,
        authority=found.authority,
        reason=found.reason,
        granted_on=found.granted_on,
        limits=[_limit(found, limb, units) for limb in found.limits],
        recorded_at=found.recorded_at_us,
        withdrawal=withdrawal(found.withdrawn_at_us, found.withdrawn_reason),
    )


def _limit(found: Deferral, limb: Limb, units: UnitSystem) -> ShownLimit:
    limit = found.limits[limb]
    if limb is Limb.CALENDAR:
        return ShownLimit(limb=limb, on=date.fromordinal(limit), figure=None, life_to_date=None)
    meter, offset = Meter(limb.value), found.offsets.get(limb)
    return ShownLimit(
        limb=limb,
        on=None,
        figure=None if offset is None else shown_figure(meter, limit - offset, units),
        life_to_date=shown_figure(meter, limit, units),
    )
