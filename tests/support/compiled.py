"""Statements compiled once a test process, not once an engine.

Every test has a database and so engines of its own, and SQLAlchemy keeps compiled statements by engine and dialect.
Compiling them anew was the largest part of most tests.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any
from unittest import mock

import sqlalchemy

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def shared_compilation() -> Iterator[None]:
    """Engines made meanwhile take over dialect and compiled statements of the first of their kind."""
    make = sqlalchemy.create_engine
    first: dict[str, sqlalchemy.Engine] = {}

    def made(url: sqlalchemy.URL, **options: Any) -> sqlalchemy.Engine:
        engine = make(url, **options)
        kept = first.setdefault(engine.name, engine)
        # A dialect knows its server only once it was connected.
        if kept is not engine and hasattr(kept.dialect, "server_version_info"):
            engine.dialect = kept.dialect
            engine._compiled_cache = kept._compiled_cache
        elif kept is not engine:
            first[engine.name] = engine
        return engine

    with mock.patch.object(sqlalchemy, "create_engine", made):
        yield
