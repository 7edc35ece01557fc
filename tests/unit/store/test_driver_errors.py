"""The driver's words and codes, by the databases' own manuals."""

from __future__ import annotations

import pytest
from psycopg import errors as postgres

from api.store.driver_errors import _from_sqlite, _from_sqlstate
from api.store.errors import (
    StoreBusyError,
    StoreConflictError,
    StoreConstraintError,
    StoreError,
    StoreFullError,
    StoreSchemaError,
    StoreUnavailableError,
)


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        # PostgreSQL manual, appendix A, "PostgreSQL Error Codes".
        (postgres.SerializationFailure, StoreConflictError),
        (postgres.DeadlockDetected, StoreConflictError),
        (postgres.LockNotAvailable, StoreBusyError),
        (postgres.QueryCanceled, StoreBusyError),
        (postgres.TooManyConnections, StoreBusyError),
        (postgres.DiskFull, StoreFullError),
        (postgres.AdminShutdown, StoreUnavailableError),
        (postgres.CannotConnectNow, StoreUnavailableError),
        (postgres.ConnectionFailure, StoreUnavailableError),
        (postgres.UndefinedTable, StoreSchemaError),
        (postgres.UndefinedColumn, StoreSchemaError),
        (postgres.UniqueViolation, StoreConstraintError),
        (postgres.CheckViolation, StoreConstraintError),
        (postgres.ForeignKeyViolation, StoreConstraintError),
        (postgres.SyntaxError, None),
    ],
)
def test_each_sqlstate_has_its_meaning(error: type[postgres.Error], kind: type[StoreError] | None) -> None:
    found = _from_sqlstate(str(error.sqlstate), error())
    assert (None if found is None else type(found)) is kind


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        # sqlite.org/rescode.html and sqlite3_errstr().
        ("database is locked", StoreBusyError),
        ("database table is locked", StoreBusyError),
        ("database or disk is full", StoreFullError),
        ("unable to open database file", StoreUnavailableError),
        ("disk I/O error", StoreUnavailableError),
        ("file is not a database", StoreUnavailableError),
        ("database disk image is malformed", StoreUnavailableError),
        ("no such table: note", StoreSchemaError),
        ("no such column: colour", StoreSchemaError),
        ("FOREIGN KEY constraint failed", StoreConstraintError),
        ("NOT NULL constraint failed: note.words", StoreConstraintError),
        ('near "SELEC": syntax error', None),
    ],
)
def test_each_sqlite_text_has_its_meaning(text: str, kind: type[StoreError] | None) -> None:
    found = _from_sqlite(text)
    assert (None if found is None else type(found)) is kind


def test_a_unique_index_of_sqlite_is_named() -> None:
    found = _from_sqlite("UNIQUE constraint failed: index 'ix_note_words'")
    assert isinstance(found, StoreConstraintError)
    assert found.name == "ix_note_words"
