"""Learning patterns of use from a fleet's stored readings, and what a fleet's readings are as histories.

A large fleet is learned from a sample: vehicles are drawn in turns of their types, always the same ones, until
there are ``MOST_MONTHS`` months of readings. Patterns are stored first, then every vehicle of the types learned is
concluded afresh, in units of work of its own; whoever asks meanwhile finds each vehicle before or after.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import insert

from api.services.grounds import EPOCH_ORDINAL
from api.services.standing import CHUNK, local_day, recompute
from api.services.use_patterns import KnownPattern, Patterns, stored_pattern
from api.store import queries_history, queries_use
from api.store.codes import METER_CODES, METERS_BY_CODE
from api.store.tables_use import UsePattern as UsePatternRow
from domain.meters import DAY_US
from domain.sheet import Meter
from domain.use_backtest import TELLING
from domain.use_history import DaySeries, UseHistories, use_histories
from domain.use_learning import learned

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, MutableMapping, Sequence
    from datetime import date

    from api.store.session import ReadSession, Store, WriteSession

MOST_MONTHS = 40_000
"""Months of readings of one meter, over all vehicles, that are learned from."""

MOST_MONTHS_ASKED = 4_000
"""The same for a request about a past day: about half a second's work."""

_MONTH_DAYS = 30
_MOST_REMEMBERED = 256
_then: MutableMapping[object, dict[tuple[int, date, tuple[int, ...]], Patterns]] = WeakKeyDictionary()


@dataclass(frozen=True, slots=True)
class FleetHistories:
    """What vehicles of a fleet have run, by meter.

    Attributes:
        types: Keys of the spec sheets, in the order in which histories count types.
        histories: The histories, by meter; only meters that have run at all.
        vehicles: How many vehicles have readings of more than one day.
        sampled: How many of them are in the histories.
    """

    types: tuple[int, ...]
    histories: Mapping[Meter, UseHistories]
    vehicles: int
    sampled: int


@dataclass(frozen=True, slots=True)
class LearnedType:
    """A pattern that was learned of one type and meter."""

    spec_sheet_key: int
    meter: Meter
    vehicles: int
    forecasts: int


def fleet_histories(
    session: ReadSession,
    fleet_key: int,
    meters: Sequence[Meter] = tuple(Meter),
    *,
    until: int | None = None,
    most_months: int = MOST_MONTHS,
) -> FleetHistories:
    """What the vehicles of a fleet have run, month by month, of these meters.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        meters: The meters.
        until: Readings count up to this day, counted from 1970; None: all of them.
        most_months: Vehicles are drawn until there are so many months of readings.
    """
    rows = queries_use.read_vehicles(session, fleet_key)
    if until is not None:
        rows = [row for row in rows if row.first_day < until]
    types = tuple(sorted({row.spec_sheet_id for row in rows}))
    place_of = {key: place for place, key in enumerate(types)}
    chosen = _sample(rows, most_months, until)
    series: dict[Meter, list[DaySeries]] = defaultdict(list)
    kinds: dict[Meter, list[int]] = defaultdict(list)
    for start in range(0, len(chosen), CHUNK):
        some = {row.vehicle_id: row for row in chosen[start : start + CHUNK]}
        for (vehicle, code), (days, life) in _day_lasts(session, fleet_key, some, until).items():
            meter = METERS_BY_CODE[code]
            if meter in meters and len(days) > 1:
                series[meter].append(DaySeries(np.array(days), np.array(life, dtype=np.float64)))
                kinds[meter].append(place_of[some[vehicle].spec_sheet_id])
    found = {meter: use_histories(series[meter], kinds[meter]) for meter in meters if series[meter]}
    return FleetHistories(types, found, len(rows), len(chosen))


