"""Rows of readings as decoded, and what is taken of them: many at a time in columns, one by one where need be.

Invariants: columns only take rows; whatever they cannot vouch for goes through ``_taken_one``, which alone
refuses, so that a row's verdict does not depend on how many come with it. A figure is converted exactly, then
rounded once.
"""

from __future__ import annotations

import json
import math
from itertools import compress, repeat
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np

from api.schemas.instant_columns import MALFORMED, instants_us
from api.schemas.quantities import LARGEST_CANONICAL
from api.schemas.times import instant_us
from api.services.feed.batch import SentReading
from api.services.feed.listing import METER_CODES
from api.services.feed.tally import RefusedRow
from domain.broadcast import FORMS, LARGEST_RAW, Signal, figure_of
from domain.errors import MeterError
from domain.meters import METER_DIMENSION
from domain.sheet import Meter
from domain.units import COLUMN_DECIMALS, UNITS, column_to_canonical, to_canonical_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LONGEST_CODE = 64
FEWEST_IN_COLUMNS = 64
"""Below this many rows, columns cost more than they save."""

LARGEST_IN_COLUMNS = 1e9
"""Figures up to here are converted in columns."""

_METERS = {meter.value: (METER_CODES[meter], METER_DIMENSION[meter]) for meter in Meter}
_SIGNALS = {signal.value: (signal, FORMS[signal]) for signal in Signal}


