"""Occasions of services ahead, by hand and against a day-by-day simulation."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pytest

from domain.demand import Tally, amounts_of
from domain.occasions import NO_LIMB, Course, Rules, occasions
from domain.use_law import NODES_DAYS, UseLaw, law_of
from domain.use_levels import levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]

FIRST_ON = date(2031, 5, 5)
MONTHS = np.array([0, 31, 61, 92, 123, 153, 184, 214, 245, 276, 305, 336, 366], dtype=np.float64)


def rules_of(*rows: Mapping[str, object]) -> Rules:
    """Rules of one vehicle: km, months, first km, first day, early km, is_grid, rank, containers."""

    def column(name: str, default: float) -> Real:
        return np.array([row.get(name, default) for row in rows], dtype=np.float64)

    containers = [list(row.get("within", [-1])) for row in rows]  # type: ignore[call-overload]
    return Rules(
        np.array([row.get("vehicle", 0) for row in rows], dtype=np.int64),
        np.stack([column("first_day", NO_LIMB), column("first_km", NO_LIMB) * 1000]),
        np.stack([column("months", 0), column("km", 0) * 1000]),
        np.stack([column("early_months", 0), column("early_km", 0) * 1000]),
        np.array([bool(row.get("is_grid")) for row in rows]),
        np.array([bool(row.get("is_once")) for row in rows]),
        np.array([row.get("rank", 0) for row in rows], dtype=np.int64),
        np.array(containers, dtype=np.int64),
    )


def steady(km_a_day: float, *, days: Real = MONTHS, end: float = np.inf, start_km: float = 0.0) -> Course:
    """A vehicle that runs so far each day."""
    figures = (start_km + km_a_day * days) * 1000
    return Course(FIRST_ON.toordinal(), days, figures[None, None, None, :], np.array([end]))


def periods(rules: Rules, course: Course, rule: int = 0) -> list[int]:
    """The periods that a rule's occasions fall in."""
    found = occasions(rules, course)
    return sorted(found.period[found.rule == rule].tolist())


def test_a_vehicle_that_runs_evenly_has_so_many_changes_in_a_year() -> None:
    # 100 km a day, first due in 3,000 km, then every 10,000: days 30, 130, 230 and 330.
    rules = rules_of({"km": 10_000, "first_km": 3_000})
    assert periods(rules, steady(100)) == [0, 4, 7, 10]


def test_whichever_comes_first_brings_it_about_and_both_count_again() -> None:
    # Every 20,000 km or 6 months, last done at 0 km on the first day: at 50 km a day the calendar is first, on
    # 5 November; then on 5 May, which is the day after the year.
    rules = rules_of({"km": 20_000, "first_km": 20_000, "months": 6, "first_day": 184})
    assert periods(rules, steady(50)) == [6]
    # At 150 km a day distance is: day 134 (period 4), day 267 (period 8).
    assert periods(rules, steady(150)) == [4, 8]


def test_what_is_overdue_is_done_on_the_first_day_and_counts_from_there() -> None:
    rules = rules_of({"km": 10_000, "first_km": -2_000}, {"months": 3, "first_day": -40})
    assert periods(rules, steady(50), 0) == [0, 6]  # day 200
    assert periods(rules, steady(50), 1) == [0, 3, 6, 9]


def test_a_service_within_another_is_done_with_it() -> None:
    # Oil every 10,000 km, the large service every 20,000 does it too: of 36,600 km at 10, 20 and 30 thousand.
    large = {"km": 20_000, "first_km": 20_000}
    oil = {"km": 10_000, "first_km": 10_000, "rank": 1, "within": [0]}
    rules = rules_of({**large, "within": [-1]}, oil)
    assert periods(rules, steady(100), 0) == [6]
    assert periods(rules, steady(100), 1) == [3, 9]
    # Done 8,000 km early by the large service, the oil counts from there.
    shifted = rules_of({"km": 20_000, "first_km": 2_000, "within": [-1]}, oil)
    assert periods(shifted, steady(100), 0) == [0, 7]
    assert periods(shifted, steady(100), 1) == [3, 10]


