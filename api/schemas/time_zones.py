"""Time zones in requests: IANA names from a closed list, the same on every machine."""

from __future__ import annotations

from functools import cache
from typing import Annotated
from zoneinfo import available_timezones

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError


@cache
def _names() -> frozenset[str]:
    # The machine's own zone is no name that means the same elsewhere.
    return frozenset(available_timezones() - {"localtime", "Factory"})


def _known(name: str) -> str:
    if name not in _names():
        rule, text = "time_zone_unknown", "A time zone is an IANA name, such as Europe/Oslo"
        raise PydanticCustomError(rule, text)
    return name


TimeZone = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_known)]
"""A time zone by its IANA name."""