class FigureSent(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A figure with its unit."""

    value: float
    unit: str


class RawSent(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """An unscaled value with its signal."""

    signal: str
    value: int


class RowSent(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A row."""

    unit: str
    meter: str
    at: str
    source: str
    figure: FigureSent | msgspec.UnsetType = msgspec.UNSET
    raw: RawSent | msgspec.UnsetType = msgspec.UNSET


_row = msgspec.json.Decoder(RowSent)

# Texts between quotation marks: four members of a row with their values; a figure or raw value with its two members,
# one of which is a text.
_TEXTS_OF_ROW, _TEXTS_OF_MEASURE = 8, 4
_QUOTATION_MARK = 0x22


def taken(rows: Sequence[RowSent], places: Sequence[int]) -> tuple[list[SentReading], list[RefusedRow]]:
    """The readings of decoded rows, and the rows that break a rule.

    Args:
        rows: The rows.
        places: Place of each in the body.
    """
    refused: list[RefusedRow] = []
    if len(rows) >= FEWEST_IN_COLUMNS:
        sent, is_taken = _taken_in_columns(rows, places)
        if is_taken.all():
            return sent, refused
        left = [(rows[place], places[place]) for place in np.flatnonzero(~is_taken).tolist()]
    else:
        sent, left = [], list(zip(rows, places, strict=True))
    for row, place in left:
        found = _taken_one(row, place)
        if isinstance(found, RefusedRow):
            refused.append(found)
        else:
            sent.append(found)
    return sent, refused


def decoded_row(text: bytes, place: int) -> RowSent | RefusedRow:
    """One row from its JSON text."""
    try:
        row = _row.decode(text)
    except UnicodeDecodeError:
        return RefusedRow(place, "text_malformed", "", "The row is not UTF-8.")
    except (msgspec.DecodeError, RecursionError) as error:
        return _undecoded(place, error)
    if may_repeat_members(text, (row,)) and _repeats_members(text):
        return RefusedRow(place, "member_repeated", "", "The row holds a member more than once.")
    return row


def may_repeat_members(text: bytes, rows: Sequence[RowSent], *, more_texts: int = 0) -> bool:
    """Whether a member may stand twice in one of the rows that this text was decoded to.

    A row that was decoded holds each of its members and no other, so it has so many quotation marks at least. More
    of them may be repetitions (or a text with a quotation mark in it); only then is it worth reading the text a
    second, slower time.

    Args:
        text: JSON text.
        rows: All rows in it.
        more_texts: Names and values in it that stand outside the rows.
    """
    figures = len([1 for row in rows if row.figure is not msgspec.UNSET])
    raws = len([1 for row in rows if row.raw is not msgspec.UNSET])
    texts = _TEXTS_OF_ROW * len(rows) + _TEXTS_OF_MEASURE * (figures + raws) + more_texts
    marks = np.count_nonzero(np.frombuffer(text, dtype=np.uint8) == _QUOTATION_MARK)
    return bool(marks != 2 * texts)


def _repeats_members(text: bytes) -> bool:
    found = False

    def members(pairs: list[tuple[str, Any]]) -> None:
        nonlocal found
        found = found or len({name for name, _ in pairs}) != len(pairs)

    json.loads(text, object_pairs_hook=members)
    return found


def _undecoded(place: int, error: Exception) -> RefusedRow:
    message, _, where = f"{error}".partition(" - at `$")
    pointer = where.rstrip("`").replace(".", "/")
    # The decoder names members and types, and never the value; an unknown member's name is the client's own text.
    if "unknown field" in message:
        return RefusedRow(place, "member_unknown", pointer, "The row has a member that is not known.")
    return RefusedRow(place, "row_malformed", pointer, f"{message}.")


def _is_code(text: str) -> bool:
    return 1 <= len(text) <= LONGEST_CODE and text.isprintable() and text == text.strip()


def _taken_one(row: RowSent, place: int) -> SentReading | RefusedRow:
    """One row's reading, or what is wrong with it."""
    meter = _METERS.get(row.meter)
    if meter is None:
        detail = "A meter is one of " + ", ".join(_METERS) + "."
        return RefusedRow(place, "meter_unknown", "/meter", detail)
    if isinstance(row.figure, FigureSent) == isinstance(row.raw, RawSent):
        return RefusedRow(place, "figure_or_raw", "", "A row has either a figure or a raw value.")
    if isinstance(row.figure, FigureSent):
        figure = _figure(row.figure, meter[1], place)
    else:
        figure = _scaled(row.raw, row.meter, place)  # type: ignore[arg-type] # the other case was refused above
    if isinstance(figure, RefusedRow):
        return figure
    at_us = instant_us(row.at)
    if at_us is None:
        detail = "An instant is RFC 3339 text with an offset, from 1970 to 2199."
        return RefusedRow(place, "instant_malformed", "/at", detail)
    for pointer, text in (("/unit", row.unit), ("/source", row.source)):
        if not _is_code(text):
            detail = "A code is 1 to 64 printable characters without blanks at its ends."
            return RefusedRow(place, "code_malformed", pointer, detail)
    return SentReading(place, row.unit, meter[0], at_us, figure, row.source)


def _figure(sent: FigureSent, dimension: object, place: int) -> int | RefusedRow:
    unit = UNITS.get(sent.unit)
    if unit is None or unit.dimension is not dimension:
        code = "unit_unknown" if unit is None else "unit_of_wrong_dimension"
        allowed = ", ".join(c for c, u in UNITS.items() if u.dimension is dimension)
        detail = f"This meter takes one of these unit codes: {allowed}."
        return RefusedRow(place, code, "/figure/unit", detail)
    if not 0 <= sent.value < math.inf or sent.value * float(unit.factor) > LARGEST_CANONICAL:
        detail = "A figure is 0 or more, and not this large."
        return RefusedRow(place, "figure_out_of_range", "/figure/value", detail)
    return to_canonical_whole(sent.value, sent.unit, unit.dimension)


def _scaled(sent: RawSent, meter: str, place: int) -> int | RefusedRow:
    found = _SIGNALS.get(sent.signal)
    if found is None:
        detail = "A signal is one of " + ", ".join(_SIGNALS) + "."
        return RefusedRow(place, "signal_unknown", "/raw/signal", detail)
    signal, form = found
    if form.meter.value != meter:
        detail = f"This signal carries the meter {form.meter.value}."
        return RefusedRow(place, "signal_of_other_meter", "/raw/signal", detail)
    try:
        return figure_of(signal, sent.value)
    except MeterError as error:
        breach = error.breaches[0]
        detail = f"{breach.detail[:1].upper()}{breach.detail[1:]}."
        return RefusedRow(place, breach.rule, "/raw/value", detail)


def _taken_in_columns(
    rows: Sequence[RowSent], places: Sequence[int]
) -> tuple[list[SentReading], NDArray[np.bool_]]:
    """The readings of the rows that are right beyond doubt, and which rows those are."""
    units, sources = [row.unit for row in rows], [row.source for row in rows]
    meters, figures, is_good = _measured(rows)
    at_us = instants_us([row.at for row in rows])
    is_good &= at_us != MALFORMED
    strange = {text for text in {*units, *sources} if not _is_code(text)}
    if strange:
        is_good &= [unit not in strange for unit in units]
        is_good &= [source not in strange for source in sources]
    columns = (places, units, meters.tolist(), at_us.tolist(), figures.tolist(), sources)
    sent = map(SentReading._make, zip(*columns, strict=True))
    return list(sent if is_good.all() else compress(sent, is_good.tolist())), is_good


def _measured(rows: Sequence[RowSent]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Meter code and figure of each row, and whether columns vouch for them."""
    # (meter, unit code or signal, which of the two) of each row
    meters_sent, figures_sent = [row.meter for row in rows], [row.figure for row in rows]
    if any(row.raw is not msgspec.UNSET for row in rows) or any(f is msgspec.UNSET for f in figures_sent):
        kinds, values = _mixed(rows)
    else:
        codes = [figure.unit for figure in figures_sent]  # type: ignore[union-attr] # none is unset
        kinds = list(zip(meters_sent, codes, repeat(_FIGURE), strict=False))
        values = [figure.value for figure in figures_sent]
    numbers = {kind: number for number, kind in enumerate(dict.fromkeys(kinds))}
    kind_of_row = np.fromiter(map(numbers.__getitem__, kinds), dtype=np.int64, count=len(rows))
    column = np.array(values, dtype=np.float64)
    meters = np.zeros(len(rows), dtype=np.int64)
    figures = np.zeros(len(rows), dtype=np.int64)
    is_good = np.zeros(len(rows), dtype=np.bool_)
    for (meter, code, measure), number in numbers.items():
        if meter not in _METERS:
            continue
        of_kind = np.flatnonzero(kind_of_row == number)
        convert = _signal_column if measure == _RAW else _figure_column
        whole, is_right = convert(meter, code, column[of_kind])
        meters[of_kind] = _METERS[meter][0]
        figures[of_kind] = whole
        is_good[of_kind] = is_right
    return meters, figures, is_good


def _mixed(rows: Sequence[RowSent]) -> tuple[list[tuple[str, str, str]], list[float]]:
    """Kind and value of each row; a row with both a figure and a raw value, or neither, is of no kind."""
    kinds: list[tuple[str, str, str]] = []
    values: list[float] = []
    for row in rows:
        figure, raw = row.figure, row.raw
        if raw is msgspec.UNSET and figure is not msgspec.UNSET:
            kinds.append((row.meter, figure.unit, _FIGURE))
            values.append(figure.value)
        elif figure is msgspec.UNSET and raw is not msgspec.UNSET:
            kinds.append((row.meter, raw.signal, _RAW))
            # A whole number in JSON has any length; what is no count of four bytes fits no column.
            values.append(raw.value if 0 <= raw.value <= LARGEST_RAW else -1.0)
        else:
            kinds.append(_NO_KIND)
            values.append(0.0)
    return kinds, values


_FIGURE, _RAW = "figure", "raw"
_NO_KIND = ("", "", "")


def _figure_column(
    meter: str, code: str, values: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Whole canonical figures, and which of them are exact: the others have more decimals than columns keep."""
    unit, dimension = UNITS.get(code), _METERS[meter][1]
    if unit is None or unit.dimension is not dimension:
        return np.zeros(len(values), dtype=np.int64), np.zeros(len(values), dtype=np.bool_)
    decimals = COLUMN_DECIMALS[dimension]
    scale = 10.0**decimals
    largest = min(LARGEST_IN_COLUMNS, LARGEST_CANONICAL / float(unit.factor))
    is_right = (values >= 0) & (values <= largest)
    bounded = np.where(is_right, values, 0.0)
    # A double that is the nearest to a decimal of at most 15 digits is written as that decimal.
    is_right &= np.rint(bounded * scale) / scale == bounded
    return column_to_canonical(bounded, code, dimension, decimals=decimals), is_right


def _signal_column(
    meter: str, code: str, values: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    found = _SIGNALS.get(code)
    if found is None or found[1].meter.value != meter:
        return np.zeros(len(values), dtype=np.int64), np.zeros(len(values), dtype=np.bool_)
    form = found[1]
    is_right = (values >= 0) & (values <= form.largest)
    return np.where(is_right, values, 0.0).astype(np.int64) * form.step, is_right
