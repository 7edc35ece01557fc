"""Learning patterns of use from a fleet's stored readings, and what a fleet's readings are as histories.

A large fleet is learned from a sample: vehicles are drawn in turns of their types, always the same ones, until
there are ``MOST_MONTHS`` months of readings. Patterns are stored first, then every vehicle of the types learned is
concluded afresh, in units of work of its own; whoever asks meanwhile finds each vehicle before or after.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import insert

from api.services.grounds import EPOCH_ORDINAL
from api.services.standing import CHUNK, local_day, recompute
from api.services.use_patterns import stored_pattern
from api.store import queries_history, queries_use
from api.store.codes import METER_CODES, METERS_BY_CODE
from api.store.tables_use import UsePattern as UsePatternRow
from domain.sheet import Meter
from domain.use_history import DaySeries, UseHistories, use_histories
from domain.use_learning import learned

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from api.store.session import ReadSession, Store, WriteSession

MOST_MONTHS = 40_000
"""Months of readings of one meter, over all vehicles, that are learned from."""

_MONTH_DAYS = 30


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
    session: ReadSession, fleet_key: int, meters: Sequence[Meter] = tuple(Meter)
) -> FleetHistories:
    """What the vehicles of a fleet have run, month by month, of these meters.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        meters: The meters.
    """
    rows = queries_use.read_vehicles(session, fleet_key)
    types = tuple(sorted({row.spec_sheet_id for row in rows}))
    place_of = {key: place for place, key in enumerate(types)}
    chosen = _sample(rows)
    series: dict[Meter, list[DaySeries]] = defaultdict(list)
    kinds: dict[Meter, list[int]] = defaultdict(list)
    for start in range(0, len(chosen), CHUNK):
        some = {row.vehicle_id: row for row in chosen[start : start + CHUNK]}
        for (vehicle, code), (days, life) in _day_lasts(session, fleet_key, some).items():
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


def _sample(rows: Sequence[Any]) -> list[Any]:
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
    most = max(1, MOST_MONTHS // ((last - first) // _MONTH_DAYS + 1))
    return [rows[place] for _, place in sorted(sorted(ranked)[:most], key=lambda one: one[1])]


def _day_lasts(
    session: ReadSession, fleet_key: int, rows: Mapping[int, Any]
) -> dict[tuple[int, int], tuple[list[int], list[int]]]:
    """Days counted from 1970 in the depot's zone, and the last figure on each, by vehicle and meter."""
    keys = list(rows)
    days = (min(row.first_day for row in rows.values()), max(row.last_day for row in rows.values()))
    found: dict[tuple[int, int], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for row in queries_history.day_lasts(session, fleet_key, keys, days):
        day = local_day(row.at_us, rows[row.vehicle_id].time_zone) - EPOCH_ORDINAL
        on, life = found[row.vehicle_id, row.meter]
        if on and on[-1] == day:
            life[-1] = row.life
        else:
            on.append(day)
            life.append(row.life)
    return found
