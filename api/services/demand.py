"""Demand ahead: of a fleet by depot and period, and its law for one depot.

Invariants: the same columns, occasions and laws serve every question; what can not be counted is told apart with its
reason; expected values add up over depots and periods, quantiles don't.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from api.services.demand_fleet import Assumed, load_fleet
from api.services.demand_terms import (
    LABOUR,
    SHARES,
    DemandAsk,
    ItemDemand,
    Kind,
    RisingTopUps,
    Source,
    Span,
)
from api.services.demand_top_ups import top_up_laws, top_ups_ahead
from api.services.demand_work import work_taken
from api.store import queries_demand, queries_names
from api.store.queries_demand import Scope
from domain.demand import FEW, Tally, amounts_of
from domain.demand_law import DemandLaw
from domain.occasions import occasions
from domain.use_levels import count_for

if TYPE_CHECKING:
    from collections.abc import Mapping, MutableMapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from api.services.demand_fleet import FleetColumns, LeftOut
    from api.services.demand_work import FluidTaken, Taken
    from api.store.session import ReadSession
    from domain.demand import Amounts, Demand

    Real = NDArray[np.float64]

# Rules times levels: a few vehicles are told to a five-hundredth of an occasion, and many are quick.
_MOST_LEVELS = 1 << 14
_MOST_REMEMBERED = 64

TOP_UP = "top_up"
"""The kind of a law of top-ups between services."""


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """Demand for all items of a kind.

    Attributes:
        kind: The kind.
        span: The time.
        depots: Codes of the depots.
        vehicles: How many vehicles are looked at.
        items: In the order of their codes.
        left_out: Services that can not be counted, by reason.
        rising: Top-ups that have become more often, of fluids only.
    """

    kind: Kind
    span: Span
    depots: tuple[str, ...]
    vehicles: int
    items: tuple[ItemDemand, ...]
    left_out: Mapping[str, LeftOut]
    rising: tuple[RisingTopUps, ...] = ()


def forecast(
    session: ReadSession, fleet_key: int, ask: DemandAsk, kind: Kind, assumed: Assumed | None = None
) -> Forecast:
    """The demand of a fleet.

    Args:
        session: Any unit of work that only reads.
        fleet_key: The fleet.
        ask: The question.
        kind: For what.
        assumed: What is assumed otherwise than it stands.
    """
    scope = Scope(fleet_key, ask.span.first_on, ask.depot_key, ask.spec_sheet_key)
    if assumed is not None:
        return forecast_of(session, scope, ask.span, load_fleet(session, scope, assumed), kind, assumed)
    known = _remembered.setdefault(session.get_bind(), {})
    stamp = f"{queries_demand.fleet_stamp(session, fleet_key)} {queries_names.kits_stamp(session, fleet_key)}"
    key = (scope, ask.span, kind)
    found = known.get(key)
    if found is None or found[0] != stamp:
        as_it_stands = Assumed()
        fleet = load_fleet(session, scope, as_it_stands)
        if len(known) >= _MOST_REMEMBERED:
            known.clear()
        found = known[key] = (
            stamp,
            forecast_of(session, scope, ask.span, fleet, kind, as_it_stands),
        )
    return found[1]


def forecast_of(  # noqa: PLR0913, PLR0917 - a fleet, a time, a kind
    session: ReadSession, scope: Scope, span: Span, fleet: FleetColumns, kind: Kind, assumed: Assumed
) -> Forecast:
    """The demand of a fleet that is loaded; see ``forecast``."""
    taken = _taken(session, scope.fleet, fleet, assumed)
    codes, tally = _tallied(fleet, span, taken, kind)
    found = tally.demand(SHARES)
    names = queries_names.depot_codes(session, scope.fleet)
    between, rising = top_ups_ahead(session, scope, fleet, span) if kind is Kind.FLUID else ((), ())
    items = [
        _item(code, place, found, [_fluid(one, code, kind) for one in taken])
        for place, code in enumerate(codes)
        if found.mean[-1, place, -1] > 0
    ]
    return Forecast(
        kind,
        span,
        tuple(names[key] for key in fleet.depots),
        fleet.count,
        tuple(sorted([*items, *between], key=lambda item: (item.code, item.source))),
        fleet.left_out,
        rising,
    )


def demand_laws(
    session: ReadSession, fleet_key: int, *, depot_key: int, as_of: date, days: Sequence[int]
) -> dict[tuple[str, str], list[DemandLaw]]:
    """The laws of a depot's demand over spans from a day on, by kind and code of the item.

    What is overdue is asked for at once. An item that is missing is not asked for in any of the spans. Top-ups between
    services stand apart, as the kind ``TOP_UP``, by fluid requirement.

    Args:
        session: Any unit of work that only reads.
        fleet_key: The fleet.
        depot_key: The depot.
        as_of: The day.
        days: Lengths of the spans, each at least 1, in any order [d].
    """
    scope = Scope(fleet_key, as_of, depot_key)
    fleet = load_fleet(session, scope, Assumed())
    if not fleet.depots:
        return {}
    taken = _taken(session, fleet_key, fleet, Assumed())
    spans = [Span(as_of, (as_of, type(as_of).fromordinal(as_of.toordinal() + length))) for length in days]
    between = top_up_laws(session, scope, fleet, spans)
    found = {(TOP_UP, code): laws for code, laws in between.items()}
    for place, span in enumerate(spans):
        for kind in (Kind.FLUID, Kind.PART):
            codes, tally = _tallied(fleet, span, taken, kind)
            for item, laws in tally.laws(0).items():
                held = found.setdefault((kind.value, codes[item]), [_NOTHING] * len(days))
                held[place] = laws[-1]
    return found


def part_names(session: ReadSession, fleet_key: int, codes: Sequence[str]) -> dict[str, str]:
    """Names of the parts that the fleet keeps, by number."""
    return queries_demand.part_names(session, fleet_key, codes)


# One memory for each database: managers ask for the same days again, and little changes in between.
_remembered: MutableMapping[object, dict[tuple[Scope, Span, Kind], tuple[str, Forecast]]] = (
    WeakKeyDictionary()
)


def _taken(session: ReadSession, fleet_key: int, fleet: FleetColumns, assumed: Assumed) -> list[Taken]:
    """What each kind of service of the fleet takes."""
    versions = sorted({version for version, _ in fleet.services})
    by_version = work_taken(session, fleet_key, versions, assumed.sheets)
    return [by_version[version][code] for version, code in fleet.services]


def _tallied(fleet: FleetColumns, span: Span, taken: Sequence[Taken], kind: Kind) -> tuple[list[str], Tally]:
    codes, amounts = _amounts(taken, kind)
    is_asked: NDArray[np.bool_] = np.any(amounts.item >= 0, axis=1)
    asked = fleet.only(is_asked)
    count = count_for(len(asked.vehicle), most=_MOST_LEVELS)
    few = _few(asked, amounts.item, len(codes))
    tally = Tally(amounts, depots=len(asked.depots), periods=len(span.bounds) - 1, levels=count, is_few=few)
    for at in asked.blocks(count):
        rules, course, service = asked.block(at, span.first_on.toordinal(), span.days, count)
        if len(rules):
            tally.add(asked.depot[at], rules.vehicle, service, occasions(rules, course))
    return codes, tally


def _amounts(taken: Sequence[Taken], kind: Kind) -> tuple[list[str], Amounts]:
    """Codes of the items of a kind, and what each service takes of them."""
    asked = [_asked(one, kind) for one in taken]
    codes = sorted({code for one in asked for code in one})
    place = {code: at for at, code in enumerate(codes)}
    return codes, amounts_of([[(place[c], much) for c, much in one.items()] for one in asked], len(codes))


def _asked(taken: Taken, kind: Kind) -> Mapping[str, int]:
    if kind is Kind.FLUID:
        return {code: fluid.high_ml for code, fluid in taken.fluids.items() if fluid.high_ml > 0}
    if kind is Kind.PART:
        return taken.parts
    return {LABOUR: taken.labour_s} if taken.labour_s > 0 else {}


def _few(fleet: FleetColumns, items: NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    """Which items few rules of a depot take; the last row is for all depots."""
    depots = len(fleet.depots)
    pairs = np.zeros((depots + 1, count))
    at = fleet.depot[fleet.vehicle] * len(fleet.services) + fleet.service
    rules = np.bincount(at, minlength=depots * len(fleet.services)).reshape(depots, len(fleet.services))
    for column in range(items.shape[1]):
        has_item = np.flatnonzero(items[:, column] >= 0)
        for depot in range(depots):
            pairs[depot] += np.bincount(
                items[has_item, column], weights=rules[depot, has_item], minlength=count
            )
    pairs[-1] = pairs[:-1].sum(axis=0)
    return pairs <= FEW


def _fluid(taken: Taken, code: str, kind: Kind) -> FluidTaken | None:
    return taken.fluids.get(code) if kind is Kind.FLUID else None


def _item(code: str, place: int, found: Demand, fluids: Sequence[FluidTaken | None]) -> ItemDemand:
    mean = found.mean[:, place]
    if not any(fluids):
        return ItemDemand(Source.SERVICES, code, mean, mean, np.zeros_like(mean), found.quantiles[:, place])
    low = np.array([0 if one is None else one.low_ml for one in fluids], dtype=np.float64)
    margin = np.array([0 if one is None else one.margin_ml for one in fluids], dtype=np.float64)
    visits = found.visits
    is_practice = np.array([one is not None and one.is_common_practice for one in fluids])
    high = np.array([0 if one is None else one.high_ml for one in fluids], dtype=np.float64)
    return ItemDemand(
        Source.SERVICES,
        code,
        mean if (low == high).all() else np.einsum("s,dsp->dp", low, visits),
        mean,
        np.einsum("s,dsp->dp", margin, visits),
        found.quantiles[:, place],
        bool((visits[-1, is_practice, -1] > 0).any()),
    )


_NOTHING = DemandLaw(1.0, np.ones(1))
