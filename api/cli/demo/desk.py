"""Where a story asks the service: each call goes on paper before it is sent.

Invariant: whatever a story says was read from an answer of the running service.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from api.cli.demo.courses import Course
from api.cli.demo.loading import Client, answer
from api.cli.demo.paper import Paper
from api.cli.demo.scenario import Call


class Desk:
    """A client, the paper, and what the vehicles' dials showed last."""

    def __init__(self, client: Client, paper: Paper, courses: Iterable[Course]) -> None:
        """Ask through ``client`` and print on ``paper``."""
        self.paper = paper
        self._client = client
        # Of a dial that was replaced the course of the new one stands last.
        self._last = {(course.unit, course.meter): course for course in courses}

    def asked(self, call: Call) -> Any:
        """The answer to a call that is printed first.

        Raises:
            DemoRefusedError: The service refused it.
        """
        self.paper.call(call)
        return self.known(call)

    def known(self, call: Call) -> Any:
        """The answer to a call that is not printed; raises as ``asked``."""
        return answer(self._client, call)

    def pages(self, path: str, member: str) -> list[dict[str, Any]]:
        """The entries of every page of a list, which has a query already; raises as ``asked``."""
        entries: list[dict[str, Any]] = []
        page = self.known(Call("GET", path))
        entries += page[member]
        while page["next"] is not None:
            page = self.known(Call("GET", f"{path}&cursor={page['next']}"))
            entries += page[member]
        return entries

    def dial(self, unit: str, meter: str) -> dict[str, Any]:
        """What a dial showed last before the day of loading, with its unit."""
        return self._last[unit, meter].last_figure()

    def dials(self, unit: str) -> list[dict[str, Any]]:
        """The same for every meter of a vehicle, as work done notes it."""
        return [
            {"meter": meter, "figure": course.last_figure()}
            for (of, meter), course in self._last.items()
            if of == unit
        ]


def now_text() -> str:
    """The present to the second, as RFC 3339 text in UTC."""
    return datetime.now(UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")
