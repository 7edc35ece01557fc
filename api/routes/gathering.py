"""Small bodies that wait for the turn to write at once go into one unit of work, and each gets its own answer.

A commit waits for the disk, whatever it holds: a gateway that sends readings one by one, over many connections, pays for
one commit a group and not a reading. Whoever gets the turn takes along all that wait.

Invariants: a body that was taken along is answered by what became of it, never by having waited too long; what is wrong
with one is told to that one alone; a group ends as its bodies would one after the other, in the order of their coming.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import anyio

from api.services.feed.batch import Outcome, Verdict, Why
from api.services.feed.tally import Tally
from api.store.errors import StoreBusyError, StoreFullError, StoreUnavailableError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from api.bodies import Body
    from api.services.feed.batch import NotAccepted, SentReading
    from api.services.feed.parts import Checked

SMALL_BYTES = 8 << 10
"""Bodies up to here are gathered [byte]."""

MOST_BODIES = 64
"""Most bodies of one unit of work."""

# More than the place of any row of a small body: each takes a byte at least.
_STRIDE = SMALL_BYTES + 2


@dataclass(slots=True, eq=False)
class Waiting:
    """A body that waits for the turn, or has been taken along.

    Attributes:
        body: The body.
        fleet_key: The fleet.
        is_taken: Whether a group has it.
        is_over: Set when what became of it is known.
        tally: What became of its rows; None: they are not stored.
        error: Why not.
    """

    body: Body
    fleet_key: int
    is_taken: bool = False
    is_over: anyio.Event = field(default_factory=anyio.Event)
    tally: Tally | None = None
    error: Exception | None = None

    def told(self) -> Tally:
        """What became of its rows; raises what kept them from being stored."""
        if self.tally is None:
            raise self.error or AssertionError
        return self.tally


class Gathering:
    """The bodies that wait for the turn, in the order of their coming; touched by the event loop alone."""

    def __init__(self) -> None:
        """Nobody waits."""
        self._waiting: deque[Waiting] = deque()

    def join(self, body: Body, fleet_key: int) -> Waiting:
        """The body's place among those that wait."""
        mine = Waiting(body, fleet_key)
        self._waiting.append(mine)
        return mine

    def leave(self, mine: Waiting) -> None:
        """Wait no longer."""
        if not mine.is_taken:
            self._waiting.remove(mine)
            mine.is_taken = True

    def taken_along(self, fleet_key: int) -> list[Waiting]:
        """Those of a fleet that wait, up to as many as go together."""
        found = [one for one in self._waiting if one.fleet_key == fleet_key][:MOST_BODIES]
        for one in found:
            one.is_taken = True
            self._waiting.remove(one)
        return found


def store_together(
    group: Sequence[Waiting],
    *,
    read: Callable[[Body], Checked],
    record: Callable[[Sequence[SentReading]], Outcome],
) -> None:
    """Store the bodies of a group in one unit of work, and note at each what became of it.

    Args:
        group: The bodies, in the order of their coming.
        read: Reads one.
        record: Stores rows in a unit of work of its own.
    """
    bodies = []
    for one in group:
        try:
            bodies.append((one, read(one.body)))
        except Exception as error:  # noqa: BLE001 - the one who sent it is told
            one.error = error
    try:
        outcomes = _recorded([found.sent for _, found in bodies], record)
    except (StoreBusyError, StoreFullError, StoreUnavailableError) as error:
        for one, _ in bodies:
            one.error = error
        return
    except Exception:  # noqa: BLE001 - one of them is the cause; only that one shall hear of it
        _store_apart(bodies, record)
        return
    for (one, found), outcome in zip(bodies, outcomes, strict=True):
        one.tally = _tally(outcome, found)


def _store_apart(
    bodies: Sequence[tuple[Waiting, Checked]], record: Callable[[Sequence[SentReading]], Outcome]
) -> None:
    for one, found in bodies:
        try:
            one.tally = _tally(record(found.sent), found)
        except Exception as error:  # noqa: BLE001 - the one who sent it is told
            one.error = error


def _tally(outcome: Outcome, found: Checked) -> Tally:
    tally = Tally()
    tally.add(outcome, found.refused)
    return tally


def _recorded(
    bodies: Sequence[list[SentReading]], record: Callable[[Sequence[SentReading]], Outcome]
) -> list[Outcome]:
    """What became of the rows of each body, when all are stored as one batch."""
    if len(bodies) == 1:
        return [record(bodies[0])]
    together = [
        row._replace(place=row.place + number * _STRIDE) for number, rows in enumerate(bodies) for row in rows
    ]
    whole = record(together)
    outcomes = [Outcome(accepted=len(rows)) for rows in bodies]
    for found in whole.rows:
        number, place = divmod(found.place, _STRIDE)
        outcome = outcomes[number]
        outcome.accepted -= 1
        outcome.note(place, found.verdict, _why(found, place, bodies[number]))
    return outcomes


def _why(found: NotAccepted, place: int, rows: Sequence[SentReading]) -> Why:
    """The reason of a row; one that stands earlier in the group, but not in its own body, is stored by then."""
    if found.verdict is Verdict.DUPLICATE and found.why is Why.SAME_READING_IN_BATCH:
        (mine,) = (row for row in rows if row.place == place)
        if not any(row[1:] == mine[1:] and row.place < place for row in rows):
            return Why.SAME_READING_STORED
    return found.why
