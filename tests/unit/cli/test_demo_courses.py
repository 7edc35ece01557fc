from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest

from api.cli.demo.courses import courses, run, sent_readings
from api.cli.demo.scenario import Scenario

TODAY = date(2031, 5, 5)
FOLDER = Scenario(TODAY).folder


@pytest.mark.parametrize("today", [TODAY + timedelta(days=offset) for offset in range(7)])
def test_courses_hold_their_figures_and_never_fall(today: date) -> None:
    for course in courses(FOLDER):
        readings = list(run(course, today))
        assert set(course.points) <= set(readings), course.unit
        for (earlier, low), (later, high) in pairwise(readings):
            assert earlier < later, course.unit
            assert low <= high, course.unit


def test_a_course_is_the_same_whenever_it_is_run() -> None:
    course = courses(FOLDER)[0]
    assert list(run(course, TODAY)) == list(run(course, TODAY))


def test_workdays_have_readings_and_weekends_only_where_the_course_names_them() -> None:
    course = next(course for course in courses(FOLDER) if course.days == "workdays")
    named = {day for day, _ in course.points}
    read = {day for day, _ in run(course, TODAY)}
    for day in range(course.points[0][0], 0):
        is_workday = (TODAY + timedelta(days=day)).weekday() < 5
        assert (day in read) is (is_workday or day in named), day


def test_what_is_late_comes_after_what_is_in_time_and_what_comes_again_is_last() -> None:
    sent = sent_readings(FOLDER, TODAY)
    again = sent[-5:]
    assert {reading["unit"] for reading in again} == {"CV-11"}
    assert all(reading in sent[:-5] for reading in again)
    late = {str(TODAY - timedelta(days=days)) for days in range(10, 21)}
    places = [
        place
        for place, reading in enumerate(sent)
        if reading["unit"] == "TP-61" and reading["at"][:10] in late
    ]
    in_time = max(place for place, reading in enumerate(sent) if reading["unit"] == "WL-02")
    assert min(places) > in_time
