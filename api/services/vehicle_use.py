"""How the meters of one vehicle run: the rate now, and the law of what they will have run later."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from api.services.standing import level_points, local_day
from api.services.use_laws import MeterColumns, use_laws
from api.services.use_learning import patterns_then
from api.services.use_patterns import patterns_known
from api.services.vehicle_then import vehicle_as_of
from api.store.codes import METER_CODES
from domain.meters import fitted_segment
from domain.sheet import Meter
from domain.usage import rate_per_day
from domain.use_level import level_of, packed_level

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from api.services.history import LoadedVehicle
    from api.services.use_patterns import KnownPattern, Patterns
    from api.store.session import ReadSession
    from domain.use_law import UseLaw

SHARES = (0.05, 0.5, 0.95)
"""Chances of the quantiles that are told."""


class Basis(StrEnum):
    """What a law goes by."""

    TYPE = "type"
    OWN = "own"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class MeterUse:
    """How one meter runs.

    Attributes:
        meter: The meter.
        basis: What its law goes by.
        life: Life-to-date figure of the last reading [canonical units]; None: no reading.
        day: Ordinal of its day; None: no reading.
        per_day: Expected use now [canonical units a day]; None where nothing tells.
        spread_per_day: Standard deviation of what is known of it [canonical units a day].
        law: The law from the last reading on, one row; None where nothing tells.
        pattern: The pattern of its type, where the law goes by it.
    """

    meter: Meter
    basis: Basis
    life: int | None = None
    day: int | None = None
    per_day: float | None = None
    spread_per_day: float | None = None
    law: UseLaw | None = None
    pattern: KnownPattern | None = None


@dataclass(frozen=True, slots=True)
class ExpectedFigure:
    """What a meter will have run by a day, life-to-date [canonical units].

    Attributes:
        on: The day.
        low: Not exceeded with a chance of 5 %.
        middle: Of 50 %.
        high: Of 95 %.
        mean: The mean.
    """

    on: date
    low: int
    middle: int
    high: int
    mean: int


@dataclass(frozen=True, slots=True)
class VehicleUsage:
    """How a vehicle's meters run.

    Attributes:
        as_of: The day asked about.
        retired_on: Its last day; no meter runs after it.
        meters: Each meter fitted, with what it is expected to show.
    """

    as_of: date
    retired_on: date | None
    meters: list[tuple[MeterUse, list[ExpectedFigure]]]


def vehicle_usage(  # noqa: PLR0913 - a day, and what was known
    session: ReadSession,
    fleet_key: int,
    vehicle_key: int,
    *,
    as_of: date,
    today: date,
    on: Sequence[date],
    known_at_us: int | None = None,
) -> VehicleUsage:
    """How a vehicle's meters run on a day, and what they are expected to show later.

    A past day is answered from the readings up to its end, and by the patterns of that day.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle; it exists.
        as_of: The day, in the depot's time zone.
        today: The day of the request.
        on: The days to tell figures of.
        known_at_us: Only what had been entered by then [us UTC]; None: by now.
    """
    loaded, end_us = vehicle_as_of(
        session, fleet_key, vehicle_key, as_of=as_of, today=today, known_at_us=known_at_us
    )
    known_us = end_us if known_at_us is None else min(end_us, known_at_us)
    day = as_of if as_of < today and known_at_us is None else None
    patterns = patterns_of(session, fleet_key, known_us=known_us, past_day=day)
    uses = meter_uses(loaded, patterns)
    fitted = [m for m in Meter if fitted_segment(loaded.history.segments, m) is not None or m in uses]
    found = [uses.get(meter, MeterUse(meter, Basis.NONE)) for meter in fitted]
    return VehicleUsage(
        as_of, loaded.retired_on, [(use, expected_figures(use, on, loaded.retired_on)) for use in found]
    )


def patterns_of(session: ReadSession, fleet_key: int, *, known_us: int, past_day: date | None) -> Patterns:
    """The patterns that a vehicle's forecasts go by.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        known_us: Patterns learned by this instant count [us UTC].
        past_day: A past day that is asked about; where nothing had been learned by then, it is learned now, from what
            had been read by then. None: today or later, or asked by what had been entered.
    """
    known = patterns_known(session, fleet_key, known_at_us=known_us)
    return known if known or past_day is None else patterns_then(session, fleet_key, past_day)


def meter_uses(loaded: LoadedVehicle, patterns: Patterns) -> Mapping[Meter, MeterUse]:
    """How each meter with a reading runs.

    Args:
        loaded: The vehicle with its past.
        patterns: The patterns that are known.
    """
    found = {}
    for meter, usage in loaded.usage.items():
        known = patterns.get((loaded.spec_sheet_key, METER_CODES[meter]))
        line = loaded.history.timelines[meter]
        rate = rate_per_day(usage)
        kept = None
        if known is not None:
            kept = level_of(known.pattern.terms, level_points(line, loaded.time_zone))
        day = local_day(usage.last_at_us, loaded.time_zone)
        columns = MeterColumns(
            np.array([loaded.spec_sheet_key]),
            np.array([float(usage.last_life)]),
            np.array([float(day)]),
            np.array([np.nan if rate is None else rate]),
            [None if kept is None else packed_level(kept)],
        )
        laws = use_laws(patterns, meter, columns)
        if not laws.is_known[0]:
            found[meter] = MeterUse(meter, Basis.NONE, usage.last_life, day)
            continue
        found[meter] = MeterUse(
            meter,
            Basis.TYPE if laws.is_by_type[0] else Basis.OWN,
            usage.last_life,
            day,
            float(laws.per_day[0]),
            float(laws.spread_per_day[0]),
            laws.law,
            known if laws.is_by_type[0] else None,
        )
    return found


def expected_figures(use: MeterUse, on: Sequence[date], retired_on: date | None) -> list[ExpectedFigure]:
    """What a meter will have run by some days; none where nothing tells.

    Args:
        use: How it runs.
        on: The days; before the last reading it stands at that.
        retired_on: Its vehicle's last day, after which it stands.
    """
    if use.law is None or use.life is None or use.day is None or not on:
        return []
    last = None if retired_on is None else retired_on.toordinal()
    ahead = np.array(
        [max(0, (o if last is None else min(o, last)) - use.day) for o in (day.toordinal() for day in on)]
    )
    low, middle, high = use.law.path(SHARES, ahead)[0]
    mean = use.law.mean(ahead)[0]
    return [
        ExpectedFigure(day, *(use.life + round(float(run)) for run in runs))
        for day, *runs in zip(on, low, middle, high, mean, strict=True)
    ]
