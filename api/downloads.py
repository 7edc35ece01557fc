"""Answers as CSV (RFC 4180) beside JSON: the asking for them, and the sending, row by row.

Invariants: lines end in CR LF, the first one names the columns, fields are quoted where they must be; the whole list
is sent, page after page, and memory holds one page.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any

from fastapi import Request, Response
from fastapi.responses import StreamingResponse

from api.problems import FieldError, RequestRefusedError

CSV = "text/csv"
DOCUMENTED_CSV: dict[str, Any] = {
    "content": {CSV: {"schema": {"type": "string", "description": "RFC 4180, with a header line."}}}
}
"""What a route that answers CSV too says under its status 200."""

_PAGING = ("limit", "cursor")
_JSON_KINDS = {"application/json", "application/*", "*/*"}
_CSV_KINDS = {CSV, "text/*"}


def wants_csv(request: Request) -> bool:
    """Whether the request's ``Accept`` header prefers CSV to JSON (RFC 9110, section 12.5.1).

    Raises:
        RequestRefusedError: It does, and asks for a page of it.
    """
    weights = _weights(request.headers.get("accept", "*/*"))
    as_csv = max((weights[kind] for kind in _CSV_KINDS if kind in weights), default=0.0)
    as_json = max((weights[kind] for kind in _JSON_KINDS if kind in weights), default=0.0)
    if as_csv == 0 or as_csv < as_json:
        return False
    paged = [name for name in _PAGING if name in request.query_params]
    if paged:
        detail = "CSV holds the whole list; limit and cursor page JSON."
        raise RequestRefusedError(
            [FieldError("query", f"/{name}", "parameter_without_effect", detail) for name in paged]
        )
    return True


def preferred(request: Request, *offered: str) -> str:
    """The media type among those offered that the ``Accept`` header weighs most; the first of equals.

    Args:
        request: The request.
        offered: Media types that the route answers in, its own choice first.
    """
    weights = _weights(request.headers.get("accept", "*/*"))
    return max(offered, key=lambda kind: _weight(kind, weights))


def csv_answer(name: str, columns: Sequence[str], pages: Iterator[Iterable[Sequence[object]]]) -> Response:
    """The answer that sends these rows.

    Args:
        name: Name of the file that a browser saves.
        columns: Their names.
        pages: The rows, page after page; the first one is taken at once, so that its failures are problems.
    """
    header: Iterable[Sequence[object]] = [columns]
    texts = (_text(page) for page in chain([header, next(pages, ())], pages))
    return StreamingResponse(
        texts,
        media_type=f"{CSV}; charset=utf-8; header=present",
        headers={"Content-Disposition": f'attachment; filename="{name}"', "Vary": "Accept"},
    )


def _text(rows: Iterable[Sequence[object]]) -> bytes:
    written = io.StringIO(newline="")
    csv.writer(written, lineterminator="\r\n").writerows(rows)
    return written.getvalue().encode("utf-8")


def _weight(kind: str, weights: dict[str, float]) -> float:
    # The most exact range that takes the type in decides (RFC 9110, section 12.5.1).
    for asked in (kind, f"{kind.partition('/')[0]}/*", "*/*"):
        if asked in weights:
            return weights[asked]
    return 0.0


def _weights(accept: str) -> dict[str, float]:
    found: dict[str, float] = {}
    for part in accept.split(","):
        kind, *parameters = (piece.strip().lower() for piece in part.split(";"))
        weight = next((p[2:] for p in parameters if p.startswith("q=")), "1")
        try:
            found[kind] = min(max(float(weight), 0.0), 1.0)
        except ValueError:
            found[kind] = 0.0
    return found
