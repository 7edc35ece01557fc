"""Readings that wait for a person, and decisions on them, in requests and answers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Request, Text
from api.schemas.entries import Reason
from api.schemas.meter_figures import ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.readings import StoredStatus
from api.schemas.times import ShownInstant, instant_text
from api.services.feed.batch import WHY_TEXT
from api.services.feed.reviews import Decided, ReadingVerdict, Reviewed, Ruling
from domain.sheet import Meter

READING_NAME = r"^(w[1-9][0-9]{0,9}|[1-9][0-9]{0,9}\.[1-6]\.[0-9]{1,18}\.[1-9][0-9]{0,9}\.[0-9]{1,18})$"
"""What a reading's name looks like; clients take it from lists and do not take it apart."""


class Decision(StrEnum):
    """What a person decides on a reading."""

    RELEASED = "released"
    DISCARDED = "discarded"
    CONVERTED = "converted"
    REOPENED = "reopened"


class DecisionGiven(Request):
    """A person's decision on one reading."""

    decision: Annotated[
        Choice[Decision],
        Field(
            description=(
                "released: it holds, and what contradicts it does not. discarded: it does not hold. converted: it"
                " holds with `meant_figure`, the figure in the other unit. reopened: its neighbours decide again."
            )
        ),
    ]
    decided_by: Annotated[Text, Field(description="Who decides.", examples=["fleet manager"])]
    reason: Annotated[Reason, Field(description="Why, in a sentence.")]

    def ruling(self) -> Ruling:
        """The decision as services take it."""
        return Ruling(ReadingVerdict[self.decision.name], self.decided_by, self.reason)


class DecisionShown(Answer):
    """A decision as recorded."""

    decision: Annotated[Decision, Field(description="What was decided.")]
    decided_by: Annotated[str, Field(description="Who decided.")]
    reason: Annotated[str, Field(description="Why.")]
    meant_figure: Annotated[
        ShownFigure | None, Field(description="The figure in the other unit; null unless converted.")
    ]
    decided_at: Annotated[ShownInstant, Field(description="When.")]


class ReviewedReading(Answer):
    """A reading as a reviewer sees it."""

    id: Annotated[str, Field(description="Identifies the reading; leads to its decisions.")]
    unit: Annotated[
        str, Field(description="Newest unit number of its vehicle, or the number that it waits under.")
    ]
    depot: Annotated[str | None, Field(description="Depot of the vehicle; null while it waits for one.")]
    meter: Annotated[Meter, Field(description="Which meter.")]
    at: Annotated[ShownInstant, Field(description="When it was read.")]
    figure: Annotated[ShownFigure, Field(description="The figure as sent.")]
    life_to_date: Annotated[
        ShownFigure | None, Field(description="Life-to-date then; null while it waits for a vehicle.")
    ]
    source: Annotated[str, Field(description="Where it comes from.")]
    status: Annotated[StoredStatus, Field(description="How it stands now.")]
    code: Annotated[str | None, Field(description="Why it is not accepted; null where it is.")]
    detail: Annotated[str | None, Field(description="The same in a sentence.")]
    meant_figure: Annotated[
        ShownFigure | None,
        Field(description="The fix offered where miles and kilometres were mixed up; null otherwise."),
    ]
    recorded_at: Annotated[ShownInstant, Field(description="When it came in.")]


class HeldReadings(Answer):
    """A page of readings that wait for a person."""

    readings: Annotated[
        list[ReviewedReading],
        Field(description="By vehicle, meter and time; then those that wait under a unit number."),
    ]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class DecidedReading(ReviewedReading):
    """A reading with what people decided on it."""

    decisions: Annotated[
        list[DecisionShown], Field(description="In the order in which they were made; the last one holds.")
    ]


CSV_COLUMNS = (
    "id", "unit", "depot", "meter", "at", "figure", "figure_unit", "life_to_date", "source", "status", "code",
    "meant_figure", "recorded_at",
)  # fmt: skip


def shown_reviewed(found: Reviewed, units: UnitSystem) -> ReviewedReading:
    """A reading as answered."""
    return ReviewedReading(
        id=found.name,
        unit=found.unit,
        depot=found.depot,
        meter=found.meter,
        at=found.at_us,
        figure=shown_figure(found.meter, found.figure, units),
        life_to_date=None if found.life is None else shown_figure(found.meter, found.life, units),
        source=found.source,
        status=StoredStatus[found.status.name],
        code=None if found.why is None else found.why.value,
        detail=None if found.why is None else WHY_TEXT[found.why],
        meant_figure=_meant(found.meter, found.meant_figure, units),
        recorded_at=found.recorded_at_us,
    )


def shown_decided(found: Reviewed, decisions: Iterable[Decided], units: UnitSystem) -> DecidedReading:
    """A reading with its decisions as answered."""
    return DecidedReading(
        **dict(shown_reviewed(found, units)),
        decisions=[
            DecisionShown(
                decision=Decision[one.ruling.verdict.name],
                decided_by=one.ruling.decided_by,
                reason=one.ruling.why,
                meant_figure=_meant(found.meter, one.meant_figure, units),
                decided_at=one.at_us,
            )
            for one in decisions
        ],
    )


def reviewed_csv(found: Iterable[Reviewed], units: UnitSystem) -> str:
    """Readings as CSV (RFC 4180) with a line of names, in a system's units."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(CSV_COLUMNS)
    for one in found:
        figure = shown_figure(one.meter, one.figure, units)
        life = None if one.life is None else shown_figure(one.meter, one.life, units).value
        meant = _meant(one.meter, one.meant_figure, units)
        writer.writerow(
            (
                one.name,
                _plain(one.unit),
                _plain(one.depot or ""),
                one.meter.value,
                instant_text(one.at_us),
                figure.value,
                figure.unit,
                "" if life is None else life,
                _plain(one.source),
                one.status.name.lower(),
                "" if one.why is None else one.why.value,
                "" if meant is None else meant.value,
                instant_text(one.recorded_at_us),
            )
        )
    return text.getvalue()


def _plain(text: str) -> str:
    """A client's text that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


def _meant(meter: Meter, figure: int | None, units: UnitSystem) -> ShownFigure | None:
    return None if figure is None else shown_figure(meter, figure, units)
