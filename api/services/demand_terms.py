"""The words that demand is asked for and answered in; light, since routes and schemas take them at every start."""

from __future__ import annotations

from dataclasses import dataclass
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
