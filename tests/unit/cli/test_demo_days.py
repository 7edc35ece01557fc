from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from api.cli.demo.days import resolved

TODAY = date(2028, 3, 1)


@pytest.mark.parametrize(
    ("counted", "real"),
    [
        ("day+0", "2028-03-01"),
        ("day-1", "2028-02-29"),
        ("day-366", "2027-03-01"),
        ("day-1 16:30", "2028-02-29T16:30:00Z"),
        ("year-3", 2025),
        ("year+0", 2028),
        # Words that only look like it stay as they are.
        ("Monday-1", "Monday-1"),
        ("day-1 25:00h", "day-1 25:00h"),
        ("day", "day"),
        (12.5, 12.5),
        (True, True),
        (None, None),
    ],
)
def test_a_counted_day_is_put_on_the_calendar(counted: Any, real: Any) -> None:
    assert resolved(counted, TODAY) == real
    assert resolved({"a": [{"b": counted}]}, TODAY) == {"a": [{"b": real}]}
