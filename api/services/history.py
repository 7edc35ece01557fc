"""What has happened to vehicles, gathered from the facts as domain values.

Invariant: a question with ``known_at`` sees the facts recorded by then and not withdrawn by then, and
judges the readings recorded by then afresh; without it, what is known now.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import msgspec

from api.services.grounds import FOREVER_US, SETTLED, as_date, consistent, grounds_of, segment_of
from api.store import queries_history
from api.store.codes import METERS_BY_CODE
from domain.duty import DutyEntry
from domain.history import ComponentExchange, Deferral, Origin, VehicleHistory, WorkDone
from domain.meters import Reading, Timeline, day_lasts, plausible_chain
from domain.sheet import DutyCondition, Limb, Meter
from domain.usage import UsageState, folded, rate_per_day

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from api.store.session import ReadSession

__all__ = [
    "FOREVER_US",
    "LoadedVehicle",
    "as_date",
    "figures_of",
    "limits_of",
    "load_histories",
    "segment_of",
    "stored_figures",
    "stored_limits",
]


@dataclass(frozen=True, slots=True)
class LoadedVehicle:
    """One vehicle with its past.

    Attributes:
        key: Its key.
        unit: Its newest unit number.
        depot_key: Its depot.
        depot: The depot's code.
        time_zone: The depot's time zone (IANA name).
        spec_sheet_key: Its type.
        spec_sheet_version_key: The version of the sheet that is in force.
        stale_days: A last reading older than this is stale [d].
        retired_on: The day on which it left; None while it is in the fleet.
        usage: What each meter's rate is folded from.
        history: Its past; the timelines carry on at the recent rate.
    """

    key: int
    unit: str
    depot_key: int
    depot: str
    time_zone: str
    spec_sheet_key: int
    spec_sheet_version_key: int
    stale_days: int
    retired_on: date | None
    usage: Mapping[Meter, UsageState]
    history: VehicleHistory


def load_histories(
    session: ReadSession,
    fleet_key: int,
    vehicle_keys: Sequence[int],
    *,
    known_at_us: int | None = None,
    sheet_at_us: int | None = None,
) -> dict[int, LoadedVehicle]:
    """The vehicles of these keys with their past, by key; a key that is none of the fleet's is left out.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        vehicle_keys: Keys of vehicles.
        known_at_us: Only what was known at this instant [us UTC]; None: now.
        sheet_at_us: Under the sheet version in force at this instant [us UTC]; None: at ``known_at_us``.
    """
    known = FOREVER_US if known_at_us is None else known_at_us
    ask = (session, fleet_key, vehicle_keys, known)
    segments = _grouped(queries_history.segments(*ask))
    duty = _grouped(queries_history.duty(*ask))
    work = _grouped(queries_history.work(*ask))
    exchanges = _grouped(queries_history.exchanges(*ask))
    deferrals = _grouped(queries_history.deferrals(*ask))
    timelines = _timelines(session, fleet_key, vehicle_keys, known_at_us)
    loaded = {}
    in_force = known if sheet_at_us is None else min(known, sheet_at_us)
    for row in queries_history.vehicles(session, fleet_key, vehicle_keys, in_force):
        lines = timelines.get(row.id, {})
        usage = {
            meter: state
            for meter, line in lines.items()
            if (state := folded(zip(line.at_us, line.life, strict=True))) is not None
        }
        history = VehicleHistory(
            Origin(as_date(row.in_service_on), bool(row.is_known_from_new)),
            {meter: replace(line, per_day=rate_per_day(usage.get(meter))) for meter, line in lines.items()},
            tuple(segment_of(s) for s in segments[row.id]),
            _work(work[row.id]),
            tuple(_exchange(e) for e in exchanges[row.id]),
            tuple(_duty_entry(d) for d in duty[row.id]),
            tuple(_deferral(d) for d in deferrals[row.id]),
            row.model_year,
            row.engine,
            row.serial_number or row.vin,
        )
        loaded[row.id] = LoadedVehicle(
            row.id,
            row.unit or "",
            row.depot_id,
            row.depot,
            row.time_zone,
            row.spec_sheet_id,
            row.spec_sheet_version_id,
            row.stale_days,
            None if row.retired_on is None else as_date(row.retired_on),
            usage,
            history,
        )
    return loaded


def figures_of(stored: str) -> dict[Meter, int]:
    """Life-to-date figures noted with an entry, a meter [canonical units]."""
    return {Meter(name): figure for name, figure in msgspec.json.decode(stored, type=dict[str, int]).items()}


def stored_figures(figures: Mapping[Meter, int]) -> str:
    """Figures as ``figures_of`` reads them."""
    return msgspec.json.encode({meter.value: figure for meter, figure in figures.items()}).decode()


def limits_of(stored: str) -> dict[Limb, int]:
    """The limits of a deferral, a limb: a day ordinal or a life-to-date figure."""
    return {Limb(name): figure for name, figure in msgspec.json.decode(stored, type=dict[str, int]).items()}


def stored_limits(limits: Mapping[Limb, int]) -> str:
    """Limits as ``limits_of`` reads them."""
    return msgspec.json.encode({limb.value: figure for limb, figure in limits.items()}).decode()


def _timelines(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int], known_at_us: int | None
) -> dict[int, dict[Meter, Timeline]]:
    days = queries_history.reading_days(session, fleet_key, vehicle_keys)
    if days is None:
        return {}
    if known_at_us is not None:
        return _timelines_as_known(session, fleet_key, vehicle_keys, days, known_at_us)
    points: dict[tuple[int, int], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for row in queries_history.day_lasts(session, fleet_key, vehicle_keys, days):
        at_us, life = points[row.vehicle_id, row.meter]
        at_us.append(row.at_us)
        life.append(row.life)
    found: dict[int, dict[Meter, Timeline]] = defaultdict(dict)
    for (vehicle, meter), (at_us, life) in points.items():
        found[vehicle][METERS_BY_CODE[meter]] = Timeline(tuple(at_us), tuple(life))
    return found


def _timelines_as_known(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int], days: tuple[int, int], known_at_us: int
) -> dict[int, dict[Meter, Timeline]]:
    grounds = grounds_of(session, fleet_key, vehicle_keys, known_at_us=known_at_us)
    links: dict[tuple[int, int], set[Reading]] = defaultdict(set)
    vouched: dict[tuple[int, int], list[tuple[int, Reading]]] = defaultdict(list)
    for row in queries_history.all_readings(session, fleet_key, vehicle_keys, days):
        is_withdrawn = row.withdrawn_at_us is not None and row.withdrawn_at_us <= known_at_us
        if row.recorded_at_us > known_at_us or is_withdrawn:
            continue
        placed = grounds[row.vehicle_id].placed(
            (row.meter, row.at_us, row.source_id, row.figure),
            recorded_at_us=row.recorded_at_us,
            is_device=row.device_since_us is not None and row.device_since_us <= known_at_us,
        )
        if placed.is_in_question:
            link = Reading(row.at_us, placed.life)
            links[row.vehicle_id, row.meter].add(link)
            number = SETTLED if placed.decision is None and row.is_settled else placed.decision
            if number is not None:
                vouched[row.vehicle_id, row.meter].append((number, link))
    found: dict[int, dict[Meter, Timeline]] = defaultdict(dict)
    for (vehicle, code), readings in links.items():
        meter, ordered = METERS_BY_CODE[code], sorted(readings)
        holding, _ = consistent(vouched[vehicle, code])
        flags = plausible_chain(meter, ordered, holding)
        found[vehicle][meter] = day_lasts(
            r for r, is_plausible in zip(ordered, flags, strict=True) if is_plausible
        )
    return found


def _grouped(rows: Iterable[Any]) -> defaultdict[int, list[Any]]:
    groups: defaultdict[int, list[Any]] = defaultdict(list)
    for row in rows:
        groups[row.vehicle_id].append(row)
    return groups


def _work(rows: Iterable[Any]) -> tuple[WorkDone, ...]:
    visits: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        visits[row.id].append(row)
    return tuple(
        WorkDone(
            key,
            services[0].done_at_us,
            as_date(services[0].done_on),
            figures_of(services[0].figures),
            frozenset(s.service for s in services),
            {s.service: s.restored_share for s in services if s.restored_share != 1.0},
            bool(services[0].is_from_papers),
        )
        for key, services in visits.items()
    )


def _exchange(row: Any) -> ComponentExchange:
    return ComponentExchange(
        row.id, row.exchanged_at_us, as_date(row.exchanged_on), row.compartment, figures_of(row.figures)
    )


def _duty_entry(row: Any) -> DutyEntry:
    return DutyEntry(
        DutyCondition(row.condition),
        row.share,
        as_date(row.from_on),
        None if row.through_on is None else as_date(row.through_on),
    )


def _deferral(row: Any) -> Deferral:
    return Deferral(
        row.id, row.service, as_date(row.granted_on), limits_of(row.limits), row.authority, row.reason
    )
