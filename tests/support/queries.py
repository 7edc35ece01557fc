"""Counts the statements that a piece of work sends to its database."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import event

if TYPE_CHECKING:
    from collections.abc import Iterator

    from api.store.session import Store


@dataclass
class Counted:
    """Statements seen so far, without BEGIN and pragmas."""

    statements: list[str] = field(default_factory=list)

    @property
    def count(self) -> int:
        """How many statements were sent."""
        return len(self.statements)


@contextlib.contextmanager
def counted_queries(store: Store) -> Iterator[Counted]:
    """The statements that ``store`` sends inside the block."""
    counted = Counted()

    def on_execute(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if not statement.startswith(("BEGIN", "PRAGMA")):
            counted.statements.append(statement)

    engines = (store.engines.read, store.engines.write)
    for engine in engines:
        event.listen(engine, "before_cursor_execute", on_execute)
    try:
        yield counted
    finally:
        for engine in engines:
            event.remove(engine, "before_cursor_execute", on_execute)
