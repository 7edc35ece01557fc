"""A list of texts as one bound value, so that a statement stays the same however many there are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
from sqlalchemy import JSON, Text, cast, func, literal, select

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import ColumnElement
    from sqlalchemy.orm import Mapped

    from api.store.session import ReadSession


def among(
    session: ReadSession, column: Mapped[str] | ColumnElement[str], texts: Iterable[str]
) -> ColumnElement[bool]:
    """The condition that a column holds one of these texts.

    Args:
        session: The unit of work that the statement is for.
        column: A column of text.
        texts: Any number of texts without NUL.
    """
    listed = literal(msgspec.json.encode(list(texts)).decode(), Text)
    if session.get_bind().dialect.name == "sqlite":
        return column.in_(select(func.json_each(listed).table_valued("value").c.value))
    return column.in_(select(func.json_array_elements_text(cast(listed, JSON)).column_valued("listed")))
