"""Readings as lines of JSON, read from a file part by part.

Invariants: memory holds one part of a body, however long the body or a line of it is; a row's place is its
line's number less one, so blank lines, which are no rows, count in places; each line is one JSON value, and what
is wrong with one is that row's verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import numpy as np

from api.schemas.reading_rows import FEWEST_IN_COLUMNS, RowSent, decoded_row, may_repeat_members, taken
from api.services.feed.parts import LONGEST_LINE_BYTES, PART_ROWS, Part
from api.services.feed.tally import RefusedRow

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import IO

    from numpy.typing import NDArray

_PIECE_BYTES = 256 << 10
# A part ends early where its lines are long.
_PART_BYTES = 4 << 20
_NEWLINE, _RETURN, _OPENING, _CLOSING = 0x0A, 0x0D, 0x7B, 0x7D
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"

_rows = msgspec.json.Decoder(RowSent)


def parts(file: IO[bytes]) -> Iterator[Part]:
    """The parts of a file of lines, in order, each of at most ``PART_ROWS`` lines.

    Args:
        file: Read from its beginning.
    """
    file.seek(0)
    first = 0
    for block in _blocks(file):
        part = read_lines(block, first)
        first += part.lines
        yield part


def read_lines(block: bytes, first: int) -> Part:
    """The rows of some lines.

    Args:
        block: Whole lines; the last one may lack its end.
        first: Place of the first line.
    """
    ends = _ends(block)
    # On few lines the look at all of them costs more than it saves.
    rows = _plain_rows(block, ends) if len(ends) >= FEWEST_IN_COLUMNS else None
    if rows is not None:
        sent, refused = taken(rows, range(first, first + len(rows)))
        return Part(sent, refused, len(ends))
    found: list[RowSent | RefusedRow] = []
    places: list[int] = []
    begin = 0
    for place, end in enumerate(ends.tolist(), first):
        line, begin = block[begin:end], end + 1
        if line.strip(b" \t\r"):
            found.append(_row(line, place))
            places.append(place)
    good = [(place, row) for place, row in zip(places, found, strict=True) if isinstance(row, RowSent)]
    sent, refused = taken([row for _, row in good], [place for place, _ in good])
    return Part(sent, [row for row in found if isinstance(row, RefusedRow)] + refused, len(ends))


def _row(line: bytes, place: int) -> RowSent | RefusedRow:
    if len(line) > LONGEST_LINE_BYTES:
        detail = f"A line has at most {LONGEST_LINE_BYTES} bytes."
        return RefusedRow(place, "line_too_long", "", detail)
    if line.startswith(_BYTE_ORDER_MARK):
        return RefusedRow(
            place, "byte_order_mark", "", "The line begins with a byte order mark; send it without."
        )
    return decoded_row(line, place)


def _plain_rows(block: bytes, ends: NDArray[np.int64]) -> list[RowSent] | None:
    """The rows of a block whose every line is a good row, none of them blank or too long; else None."""
    letters = np.frombuffer(block, dtype=np.uint8)
    starts = np.concatenate(([0], ends[:-1] + 1))
    lengths = ends - starts
    if lengths.min() == 0 or lengths.max() > LONGEST_LINE_BYTES:
        return None
    lasts = letters[ends - 1]
    lasts = np.where(lasts == _RETURN, letters[ends - 2], lasts)
    # Between a closing and an opening brace no JSON value goes on, so as many values as lines are one a line.
    if (letters[starts] != _OPENING).any() or (lasts != _CLOSING).any():
        return None
    try:
        rows = _rows.decode_lines(block)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return rows if len(rows) == len(ends) and not may_repeat_members(block, rows) else None


def _ends(block: bytes) -> NDArray[np.int64]:
    """Where each line ends; a last line without its end ends with the block."""
    ends = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == _NEWLINE)
    if block and not block.endswith(b"\n"):
        ends = np.append(ends, len(block))
    return ends


def _blocks(file: IO[bytes]) -> Iterator[bytes]:
    """The file in blocks of whole lines."""
    pieces: list[bytes] = []
    lines = size = 0
    for piece in _pieces(file):
        begin = 0
        while lines + piece.count(b"\n", begin) >= PART_ROWS:
            end = int(
                np.flatnonzero(np.frombuffer(piece[begin:], dtype=np.uint8) == _NEWLINE)[
                    PART_ROWS - lines - 1
                ]
            )
            cut = begin + end + 1
            yield b"".join([*pieces, piece[begin:cut]])
            pieces, lines, size, begin = [], 0, 0, cut
        rest = piece[begin:]
        pieces.append(rest)
        lines += rest.count(b"\n")
        size += len(rest)
        if size > _PART_BYTES:
            # The lines before the last end, and what has begun after it.
            cut = piece.rfind(b"\n", begin) + 1
            if cut:
                pieces[-1] = piece[begin:cut]
                yield b"".join(pieces)
                pieces, lines, size = [piece[cut:]], 0, len(piece) - cut
    last = b"".join(pieces)
    if last:
        yield last


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    """The file in pieces, with no more of a line that is too long than shows it."""
    tail = 0
    while piece := file.read(_PIECE_BYTES):
        kept = []
        for place, line in enumerate(piece.split(b"\n")) if _may_be_too_long(piece, tail) else ():
            if place:
                tail = 0
            room = max(LONGEST_LINE_BYTES + 1 - tail, 0)
            kept.append(line[:room])
            tail += min(len(line), room)
        if kept:
            yield b"\n".join(kept)
        else:
            end = piece.rfind(b"\n")
            tail = tail + len(piece) if end < 0 else len(piece) - end - 1
            yield piece


def _may_be_too_long(piece: bytes, tail: int) -> bool:
    """Whether a line in this piece, the first of which begins ``tail`` bytes before it, may be too long."""
    begin = -tail
    while len(piece) - begin > LONGEST_LINE_BYTES:
        # The last end within reach of the line that begins here.
        end = piece.rfind(b"\n", max(begin, 0), max(begin + LONGEST_LINE_BYTES + 1, 0))
        if end < 0:
            return True
        begin = end + 1
    return False
