"""The schema's revisions: bring a database to the newest one, and tell which one it has.

Invariants: one migration at a time over every process; a migration that dies leaves the old schema or the
new one, never one between. Alembic is imported on first use, since it costs every start more than the rest
of storage.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy
import sqlalchemy.exc

from api.store.engine import migration_connection
from api.store.errors import StoreSchemaError

if TYPE_CHECKING:
    from alembic.config import Config

    from api.store.session import ReadSession

SCRIPTS = Path(__file__).parents[2] / "migrations"


def migrate(database_url: str, *, revision: str = "head", wait_s: float = 120.0) -> None:
    """Bring the database to ``revision``; does nothing where it already is.

    Args:
        database_url: ``sqlite:///FILE`` or ``postgresql+psycopg://...``.
        revision: A revision, ``head``, or a relative one such as ``+1``.
        wait_s: Longest wait for a migration of another process [s].

    Raises:
        StoreBusyError: Another process did not finish in time.
        StoreSchemaError: The migration leaves rows whose parent is missing.
    """
    _run(database_url, "upgrade", revision, wait_s)


def migrate_down(database_url: str, *, revision: str, wait_s: float = 120.0) -> None:
    """Take the database back to ``revision`` (``base`` for an empty one); raises as ``migrate``."""
    _run(database_url, "downgrade", revision, wait_s)


@cache
def newest_revision() -> str | None:
    """The revision that this program needs; ``None`` while there is none."""
    from alembic.script import ScriptDirectory

    return ScriptDirectory.from_config(_config()).get_current_head()


def stored_revision(session: ReadSession) -> str | None:
    """The revision that the database has; ``None`` where it never was migrated."""
    try:
        found = session.execute(sqlalchemy.text("SELECT version_num FROM alembic_version")).scalar()
    except (StoreSchemaError, sqlalchemy.exc.ProgrammingError):
        return None
    return None if found is None else str(found)


def check_revision(session: ReadSession) -> None:
    """Ask the database whether it answers and has the newest revision.

    Raises:
        StoreUnavailableError: It does not answer.
        StoreSchemaError: It has another revision.
    """
    if stored_revision(session) != newest_revision():
        msg = "the database is not at the newest revision"
        raise StoreSchemaError(msg)


def _run(database_url: str, command: str, revision: str, wait_s: float) -> None:
    import alembic.command

    config = _config()
    with migration_connection(database_url, wait_s=wait_s) as connection:
        config.attributes["connection"] = connection
        getattr(alembic.command, command)(config, revision)


def _config() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("timezone", "UTC")
    return config
