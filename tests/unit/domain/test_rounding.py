from __future__ import annotations

import pytest

from domain.rounding import ShownWhole, Whole, shown_nested, shown_parts, shown_range


def test_litres_split_over_three_vehicles_in_rounded_quarts() -> None:
    """Worked by hand: 4 L each; 4 / 0.946352946 = 4.22675 qt, and 12 L are 12.68026 qt.

    Rounded one by one they read 4.23 + 4.23 + 4.23 = 12.69 against a total of 12.68, so one gives way: all
    have the same remainder, and the first two in order get the last places.
    """
    assert shown_parts([4_000, 4_000, 4_000], "qt_us") == ((4.23, 4.23, 4.22), 12.68)


def test_the_missing_places_go_to_the_largest_remainders() -> None:
    """Worked by hand: 4.75510, 2.11338 and 1.05669 qt; 7.5 L are 7.92516 qt, shown 7.93.

    Rounded down they make 7.91; two places are missing, for the remainders 0.669 (third) and 0.510 (first).
    """
    assert shown_parts([4_500, 2_000, 1_000], "qt_us") == ((4.76, 2.11, 1.06), 7.93)


def test_a_unit_without_rounding_shows_the_parts_as_they_are() -> None:
    """Whole millilitres need no rounding in litres or millilitres."""
    assert shown_parts([1, 2, 3], "L") == ((0.001, 0.002, 0.003), 0.006)
    assert shown_parts([4_250, 1], "mL") == ((4_250.0, 1.0), 4_251.0)


@pytest.mark.parametrize(
    ("metres", "parts_km", "total_km"),
    [
        ([], (), 0.0),
        ([0], (0.0,), 0.0),
        ([50], (0.1,), 0.1),
        ([49], (0.0,), 0.0),
        ([50, 50], (0.1, 0.0), 0.1),
        ([30, 60, 60], (0.0, 0.1, 0.1), 0.2),
        ([-50], (-0.1,), -0.1),
        ([-30, -30], (0.0, -0.1), -0.1),
    ],
)
def test_halves_go_away_from_zero_and_equal_remainders_in_order(
    metres: list[int], parts_km: tuple[float, ...], total_km: float
) -> None:
    """Worked by hand, metres shown in tenths of a kilometre."""
    assert shown_parts(metres, "km") == (parts_km, total_km)


def test_nested_totals_add_up_at_each_level() -> None:
    """Worked by hand in kilometres: 40 + 40 | 40 metres; 120 m -> 0.1, 80 m -> 0.1 of it, 40 m -> 0.0."""
    whole = Whole(parts=(Whole(parts=(Whole(40), Whole(40))), Whole(40)))
    leaf = ShownWhole(0.0, ())
    assert shown_nested(whole, "km") == ShownWhole(
        0.1, (ShownWhole(0.1, (ShownWhole(0.1, ()), ShownWhole(0.0, ()))), leaf)
    )


def test_the_value_of_a_whole_with_parts_is_their_sum() -> None:
    """What is stated beside the parts can't contradict them."""
    assert shown_nested(Whole(999, (Whole(100), Whole(200))), "km").value == 0.3
    assert shown_nested(Whole(100), "km") == ShownWhole(0.1, ())


def test_a_low_end_never_stands_above_its_high_end() -> None:
    """Worked by hand: 45 and 44 m, together 89 m, read 0.1 + 0.0 = 0.1 km.

    The high ends 45 and 100 m, together 145 m, would read 0.0 + 0.1 = 0.1 km by themselves: the first part
    would fall from 0.1 to 0.0. Its width is 0, so it stays, and the widths (0 and 56 m) share out 0.1 - 0.1.
    """
    low, high = shown_range(Whole(parts=(Whole(45), Whole(44))), Whole(parts=(Whole(45), Whole(100))), "km")
    assert [low.value, *(part.value for part in low.parts)] == [0.1, 0.1, 0.0]
    assert [high.value, *(part.value for part in high.parts)] == [0.1, 0.1, 0.0]
