"""Work done: what a visit did, and which figures noted with it accepted readings rule out."""

from __future__ import annotations

import pytest

from domain.errors import WorkError
from domain.meters import MeterSegment, Reading
from domain.sheet import Meter
from domain.work import contradicted, contradiction, knows_all, stands_between, visit_of
from tests.unit.domain.sheet_cases import SHEET

HOUR_US = 3_600_000_000
KM = 1_000


def reading(hour: int, km: float) -> Reading:
    """An odometer reading."""
    return Reading(hour * HOUR_US, round(km * KM))


ACCEPTED = (reading(24, 1_000), reading(48, 1_200))


def test_a_visit_reaches_what_its_services_include_and_does_each_task_once() -> None:
    visit = visit_of(SHEET, [("large", 0.5), ("small", 1.0)], [])
    assert [(s.code, s.is_named, s.is_completed, s.restored_share) for s in visit.services] == [
        ("small", True, True, 1.0),
        ("large", True, True, 0.5),
    ]
    assert [t.code for t in visit.tasks] == ["oil", "tyres", "axle_level"]


def test_a_shared_task_left_undone_leaves_both_services_undone() -> None:
    visit = visit_of(SHEET, [("large", 1.0)], ["oil"])
    assert [(s.code, s.is_named, s.is_completed) for s in visit.services] == [
        ("small", False, False),
        ("large", True, False),
    ]
    assert [(t.code, t.is_done) for t in visit.tasks] == [
        ("oil", False),
        ("tyres", True),
        ("axle_level", True),
    ]


@pytest.mark.parametrize(
    ("named", "undone", "breaches"),
    [
        (["wash"], [], [("/services/0/service", "service_unknown")]),
        (["small", "small"], [], [("/services/1/service", "service_repeated")]),
        (["small"], ["axle_oil"], [("/tasks_left_undone/0", "task_unknown")]),
        (["small"], ["oil", "oil"], [("/tasks_left_undone/1", "task_repeated")]),
        (["small"], ["tyres", "oil"], [("/tasks_left_undone", "nothing_done")]),
    ],
)
def test_visits_that_cannot_be(named: list[str], undone: list[str], breaches: list[tuple[str, str]]) -> None:
    with pytest.raises(WorkError) as refused:
        visit_of(SHEET, [(code, 1.0) for code in named], undone)
    assert [(b.pointer, b.rule) for b in refused.value.breaches] == breaches


def test_whether_a_sheet_knows_services() -> None:
    assert knows_all(SHEET, ["small", "axles"])
    assert not knows_all(SHEET, ["small", "wash"])


@pytest.mark.parametrize(
    ("hour", "km", "against"),
    [
        (30, 1_050, None),
        (30, 998, None),  # a coarse dial hides 2 km
        (30, 997.9, 0),
        (30, 2_082, 1),  # 6 h at 180 km/h and 2 km are possible, but it lies above the next reading
        (30, 2_082.1, 0),
        (47, 1_202, None),
        (47, 1_202.1, 1),
        (24, 1_002, None),
        (24, 1_002.1, 0),
        (23, 818, None),  # 1 h at 180 km/h and 2 km before the first reading
        (23, 817.9, 0),
        (60, 1_200, None),
        (60, 1_197.9, 1),
    ],
)
def test_a_figure_is_held_against_the_readings_beside_it(hour: int, km: float, against: int | None) -> None:
    found = contradicted(Meter.ODOMETER, reading(hour, km), reversed(ACCEPTED))
    assert found == (None if against is None else ACCEPTED[against])


def test_without_readings_nothing_contradicts() -> None:
    assert contradicted(Meter.ODOMETER, reading(30, 5), ()) is None
    assert stands_between(Meter.ODOMETER, reading(30, 5), ())


@pytest.mark.parametrize(
    ("hour", "km", "stands"),
    [(30, 1_050, True), (30, 999.9, False), (24, 1_000, False), (47, 1_201, False), (60, 1_200, True)],
)
def test_a_figure_is_a_reading_only_where_it_fits_exactly(hour: int, km: float, *, stands: bool) -> None:
    assert stands_between(Meter.ODOMETER, reading(hour, km), ACCEPTED) is stands


def test_a_contradiction_names_the_reading_as_its_dial_showed_it() -> None:
    # The dial was 900 km behind life-to-date and showed miles: (1,000 - 900) km / 1.609344 = 62.1 mi.
    segment = MeterSegment(Meter.ODOMETER, 0, None, 900 * KM, "mi")
    breach = contradiction(Meter.ODOMETER, reading(30, 900), ACCEPTED[0], [segment], pointer="/figure")
    assert (breach.pointer, breach.rule) == ("/figure", "figure_contradicts_reading")
    assert breach.detail == (
        "the figure is less than the accepted reading of 62.1 mi at 1970-01-02 00:00:00 UTC"
    )
    unknown = contradiction(Meter.ODOMETER, reading(30, 1_300), ACCEPTED[1], [], pointer="/figure")
    assert unknown.detail == "the figure is more than the accepted reading at 1970-01-03 00:00:00 UTC"
    fast = contradiction(Meter.ODOMETER, reading(30, 9_000), ACCEPTED[0], [segment], pointer="/figure")
    assert fast.detail.startswith("no meter runs that fast between the accepted reading of 62.1 mi")
