"""Columns of instants as text, made whole UTC microseconds many at a time.

Invariant: each figure is the one that ``times.instant_us`` gives for its text; what the columns cannot vouch for
goes through it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from api.schemas.times import EARLIEST_US, LATEST_US, instant_us

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

MALFORMED = -1
"""Stands for a text that is no instant, or out of bounds."""

# A column of many lengths gains nothing over one text at a time.
_MOST_LENGTHS = 8
_SHORTEST, _LONGEST = len("2031-05-04T08:00:00Z"), len("2031-05-04T08:00:00.123456789+02:00")
_CLOCK = len("2031-05-04T08:00:00")
_OFFSET = len("+02:00")
_ZERO = ord("0")
_DIGITS = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)
_SEPARATORS = ((4, "-"), (7, "-"), (10, "T"), (13, ":"), (16, ":"))
_DAYS_BEFORE = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334], dtype=np.int64)
_DAYS_IN = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int64)
_MICRO_PLACES = 6


def instants_us(texts: Sequence[str]) -> NDArray[np.int64]:
    """UTC microseconds of each RFC 3339 text with an offset, shape (n,); ``MALFORMED`` where it is none.

    Args:
        texts: The texts, n of them.
    """
    found = np.full(len(texts), MALFORMED, dtype=np.int64)
    lengths = np.fromiter(map(len, texts), dtype=np.int64, count=len(texts))
    different = np.unique(lengths)
    if len(different) <= _MOST_LENGTHS:
        for length in different:
            if _SHORTEST <= length <= _LONGEST:
                _fill(found, texts, np.flatnonzero(lengths == length), int(length))
    for place in np.flatnonzero(found == MALFORMED).tolist():
        at_us = instant_us(texts[place])
        if at_us is not None:
            found[place] = at_us
    return found


def _fill(found: NDArray[np.int64], texts: Sequence[str], places: NDArray[np.int64], length: int) -> None:
    """Give the instants of the texts of one length, as far as their form is the plain one."""
    joined = "".join(texts if len(places) == len(texts) else [texts[place] for place in places])
    if not joined.isascii():
        return
    letters = np.frombuffer(joined.encode("ascii"), dtype=np.uint8).reshape(-1, length)
    is_zulu = letters[:, -1] == ord("Z")
    for offset, rows in ((1, is_zulu), (_OFFSET, ~is_zulu)):
        if rows.any() and length >= _CLOCK + offset:
            some = letters if rows.all() else letters[rows]
            found[places if rows.all() else places[rows]] = _instants(some, offset)


def _instants(letters: NDArray[np.uint8], offset: int) -> NDArray[np.int64]:
    fraction = letters.shape[1] - _CLOCK - offset
    if fraction == 1:
        return np.full(len(letters), MALFORMED, dtype=np.int64)
    digits = [*_DIGITS, *range(_CLOCK + 1, _CLOCK + fraction)]
    separators = [*_SEPARATORS, *([(_CLOCK, ".")] if fraction else [])]
    if offset == _OFFSET:
        digits += [-5, -4, -2, -1]
        separators.append((-3, ":"))
    # Unsigned, so that what lies below "0" lies far above 9.
    figures = letters - np.uint8(_ZERO)
    is_good = (figures[:, digits] <= 9).all(axis=1)  # noqa: PLR2004 - a decimal digit
    for place, letter in separators:
        is_good &= letters[:, place] == ord(letter)
    wide = figures.astype(np.int64)
    year, month, day = _number(wide, 0, 4), _number(wide, 5, 7), _number(wide, 8, 10)
    hour, minute, second = _number(wide, 11, 13), _number(wide, 14, 16), _number(wide, 17, 19)
    is_good &= (month >= 1) & (month <= 12)  # noqa: PLR2004 - months of the year
    month = np.where(is_good, month, 1)
    is_leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    is_good &= (day >= 1) & (day <= _DAYS_IN[month] + (is_leap & (month == 2)))  # noqa: PLR2004 - February
    is_good &= (hour < 24) & (minute < 60) & (second < 60)  # noqa: PLR2004 - hours, minutes and seconds
    before = year - 1
    # Days from 1 January of year 1, of which 719,162 lie before 1970.
    days = before * 365 + before // 4 - before // 100 + before // 400 - 719_162
    days += _DAYS_BEFORE[month] + (is_leap & (month > 2)) + day - 1  # noqa: PLR2004 - after February
    seconds: NDArray[np.int64] = days * 86_400 + hour * 3600 + minute * 60 + second
    if offset == _OFFSET:
        ahead_h, ahead_min = _number(wide, -5, -3), _number(wide, -2, None)
        is_ahead = letters[:, -_OFFSET] == ord("+")
        is_good &= (is_ahead | (letters[:, -_OFFSET] == ord("-"))) & (ahead_h < 24) & (ahead_min < 60)  # noqa: PLR2004
        seconds -= np.where(is_ahead, 1, -1) * (ahead_h * 3600 + ahead_min * 60)
    at_us: NDArray[np.int64] = seconds * 1_000_000 + _micros(wide, fraction)
    is_good &= (at_us >= EARLIEST_US) & (at_us < LATEST_US)
    at_us[~is_good] = MALFORMED
    return at_us


def _micros(wide: NDArray[np.int64], fraction: int) -> NDArray[np.int64]:
    places = min(max(fraction - 1, 0), _MICRO_PLACES)
    if not places:
        return np.zeros(len(wide), dtype=np.int64)
    micros: NDArray[np.int64] = _number(wide, _CLOCK + 1, _CLOCK + 1 + places) * 10 ** (
        _MICRO_PLACES - places
    )
    return micros


def _number(wide: NDArray[np.int64], first: int, end: int | None) -> NDArray[np.int64]:
    columns = wide[:, first:end]
    weights = 10 ** np.arange(columns.shape[1] - 1, -1, -1, dtype=np.int64)
    number: NDArray[np.int64] = columns @ weights
    return number
