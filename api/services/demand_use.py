"""How the meters of a fleet run ahead, as demand is forecast from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.use_laws import MeterColumns, use_laws
from api.services.use_patterns import patterns_known
from domain.sheet import Meter

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from api.store.queries_demand import VehicleColumns
    from api.store.session import ReadSession
    from domain.use_law import UseLaw

    Flag = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Use:
    """The law of use of each meter.

    Attributes:
        laws: A law a vehicle, by the meter's place; None where no service runs on the meter.
        is_known: Whether anything is known of it, shape (v,), by the meter's place.
    """

    laws: Sequence[UseLaw | None]
    is_known: Sequence[Flag | None]


def use_of(session: ReadSession, fleet_key: int, vehicles: VehicleColumns, asked: Sequence[bool]) -> Use:
    """The laws of use of these vehicles.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicles: The vehicles.
        asked: Whether any service runs on each meter.
    """
    patterns = patterns_known(session, fleet_key)
    laws: list[UseLaw | None] = []
    known: list[Flag | None] = []
    for place, meter in enumerate(Meter):
        if not asked[place] or not len(vehicles.key):
            laws.append(None)
            known.append(None)
            continue
        found = use_laws(
            patterns,
            meter,
            MeterColumns(
                vehicles.spec_sheet,
                vehicles.life[place],
                vehicles.day[place],
                vehicles.per_day[place],
                vehicles.level[place],
            ),
        )
        laws.append(found.law)
        known.append(found.is_known)
    return Use(laws, known)
