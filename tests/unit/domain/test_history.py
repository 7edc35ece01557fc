from __future__ import annotations

from dataclasses import replace
from datetime import date

from domain.duty import DutyEntry
from domain.history import ComponentExchange, Deferral
from domain.sheet import DutyCondition, Limb, Meter
from tests.unit.domain.due_cases import line, us, vehicle, work


def test_what_had_happened_by_the_end_of_a_day() -> None:
    """Facts of the day count, those of the next do not; where its clocks begin stays."""
    course = line(("2024-06-01", 100), ("2024-06-02", 200), per_day_km=50)
    history = vehicle(
        work("2024-06-01", 100),
        work("2024-06-02", 200, key=2),
        odometer=course,
        exchanges=tuple(
            ComponentExchange(key, us(day), date.fromisoformat(day), "gearbox", {})
            for key, day in enumerate(("2024-06-01", "2024-06-02"))
        ),
        duty=(
            DutyEntry(DutyCondition.DUST, 0.5, date(2024, 6, 1), date(2024, 7, 1)),
            DutyEntry(DutyCondition.TOWING, 0.5, date(2024, 6, 2)),
        ),
        deferrals=tuple(
            Deferral(key, "oil", date.fromisoformat(day), {Limb.CALENDAR: 1}, "lead", "part late")
            for key, day in enumerate(("2024-06-01", "2024-06-02"))
        ),
        model_year=2024,
    )
    end_us = us("2024-06-02", 0) - 1
    assert history.until(date(2024, 6, 1), end_us) == replace(
        history,
        timelines={Meter.ODOMETER: course.until(end_us)},
        work=history.work[:1],
        exchanges=history.exchanges[:1],
        duty=history.duty[:1],
        deferrals=history.deferrals[:1],
    )
    assert history.until(date(2024, 6, 2), us("2024-06-03", 0) - 1) == history