def test_set_points_skip_a_column_that_is_settled_early_and_keep_to_the_grid() -> None:
    # Columns at 10, 20, 30 thousand, overdue at 19,500 km: with 1,000 km early that settles 20,000 too.
    grid = {"km": 10_000, "first_km": 10_000, "is_grid": True}
    assert periods(rules_of({**grid, "early_km": 1_000}), steady(100, start_km=19.5e3)) == [0, 3, 6, 10]
    # Days 0, 5, 105, 205 and 305: without the window 20,000 km is a column of its own.
    assert periods(rules_of(grid), steady(100, start_km=19.5e3)) == [0, 0, 3, 6, 10]


def test_set_points_on_the_calendar_are_counted_from_the_first() -> None:
    # 31 August, then the ends of February and of August (not the 29th of it, as months chained would have).
    first = (date(2031, 8, 31) - FIRST_ON).days
    rules = rules_of({"months": 3, "first_day": first, "is_grid": True})
    assert periods(rules, steady(10)) == [3, 6, 9]


def test_a_service_of_one_time_and_a_vehicle_that_leaves() -> None:
    assert periods(rules_of({"km": 1_000, "first_km": 500, "is_once": True}), steady(100)) == [0]
    # It leaves after day 199: the changes on days 230 and 330 are not made any more.
    assert periods(rules_of({"km": 10_000, "first_km": 3_000}), steady(100, end=200)) == [0, 4]


def test_a_service_is_done_at_most_once_a_day() -> None:
    assert len(periods(rules_of({"km": 1, "first_km": 0}), steady(100))) == 366


def test_a_vehicle_that_stands_still_has_its_calendar_alone() -> None:
    rules = rules_of(
        {"km": 10_000, "first_km": 3_000, "months": 6, "first_day": 10}, {"km": 5_000, "first_km": 1}
    )
    assert periods(rules, steady(0), 0) == [0, 6]
    assert periods(rules, steady(0), 1) == []


# A vehicle with an oil service by distance or time, a large service that does it too, and one by time alone.
CASE = (
    {"km": 30_000, "first_km": 12_000, "months": 18, "first_day": 300, "within": [-1]},
    {"km": 9_000, "first_km": 4_000, "months": 7, "first_day": 60, "rank": 1, "within": [0]},
    {"km": 45_000, "first_km": 21_000, "within": [-1]},
)
LITRES = ((0, 7_500), (0, 5_700), (1, 4_100))  # item and mL of each service
_SIMULATED = 10_000


def law_for(km_a_day: float) -> UseLaw:
    """A vehicle whose use is known to about a third."""
    mean = km_a_day * 1000 * np.array([NODES_DAYS])
    return law_of(mean, (0.3 * mean) ** 2)


def course_of(km_a_day: float, count: int, place: int) -> Course:
    """The vehicle of a place in its fleet, on so many levels."""
    looked = levels(count)
    figures = looked.use(*law_for(km_a_day).gamma(MONTHS[None]), looked.sets_of(np.array([place])))
    return Course(FIRST_ON.toordinal(), MONTHS, figures[None], np.array([np.inf]))


def daily_paths(km_a_day: float) -> Real:
    """What the meter shows each day on many levels, the exact quantiles of a thousand and those between them."""
    coarse = (np.arange(1_000) + 0.5) / 1_000
    exact = law_for(km_a_day).path(coarse, MONTHS)[0]
    shares = (np.arange(_SIMULATED) + 0.5) / _SIMULATED
    between = np.stack([np.interp(shares, coarse, exact[:, p]) for p in range(13)], axis=1)
    days = np.arange(367.0)
    at = np.minimum(np.searchsorted(MONTHS, days, side="right") - 1, 11)
    part = (days - MONTHS[at]) / (MONTHS[at + 1] - MONTHS[at])
    found: Real = between[:, at] + (between[:, at + 1] - between[:, at]) * part
    return found


