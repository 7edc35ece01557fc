"""A JSON body of readings, decoded without the request models, a row at a time at need.

Invariant: what is wrong with one row is that row's verdict; only a body that is no batch is refused whole.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import msgspec

from api.schemas.reading_rows import RowSent, decoded_row, may_repeat_members, taken
from api.services.errors import BodyMalformedError, RefusedError
from api.services.feed.parts import MOST_ROWS_AT_ONCE
from api.services.feed.tally import RefusedRow
from domain.errors import Breach

if TYPE_CHECKING:
    from api.services.feed.batch import SentReading


class _Batch(msgspec.Struct, forbid_unknown_fields=True):
    readings: list[RowSent]


class _RawBatch(msgspec.Struct, forbid_unknown_fields=True):
    readings: list[msgspec.Raw]


_NAME = b'"readings"'
_whole = msgspec.json.Decoder(_Batch)
_rows = msgspec.json.Decoder(_RawBatch)


def read_batch(body: bytes) -> tuple[list[SentReading], list[RefusedRow]]:
    """The readings of a JSON body, and its rows that break a rule.

    Args:
        body: The body as sent, decompressed.

    Raises:
        BodyMalformedError: The body is no JSON text in UTF-8.
        RefusedError: It is no batch, or has no row or too many.
    """
    try:
        body.decode("utf-8")
        rows = _whole.decode(body).readings
    except UnicodeDecodeError:
        msg = "The body is not UTF-8."
        raise BodyMalformedError(msg) from None
    except msgspec.ValidationError:
        return _one_by_one(body)
    except (msgspec.DecodeError, RecursionError):
        raise _no_json() from None
    _check_count(len(rows))
    if may_repeat_members(body, rows, more_texts=1):
        return _one_by_one(body)
    return taken(rows, range(len(rows)))


def _one_by_one(body: bytes) -> tuple[list[SentReading], list[RefusedRow]]:
    raws = _raw_rows(body)
    if body.count(_NAME) != 1 or b"\\u" in body:
        _refuse_repeated_batch(body)
    _check_count(len(raws))
    found = [decoded_row(bytes(raw), place) for place, raw in enumerate(raws)]
    rows = [(place, row) for place, row in enumerate(found) if isinstance(row, RowSent)]
    sent, refused = taken([row for _, row in rows], [place for place, _ in rows])
    return sent, [row for row in found if isinstance(row, RefusedRow)] + refused


def _check_count(count: int) -> None:
    if not 1 <= count <= MOST_ROWS_AT_ONCE:
        detail = f"A batch has 1 to {MOST_ROWS_AT_ONCE} readings."
        raise RefusedError(Breach("/readings", "row_count", detail))


def _raw_rows(body: bytes) -> list[msgspec.Raw]:
    try:
        return _rows.decode(body).readings
    except msgspec.ValidationError:
        detail = "The body is an object with one member, readings, a list."
        raise RefusedError(Breach("", "body_malformed", detail)) from None
    except (msgspec.DecodeError, RecursionError):
        raise _no_json() from None


def _refuse_repeated_batch(body: bytes) -> None:
    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if sum(name == "readings" for name, _ in pairs) > 1:
            detail = "The object holds this member more than once."
            raise RefusedError(Breach("/readings", "member_repeated", detail))
        return {}

    try:
        json.loads(body, object_pairs_hook=members)
    except (ValueError, RecursionError):
        raise _no_json() from None


def _no_json() -> BodyMalformedError:
    msg = "The body is no JSON."
    return BodyMalformedError(msg)
