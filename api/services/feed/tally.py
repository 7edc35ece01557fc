"""What became of the rows of one body, however many parts it was stored in.

Invariants: the counts are exact; the rows told one by one are the first ``MOST_DETAILS`` that were not accepted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from api.services.feed.batch import WHY_TEXT, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.services.feed.batch import Outcome

MOST_DETAILS = 1_000
"""Most rows that an answer tells one by one."""


class RefusedRow(NamedTuple):
    """A row that breaks a rule: its place in the body, the rule, where in the row, and a sentence."""

    place: int
    code: str
    pointer: str
    detail: str


class Detail(NamedTuple):
    """A row that was not accepted."""

    place: int
    verdict: Verdict
    code: str
    pointer: str | None
    detail: str


@dataclass(slots=True)
class Tally:
    """Counts of a body's rows, and the first that were not accepted, by place."""

    accepted: int = 0
    duplicate: int = 0
    held: int = 0
    refused: int = 0
    details: list[Detail] = field(default_factory=list)
    is_truncated: bool = False

    @property
    def received(self) -> int:
        """Rows of the body."""
        return self.accepted + self.duplicate + self.held + self.refused

    def add(self, outcome: Outcome, refused: Iterable[RefusedRow] = ()) -> None:
        """Count a part of the body; parts come in the order of the body."""
        self.accepted += outcome.accepted
        self.duplicate += outcome.duplicate
        self.held += outcome.held
        of_refused = [
            Detail(row.place, Verdict.REFUSED, row.code, row.pointer, row.detail) for row in refused
        ]
        self.refused += len(of_refused)
        found = [
            Detail(row.place, row.verdict, row.why.value, None, WHY_TEXT[row.why]) for row in outcome.rows
        ]
        found += of_refused
        found.sort(key=lambda row: row.place)
        self._tell(found)

    def merge(self, later: Tally) -> None:
        """Count a later part of the body, counted apart."""
        self.accepted += later.accepted
        self.duplicate += later.duplicate
        self.held += later.held
        self.refused += later.refused
        self._tell(later.details)
        self.is_truncated = self.is_truncated or later.is_truncated

    def _tell(self, found: list[Detail]) -> None:
        room = MOST_DETAILS - len(self.details)
        self.details += found[:room]
        self.is_truncated = self.is_truncated or len(found) > room
