"""A CSV file of readings, read line by line; its rows that break a rule; how far an import of it has come.

Invariants: the progress beside the file says no more than what is stored, and belongs to this file as it is; the file
of rejects holds each refused row once, however often the import was broken off. Rows are told apart by their key in the
store, so an import begun again from the start changes nothing that is there.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, NamedTuple

from api.schemas.reading_rows import FigureSent, RowSent, taken
from api.services.feed.parts import PART_ROWS
from api.services.feed.tally import RefusedRow

if TYPE_CHECKING:
    from collections.abc import Iterator

    from api.services.feed.batch import SentReading

COLUMNS = ("unit", "meter", "at", "value", "unit_code", "source")
"""Columns that a file has, in any order; others are passed over."""

_REJECTED = ("line", "code", "column", "detail", *COLUMNS)
_COLUMN_OF = {
    "/unit": "unit",
    "/meter": "meter",
    "/at": "at",
    "/figure/value": "value",
    "/figure/unit": "unit_code",
    "/source": "source",
}
_LONGEST_LINE_BYTES = 64 << 10
_NUMBER = re.compile(r"[+-]?[0-9]{1,30}(?:\.[0-9]{1,30})?")


class NoHistoryError(Exception):
    """A file that is no CSV file of readings; the message says why."""


@dataclass(frozen=True, slots=True)
class Reject:
    """A refused row: what is wrong with it, its line, and its fields in the order of ``COLUMNS``."""

    refused: RefusedRow
    line: int
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Batch:
    """Some rows of the file.

    Attributes:
        rows: How many.
        read_bytes: How far the file was read for them [byte].
        sent: Their readings.
        rejects: Those that break a rule.
    """

    rows: int
    read_bytes: int
    sent: list[SentReading]
    rejects: list[Reject]


def batches(path: Path, *, skipped: int) -> Iterator[Batch]:
    """The rows of a file, in batches.

    Args:
        path: The file, UTF-8, with a byte order mark or without.
        skipped: Rows that were stored before and are passed over.

    Raises:
        NoHistoryError: It cannot be read, or its header lacks a column.
    """
    with _opened(path) as raw:
        order = _order(raw.readline(_LONGEST_LINE_BYTES))
        count = 0
        batch: list[_Line] = []
        for line in _lines(raw):
            count += 1
            if count <= skipped:
                continue
            batch.append(line)
            if len(batch) == PART_ROWS:
                yield _batch(batch, order, read_bytes=raw.tell())
                batch = []
        if batch:
            yield _batch(batch, order, read_bytes=raw.tell())


class Journal:
    """What is kept beside a file while it is imported: its progress and its rejects."""

    def __init__(self, path: Path) -> None:
        """Keep both beside this file."""
        self._path = path
        self.rejects = path.with_name(path.name + ".rejects.csv")
        self.progress = path.with_name(path.name + ".progress.json")

    def stored_rows(self) -> int:
        """Rows that an import of this file stored before it was broken off; rejects beyond them are dropped."""
        kept: dict[str, int] = {}
        with contextlib.suppress(OSError, ValueError):
            found = json.loads(self.progress.read_text("utf-8"))
            if isinstance(found, dict) and found.get("file") == self._fingerprint():
                kept = found
        rows, size = kept.get("rows", 0), kept.get("rejects_bytes", 0)
        if not isinstance(rows, int) or not isinstance(size, int) or rows < 0 or not self._is_cut(size):
            rows = 0
            self._is_cut(0)
        return rows

    def keep_rejects(self, rejects: list[Reject]) -> None:
        """Add refused rows; before their batch is stored, and dropped again if it is not."""
        if not rejects:
            return
        is_new = not self.rejects.exists() or self.rejects.stat().st_size == 0
        with self.rejects.open("a", encoding="utf-8", errors="backslashreplace", newline="") as file:
            writer = csv.writer(file, lineterminator="\r\n")
            if is_new:
                writer.writerow(_REJECTED)
            for reject in rejects:
                column = _COLUMN_OF.get(reject.refused.pointer, "")
                writer.writerow(
                    (reject.line, reject.refused.code, column, reject.refused.detail, *reject.fields)
                )

    def note(self, rows: int) -> None:
        """Note that so many rows are stored or refused."""
        size = self.rejects.stat().st_size if self.rejects.exists() else 0
        noted = {"file": self._fingerprint(), "rows": rows, "rejects_bytes": size}
        new = self.progress.with_name(self.progress.name + ".new")
        new.write_text(json.dumps(noted), "utf-8")
        new.replace(self.progress)

    def end(self) -> None:
        """Forget the progress of a file that was imported whole."""
        self.progress.unlink(missing_ok=True)

    def _is_cut(self, size: int) -> bool:
        """Whether the rejects could be cut back to a size."""
        if not self.rejects.exists():
            return size == 0
        if size == 0:
            self.rejects.unlink()
            return True
        if self.rejects.stat().st_size < size:
            return False
        os.truncate(self.rejects, size)
        return True

    def _fingerprint(self) -> str:
        found = self._path.stat()
        return f"{found.st_size} {found.st_mtime_ns}"


class _Line(NamedTuple):
    """A line that is not blank: its number, and its fields unless it is no CSV."""

    number: int
    fields: list[str] | None


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    try:
        raw = path.open("rb")
    except OSError as error:
        msg = f"{path}: {error.strerror}"
        raise NoHistoryError(msg) from None
    with raw:
        yield raw


def _order(line: bytes) -> list[int]:
    header = _fields(line.removeprefix(b"\xef\xbb\xbf")) or []
    missing = [name for name in COLUMNS if header.count(name) != 1]
    if missing:
        msg = f"the first line names each of the columns {', '.join(COLUMNS)} once; not so: {', '.join(missing)}"
        raise NoHistoryError(msg)
    return [header.index(name) for name in COLUMNS]


def _lines(raw: IO[bytes]) -> Iterator[_Line]:
    """The lines after the header; of one that is too long each part is a line that is no row."""
    number = 1
    begins = True
    while line := raw.readline(_LONGEST_LINE_BYTES):
        number += begins
        ends = line.endswith(b"\n")
        is_whole = begins and (ends or len(line) < _LONGEST_LINE_BYTES)
        if not is_whole and begins:
            yield _Line(number, None)
        elif is_whole and line.strip():
            yield _Line(number, _fields(line))
        begins = ends


def _fields(line: bytes) -> list[str] | None:
    """The fields of a line; a row is one line, so that an open quotation mark spoils its own line only."""
    # Bytes that are not UTF-8 become what no code and no figure holds.
    text = line.decode("utf-8", "surrogateescape").rstrip("\r\n")
    if '"' not in text:
        return text.split(",")
    try:
        return next(csv.reader((text,), strict=True))
    except csv.Error:
        return None


def _batch(batch: list[_Line], order: list[int], *, read_bytes: int) -> Batch:
    rows: list[RowSent] = []
    places: list[int] = []
    refused: list[RefusedRow] = []
    picked: dict[int, tuple[str, ...]] = {}
    for place, (_, fields) in enumerate(batch):
        if fields is None or len(fields) <= max(order):
            refused.append(RefusedRow(place, "row_malformed", "", "The line is not a row of these columns."))
            continue
        unit, meter, at, value, code, source = picked[place] = tuple(fields[column] for column in order)
        if not _NUMBER.fullmatch(value):
            detail = "A value is a decimal number such as 1234.5."
            refused.append(RefusedRow(place, "figure_malformed", "/figure/value", detail))
            continue
        figure = FigureSent(float(value), code)
        rows.append(RowSent(unit=unit, meter=meter, at=at, source=source, figure=figure))
        places.append(place)
    sent, more = taken(rows, places)
    rejects = [
        Reject(row, batch[row.place].number, picked.get(row.place, ()))
        for row in sorted([*refused, *more], key=lambda row: row.place)
    ]
    return Batch(len(batch), read_bytes, sent, rejects)
