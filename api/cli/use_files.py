"""A CSV file of readings as histories of use, for a backtest without a database.

The columns are found by the names in ``NAMES`` unless they are named. A column of figures says its unit at the end of
its name (``odometer_km``, ``odometer_mi``, ``engine_h``), or a column of units stands beside it.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from domain.use_history import DaySeries, UseHistories, use_histories

NAMES = {
    "vehicle": ("unit", "vehicle", "bus"),
    "type": ("type", "spec_sheet", "group"),
    "day": ("at", "read_on", "date", "day"),
    "figure": ("value", "odometer_m", "odometer_km", "odometer_mi", "engine_h"),
    "unit": ("unit_code",),
    "meter": ("meter",),
}
"""Names that a column may have, by what it holds."""

_CANONICAL = {"m": 1.0, "km": 1000.0, "mi": 1609.344, "h": 3600.0, "s": 1.0}
_EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
_ONE_TYPE = "all"


class NoUseFileError(Exception):
    """A file that is no CSV file of readings; the message says why."""


@dataclass(frozen=True, slots=True)
class UseFile:
    """What a file holds.

    Attributes:
        types: Names of the types, in the order in which the histories count them.
        histories: Use by month.
        vehicles: How many vehicles have readings of more than one day.
        left_out: Rows left out because the figure goes back or is no figure, or the day is none.
    """

    types: tuple[str, ...]
    histories: UseHistories
    vehicles: int
    left_out: int


def use_file(path: Path, *, meter: str) -> UseFile:
    """The histories of a file.

    Args:
        path: The file, UTF-8.
        meter: Rows of this meter are taken, where a column names meters.

    Raises:
        NoUseFileError: It cannot be read, lacks a column, or holds no vehicle with readings of more than one day.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.DictReader(file)
            columns = _columns(rows.fieldnames or ())
            readings, kinds, left_out = _readings(rows, columns, meter)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        msg = f"{path}: {error}"
        raise NoUseFileError(msg) from None
    series: list[DaySeries] = []
    type_of: list[int] = []
    types = tuple(sorted({kinds[vehicle] for vehicle in readings}))
    for vehicle, by_day in readings.items():
        days = np.array(sorted(by_day), dtype=np.int64)
        life = np.array([by_day[day] for day in days.tolist()])
        is_risen = life >= np.maximum.accumulate(life)
        left_out += int((~is_risen).sum())
        if is_risen.sum() > 1:
            series.append(DaySeries(days[is_risen], life[is_risen]))
            type_of.append(types.index(kinds[vehicle]))
    if not series:
        msg = f"{path}: no vehicle has readings of more than one day"
        raise NoUseFileError(msg)
    return UseFile(types, use_histories(series, type_of), len(series), left_out)


def _columns(header: list[str] | tuple[str, ...] | object) -> dict[str, str]:
    names = list(header) if isinstance(header, list | tuple) else []
    found = {
        part: next(name for name in known if name in names)
        for part, known in NAMES.items()
        if any(name in names for name in known)
    }
    for part in ("vehicle", "day", "figure"):
        if part not in found:
            msg = f"the first line names no column for the {part}: one of {', '.join(NAMES[part])}"
            raise NoUseFileError(msg)
    return found


def _readings(
    rows: csv.DictReader[str], columns: dict[str, str], meter: str
) -> tuple[dict[tuple[str, str], dict[int, float]], dict[tuple[str, str], str], int]:
    """The last figure of each day by vehicle, the type of each vehicle, and how many rows say neither."""
    readings: dict[tuple[str, str], dict[int, float]] = defaultdict(dict)
    kinds: dict[tuple[str, str], str] = {}
    left_out = 0
    suffix = columns["figure"].rpartition("_")[2]
    for row in rows:
        if "meter" in columns and row[columns["meter"]] != meter:
            continue
        unit = row[columns["unit"]] if "unit" in columns else suffix
        try:
            figure = float(row[columns["figure"]]) * _CANONICAL[unit]
            day = date.fromisoformat((row[columns["day"]] or "")[:10]).toordinal() - _EPOCH_ORDINAL
        except (ValueError, KeyError, TypeError):
            left_out += 1
            continue
        if not np.isfinite(figure):
            left_out += 1
            continue
        kind = row[columns["type"]] if "type" in columns else _ONE_TYPE
        vehicle = (kind, row[columns["vehicle"]])
        kinds[vehicle] = kind
        on_day = readings[vehicle]
        on_day[day] = max(on_day.get(day, figure), figure)
    return readings, kinds, left_out
