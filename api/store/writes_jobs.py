"""The rows of jobs as they are stored.

Invariant: an entry is stored with the version of the job that it makes, and the statement itself checks the one
before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import insert, update

from api.store.base import Row
from api.store.tables_job import Job, JobDrain, JobEntry, JobService

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Table

    from api.store.session import WriteSession

_JOB: Table = Row.metadata.tables[str(Job.__tablename__)]
_SERVICE: Table = Row.metadata.tables[str(JobService.__tablename__)]
_ENTRY: Table = Row.metadata.tables[str(JobEntry.__tablename__)]
_DRAIN: Table = Row.metadata.tables[str(JobDrain.__tablename__)]
_NEW_JOB = insert(_JOB).returning(_JOB.c.id)


def add_job(session: WriteSession, values: Mapping[str, Any]) -> int:
    """The key of a new job with these columns."""
    return int(session.execute(_NEW_JOB, dict(values)).scalar_one())


def add_services(session: WriteSession, rows: Sequence[Mapping[str, Any]]) -> None:
    """Store the services that a job is for.

    Raises:
        StoreConstraintError: Another job of the vehicle is open for one of them.
    """
    session.execute(insert(_SERVICE), [dict(row) for row in rows])


def add_entry(session: WriteSession, values: Mapping[str, Any]) -> None:
    """Store an entry with these columns."""
    session.execute(insert(_ENTRY), dict(values))


def add_drains(session: WriteSession, rows: Sequence[Mapping[str, Any]]) -> None:
    """Keep the drains of a job to learn from."""
    if rows:
        session.execute(insert(_DRAIN), [dict(row) for row in rows])


def change_job(session: WriteSession, fleet: int, key: int, version: int, values: Mapping[str, Any]) -> bool:
    """Whether the job still had that version, and has these columns and the next version now."""
    changed = session.execute(
        update(_JOB)
        .where(_JOB.c.fleet_id == fleet, _JOB.c.id == key, _JOB.c.version == version)
        .values(**values, version=version + 1)
        .returning(_JOB.c.id)
    )
    return changed.first() is not None


def freeze(session: WriteSession, fleet: int, key: int, frozen: str) -> None:
    """Keep what was planned for a job that is just being opened."""
    session.execute(update(_JOB).where(_JOB.c.fleet_id == fleet, _JOB.c.id == key).values(frozen=frozen))


def close_services(session: WriteSession, fleet: int, key: int) -> None:
    """Let another job of the vehicle be opened for the services of a job that is closed."""
    session.execute(
        update(_SERVICE).where(_SERVICE.c.fleet_id == fleet, _SERVICE.c.job_id == key).values(is_open=False)
    )
