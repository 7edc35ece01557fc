"""Where a figure stands in a request, for errors of the domain, which names figures by its own places."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from api.services.errors import RefusedError
from domain.errors import Breach, ExchangeError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


@contextlib.contextmanager
def placed(places: Mapping[str, str]) -> Iterator[None]:
    """A block whose errors of the domain name places of the request; the same error stands once.

    Args:
        places: The request's place, by the domain's place or what it begins with; the longest one counts.

    Raises:
        RefusedError: In place of ``ExchangeError``.
    """
    try:
        yield
    except ExchangeError as error:
        moved = (Breach(place_of(b.pointer, places), b.rule, b.detail) for b in error.breaches)
        raise RefusedError(*dict.fromkeys(moved)) from error


def place_of(pointer: str, places: Mapping[str, str]) -> str:
    """The request's place for a place of the domain."""
    fitting = [begin for begin in places if pointer == begin or pointer.startswith(f"{begin}/")]
    if not fitting:
        return pointer
    begin = max(fitting, key=len)
    return places[begin] + pointer[len(begin) :]
