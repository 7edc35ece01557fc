"""What a route can ask for by its type: sessions, the clock, the caller's fleet, units and the page.

Invariants: a write is committed before the answer is sent (``scope="function"``), so a commit that fails
is a problem and never a success; ``fleet`` is the one place that decides whose rows a request sees.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import json
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any, TypeVar

import anyio
import anyio.to_thread
from fastapi import Depends, Header, Query, Request, Response

from api.schemas.base import LARGEST_WHOLE
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day
from api.services import fleets
from api.services.errors import CursorError, VersionMissingError
from api.services.preconditions import PutCondition
from api.settings import Settings
from api.store import session as units_of_work
from api.store.errors import StoreBusyError

DEFAULT_FLEET_KEY = 1
CURSOR_VERSION = 1
LONGEST_CURSOR = 1000

# One strong entity tag, as ``tag`` makes it.
_LONGEST_TAG = 18
_TAG = r'^"[0-9]{1,9}"$'

T = TypeVar("T")
Position = tuple[int | str | None, ...]


@dataclass(frozen=True, slots=True)
class Caller:
    """Whose rows a request sees.

    Attributes:
        fleet_key: Leads every key.
    """

    fleet_key: int


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


async def settings(request: Request) -> Settings:
    """The settings that the service was started with."""
    found: Settings = request.app.state.settings
    return found


async def store(request: Request) -> units_of_work.Store:
    """The store of this process, for work that needs units of work of its own."""
    found: units_of_work.Store = request.app.state.store
    return found


async def now_us(request: Request) -> int:
    """The instant at which the request is worked on [us]."""
    clock: Clock = request.app.state.clock
    return clock.now_us()


async def today(request: Request) -> date:
    """The UTC day on which the request is worked on."""
    clock: Clock = request.app.state.clock
    return clock.today()


async def fleet() -> Caller:
    """The caller's fleet. One fleet so far; access keys will decide it here, and nothing else will change."""
    return Caller(fleet_key=DEFAULT_FLEET_KEY)


def tag(response: Response, version: int) -> None:
    """Give the answer the entity tag of a version (RFC 9110, section 8.8.3)."""
    response.headers["ETag"] = f'"{version}"'


def expected_version(
    if_match: Annotated[
        str | None,
        Header(
            max_length=_LONGEST_TAG,
            pattern=_TAG,
            description="ETag of the version that the change starts from; without it the answer is 428.",
        ),
    ] = None,
) -> int:
    """The version that a change starts from.

    Raises:
        VersionMissingError: The request names none.
    """
    if if_match is None:
        missing = "resource"
        raise VersionMissingError(missing)
    return int(if_match.strip('"'))


async def put_condition(
    if_match: Annotated[
        str | None,
        Header(
            max_length=_LONGEST_TAG,
            pattern=_TAG,
            description="ETag of the version that is replaced; without it nothing is replaced (428).",
        ),
    ] = None,
    if_none_match: Annotated[
        str | None,
        Header(max_length=1, pattern=r"^\*$", description="* lets the request create only (412 otherwise)."),
    ] = None,
) -> PutCondition:
    """What a replacement finds where it goes."""
    version = None if if_match is None else int(if_match.strip('"'))
    return PutCondition(version, is_new=if_none_match is not None)


async def page(
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


async def units(
    caller: Annotated[Caller, Depends(fleet)],
    held: Annotated[units_of_work.Store, Depends(store)],
    units: Annotated[
        UnitSystem | None, Query(description="Units of the answer; the fleet's own unless given.")
    ] = None,
) -> UnitSystem:
    """The units of the answer."""
    if units is not None:
        return units
    return await anyio.to_thread.run_sync(_own_units, held, caller.fleet_key)


def _own_units(held: units_of_work.Store, fleet_key: int) -> UnitSystem:
    # Its own short unit of work: a request never waits for one session while it holds another.
    with held.reading() as session:
        return UnitSystem(fleets.unit_system(session, fleet_key))


async def _read_session(
    request: Request, held: Annotated[units_of_work.Store, Depends(store)]
) -> AsyncIterator[units_of_work.ReadSession]:
    async with _turn(request, request.app.state.reading_turns), _ended_in_thread(held.reading()) as session:
        yield session


async def _write_session(
    request: Request, held: Annotated[units_of_work.Store, Depends(store)]
) -> AsyncIterator[units_of_work.WriteSession]:
    async with _turn(request, request.app.state.writing_turns), _ended_in_thread(held.writing()) as session:
        yield session


def writing_turn(request: Request) -> contextlib.AbstractAsyncContextManager[None]:
    """The turn to write, for work that brings its own units of work."""
    return _turn(request, request.app.state.writing_turns)


ReadSession = Annotated[units_of_work.ReadSession, Depends(_read_session, scope="function")]
WriteSession = Annotated[units_of_work.WriteSession, Depends(_write_session, scope="function")]
Store = Annotated[units_of_work.Store, Depends(store)]
CurrentSettings = Annotated[Settings, Depends(settings)]
Now = Annotated[int, Depends(now_us)]
Today = Annotated[date, Depends(today)]
Fleet = Annotated[Caller, Depends(fleet)]
Units = Annotated[UnitSystem, Depends(units)]
OwnUnits = Annotated[
    UnitSystem,
    Query(description="Units of the answer, metric unless given: it depends on the request alone."),
]
Page = Annotated[PageAsked, Depends(page)]
ExpectedVersion = Annotated[int, Depends(expected_version)]
Precondition = Annotated[PutCondition, Depends(put_condition)]
QueryDay = Annotated[Day | None, Query(description="A day, YYYY-MM-DD.")]

_NO_CURSOR = "The cursor is none of this query's"


@contextlib.asynccontextmanager
async def _turn(request: Request, turns: anyio.Semaphore) -> AsyncIterator[None]:
    """One of so many turns as there are connections, waited for without holding a thread.

    Without it requests that hold a connection and wait for a thread (FastAPI checks an answer in one) and
    requests that hold a thread and wait for a connection would stand in each other's way.
    """
    asked: Settings = request.app.state.settings
    with anyio.move_on_after(asked.writer_wait_s) as wait:
        await turns.acquire()
    if wait.cancelled_caught:
        msg = "the turn did not come in time"
        raise StoreBusyError(msg)
    try:
        yield
    finally:
        turns.release()


@contextlib.asynccontextmanager
async def _ended_in_thread(unit: contextlib.AbstractContextManager[T]) -> AsyncIterator[T]:
    """A unit of work that begins here, since that touches no database, and ends in a thread of its own."""
    session = unit.__enter__()

    async def end(*raised: Any) -> None:
        with anyio.CancelScope(shield=True):
            await anyio.to_thread.run_sync(unit.__exit__, *raised, limiter=anyio.CapacityLimiter(1))

    try:
        yield session
    except BaseException as error:
        await end(type(error), error, error.__traceback__)
        raise
    await end(None, None, None)


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