def simulated_ml(paths: Real, item: int) -> Real:
    """What each path asks for of an item, day by day, by nothing but the rules in words."""
    runs = len(paths)
    asked = np.zeros(runs)
    due_m = np.array([[row["first_km"] * 1000.0] * runs for row in CASE])  # type: ignore[operator]
    due_on = np.array([[row.get("first_day", 10**6)] * runs for row in CASE], dtype=np.float64)
    for day in range(366):
        is_due = (paths[:, day] >= due_m) | (day >= due_on)
        is_due[1] &= ~is_due[0]  # the large service does it too
        for place in (0, 1, 2):
            which, much = LITRES[place]
            if which == item:
                asked += is_due[place] * much
            for also in (place, 1) if place == 0 else (place,):
                row = CASE[also]
                due_m[also] = np.where(is_due[place], paths[:, day] + row["km"] * 1000.0, due_m[also])  # type: ignore[operator]
                if "months" in row:
                    ends = _months_on(day, int(row["months"]))  # type: ignore[call-overload]
                    due_on[also] = np.where(is_due[place], ends, due_on[also])
    return asked


def _months_on(day: int, months: int) -> int:
    begins = date.fromordinal(FIRST_ON.toordinal() + day)
    index = begins.month - 1 + months
    month = date(begins.year + index // 12, index % 12 + 1, 1)
    following = date(month.year + month.month // 12, month.month % 12 + 1, 1)
    ends = min(begins.day, (following - month).days)
    return month.toordinal() + ends - 1 - FIRST_ON.toordinal()


def tallied(use: Sequence[float], count: int, *, is_few: bool) -> Tally:
    """The demand of vehicles with these uses [km a day]."""
    amounts = amounts_of([[one] for one in LITRES], 2)
    tally = Tally(amounts, depots=1, periods=12, levels=count, is_few=np.full((2, 2), is_few))
    rules = rules_of(*CASE)
    for place, one in enumerate(use):
        course = course_of(one, count, place)
        tally.add(np.array([0]), rules.vehicle, np.arange(3), occasions(rules, course))
    return tally


@pytest.mark.parametrize(
    ("use", "count", "is_few"),
    [((90.0,), 256, True), ((40.0, 120.0, 200.0), 256, True), ((60.0, 80.0, 140.0, 95.0) * 16, 32, False)],
    ids=["one vehicle", "three vehicles", "sixty-four vehicles by cumulants"],
)
def test_demand_equals_a_million_draws(use: tuple[float, ...], count: int, *, is_few: bool) -> None:
    found = tallied(use, count, is_few=is_few).demand((0.5, 0.9))
    dice = np.random.default_rng(5)
    draws = 1_000_000 if len(use) < 10 else 50_000
    paths = {one: daily_paths(one) for one in set(use)}
    for item, atom in ((0, 5_700), (1, 4_100)):
        outcomes = {one: simulated_ml(runs, item) for one, runs in paths.items()}
        total = np.zeros(draws)
        for one in use:
            total += outcomes[one][dice.integers(0, _SIMULATED, draws)]
        assert found.mean[0, item, -1] == pytest.approx(total.mean(), rel=0.01)
        for place, share in enumerate((50, 90)):
            drawn = np.percentile(total, share)
            assert abs(found.quantiles[0, item, -1, place] - drawn) <= max(0.02 * drawn, atom)


def test_expected_occasions_are_the_renewal_function_of_gamma_use() -> None:
    # The k-th occasion has come once use has passed first + (k - 1) interval: the expected number is the sum of
    # those chances, whatever the law. (van Noortwijk 2009, Reliability Engineering & System Safety 94, 2-21.)
    law, course = law_for(90.0), course_of(90.0, 256, 0)
    rules = rules_of({"km": 7_000, "first_km": 2_500})
    found = occasions(rules, course)
    for period in (1, 6, 12):
        chances = [law.chance_past(2_500e3 + k * 7_000e3, MONTHS[period])[0, 0] for k in range(40)]
        assert np.sum(found.period < period) / 256 == pytest.approx(sum(chances), abs=0.01)
