"""Meters, each case worked by hand in its docstring."""

from __future__ import annotations

import pytest

from domain.errors import MeterError
from domain.meters import (
    DAY_US,
    METER_DIMENSION,
    PACE,
    Fix,
    MeterSegment,
    Reading,
    Timeline,
    can_follow,
    day_lasts,
    fitted_segment,
    plausible_chain,
    replaced,
    segment_at,
)
from domain.sheet import Meter
from domain.units import Dimension, to_canonical_whole
from tests.unit.domain.due_cases import km, us

ODOMETER = Meter.ODOMETER
HOUR_US = 3_600_000_000


def accepted(*points: tuple[int, float], meter: Meter = ODOMETER) -> list[tuple[int, float]]:
    """Which of these (hour, km or h) are plausible, in the order given."""
    scale = 1000 if meter is ODOMETER else 3600
    readings = [Reading(hour * HOUR_US, round(figure * scale)) for hour, figure in points]
    flags = plausible_chain(meter, readings)
    return [point for point, is_plausible in zip(points, flags, strict=True) if is_plausible]


def test_every_meter_has_a_dimension_and_a_pace() -> None:
    """A meter added to the list is added to both tables."""
    assert set(METER_DIMENSION) == set(PACE) == set(Meter)


def test_a_segment_holds_from_its_fitting_up_to_its_removal() -> None:
    """Fitted at 100, removed at 200: it holds at 100 and 199, not at 99 and 200."""
    old = MeterSegment(ODOMETER, 100, 200, 0, "km")
    new = MeterSegment(ODOMETER, 200, None, 50, "km")
    hours = MeterSegment(Meter.ENGINE_HOURS, 0, None, 0, "h")
    segments = (hours, old, new)
    found = [segment_at(segments, ODOMETER, at_us) for at_us in (99, 100, 199, 200, 10**18)]
    assert found == [None, old, old, new, new]
    assert fitted_segment(segments, ODOMETER) is new
    assert fitted_segment((hours, old), ODOMETER) is None


def test_the_second_engine_s_meter_is_replaced() -> None:
    """Its dial showed 3,650.0 h; the new one starts at 12.5 h: life-to-date is the new figure and 3,637.5 h.

    Then 100 h later the new dial shows 112.5 h, and 3,750 h life-to-date.
    """
    first = MeterSegment(Meter.SECOND_ENGINE_HOURS, 0, None, 0, "h")
    old, new = replaced(
        first, at_us=us("2024-05-01"), old_figure=3_650 * 3600, new_figure=12 * 3600 + 1800, unit="h"
    )
    assert (old.removed_at_us, new.fitted_at_us, new.removed_at_us) == (us("2024-05-01"),) * 2 + (None,)
    assert new.offset == 3_637 * 3600 + 1800
    assert 112 * 3600 + 1800 + new.offset == 3_750 * 3600
    assert (new.meter, new.unit) == (Meter.SECOND_ENGINE_HOURS, "h")


def test_a_cluster_is_changed_from_miles_to_kilometres() -> None:
    """The dial showed 62,137.1 mi, which are 99,999.969 km (1 mi is 1,609.344 m); the new one starts at 0 km.

    At 5,000.0 km on the new dial life-to-date stands at 104,999.969 km. A third dial fitted then with the true
    figure already on it has an offset of 0.
    """
    miles = MeterSegment(ODOMETER, 0, None, 0, "mi")
    old_figure = to_canonical_whole(62_137.1, "mi", Dimension.DISTANCE)
    assert old_figure == 99_999_969
    old, new = replaced(miles, at_us=us("2024-05-01"), old_figure=old_figure, new_figure=0, unit="km")
    assert (old.unit, new.unit, new.offset) == ("mi", "km", 99_999_969)
    _, third = replaced(new, at_us=us("2024-09-01"), old_figure=km(5_000), new_figure=104_999_969, unit="km")
    assert third.offset == 0


def test_a_meter_is_not_replaced_before_its_fitting_nor_after_its_removal() -> None:
    """At the very instant of its fitting neither: a segment lasts."""
    fitted = MeterSegment(ODOMETER, 100, None, 0, "km")
    for segment, at_us in ((fitted, 99), (fitted, 100), (MeterSegment(ODOMETER, 0, 50, 0, "km"), 200)):
        with pytest.raises(MeterError) as caught:
            replaced(segment, at_us=at_us, old_figure=1, new_figure=0, unit="km")
        (breach,) = caught.value.breaches
        assert (breach.pointer, breach.rule) == ("/replaced_at", "replacement_out_of_order")


@pytest.mark.parametrize(
    ("meter", "seconds", "step", "is_possible"),
    [
        # 50 m/s x 3,600 s + 2,000 m = 182,000 m in an hour.
        (ODOMETER, 3600, 182_000, True),
        (ODOMETER, 3600, 182_001, False),
        (ODOMETER, 3600, 0, True),
        (ODOMETER, 3600, -1, False),
        (ODOMETER, 0, 0, False),
        (ODOMETER, -60, 0, False),
        # One hour an hour, and one more for a dial in whole hours.
        (Meter.ENGINE_HOURS, 3600, 7_200, True),
        (Meter.ENGINE_HOURS, 3600, 7_201, False),
        # 360 L in an hour and 10 L.
        (Meter.FUEL_BURNED, 3600, 370_000, True),
        (Meter.FUEL_BURNED, 3600, 370_001, False),
    ],
)
def test_what_a_meter_can_have_shown_next(
    meter: Meter, seconds: int, step: int, *, is_possible: bool
) -> None:
    """Not backwards, not twice at once, and no faster than it runs."""
    earlier = Reading(us("2024-01-01"), 1_000_000)
    assert (
        can_follow(meter, earlier, Reading(earlier.at_us + seconds * 1_000_000, 1_000_000 + step))
        is is_possible
    )