def learn(
    store: Store, fleet_key: int, *, now_us: int, told: Callable[[str, int, int], None] | None = None
) -> list[LearnedType]:
    """Learn the patterns of every type and meter from the fleet's past, and take them into each vehicle's standing.

    Args:
        store: The database.
        fleet_key: The fleet.
        now_us: The service's clock [us UTC].
        told: Called with a stage, how much of it is done, and how much there is.
    """
    tell = told or (lambda _stage, _done, _all: None)
    with store.reading() as session:
        known = fleet_histories(session, fleet_key)
        keys = [row.vehicle_id for row in queries_use.read_vehicles(session, fleet_key)]
    rows: list[dict[str, Any]] = []
    found: list[LearnedType] = []
    for meter, histories in known.histories.items():
        months = histories.day.shape[1]
        result, _ = learned(histories, told=lambda done, m=meter, n=months: tell(m.value, done, n))  # type: ignore[misc]
        counts = np.bincount(histories.type_of, minlength=len(known.types))
        for kind, (pattern, forecasts) in enumerate(zip(result.patterns, result.forecasts, strict=True)):
            if not counts[kind]:
                continue
            one = LearnedType(known.types[kind], meter, int(counts[kind]), forecasts)
            found.append(one)
            rows.append(
                {
                    "fleet_id": fleet_key,
                    "spec_sheet_id": one.spec_sheet_key,
                    "meter": METER_CODES[meter],
                    "vehicles": one.vehicles,
                    "forecasts": forecasts,
                    "pattern": stored_pattern(pattern),
                    "learned_at_us": now_us,
                }
            )
    store.write(lambda session: _store(session, fleet_key, rows))
    for start in range(0, len(keys), CHUNK):
        some = keys[start : start + CHUNK]
        store.write(lambda session, some=some: recompute(session, fleet_key, some, now_us=now_us))  # type: ignore[misc]
        tell("vehicles", min(start + CHUNK, len(keys)), len(keys))
    return found


def _store(session: WriteSession, fleet_key: int, rows: Sequence[dict[str, Any]]) -> None:
    last = queries_use.versions(session, fleet_key)
    numbered = [{**row, "version": last.get((row["spec_sheet_id"], row["meter"]), 0) + 1} for row in rows]
    if numbered:
        session.connection().execute(insert(UsePatternRow), numbered)


def patterns_then(session: ReadSession, fleet_key: int, day: date) -> Patterns:
    """The patterns of types by what had been read by the end of a past day, learned for whoever asks.

    Types that had told little by then are left out. What was learned for a day is remembered while no vehicle changes.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        day: The day.
    """
    memory = _then.setdefault(session.get_bind(), {})
    key = (fleet_key, day, queries_use.standings_stamp(session, fleet_key))
    found = memory.get(key)
    if found is None:
        found = _learned_by(session, fleet_key, day)
        while len(memory) >= _MOST_REMEMBERED:
            del memory[next(iter(memory))]
        memory[key] = found
    return found


def _learned_by(session: ReadSession, fleet_key: int, day: date) -> Patterns:
    until = day.toordinal() - EPOCH_ORDINAL
    known = fleet_histories(session, fleet_key, until=until, most_months=MOST_MONTHS_ASKED)
    found: dict[tuple[int, int], KnownPattern] = {}
    for meter, histories in known.histories.items():
        result, _ = learned(histories)
        counts = np.bincount(histories.type_of, minlength=len(known.types))
        for kind, (pattern, forecasts) in enumerate(zip(result.patterns, result.forecasts, strict=True)):
            if forecasts >= TELLING:
                found[known.types[kind], METER_CODES[meter]] = KnownPattern(
                    pattern, 0, int(counts[kind]), forecasts, (until + 1) * DAY_US - 1
                )
    return found


def _sample(rows: Sequence[Any], most_months: int, until: int | None) -> list[Any]:
    """Vehicles in turns of their types, until there are months enough."""
    order = np.random.default_rng(0).permutation(len(rows))
    turns: dict[int, int] = defaultdict(int)
    ranked = []
    for place in order:
        row = rows[place]
        ranked.append((turns[row.spec_sheet_id], place))
        turns[row.spec_sheet_id] += 1
    first = min((row.first_day for row in rows), default=0)
    last = max((row.last_day for row in rows), default=0)
    last = last if until is None else min(last, until)
    most = max(1, most_months // ((last - first) // _MONTH_DAYS + 1))
    return [rows[place] for _, place in sorted(sorted(ranked)[:most], key=lambda one: one[1])]


def _day_lasts(
    session: ReadSession, fleet_key: int, rows: Mapping[int, Any], until: int | None
) -> dict[tuple[int, int], tuple[list[int], list[int]]]:
    """Days counted from 1970 in the depot's zone, and the last figure on each, by vehicle and meter."""
    keys = list(rows)
    last = max(row.last_day for row in rows.values())
    # The last UTC day that a local day can begin or end on is the next one.
    days = (min(row.first_day for row in rows.values()), last if until is None else min(last, until + 1))
    found: dict[tuple[int, int], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for row in queries_history.day_lasts(session, fleet_key, keys, days):
        day = local_day(row.at_us, rows[row.vehicle_id].time_zone) - EPOCH_ORDINAL
        if until is not None and day > until:
            continue
        on, life = found[row.vehicle_id, row.meter]
        if on and on[-1] == day:
            life[-1] = row.life
        else:
            on.append(day)
            life.append(row.life)
    return found
