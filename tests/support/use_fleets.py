"""Invented histories of use: vehicles whose level wanders around their type's, read once a month."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from domain.use_history import DaySeries

if TYPE_CHECKING:
    from collections.abc import Sequence


def wandering(
    per_day: Sequence[float], vehicles: int, months: int, *, seed: int, apart_share: float = 0.0
) -> tuple[list[DaySeries], list[int]]:
    """The series of so many vehicles of each type, and their types.

    Levels revert to the type's with 150 days, spread 30 %; a month's noise is 20 %; one month in 25 a vehicle stands.

    Args:
        per_day: Use of each type [canonical units a day].
        vehicles: Vehicles of each type.
        months: Months with a reading.
        seed: Of the dice.
        apart_share: Spread between the lasting use of a type's vehicles, as a share.
    """
    chance = np.random.default_rng(seed)
    days = (np.datetime64("1980-01", "M") + np.arange(months + 1)).astype("datetime64[D]").astype(np.int64)
    series, types = [], []
    for kind, usual in enumerate(per_day):
        for _ in range(vehicles):
            own = usual * float(np.exp(chance.normal(0, apart_share)))
            level = own * (1 + 0.3 * chance.normal())
            run = []
            for length in np.diff(days):
                decay = np.exp(-length / 150.0)
                level = own + (level - own) * decay + 0.3 * own * np.sqrt(1 - decay**2) * chance.normal()
                use = max(0.0, level * length + 0.2 * own * 30.4 * chance.normal())
                run.append(0.0 if chance.random() < 0.04 else use)
            series.append(DaySeries(days, np.round(np.cumsum([0.0, *run]))))
            types.append(kind)
    return series, types
