"""Rows of readings: columns are the rows one by one; a file of lines is its lines, wherever it is cut."""

from __future__ import annotations

import io
import json
import tracemalloc
from typing import IO, Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.schemas import reading_lines
from api.schemas.reading_lines import parts, read_lines
from api.schemas.reading_rows import FEWEST_IN_COLUMNS, FigureSent, RawSent, RowSent, decoded_row, taken
from api.services.feed.parts import LONGEST_LINE_BYTES
from api.services.feed.tally import RefusedRow
from domain.broadcast import Signal
from domain.sheet import Meter
from domain.units import UNITS

UNSET = msgspec.UNSET
METERS = st.sampled_from([*(meter.value for meter in Meter), "clock"])
CODES = st.sampled_from([*UNITS, "furlong", ""])
VALUES = st.one_of(
    st.integers(0, 10**15).map(lambda n: n / 10**6),
    st.integers(0, 10**12).map(lambda n: n / 10),
    st.floats(0, 2e12, allow_nan=False),
    st.sampled_from([-0.0, -0.1, 1e-9, 0.0005, 1e9, 1e12, 1e308, 999999999.999999, 621371.192237334]),
)
FIGURES = st.builds(FigureSent, VALUES, CODES)
RAWS = st.builds(
    RawSent,
    st.sampled_from([*Signal, "j1708", "km"]).map(str),
    st.one_of(st.integers(-1, 2**32), st.integers(0xFAFFFFFE, 0xFF000001), st.just(10**400)),
)
ROWS = st.builds(
    RowSent,
    unit=st.sampled_from(["K-01", "K-02", "", " K", "K\x7f", "K" * 64, "K" * 65, "\u00e9"]),
    meter=METERS,
    at=st.sampled_from(
        ["2031-05-01T08:00:00Z", "2031-05-01T08:00:00.5+02:00", "2031-05-01", "9999-12-31T23:59:59Z", "nope"]
    ),
    source=st.sampled_from(["gateway", "x y", "x ", "\ud800"]),
    figure=st.one_of(FIGURES, FIGURES, st.just(UNSET)),
    raw=st.one_of(st.just(UNSET), st.just(UNSET), RAWS),
)


@settings(max_examples=60)
@given(st.lists(ROWS, min_size=1, max_size=40))
def test_columns_take_what_single_rows_take(rows: list[RowSent]) -> None:
    """Enough rows for columns, against each row alone: the same readings and the same refusals."""
    many = rows * (FEWEST_IN_COLUMNS // len(rows) + 1)
    places = range(100, 100 + len(many))
    sent, refused = taken(many, places)
    alone = [taken([row], [place]) for row, place in zip(many, places, strict=True)]
    assert sorted(sent) == sorted(reading for found, _ in alone for reading in found)
    assert sorted(refused) == sorted(row for _, found in alone for row in found)


GOOD = json.dumps(
    {
        "unit": "K-01",
        "meter": "odometer",
        "at": "2031-05-01T08:00:00Z",
        "figure": {"value": 1, "unit": "km"},
        "source": "gateway",
    }
).encode()
FRAGMENTS = st.sampled_from(
    [
        GOOD,
        GOOD,
        GOOD,
        GOOD[:-30],
        GOOD[-30:],
        b"\n",
        b"\n",
        b"\r\n",
        b" ",
        b"{}",
        b"{",
        b"}",
        b"\xff",
        b"x" * 300,
    ]
)


def line_by_line(body: bytes, longest: int) -> tuple[list[Any], list[Any], int]:
    """What a body of lines holds, the plain slow way."""
    lines = body.split(b"\n")
    if not lines[-1]:
        lines.pop()
    sent, refused = [], []
    for place, line in enumerate(lines):
        if not line.strip(b" \t\r"):
            continue
        if len(line) > longest:
            refused.append((place, "line_too_long"))
            continue
        row = decoded_row(line, place)
        if isinstance(row, RefusedRow):
            refused.append((place, row.code))
            continue
        found, bad = taken([row], [place])
        sent += found
        refused += [(place, one.code) for one in bad]
    return sent, sorted(refused), len(lines)


@given(
    body=st.lists(FRAGMENTS, max_size=40).map(b"".join),
    piece=st.integers(1, 400),
    rows=st.integers(1, 12),
    size=st.integers(1, 800),
)
def test_a_file_of_lines_is_its_lines_wherever_it_is_cut(
    body: bytes, piece: int, rows: int, size: int
) -> None:
    """Read in pieces and parts of any size, in columns or not: the same readings, refusals and count of lines."""
    longest = 250
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading_lines, "_PIECE_BYTES", piece)
        patch.setattr(reading_lines, "_PART_BYTES", size)
        patch.setattr(reading_lines, "PART_ROWS", rows)
        patch.setattr(reading_lines, "LONGEST_LINE_BYTES", longest)
        patch.setattr(reading_lines, "FEWEST_IN_COLUMNS", 2)
        found = list(parts(io.BytesIO(body)))
    sent, refused, lines = line_by_line(body, longest)
    assert [reading for part in found for reading in part.sent] == sent
    assert sorted((row.place, row.code) for part in found for row in part.refused) == refused
    assert sum(part.lines for part in found) == lines
    assert all(part.lines <= rows for part in found)


@given(st.lists(FRAGMENTS, min_size=1, max_size=30).map(b"".join))
def test_a_block_of_many_lines_is_its_lines(body: bytes) -> None:
    """Around bad lines and behind good ones: what the look at all lines takes is what single lines give."""
    block = (GOOD + b"\n") * FEWEST_IN_COLUMNS + body
    part = read_lines(block, 0)
    sent, refused, lines = line_by_line(block, LONGEST_LINE_BYTES)
    assert sorted(part.sent) == sorted(sent)
    assert sorted((row.place, row.code) for row in part.refused) == refused
    assert part.lines == lines


class _Endless(io.RawIOBase):
    """A file of so many bytes that repeats one text, and is nowhere whole."""

    def __init__(self, text: bytes, size: int) -> None:
        self._text = text
        self._left = size
        self._place = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, place: int, whence: int = 0) -> int:
        return place + whence

    def readinto(self, buffer: Any) -> int:
        size = min(len(buffer), self._left)
        begin = self._place % len(self._text)
        repeated = (self._text * (size // len(self._text) + 2))[begin : begin + size]
        buffer[:size] = repeated
        self._left -= size
        self._place += size
        return size


@pytest.mark.parametrize("text", [GOOD + b"\n", b"x" * 1000, b"[" * 1000, b"\n", b"y" * 70_000 + b"\n"])
def test_memory_does_not_grow_with_the_file(text: bytes) -> None:
    """Rows (50 MB of objects, were they all held), one endless line, lines without end: at most 16 MiB at once."""
    size = {GOOD + b"\n": 4_000_000, b"\n": 300_000}.get(text, 20_000_000)
    file: IO[bytes] = io.BufferedReader(_Endless(text, size))
    tracemalloc.start()
    rows = sum(len(part.sent) for part in parts(file))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert rows == (size // len(text) if text.startswith(b"{") else 0)
    assert peak < 16 << 20
