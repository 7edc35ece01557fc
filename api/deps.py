"""What a route can ask for by its type: sessions, the clock, the caller's fleet, units and the page.

Invariants: a write is committed before the answer is sent (``scope="function"``), so a commit that fails
is a problem and never a success; ``fleet`` is the one place that decides whose rows a request sees.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any

import anyio
from fastapi import Depends, Query, Request, Response

from api.schemas.base import LARGEST_WHOLE
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day
from api.services.errors import CursorError
from api.settings import Settings
from api.store import session as units_of_work
from api.store.errors import StoreBusyError

DEFAULT_FLEET_KEY = 1
CURSOR_VERSION = 1
LONGEST_CURSOR = 1000

Position = tuple[int | str | None, ...]


@dataclass(frozen=True, slots=True)
class Caller:
    """Whose rows a request sees.

    Attributes:
        fleet_key: Leads every key.
        units: Units of answers unless the request asks otherwise.
    """

    fleet_key: int
    units: UnitSystem


@dataclass(frozen=True, slots=True)
class Clock:
    """The time, replaced in tests by ``app.state.clock = Clock(...)``.

    Attributes:
        now_us: Gives UTC microseconds [us].
    """

    now_us: Callable[[], int]

    def today(self) -> date:
        """The UTC day."""
        return datetime.fromtimestamp(self.now_us() / 1e6, tz=UTC).date()


SYSTEM_CLOCK = Clock(lambda: time.time_ns() // 1000)


@dataclass(frozen=True, slots=True)
class PageAsked:
    """Which page of a list a request asks for.

    Attributes:
        limit: Most rows on the page.
        position: Where the page before ended, as ``next_link`` was given it; ``None`` on the first page.
        binding: Ties cursors to the path, the parameters and the fleet.
        path: Path and parameters of the query without the cursor.
    """

    limit: int
    position: Position | None
    binding: str
    path: str

    def after(self, *shape: type) -> Position | None:
        """The position, if its parts have these types; ``None`` on the first page.

        Raises:
            CursorError: The cursor's parts have other types.
        """
        if self.position is None:
            return None
        if len(self.position) != len(shape) or any(
            not isinstance(part, kind) for part, kind in zip(self.position, shape, strict=True)
        ):
            raise CursorError(_NO_CURSOR)
        return self.position

    def cursor(self, *position: int | str | None) -> str:
        """The cursor of the page that begins after ``position``."""
        text = json.dumps([CURSOR_VERSION, self.binding, *position], separators=(",", ":"))
        return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")

    def link(self, response: Response, cursor: str | None) -> str | None:
        """Add the ``Link: rel="next"`` header (RFC 8288) where a next page is; gives the cursor back."""
        if cursor is not None:
            joint = "&" if "?" in self.path else "?"
            response.headers["Link"] = f'<{self.path}{joint}cursor={cursor}>; rel="next"'
        return cursor


def settings(request: Request) -> Settings:
    """The settings that the service was started with."""
    found: Settings = request.app.state.settings
    return found


def store(request: Request) -> units_of_work.Store:
    """The store of this process, for work that needs units of work of its own."""
    found: units_of_work.Store = request.app.state.store
    return found


def now_us(request: Request) -> int:
    """The instant at which the request is worked on [us]."""
    clock: Clock = request.app.state.clock
    return clock.now_us()


def today(request: Request) -> date:
    """The UTC day on which the request is worked on."""
    clock: Clock = request.app.state.clock
    return clock.today()


def fleet(request: Request) -> Caller:
    """The caller's fleet. One fleet so far; access keys will decide it here, and nothing else will change."""
    return Caller(fleet_key=DEFAULT_FLEET_KEY, units=UnitSystem(settings(request).units))


def units(
    caller: Annotated[Caller, Depends(fleet)],
    units: Annotated[
        UnitSystem | None, Query(description="Units of the answer; the fleet's own unless given.")
    ] = None,
) -> UnitSystem:
    """The units of the answer."""
    return units or caller.units


def page(
    request: Request,
    caller: Annotated[Caller, Depends(fleet)],
    limit: Annotated[int, Query(ge=1, le=1000, description="Most rows on the page.")] = 50,
    cursor: Annotated[
        str | None,
        Query(
            max_length=LONGEST_CURSOR, description="Where the page begins, from `next` or the Link header."
        ),
    ] = None,
) -> PageAsked:
    """The page asked for.

    Raises:
        CursorError: The cursor is none, or belongs to another query.
    """
    others = request.query_params.multi_items()
    filters = sorted((name, value) for name, value in others if name not in {"cursor", "limit"})
    bound = json.dumps([request.url.path, caller.fleet_key, filters])
    binding = hashlib.blake2b(bound.encode(), digest_size=9).hexdigest()
    path = str(request.url.remove_query_params("cursor").replace(scheme="", netloc=""))
    return PageAsked(limit, _position(cursor, binding), binding, path)


def _read_session(
    held: Annotated[units_of_work.Store, Depends(store)],
) -> Iterator[units_of_work.ReadSession]:
    with held.reading() as session:
        yield session


async def _writing_turn(request: Request) -> AsyncIterator[None]:
    """Wait for the turn to write without holding a thread, so that readers go on meanwhile."""
    turn: anyio.Semaphore = request.app.state.writing_turn
    with anyio.move_on_after(settings(request).writer_wait_s) as wait:
        await turn.acquire()
    if wait.cancelled_caught:
        msg = "the turn to write did not come in time"
        raise StoreBusyError(msg)
    try:
        yield
    finally:
        turn.release()


def _write_session(
    held: Annotated[units_of_work.Store, Depends(store)],
    _turn: Annotated[None, Depends(_writing_turn, scope="function")],
) -> Iterator[units_of_work.WriteSession]:
    with held.writing() as session:
        yield session


ReadSession = Annotated[units_of_work.ReadSession, Depends(_read_session, scope="function")]
WriteSession = Annotated[units_of_work.WriteSession, Depends(_write_session, scope="function")]
Store = Annotated[units_of_work.Store, Depends(store)]
CurrentSettings = Annotated[Settings, Depends(settings)]
Now = Annotated[int, Depends(now_us)]
Today = Annotated[date, Depends(today)]
Fleet = Annotated[Caller, Depends(fleet)]
Units = Annotated[UnitSystem, Depends(units)]
Page = Annotated[PageAsked, Depends(page)]
QueryDay = Annotated[Day | None, Query()]

_NO_CURSOR = "The cursor is none of this query's"


def _position(cursor: str | None, binding: str) -> Position | None:
    if cursor is None:
        return None
    try:
        text = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        parts: Any = json.loads(text)
    except (ValueError, binascii.Error, RecursionError):
        raise CursorError(_NO_CURSOR) from None
    if (
        not isinstance(parts, list)
        or parts[:2] != [CURSOR_VERSION, binding]
        or not all(map(_is_part, parts[2:]))
    ):
        raise CursorError(_NO_CURSOR)
    return tuple(parts[2:])


def _is_part(part: object) -> bool:
    if isinstance(part, str):
        return len(part) <= LONGEST_CURSOR and part.isprintable()
    if isinstance(part, int) and not isinstance(part, bool):
        return abs(part) <= LARGEST_WHOLE
    return part is None
