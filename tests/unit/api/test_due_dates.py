"""The early, likely and late day of due services, each case by hand from laws that are known."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pytest

from api.services.due import DueLine
from api.services.due_dates import DueDates, vehicle_dates
from api.services.vehicle_use import Basis, MeterUse
from domain.anchors import AnchorKind
from domain.due import DuePoint, LimbPoint, PointStatus, Standing, judge
from domain.history import Deferral
from domain.sheet import Limb, Meter
from domain.use_law import NODES_DAYS, law_of

if TYPE_CHECKING:
    from collections.abc import Mapping

DAY = date(2031, 5, 5).toordinal()
NODES = np.array(NODES_DAYS)
# 100 km a day, a level known to 20 %.
ODOMETER = law_of(100_000.0 * NODES[None, :], (20_000.0 * NODES[None, :]) ** 2)
# 8 hours a day for certain.
HOURS = law_of(28_800.0 * NODES[None, :], np.zeros((1, len(NODES))))
USES = {
    Meter.ODOMETER: MeterUse(Meter.ODOMETER, Basis.OWN, 50_000_000, DAY, 100_000.0, 20_000.0, ODOMETER),
    Meter.ENGINE_HOURS: MeterUse(Meter.ENGINE_HOURS, Basis.OWN, 0, DAY, 28_800.0, 0.0, HOURS),
}
STANDINGS = {
    Meter.ODOMETER: Standing(50_000_000, DAY, 100_000.0),
    Meter.ENGINE_HOURS: Standing(0, DAY, 28_800.0),
}


def limb(which: Limb, due: int, *, idle_m_per_h: int | None = None) -> LimbPoint:
    return LimbPoint(
        which, due, due, due, 0, is_base_estimated=False, interval=due, idle_m_per_h=idle_m_per_h
    )


def line(
    *limbs: LimbPoint,
    deferral: Deferral | None = None,
    standings: Mapping[Meter, Standing] = STANDINGS,
    status: PointStatus = PointStatus.COUNTING,
) -> DueLine:
    point = DuePoint("oil", 0, status, AnchorKind.NEW, date(2030, 1, 1), limbs, (), deferral)
    return DueLine(1, "K-01", 1, 1, judge(point, standings, DAY, 14), standings, {})


def ahead(found: DueDates) -> tuple[int | None, ...]:
    return tuple(None if day is None else day - DAY for day in (found.early, found.likely, found.late))


def test_one_meter() -> None:
    """10,000 km ahead at a level known to 20 %: a gamma variable of shape 25, half a chi-square of 50 degrees over 25.

    Chi-square tables give 34.764 and 67.505 for 5 and 95 % (from memory): levels of 69.5 and 135.0 km a day, so that
    143.8 and 74.1 days pass.
    """
    (found,) = vehicle_dates([line(limb(Limb.ODOMETER, 60_000_000))], USES, by=date.fromordinal(DAY + 100))
    early, likely, late = ahead(found)
    assert (early, late) == (75, 144)
    assert likely in {101, 102}
    assert found.chance == pytest.approx(0.47, abs=0.02)


def test_the_calendar_ends_it_and_a_sure_meter_comes_first() -> None:
    """A year's end in 90 days cuts the late days off; 800 hours are over in 100 days for certain."""
    dated = line(limb(Limb.ODOMETER, 60_000_000), limb(Limb.CALENDAR, DAY + 90))
    sure = line(limb(Limb.ODOMETER, 70_000_000), limb(Limb.ENGINE_HOURS, 2_880_000))
    only = line(limb(Limb.CALENDAR, DAY + 30))
    cut, first, calendar = vehicle_dates([dated, sure, only], USES, by=date.fromordinal(DAY + 89))
    assert ahead(cut) == (75, 90, 90)
    assert 0.2 < (cut.chance or 0) < 0.5
    assert ahead(first)[1:] == (100, 100)
    assert ahead(calendar) == (30, 30, 30)
    assert calendar.chance == 1.0
    (late,) = vehicle_dates([only], USES, by=date.fromordinal(DAY + 29))
    assert late.chance == 0.0


def test_what_is_past_what_is_done_and_what_nothing_tells() -> None:
    past = line(limb(Limb.ODOMETER, 49_000_000))
    done = line(status=PointStatus.DONE)
    silent = line(limb(Limb.ODOMETER, 60_000_000), standings={})
    unknown = line(limb(Limb.FUEL_BURNED, 5_000), standings={Meter.FUEL_BURNED: Standing(0, DAY, None)})
    by = date.fromordinal(DAY)
    over, *rest = vehicle_dates([past, done, silent, unknown], USES, by=by)
    # 1,000 km ago at 100 km a day
    assert ahead(over) == (-10, -10, -10)
    assert over.chance == 1.0
    assert rest == [DueDates()] * 3


def test_a_deferral_counts_in_place_of_the_limbs() -> None:
    held = Deferral(1, "oil", date(2031, 5, 1), {Limb.ODOMETER: 52_000_000}, "workshop", "no parts")
    (found,) = vehicle_dates([line(limb(Limb.ODOMETER, 40_000_000), deferral=held)], USES)
    assert ahead(found) == (15, 21, 29)
    assert found.chance is None


def test_idle_hours_add_to_distance() -> None:
    """2 idle hours a day at 50 km an hour double the way: half the days, and spreads add up."""
    uses = USES | {
        Meter.IDLE_HOURS: MeterUse(
            Meter.IDLE_HOURS,
            Basis.OWN,
            0,
            DAY,
            7_200.0,
            0.0,
            law_of(7_200.0 * NODES[None, :], np.zeros((1, 11))),
        )
    }
    standings = STANDINGS | {Meter.IDLE_HOURS: Standing(0, DAY, 7_200.0)}
    counted = line(limb(Limb.ODOMETER, 60_000_000, idle_m_per_h=50_000), standings=standings)
    (found,) = vehicle_dates([counted], uses)
    early, likely, late = ahead(found)
    assert likely in {50, 51}
    assert (early, late) == (43, 60)


def test_nothing_falls_due_after_the_last_day() -> None:
    retired = date.fromordinal(DAY + 90)
    far = line(limb(Limb.ODOMETER, 60_000_000))
    (found,) = vehicle_dates([far], USES, by=date.fromordinal(DAY + 3_000), retired_on=retired)
    assert ahead(found) == (75, None, None)
    assert 0.2 < (found.chance or 0) < 0.5
