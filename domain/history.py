"""What has happened to one vehicle: origin, work done, components exchanged, duty, deferrals, meters.

Values only; ``domain.anchors`` and ``domain.due`` draw the conclusions.
"""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003 - stored due points are decoded by these annotations
from dataclasses import dataclass, field, replace
from datetime import date  # noqa: TC003 - stored due points are decoded by these annotations
from typing import TYPE_CHECKING

from domain.sheet import Limb  # noqa: TC001 - stored due points are decoded by these annotations

if TYPE_CHECKING:
    from domain.duty import DutyEntry
    from domain.meters import MeterSegment, Timeline
    from domain.sheet import Meter


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a vehicle's clocks begin.

    Attributes:
        in_service_on: Day on which it was first put to use; its meters count from 0 life-to-date.
        is_known_from_new: False for a vehicle bought used: what was done before is unknown unless entered.
    """

    in_service_on: date
    is_known_from_new: bool


@dataclass(frozen=True, slots=True)
class WorkDone:
    """One visit's work.

    Attributes:
        key: Identifies the entry.
        at_us: When it was done [us UTC].
        on: The day in the depot's time zone.
        figures: Life-to-date figures noted then, a meter [canonical units].
        completed: Codes of the services that were really done as a whole, included ones too.
        restored: Share of a used-up interval that was restored, a service; 1 where not named.
        is_from_papers: Entered from earlier paperwork.
    """

    key: int
    at_us: int
    on: date
    figures: Mapping[Meter, int]
    completed: frozenset[str]
    restored: Mapping[str, float] = field(default_factory=dict)
    is_from_papers: bool = False


@dataclass(frozen=True, slots=True)
class ComponentExchange:
    """A component exchanged for another: the services of its compartment start anew.

    Attributes:
        key: Identifies the entry.
        at_us: When [us UTC].
        on: The day in the depot's time zone.
        compartment: Code of the compartment.
        figures: Life-to-date figures noted then, a meter [canonical units].
    """

    key: int
    at_us: int
    on: date
    compartment: str
    figures: Mapping[Meter, int]


@dataclass(frozen=True, slots=True)
class Deferral:
    """A service put off by someone with the authority to do so, until the first of its new limits.

    Attributes:
        key: Identifies the entry.
        service: Code of the service.
        on: Day on which it was granted.
        limits: New limit, a limb: a day ordinal on the calendar, life-to-date on a meter [canonical units].
        authority: Who granted it.
        reason: Why.
    """

    key: int
    service: str
    on: date
    limits: Mapping[Limb, int]
    authority: str
    reason: str


@dataclass(frozen=True, slots=True)
class VehicleHistory:
    """All that due evaluation takes from one vehicle's past.

    Attributes:
        origin: Where its clocks begin.
        timelines: The course of each meter that has readings.
        segments: Its physical meters.
        work: Work done, in any order.
        exchanges: Components exchanged, in any order.
        duty: Duty entries, in any order.
        deferrals: Deferrals, in any order.
        model_year: For the limits of rules.
        engine: For the limits of rules.
        serial: For the limits of rules.
    """

    origin: Origin
    timelines: Mapping[Meter, Timeline] = field(default_factory=dict)
    segments: tuple[MeterSegment, ...] = ()
    work: tuple[WorkDone, ...] = ()
    exchanges: tuple[ComponentExchange, ...] = ()
    duty: tuple[DutyEntry, ...] = ()
    deferrals: tuple[Deferral, ...] = ()
    model_year: int | None = None
    engine: str | None = None
    serial: str | None = None

    def until(self, on: date, at_us: int) -> VehicleHistory:
        """What had happened by the end of a day.

        Args:
            on: The day, in the depot's time zone.
            at_us: The last instant of that day [us UTC].
        """
        return replace(
            self,
            timelines={meter: line.until(at_us) for meter, line in self.timelines.items()},
            work=tuple(w for w in self.work if w.on <= on),
            exchanges=tuple(e for e in self.exchanges if e.on <= on),
            duty=tuple(d for d in self.duty if d.from_on <= on),
            deferrals=tuple(d for d in self.deferrals if d.on <= on),
        )
