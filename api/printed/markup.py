"""HTML put together from elements: every text and every attribute is escaped, since only ``Markup`` is not.

Invariant: the only way from a text to ``Markup`` is ``element``, which escapes it.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from fastapi import Response

if TYPE_CHECKING:
    from collections.abc import Iterable

HTML = "text/html"
_VOID = frozenset({"meta", "br", "hr"})

# A document that fetches nothing, runs nothing and is framed by nobody.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def element(name: str, *children: str | None, **attributes: str | None) -> Markup:
    """An element with these children, those that are None left out.

    Args:
        name: Its name.
        children: Texts, which are escaped, and other elements.
        attributes: Its attributes, escaped; ``class_`` stands for ``class``, and None leaves one out.
    """
    given = "".join(
        f' {key.rstrip("_")}="{escape(value)}"' for key, value in attributes.items() if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{given}>")
    inner = "".join(
        child if isinstance(child, Markup) else escape(child) for child in children if child is not None
    )
    return Markup(f"<{name}{given}>{inner}</{name}>")


def table(heads: Iterable[str], rows: Iterable[Iterable[str | None]], **attributes: str | None) -> Markup:
    """A table with a line of heads, repeated on each page."""
    head = element("thead", element("tr", *(element("th", text) for text in heads)))
    body = element("tbody", *(element("tr", *(element("td", cell or "") for cell in row)) for row in rows))
    return element("table", head, body, **attributes)


def document(title: str, style: str, *children: str | None) -> Response:
    """The answer that shows a whole page.

    Args:
        title: Of the page.
        style: Its style sheet, which no client text is part of.
        children: What its body holds.
    """
    head = element(
        "head", element("meta", charset="utf-8"), element("title", title), element("style", Markup(style))
    )
    page = element("html", head, element("body", *children), lang="en")
    return Response(
        f"<!DOCTYPE html>\n{page}\n",
        media_type=f"{HTML}; charset=utf-8",
        headers={"Content-Security-Policy": _POLICY, "Vary": "Accept"},
    )
