"""A year of readings, filled in between the figures that the fixtures give.

A course names a meter's figure on some days; every day of its pattern between two of them gets a share of the
difference. Invariants: the figures that the course names stand exactly; figures never fall; the same course and day
of loading give the same readings, and all meters of a vehicle run more on the same days.
"""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from api.cli.demo.days import instant, resolved

READ_AT = "16:30"
"""When meters are read, in UTC: on the day before loading that is past in every time zone."""

_SATURDAY = 5
_WEEK = 7
# Dials show whole kilometres, miles and litres, and tenths of an hour.
_TENTHS = 10


@dataclass(frozen=True, slots=True)
class Course:
    """How one dial runs.

    Attributes:
        unit: Unit number of the vehicle.
        meter: Which meter.
        dial: Unit code that the dial shows.
        source: Where its readings come from.
        days: On which days it is read: daily, workdays, weekly, or once.
        points: Day, counted from the day of loading, and figure [tenths of the dial's unit].
    """

    unit: str
    meter: str
    dial: str
    source: str
    days: str
    points: tuple[tuple[int, int], ...]

    def last_figure(self) -> dict[str, Any]:
        """What the dial shows at the end of the course, with its unit."""
        return {"value": _shown(self.points[-1][1]), "unit": self.dial}


@dataclass(frozen=True, slots=True)
class Delivery:
    """Days whose readings of a vehicle come late or again."""

    unit: str
    first: int
    last: int
    is_again: bool

    def holds(self, unit: str, day: int) -> bool:
        """Whether it is about this reading."""
        return self.unit == unit and self.first <= day <= self.last


def sent_readings(folder: Path, today: date) -> list[dict[str, Any]]:
    """All readings of the courses in the order in which they come in.

    First each vehicle's history by day, as from the system before; then what is late; then what comes again.

    Args:
        folder: The fleet's fixtures.
        today: The day of loading, in UTC.
    """
    deliveries = [
        Delivery(row["unit"], int(row["from_day"]), int(row["through_day"]), row["how"] == "again")
        for row in _rows(folder / "deliveries.csv")
    ]
    in_time: list[tuple[int, dict[str, Any]]] = []
    late: list[tuple[int, dict[str, Any]]] = []
    again: list[dict[str, Any]] = []
    for course in courses(folder):
        for day, figure in run(course, today):
            reading = _reading(course, day, figure, today)
            held = [delivery for delivery in deliveries if delivery.holds(course.unit, day)]
            is_late = any(not delivery.is_again for delivery in held)
            (late if is_late else in_time).append((day, reading))
            again += [reading for delivery in held if delivery.is_again]
    in_time.sort(key=lambda pair: (pair[1]["unit"], pair[0]))
    return [reading for _, reading in (*in_time, *late)] + again


def stray_readings(folder: Path, today: date) -> list[tuple[dict[str, Any], str, str]]:
    """The readings that are wrong, each with the verdict and the reason that it should get."""
    return [
        (
            {
                "unit": row["unit"],
                "meter": row["meter"],
                "at": resolved(row["at"], today),
                "figure": {"value": float(row["figure"]), "unit": row["dial"]},
                "source": row["source"],
            },
            row["verdict"],
            row["code"],
        )
        for row in _rows(folder / "strays.csv")
    ]


def courses(folder: Path) -> list[Course]:
    """The courses of a fleet's dials."""
    return [
        Course(
            row["unit"],
            row["meter"],
            row["dial"],
            row["source"],
            row["days"],
            tuple(_point(text) for text in row["course"].split()),
        )
        for row in _rows(folder / "courses.csv")
    ]


def run(course: Course, today: date) -> Iterator[tuple[int, int]]:
    """Day, counted from the day of loading, and figure [tenths] of each reading of a course.

    Args:
        course: The course.
        today: The day of loading, in UTC; weekends depend on it.
    """
    step = 1 if course.dial == "h" else _TENTHS
    yield course.points[0]
    for (start, begun), (end, ended) in pairwise(course.points):
        days = [day for day in range(start + 1, end) if _is_read(course, day, today)] + [end]
        shares = [_busyness(course.unit, day) for day in days]
        total, done = sum(shares), 0.0
        for day, share in zip(days[:-1], shares, strict=False):
            done += share
            yield day, begun + int((ended - begun) / step * done / total) * step
        yield end, ended


def _is_read(course: Course, day: int, today: date) -> bool:
    if course.days == "weekly":
        return day % _WEEK == 0
    return course.days == "daily" or (today + timedelta(days=day)).weekday() < _SATURDAY


def _busyness(unit: str, day: int) -> float:
    return random.Random(f"{unit} {day}").uniform(0.6, 1.4)  # noqa: S311 - spreads figures, guards nothing


def _reading(course: Course, day: int, tenths: int, today: date) -> dict[str, Any]:
    return {
        "unit": course.unit,
        "meter": course.meter,
        "at": instant(today, day, READ_AT),
        "figure": {"value": _shown(tenths), "unit": course.dial},
        "source": course.source,
    }


def _shown(tenths: int) -> float:
    return tenths // _TENTHS if tenths % _TENTHS == 0 else tenths / _TENTHS


def _point(text: str) -> tuple[int, int]:
    day, _, figure = text.partition(":")
    return int(day), round(float(figure) * _TENTHS)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))
