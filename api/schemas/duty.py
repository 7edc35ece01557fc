"""Duty entries in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Request
from api.schemas.entries import Entry, withdrawal
from api.schemas.times import Day
from api.services.duty import StoredDuty
from domain.duty import DutyEntry
from domain.sheet import DutyCondition

_CONDITION = "The condition of use."
_SHARE = (
    "Share of use under it, above 0 and at most 1; conditions overlap, so shares may exceed 1 in sum [1]."
)
_FIRST = "First day, in UTC."
_LAST = "Last day, in UTC; null until further notice."


class DutyGiven(Request):
    """A condition under which a share of use falls, from one day to another."""

    condition: Annotated[Choice[DutyCondition], Field(description=_CONDITION)]
    share: Annotated[float, Field(gt=0, le=1, description=_SHARE)]
    from_on: Annotated[Day, Field(description=_FIRST)]
    through_on: Annotated[Day | None, Field(description=_LAST)] = None

    def value(self) -> DutyEntry:
        """The entry as services take it."""
        return DutyEntry(self.condition, self.share, self.from_on, self.through_on)


class DutyEnd(Request):
    """The last day of an entry."""

    through_on: Annotated[Day, Field(description="Last day, in UTC.")]


class Duty(Entry):
    """A duty entry."""

    condition: Annotated[DutyCondition, Field(description=_CONDITION)]
    share: Annotated[float, Field(description=_SHARE)]
    from_on: Annotated[Day, Field(description=_FIRST)]
    through_on: Annotated[Day | None, Field(description=_LAST)]


class DutyList(Answer):
    """A page of duty entries, in the order in which they were recorded."""

    duty: Annotated[list[Duty], Field(description="The entries.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


def shown_duty(stored: StoredDuty) -> Duty:
    """A duty entry."""
    return Duty(
        id=stored.key,
        condition=stored.entry.condition,
        share=stored.entry.share,
        from_on=stored.entry.from_on,
        through_on=stored.entry.through_on,
        recorded_at=stored.recorded_at_us,
        withdrawal=withdrawal(stored.withdrawn_at_us, stored.withdrawn_reason),
    )
