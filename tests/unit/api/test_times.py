"""Instants and days: only what RFC 3339 with an offset says, within bounds, cut to microseconds."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.schemas.times import EPOCH, LATEST_US, day_of, instant_text, instant_us


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("1970-01-01T00:00:00Z", EPOCH),
        # The examples of RFC 3339, section 5.8, that lie within the bounds.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("2031-05-04t08:00:00z", datetime(2031, 5, 4, 8, tzinfo=UTC)),
        ("2031-05-04T08:00:00.1234569+02:00", datetime(2031, 5, 4, 6, 0, 0, 123_456, tzinfo=UTC)),
        ("2031-05-04T08:00:00.999999999Z", datetime(2031, 5, 4, 8, 0, 0, 999_999, tzinfo=UTC)),
        ("2200-01-01T00:59:59+01:00", datetime(2199, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_an_instant_is_read(text: str, moment: datetime) -> None:
    assert instant_us(text) == (moment - EPOCH) // timedelta(microseconds=1)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "now",
        "2031-05-04",
        "2031-05-04T08:00:00",
        "2031-05-04 08:00:00Z",
        "2031-05-04T08:00Z",
        "20310504T080000Z",
        "2031-W18-7T08:00:00Z",
        "2031-05-04T08:00:00,5Z",
        "2031-05-04T08:00:00.Z",
        "2031-05-04T24:00:00Z",
        "2031-05-04T08:00:60Z",
        "2031-02-29T08:00:00Z",
        "2031-05-04T08:00:00+24:00",
        "2031-05-04T08:00:00+0200",
        "1969-12-31T23:59:59Z",
        "1970-01-01T00:00:00+00:01",
        "2200-01-01T00:00:00Z",
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "\u0662031-05-04T08:00:00Z",
        "2031-05-04T08:00:00Z\n",
        "2031-05-04T08:00:00." + "1" * 31 + "Z",
    ],
)
def test_what_is_no_instant_is_none(text: str) -> None:
    assert instant_us(text) is None


@given(st.integers(0, LATEST_US - 1))
def test_an_instant_comes_back_as_it_was(at_us: int) -> None:
    assert instant_us(instant_text(at_us)) == at_us


@given(st.text(max_size=40))
def test_no_text_raises(text: str) -> None:
    at_us = instant_us(text)
    assert at_us is None or 0 <= at_us < LATEST_US
    day = day_of(text)
    assert day is None or day.isoformat() == text


def test_what_is_no_day_is_none() -> None:
    for text in ("1899-12-31", "2200-01-01", "2031-5-4", "20310504", "2031-W18-7", "2031-02-30"):
        assert day_of(text) is None


def test_a_day_is_read() -> None:
    assert day_of("2032-02-29") == date(2032, 2, 29)
