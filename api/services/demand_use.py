"""How the meters of a fleet run ahead, as demand is forecast from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.use_law import NODES_DAYS, UseLaw, law_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from api.store.queries_demand import VehicleColumns
    from api.store.session import ReadSession

    Real = NDArray[np.float64]
    Flag = NDArray[np.bool_]

# Spread of use over a horizon: a level that is not known better than this, and days that differ.
_LEVEL_SHARE = 0.25
_DAYS_APART = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Use:
    """The law of use of each meter.

    Attributes:
        laws: A law a vehicle, by the meter's place.
        is_known: Whether anything is known of it, shape (v,), by the meter's place.
    """

    laws: Sequence[UseLaw]
    is_known: Sequence[Flag]


def use_of(session: ReadSession, fleet_key: int, vehicles: VehicleColumns) -> Use:
    """The laws of use of these vehicles.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicles: The vehicles.
    """
    del session, fleet_key
    laws, known = [], []
    nodes = np.array(NODES_DAYS)
    for per_day in vehicles.per_day:
        mean = np.nan_to_num(per_day)[:, None] * nodes
        variance = (_LEVEL_SHARE * mean) ** 2 + _DAYS_APART * np.nan_to_num(per_day)[:, None] * mean
        laws.append(law_of(mean, variance))
        known.append(~np.isnan(per_day))
    return Use(laws, known)
