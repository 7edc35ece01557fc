"""Whether work was in time, by hand: against the due point just before the visit, limb by limb."""

from __future__ import annotations

from datetime import date

from domain.history import Deferral
from domain.on_time import LimbTiming, timings
from domain.sheet import IntervalRule, Limb
from tests.unit.domain.due_cases import every, km, line, service_of, sheet_of, vehicle, work

ROAD = line(("2024-01-01", 0), ("2026-01-01", 36_500))
SHEET = sheet_of(service_of(IntervalRule(every(10_000, 12))))
FIRST = work("2024-06-01", 9_000, key=1)


def test_late_by_distance_and_in_time_by_the_calendar() -> None:
    """Due at 19,000 km or on 1 June 2025; done at 19,400 km on 1 March: 400 km late, no day."""
    late = work("2025-03-01", 19_400, key=2)
    after = work("2025-12-01", 25_000, key=3)
    (found,) = timings(SHEET, vehicle(FIRST, late, after, odometer=ROAD), late)
    assert (found.is_on_time, found.is_deferred) == (False, False)
    assert found.limbs == (
        LimbTiming(Limb.ODOMETER, km(19_000), km(19_400), km(400)),
        LimbTiming(Limb.CALENDAR, date(2025, 6, 1).toordinal(), date(2025, 3, 1).toordinal(), 0),
    )


def test_a_tolerance_excuses_and_is_still_told() -> None:
    sheet = sheet_of(service_of(IntervalRule(every(10_000), tolerance=every(500))))
    done = work("2025-03-01", 19_400, key=2)
    (found,) = timings(sheet, vehicle(FIRST, done, odometer=ROAD), done)
    assert (found.is_on_time, found.limbs[0].late_by) == (True, km(400))


def test_a_deferral_in_force_excuses() -> None:
    done = work("2025-03-01", 19_400, key=2)
    put_off = Deferral(1, "oil", date(2025, 2, 1), {Limb.ODOMETER: km(19_500)}, "manager", "no bay")
    (found,) = timings(SHEET, vehicle(FIRST, done, odometer=ROAD, deferrals=(put_off,)), done)
    assert (found.is_on_time, found.is_deferred, found.limbs[0].late_by) == (True, True, km(400))


def test_without_a_noted_figure_the_readings_tell_it() -> None:
    done = work("2025-01-01", None, key=2)
    (found,) = timings(SHEET, vehicle(FIRST, done, odometer=ROAD), done)
    assert found.is_on_time
    assert found.limbs[0].done == 36_500_000 * 366 // 731


def test_what_had_no_due_point_is_not_judged() -> None:
    done = work("2025-01-01", 17_000, key=2)
    (unknown,) = timings(SHEET, vehicle(done, odometer=ROAD, is_known=False), done)
    assert (unknown.is_on_time, unknown.limbs) == (None, ())
    unmetered = work("2025-01-01", None, key=2)
    (partly,) = timings(SHEET, vehicle(FIRST, unmetered), unmetered)
    assert (partly.is_on_time, [one.limb for one in partly.limbs]) == (None, [Limb.CALENDAR])
