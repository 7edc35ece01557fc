"""Long bodies: checked first, then stored in parts, each whole or absent.

Invariants: a body of up to ``MOST_ROWS_AT_ONCE`` rows is one unit of work; a longer one is checked to its end before
its first part is stored; parts are stored in the order of the body, so that one figure says how far it came.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from api.services.errors import BodyTooLongError, RefusedError
from domain.errors import Breach

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.services.feed.batch import SentReading
    from api.services.feed.tally import RefusedRow

MOST_ROWS_AT_ONCE = 50_000
"""Most rows of one unit of work."""

PART_ROWS = 10_000
"""Most rows of a part of a longer body."""

MOST_LINES = 2_000_000
"""Most lines of a body."""

LONGEST_LINE_BYTES = 64 << 10


class Part(NamedTuple):
    """Some rows of a body: its readings, the rows refused, and how many lines they and blank ones take."""

    sent: list[SentReading]
    refused: list[RefusedRow]
    lines: int


@dataclass(slots=True)
class Checked:
    """A body that was read to its end.

    Attributes:
        rows: Its rows.
        is_long: Whether it is stored in parts, and must be read again for it.
        sent: Its readings, unless it is long.
        refused: Its rows that break a rule, unless it is long.
    """

    rows: int = 0
    is_long: bool = False
    sent: list[SentReading] = field(default_factory=list)
    refused: list[RefusedRow] = field(default_factory=list)


def checked(parts: Iterable[Part]) -> Checked:
    """The body, if it may be stored.

    Args:
        parts: All of it.

    Raises:
        RefusedError: It has no row.
        BodyTooLongError: It has too many lines.
    """
    found = Checked()
    lines = 0
    for part in parts:
        lines += part.lines
        if lines > MOST_LINES:
            msg = f"the body has more than {MOST_LINES} lines"
            raise BodyTooLongError(msg)
        found.rows += len(part.sent) + len(part.refused)
        if found.rows > MOST_ROWS_AT_ONCE:
            found.is_long = True
            found.sent, found.refused = [], []
        elif not found.is_long:
            found.sent += part.sent
            found.refused += part.refused
    if not found.rows:
        raise RefusedError(Breach("", "row_count", "The body has no readings."))
    return found
