"""Vehicles that a fleet does not have, put among those that it has: new on their first day, and nothing done yet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from domain.calendar import add_months
from domain.sheet import LIMBS, Limb, Meter

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from numpy.typing import NDArray

    from api.store.queries_demand import PointColumns, VehicleColumns
    from domain.sheet import IntervalRule, SpecSheet

    Real = NDArray[np.float64]


FIRST_ADDED_KEY = 2**40
"""Keys from here on are of vehicles that are only thought of."""


@dataclass(frozen=True, slots=True)
class AddedVehicles:
    """New vehicles of one kind.

    Attributes:
        vehicles: How many.
        spec_sheet: Key of their type.
        version: Key of its sheet version.
        depot: Key of their depot.
        from_on: Their first day.
        per_day: What each runs in a day, by meter [canonical units].
    """

    vehicles: int
    spec_sheet: int
    version: int
    depot: int
    from_on: date
    per_day: Mapping[Meter, float]


def with_added(
    vehicles: VehicleColumns, points: PointColumns, added: AddedVehicles, sheet: SpecSheet
) -> tuple[VehicleColumns, PointColumns]:
    """The columns with new vehicles at their end, under keys that no vehicle has.

    Args:
        vehicles: Vehicles of the fleet.
        points: Their due points.
        added: The new vehicles.
        sheet: Their sheet.
    """
    count = added.vehicles
    first = max(int(vehicles.key.max(initial=0)) + 1, FIRST_ADDED_KEY)
    keys = np.arange(first, first + count)
    on = float(added.from_on.toordinal())
    per_day = np.array([added.per_day.get(meter, np.nan) for meter in Meter])
    is_read = ~np.isnan(per_day)
    life, day = np.where(is_read, 0.0, np.nan), np.where(is_read, on, np.nan)
    more = replace(
        vehicles,
        key=np.concatenate([vehicles.key, keys]),
        depot=np.concatenate([vehicles.depot, np.full(count, added.depot)]),
        version=np.concatenate([vehicles.version, np.full(count, added.version)]),
        retired_on=np.concatenate([vehicles.retired_on, np.full(count, np.nan)]),
        life=_wider(vehicles.life, life, count),
        day=_wider(vehicles.day, day, count),
        per_day=_wider(vehicles.per_day, per_day, count),
        spec_sheet=np.concatenate([vehicles.spec_sheet, np.full(count, added.spec_sheet)]),
        level=[[*level, *[None] * count] for level in vehicles.level],
    )
    codes = list(points.services)
    services, dues, idles = [], [], []
    for service in sheet.services:
        found = service.rule_for(model_year=None, engine=None, serial=None)
        if found is None:
            continue
        if service.code not in codes:
            codes.append(service.code)
        services.append(codes.index(service.code))
        dues.append(_first_due(found[1], added.from_on))
        idle = found[1].idle_m_per_h if Meter.IDLE_HOURS in added.per_day else None
        idles.append(np.nan if idle is None else float(idle))
    rows = len(services)
    return more, replace(
        points,
        vehicle=np.concatenate([points.vehicle, np.repeat(keys, rows)]),
        service=np.concatenate([points.service, np.tile(np.array(services, dtype=np.int64), count)]),
        services=tuple(codes),
        is_unjudged=np.concatenate([points.is_unjudged, np.zeros(rows * count, np.bool_)]),
        due=np.concatenate([points.due, np.tile(np.array(dues).reshape(rows, 7).T, count)], axis=1),
        idle_m_per_h=np.concatenate([points.idle_m_per_h, np.tile(np.array(idles), count)]),
    )


def _wider(columns: Real, figures: Real, count: int) -> Real:
    return np.concatenate([columns, np.repeat(figures[:, None], count, axis=1)], axis=1)


def _first_due(rule: IntervalRule, on: date) -> list[float]:
    """When a rule first falls due on each limb, on a vehicle that is new on a day."""
    first = {amount.limb: amount.amount for amount in (*rule.every, *rule.first)}
    found = []
    for limb in LIMBS:
        if limb not in first:
            found.append(np.nan)
        elif limb is Limb.CALENDAR:
            found.append(float(add_months(on, first[limb]).toordinal()))
        else:
            found.append(float(first[limb]))
    return found
