"""What due points are counted from: enough, and nothing beyond, whatever was done in whatever order."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from domain.due import due_points
from domain.retention import counted_from
from domain.sheet import Counting, IntervalRule
from tests.unit.domain.due_cases import every, line, service_of, sheet_of, vehicle, work

if TYPE_CHECKING:
    from domain.history import VehicleHistory

FIRST = date(2024, 1, 2)
SERVICES = ("oil", "belt", "filter")
VISIT = st.tuples(
    st.integers(0, 700),
    st.sets(st.sampled_from(SERVICES), min_size=1),
    st.sampled_from([1.0, 1.0, 0.6, 0.25]),
)


def past(visits: list[tuple[int, set[str], float]]) -> VehicleHistory:
    """A vehicle at 50 km a day with these visits: day, services, share restored."""
    done = [
        work(
            (FIRST + timedelta(days=day)).isoformat(),
            50 * (day + 1),
            *sorted(services),
            key=place,
            restored={} if share == 1.0 else dict.fromkeys(services, share),
        )
        for place, (day, services, share) in enumerate(visits)
    ]
    return vehicle(*done, odometer=line(("2024-01-01", 0), ("2026-01-01", 36_550)))


@settings(max_examples=40, deadline=None)
@given(st.lists(VISIT, max_size=9, unique_by=lambda visit: visit[0]), st.sampled_from(Counting))
def test_due_points_rest_on_what_is_held_and_on_each_of_it(
    visits: list[tuple[int, set[str], float]], counting: Counting
) -> None:
    """Leaving out all else moves no due point; leaving out any one of them moves some."""
    sheet = sheet_of(
        *(
            service_of(IntervalRule(every(5_000 * (place + 1), 6 * (place + 1)), counting=counting), code)
            for place, code in enumerate(SERVICES)
        )
    )
    history = past(visits)
    held = counted_from(sheet, history)
    kept = tuple(each for each in history.work if each.key in held)
    assert due_points(sheet, replace(history, work=kept)) == due_points(sheet, history)
    for one in kept:
        rest = tuple(each for each in kept if each is not one)
        assert due_points(sheet, replace(history, work=rest)) != due_points(sheet, history)
