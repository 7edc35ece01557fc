"""The forecast of fluids, 12 months, at 100,000 vehicles with 12 services each: against a bare kernel and a bare load.

The bare kernel has the same number of levels and periods: quantiles of a gamma law of each vehicle's use at each end of
a period, then each service again and again on whichever limb comes first, and what that takes added up by period. It
knows no services that contain others, no set points, no duty, and no law beside the expected value.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from contextlib import closing
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import gammaincinv

from api.services import demand
from api.services.demand_terms import By, DemandAsk, Kind, span_of
from api.store.session import Store
from tests.benchmarks.databases import disk_folder, seeded_sqlite
from tests.benchmarks.figures import Figure, Raw, interleaved, timed_ms
from tests.benchmarks.fleets import FLEET, SERVICES, TODAY
from tests.benchmarks.raw import raw_connection_at

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

SMALL, LARGE = 50_000, 100_000
LEVELS = 8
_ASK = DemandAsk(span_of(TODAY, 12, By.MONTH))
_DAYS = _ASK.span.days
_ROUNDS = 3
_PART = 20_000
_VEHICLES = (
    "SELECT vehicle_id, depot_id, spec_sheet_version_id, odometer_m, engine_s, odometer_on, engine_on,"
    " odometer_m_per_day, engine_s_per_day FROM standing WHERE fleet_id = 1 ORDER BY vehicle_id"
)
_POINTS = (
    "SELECT vehicle_id, service, is_always_listed, due_on, odometer_m, engine_s, second_engine_s, power_take_off_s,"
    " idle_s, fuel_ml, idle_m_per_h FROM due_point WHERE fleet_id = 1 ORDER BY vehicle_id"
)


def figures() -> Iterator[Figure]:
    """Time against the bare kernel and load, growth from half the fleet, and memory."""
    with disk_folder() as folder:
        small_url, _ = seeded_sqlite(folder, SMALL)
        large_url, _ = seeded_sqlite(folder, LARGE)
        kernel = partial(bare_kernel, *_bare_columns(LARGE))
        taken = interleaved(
            {
                f"forecast, {LARGE:,} vehicles": partial(forecast_anew, large_url),
                f"forecast, {SMALL:,} vehicles": partial(forecast_anew, small_url),
                "bare kernel": kernel,
                "bare load": partial(bare_load, large_url),
            },
            rounds=_ROUNDS,
            warm=1,
            longest_s=300.0,
        )
        large, small, bare, load = taken.values()
        value = large.median / (bare.median + load.median)
        yield Figure("demand against the bare kernel and load", value, 3.0, (large, bare, load))
        yield Figure("demand of twice the fleet", large.median / small.median, 2.4, (large, small))
        yield _memory(large_url)
        yield _week(folder, large_url)


def forecast_anew(url: str) -> None:
    """A forecast by a process that remembers none."""
    store = Store.at(url)
    try:
        with store.reading() as session:
            demand.forecast(session, FLEET, _ASK, Kind.FLUID)
    finally:
        store.close()


def bare_load(url: str) -> None:
    """The columns from the driver into arrays, and nothing else."""
    with closing(raw_connection_at(url)) as connection:
        for statement in (_VEHICLES, _POINTS):
            cursor: Any = connection.execute(statement)
            parts = []
            codes: dict[Any, int] = {}
            while rows := cursor.fetchmany(_PART):
                columns = list(zip(*rows, strict=True))
                if statement is _POINTS:
                    columns[1] = tuple(codes.setdefault(code, len(codes)) for code in columns[1])
                parts.append(np.array(columns, dtype=np.float64))
            np.concatenate(parts, axis=1)


def bare_kernel(shape: NDArray[Any], scale: NDArray[Any], due: NDArray[Any], every: NDArray[Any]) -> None:
    """Expected occasions by period, of rules with a limb of use and one of time.

    Args:
        shape: Shape of each vehicle's use at each boundary, shape (v, periods + 1).
        scale: Its scale, the same.
        due: When each service falls due, shape (2, v, services): a day, and a figure.
        every: What follows, the same.
    """
    shares = (np.arange(LEVELS) + 0.5) / LEVELS
    counts = np.zeros(len(_DAYS) - 1)
    for start in range(0, len(shape), 1_024):
        part = slice(start, start + 1_024)
        wide = np.where(shape[part] > 0, shape[part], 1.0)
        run = gammaincinv(wide[:, None, :], shares[None, :, None]) * scale[part][:, None, :]
        run[:, :, 0] = 0.0
        for service in range(due.shape[2]):
            day = np.repeat(due[0, part, service][:, None], LEVELS, axis=1)
            figure = np.repeat(due[1, part, service][:, None], LEVELS, axis=1)
            rows = np.arange(day.size)
            paths = run.reshape(-1, len(_DAYS))
            day, figure = day.ravel(), figure.ravel()
            months = np.repeat(every[0, part, service], LEVELS)
            interval = np.repeat(every[1, part, service], LEVELS)
            while len(rows):
                of = paths[rows]
                place = (of <= figure[:, None]).sum(axis=1) - 1
                low = np.maximum(place, 0)
                high = np.minimum(low + 1, len(_DAYS) - 1)
                at = np.arange(len(rows))
                span = np.maximum(of[at, high] - of[at, low], 1e-9)
                by_use = _DAYS[low] + (figure - of[at, low]) / span * (_DAYS[high] - _DAYS[low])
                by_use = np.where(place >= len(_DAYS) - 1, np.inf, by_use)
                when = np.maximum(np.minimum(by_use, day), 0.0)
                kept = np.flatnonzero(when < _DAYS[-1])
                when, rows = when[kept], rows[kept]
                period = np.searchsorted(_DAYS, when, side="right") - 1
                counts += np.bincount(period, minlength=len(counts)) / LEVELS
                of = of[kept]
                at = np.arange(len(rows))
                share = (when - _DAYS[period]) / (_DAYS[period + 1] - _DAYS[period])
                shown = of[at, period] + share * (of[at, period + 1] - of[at, period])
                months, interval = months[kept], interval[kept]
                day, figure = when + months, shown + interval


def _bare_columns(vehicles: int) -> tuple[NDArray[Any], ...]:
    dice = np.random.default_rng(1)
    per_day = dice.uniform(30_000.0, 250_000.0, vehicles)
    shape = np.repeat(np.full((vehicles, 1), 12.0), len(_DAYS), axis=1)
    shape[:, 0] = 0.0
    scale = per_day[:, None] * _DAYS / 12.0
    # About as many occasions as the seeded fleet has: most services come by distance, some are years away.
    every = np.stack(
        [
            dice.choice([182.0, 365.0, 730.0, 1_461.0], (vehicles, SERVICES)),
            dice.choice([20e6, 40e6, 60e6, 120e6, 240e6], (vehicles, SERVICES)),
        ]
    )
    return shape, scale, every * dice.uniform(0.4, 1.0, every.shape), every


def _memory(url: str) -> Figure:
    """Most memory of a process that forecasts once, in a process of its own."""
    program = "import sys; from tests.benchmarks.demand import peak_mib; print(peak_mib(sys.argv[1]))"
    ran = subprocess.run([sys.executable, "-c", program, url], check=True, capture_output=True, text=True)
    value = float(ran.stdout)
    return Figure(
        "demand: memory in GiB", value / 1_024, 1.0, (Raw("most resident memory", (value,), "MiB"),)
    )


def peak_mib(url: str) -> float:
    """Most resident memory of this process after a forecast [MiB]."""
    forecast_anew(url)
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1_024


def _week(folder: Path, url: str) -> Figure:
    """The same by week, beside it."""
    del folder
    by_week = DemandAsk(span_of(TODAY, 12, By.WEEK), By.WEEK)
    store = Store.at(url)
    with store.reading() as session:
        taken = timed_ms(lambda: demand.forecast(session, FLEET, by_week, Kind.FLUID))
    store.close()
    return Figure("demand by week, in seconds", taken / 1e3, None, (Raw("forecast by week", (taken,)),))
