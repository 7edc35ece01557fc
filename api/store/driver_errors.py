"""Which of ``api.store.errors`` a database driver's error means.

Sources: SQLite result codes (sqlite.org/rescode.html), PostgreSQL error codes (PostgreSQL manual, appendix
A).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from api.store.errors import (
    StoreBusyError,
    StoreConflictError,
    StoreConstraintError,
    StoreError,
    StoreFullError,
    StoreSchemaError,
    StoreUnavailableError,
)

if TYPE_CHECKING:
    from sqlalchemy.engine import ExceptionContext

# Every build of sqlite3 gives the result code's text; not every one gives its number.
_SQLITE_TEXTS: tuple[tuple[str, type[StoreError]], ...] = (
    ("database is locked", StoreBusyError),
    ("database table is locked", StoreBusyError),
    ("database or disk is full", StoreFullError),
    ("unable to open database file", StoreUnavailableError),
    ("disk i/o error", StoreUnavailableError),
    ("file is not a database", StoreUnavailableError),
    ("database disk image is malformed", StoreUnavailableError),
    ("no such table", StoreSchemaError),
    ("no such column", StoreSchemaError),
)
_SQLSTATES: tuple[tuple[str, type[StoreError]], ...] = (
    ("40001", StoreConflictError),
    ("40P01", StoreConflictError),
    ("55P03", StoreBusyError),
    ("57014", StoreBusyError),
    ("53300", StoreBusyError),
    ("53100", StoreFullError),
    ("25P03", StoreUnavailableError),
    ("57P", StoreUnavailableError),
    ("08", StoreUnavailableError),
    ("42P01", StoreSchemaError),
    ("42703", StoreSchemaError),
)
_SQLITE_UNIQUE = re.compile(r"UNIQUE constraint failed: (?P<columns>.+)")
_SQLITE_CHECK = re.compile(r"CHECK constraint failed: (?P<name>\S+)")


def translated(context: ExceptionContext) -> StoreError | None:
    """The store's error for what the driver raised; ``None`` leaves the driver's error as it is."""
    original = context.original_exception
    sqlstate = getattr(original, "sqlstate", None)
    if type(original).__module__.startswith("psycopg"):
        if context.is_disconnect or (sqlstate is None and type(original).__name__ == "OperationalError"):
            return StoreUnavailableError(type(original).__name__)
        return _from_sqlstate(str(sqlstate), original)
    return _from_sqlite(str(original))


def of_postgresql(error: Exception) -> StoreError | None:
    """The store's error for one that ``psycopg`` raised outside SQLAlchemy; ``None`` leaves it as it is."""
    sqlstate = getattr(error, "sqlstate", None)
    if sqlstate is None:
        return StoreUnavailableError(type(error).__name__)
    return _from_sqlstate(str(sqlstate), error)


def _from_sqlstate(sqlstate: str, original: BaseException) -> StoreError | None:
    if sqlstate.startswith("23"):
        name = getattr(getattr(original, "diag", None), "constraint_name", None)
        return StoreConstraintError(name or "", is_unique=sqlstate == "23505")
    for prefix, kind in _SQLSTATES:
        if sqlstate.startswith(prefix):
            return kind(f"SQLSTATE {sqlstate}")
    return None


def _from_sqlite(text: str) -> StoreError | None:
    if match := _SQLITE_UNIQUE.search(text):
        return StoreConstraintError(_unique_name(match["columns"]), is_unique=True)
    if match := _SQLITE_CHECK.search(text):
        return StoreConstraintError(match["name"], is_unique=False)
    if "constraint failed" in text:
        return StoreConstraintError("", is_unique=False)
    lowered = text.lower()
    for part, kind in _SQLITE_TEXTS:
        if part in lowered:
            return kind(part)
    return None


def _unique_name(columns: str) -> str:
    """The constraint's name by the naming convention; SQLite names only its columns."""
    if columns.startswith("index "):
        return columns.removeprefix("index ").strip("'")
    places = [part.strip().rpartition(".") for part in columns.split(",")]
    return "_".join(["uq", places[0][0], *(column for _, _, column in places)])
