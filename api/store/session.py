"""Units of work: one request, one transaction.

Invariants: leaving a unit of work by an error, or a reading one in any way, rolls back; the only commit of
the service stands here. A session touches the database with its first statement, so that a request refused
for its form never takes the turn to write.
"""

from __future__ import annotations

import contextlib
import random
import time
from typing import TYPE_CHECKING, TypeVar

import sqlalchemy.exc
from sqlalchemy.orm import Session

from api.store.engine import Engines, make_engines
from api.store.errors import StoreBusyError, StoreConflictError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

T = TypeVar("T")


class ReadSession(Session):
    """A session on one snapshot of the database; queries take this type."""


class WriteSession(ReadSession):
    """A session that may also write; services that store something take this type."""


class Store:
    """The engines of one process, and its units of work."""

    def __init__(self, engines: Engines) -> None:
        """Take over the engines; ``close`` disposes of them."""
        self.engines = engines

    @classmethod
    def at(cls, database_url: str) -> Store:
        """A store on that database, with the engines' own defaults."""
        return cls(make_engines(database_url))

    @contextlib.contextmanager
    def reading(self) -> Iterator[ReadSession]:
        """A unit of work that only reads."""
        with _pool_errors(), ReadSession(self.engines.read, autoflush=False) as session:
            yield session

    @contextlib.contextmanager
    def writing(self) -> Iterator[WriteSession]:
        """A unit of work that is kept if the block ends without an error, and leaves no trace otherwise."""
        with _pool_errors(), WriteSession(self.engines.write, autoflush=False) as session:
            yield session
            session.commit()

    def write(self, work: Callable[[WriteSession], T], *, attempts: int = 3) -> T:
        """What ``work`` returns, done in one unit of work; tried again if it loses against another one.

        Args:
            work: Called with a fresh session each time; it must have no effect outside the database.
            attempts: Tries in all.

        Raises:
            StoreConflictError: Every try lost.
        """
        for attempt in range(1, attempts):
            try:
                with self.writing() as session:
                    return work(session)
            except StoreConflictError:
                time.sleep(random.uniform(0.01, 0.05) * attempt)  # noqa: S311 - jitter, no secret
        with self.writing() as session:
            return work(session)

    def close(self) -> None:
        """Close every pooled connection."""
        self.engines.dispose()


@contextlib.contextmanager
def _pool_errors() -> Iterator[None]:
    try:
        yield
    except sqlalchemy.exc.TimeoutError as error:
        msg = "no connection came free in time"
        raise StoreBusyError(msg) from error
