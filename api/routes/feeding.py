"""A body of readings on its way into the store: at once where it is of ordinary length, else in parts."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from anyio.to_thread import run_sync

from api.deps import writing_turn
from api.intake import JSON
from api.routes.gathering import SMALL_BYTES, store_together
from api.schemas.reading_batches import read_batch
from api.schemas.reading_lines import parts
from api.services.errors import DiskFullInPartError, StoredInPartError
from api.services.feed.parts import Checked, Part, checked
from api.services.feed.recording import record
from api.services.feed.tally import Tally
from api.store.errors import StoreBusyError, StoreFullError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from fastapi import Request

    from api.bodies import Body
    from api.routes.gathering import Gathering
    from api.services.feed.batch import Outcome, SentReading
    from api.services.feed.tally import RefusedRow
    from api.store.session import Store

NDJSON = "application/x-ndjson"


class Feeding:
    """What a body of readings goes into: a fleet's store, at an instant [us UTC]."""

    def __init__(self, request: Request, store: Store, fleet_key: int, now_us: int) -> None:
        """Feed this fleet in turn with the other writing requests."""
        self._request = request
        self._store = store
        self._fleet_key = fleet_key
        self._now_us = now_us

    async def take(self, body: Body) -> Tally:
        """What became of the rows of a JSON body, or one of lines; the rows are on disk then.

        Raises:
            BodyMalformedError: The body is broken.
            BodyTooLongError: It is beyond a limit.
            RefusedError: It is no batch, or has no rows.
            StoredInPartError: A part after the first of a long body could not be stored.
            StoreError: Nothing could be stored.
        """
        if body.is_plain_up_to(SMALL_BYTES):
            return await self._taken_together(body)
        if body.is_short:
            async with writing_turn(self._request):
                found = await run_sync(self._read_and_recorded, body)
        else:
            found = await run_sync(_read, body)
            if not found.is_long:
                async with writing_turn(self._request):
                    return await run_sync(self._recorded, found.sent, found.refused)
        return found if isinstance(found, Tally) else await self._taken_in_parts(body)

    async def take_rows(self, sent: Sequence[SentReading], refused: Sequence[RefusedRow]) -> Tally:
        """What became of rows that were read already; they are one unit of work."""
        async with writing_turn(self._request):
            return await run_sync(self._recorded, sent, refused)

    async def _taken_together(self, body: Body) -> Tally:
        gathering: Gathering = self._request.app.state.gathering
        mine = gathering.join(body, self._fleet_key)
        try:
            async with writing_turn(self._request):
                if not mine.is_taken:
                    group = gathering.taken_along(self._fleet_key)
                    try:
                        await run_sync(partial(store_together, group, read=_read, record=self._record))
                    finally:
                        for one in group:
                            one.is_over.set()
        except StoreBusyError:
            if not mine.is_taken:
                raise
        finally:
            gathering.leave(mine)
        await mine.is_over.wait()
        return mine.told()

    def _record(self, sent: Sequence[SentReading]) -> Outcome:
        return self._store.write(lambda session: record(session, self._fleet_key, sent, now_us=self._now_us))

    def _read_and_recorded(self, body: Body) -> Checked | Tally:
        found = _read(body)
        return found if found.is_long else self._recorded(found.sent, found.refused)

    def _recorded(self, sent: Sequence[SentReading], refused: Sequence[RefusedRow]) -> Tally:
        tally = Tally()
        tally.add(self._record(sent), refused)
        return tally

    async def _taken_in_parts(self, body: Body) -> Tally:
        tally = Tally()
        rest = parts(await run_sync(body.file))
        line = stored_line = 0
        while (part := await run_sync(_next, rest)) is not None:
            try:
                one = await self.take_rows(part.sent, part.refused)
            except Exception as error:
                if not stored_line:
                    raise
                kind = DiskFullInPartError if isinstance(error, StoreFullError) else StoredInPartError
                raise kind(stored_line) from error
            line += part.lines
            if part.sent:
                stored_line = line
            tally.merge(one)
        return tally


def _read(body: Body) -> Checked:
    if body.media != JSON:
        return checked(parts(body.file()))
    sent, refused = read_batch(body.whole())
    return Checked(len(sent) + len(refused), is_long=False, sent=sent, refused=refused)


def _next(rest: Iterator[Part]) -> Part | None:
    return next(rest, None)
