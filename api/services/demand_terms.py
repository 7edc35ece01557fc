"""The words that demand is asked for and answered in; light, since routes and schemas take them at every start."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from domain.calendar import add_months

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    Real = NDArray[np.float64]

SHARES = (0.05, 0.5, 0.9, 0.95)
"""Shares that quantiles are given at."""

MOST_MONTHS = 36

LABOUR = ""


class Kind(StrEnum):
    """What demand is for."""

    FLUID = "fluid"
    PART = "part"
    LABOUR = "labour"


class Source(StrEnum):
    """What asks for an item."""

    SERVICES = "services"
    TOP_UPS = "top_ups"


class By(StrEnum):
    """How a time is divided."""

    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Span:
    """A time ahead, in periods.

    Attributes:
        first_on: Its first day.
        bounds: The first day of each period, and the day after the last one.
    """

    first_on: date
    bounds: tuple[date, ...]

    @property
    def days(self) -> Real:
        """The bounds counted from the first day [d]."""
        return np.array([(day - self.first_on).days for day in self.bounds], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class DemandAsk:
    """What demand is asked for.

    Attributes:
        span: Over which time.
        by: How it is divided.
        depot_key: Only this depot.
        spec_sheet_key: Only this type.
    """

    span: Span
    by: By = By.MONTH
    depot_key: int | None = None
    spec_sheet_key: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ItemDemand:
    """Demand for one item; the last depot stands for all, the last period for the whole time.

    Attributes:
        source: What asks for it.
        code: Code of the fluid requirement, number of the part, or ``LABOUR``.
        low: Least expected of a fluid, shape (depots + 1, periods + 1) [mL]; equal to ``mean`` of others.
        mean: Expected [mL, pieces or s].
        margin: Expected to have at hand beyond [mL]; 0 of others.
        quantiles: At ``SHARES``, shape (depots + 1, periods + 1, shares).
        is_common_practice: Whether any of it rests on common practice and not on the sheets' data.
    """

    source: Source
    code: str
    low: Real
    mean: Real
    margin: Real
    quantiles: Real
    is_common_practice: bool = False


@dataclass(frozen=True, slots=True)
class RisingTopUps:
    """Top-ups of a compartment that have become more often than chance explains.

    Attributes:
        vehicle_key: The vehicle.
        unit: Its unit number.
        compartment: Code of the compartment.
        fluid_requirement: Code of the requirement that its fluid meets.
        recent: How many in the recent time.
        recent_days: How long that is [d].
        before: How many in the time before.
        before_days: How long that is [d].
        chance: Chance of so many or more of them in the recent time, if the rate did not change.
    """

    vehicle_key: int
    unit: str
    compartment: str
    fluid_requirement: str
    recent: int
    recent_days: int
    before: int
    before_days: int
    chance: float

    def with_unit(self, unit: str) -> RisingTopUps:
        """The same with a unit number."""
        return replace(self, unit=unit)


def span_of(first_on: date, months: int, by: By) -> Span:
    """So many months from a day on, in weeks or months; the last week ends with the months.

    Args:
        first_on: The first day.
        months: How many months, 1 to ``MOST_MONTHS``.
        by: How they are divided.
    """
    ends = add_months(first_on, months)
    if by is By.MONTH:
        return Span(first_on, tuple(add_months(first_on, month) for month in range(months + 1)))
    days = range(first_on.toordinal(), ends.toordinal(), 7)
    return Span(first_on, (*(type(first_on).fromordinal(day) for day in days), ends))