def test_no_reading_and_one_reading() -> None:
    """Nothing is plausible of nothing; a single reading is."""
    assert plausible_chain(ODOMETER, []) == []
    assert accepted((0, 999_999)) == [(0, 999_999)]


def test_a_lone_slip_is_left_out() -> None:
    """A digit too many in the middle, and one that falls back."""
    assert accepted((0, 100), (10, 1_500), (20, 9_999), (30, 2_000)) == [(0, 100), (10, 1_500), (30, 2_000)]
    slip_back = [(0, 1_000), (5, 1_100), (10, 10), (20, 1_200)]
    assert accepted(*slip_back) == [(0, 1_000), (5, 1_100), (20, 1_200)]


def test_a_first_reading_that_was_wrong_is_outvoted_later() -> None:
    """9,000 km was a slip for 900: the two that follow make the longer chain, so it is the first that goes."""
    assert accepted((0, 9_000), (10, 1_000)) == [(10, 1_000)]
    assert accepted((0, 9_000), (10, 1_000), (20, 1_100)) == [(10, 1_000), (20, 1_100)]


def test_of_equal_chains_the_later_and_then_the_lower_holds() -> None:
    """Two at one instant cannot both be shown: the lower. Two chains of two: that which ends later."""
    assert accepted((0, 100), (10, 300), (10, 200)) == [(0, 100), (10, 200)]
    assert accepted((0, 5_000), (10, 5_100), (20, 100), (30, 200)) == [(20, 100), (30, 200)]


def test_the_order_in_which_readings_are_given_is_kept_in_the_answer() -> None:
    """Late ones first: the flags go with their readings."""
    assert accepted((30, 2_000), (20, 9_999), (0, 100), (10, 1_500)) == [(30, 2_000), (0, 100), (10, 1_500)]


def test_hours_run_no_faster_than_the_clock() -> None:
    """24 h on an hour meter in 10 h are refused; 10.2 h pass."""
    assert accepted((0, 5), (10, 29), (20, 25), meter=Meter.ENGINE_HOURS) == [(0, 5), (20, 25)]
    assert accepted((0, 5), (10, 15.2), meter=Meter.ENGINE_HOURS) == [(0, 5), (10, 15.2)]


def test_an_empty_timeline_tells_nothing() -> None:
    """Neither before nor after."""
    assert Timeline().at(0) is None
    assert Timeline(per_day=5.0).at(10**15) is None
    assert day_lasts([]) == Timeline()


def test_a_timeline_between_its_points_and_beyond() -> None:
    """1,000 m on day 1 and 2,000 m on day 11: 1,100 on day 2, cut to the metre; 50 m a day after the last."""
    course = Timeline((DAY_US, 11 * DAY_US), (1_000, 2_000), 50.0)
    assert course.at(DAY_US - 1) is None
    assert course.at(DAY_US) == Fix(1_000, is_estimated=False)
    assert course.at(2 * DAY_US) == Fix(1_100, is_estimated=False)
    assert course.at(2 * DAY_US + DAY_US // 101) == Fix(1_100, is_estimated=False)
    assert course.at(11 * DAY_US) == Fix(2_000, is_estimated=False)
    assert course.at(13 * DAY_US) == Fix(2_100, is_estimated=True)
    assert Timeline(course.at_us, course.life).at(13 * DAY_US) is None


def test_a_timeline_until_an_instant_includes_it() -> None:
    """The points up to it, at the same rate."""
    course = Timeline((DAY_US, 2 * DAY_US, 3 * DAY_US), (1, 2, 3), 1.0)
    assert course.until(2 * DAY_US) == Timeline((DAY_US, 2 * DAY_US), (1, 2), 1.0)
    assert course.until(DAY_US - 1) == Timeline((), (), 1.0)
    assert course.until(9 * DAY_US) == course


def test_only_the_last_reading_of_a_utc_day_counts() -> None:
    """23:59:59.999999 belongs to the day, midnight to the next; the order given does not matter."""
    readings = [Reading(DAY_US, 30), Reading(DAY_US - 1, 20), Reading(5, 10), Reading(2 * DAY_US + 7, 40)]
    assert day_lasts(readings) == Timeline((DAY_US - 1, DAY_US, 2 * DAY_US + 7), (20, 30, 40))
    assert day_lasts(reversed(readings)) == day_lasts(readings)


def test_a_reading_that_a_person_vouches_for_outweighs_any_number_of_others() -> None:
    """Three readings around 5,000 km agree, but the driver read 900 off the dial between them."""
    readings = [
        Reading(hour * HOUR_US, km(figure)) for hour, figure in ((0, 5_000), (1, 5_050), (2, 900), (3, 5_100))
    ]
    assert plausible_chain(ODOMETER, readings) == [True, True, False, True]
    vouched = frozenset({readings[2]})
    assert plausible_chain(ODOMETER, readings, vouched) == [False, False, True, False]


def test_between_two_vouched_readings_only_the_order_is_asked() -> None:
    """5,000 km in an hour are too fast, unless both ends were read by a person; backwards they never are."""
    slow, fast, back = (
        Reading(hour * HOUR_US, km(figure)) for hour, figure in ((0, 0), (1, 5_000), (2, 4_000))
    )
    assert plausible_chain(ODOMETER, [slow, fast], frozenset({slow})) == [True, False]
    assert plausible_chain(ODOMETER, [slow, fast], frozenset({slow, fast})) == [True, True]
    assert plausible_chain(ODOMETER, [slow, fast, back], frozenset({slow, fast, back})) == [True, False, True]
