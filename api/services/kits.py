"""Parts kits for the visits that are due: per vehicle, for a page of the fleet, and the parts in all.

Invariant: one visit is one kit, merged over its services; the same services under the same sheet version are
the same kit, computed once a request.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.fluid_supplies import Shelf, Supply, fluid_shelf
from api.services.visits import Visit, visit_page, visits
from api.store import queries_kits, queries_names
from api.store.sheets import load_sheet
from domain.fluid_need import FluidNeed, fluid_needs
from domain.kits import Kit, Part, PartKind, PassKit, kit_for, pass_kits_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from api.services.due import DueAsk, Place
    from api.store.session import ReadSession
    from domain.sheet import SpecSheet


KitKey = tuple[int, tuple[str, ...]]
"""Key of a sheet version, and codes of the services of a visit."""


@dataclass(frozen=True, slots=True)
class VisitService:
    """A service of a visit: named, or included in a named one."""

    code: str
    name: str
    is_named: bool


@dataclass(frozen=True, slots=True)
class VisitKit:
    """The kit of one visit.

    Attributes:
        spec_sheet: Code of the vehicle type.
        sheet_version: Number of the sheet version.
        services: Named and included services, in sheet order.
        kit: What the visit takes.
        passes: What one more drain pass takes, a fluid exchange.
        fluids: What it takes of fluids, task by task.
        supplies: What to buy of each fluid, by the code of its requirement.
    """

    spec_sheet: str
    sheet_version: int
    services: tuple[VisitService, ...]
    kit: Kit
    passes: tuple[PassKit, ...]
    fluids: tuple[FluidNeed, ...]
    supplies: dict[str, Supply]


@dataclass(frozen=True, slots=True)
class PlacedVisit:
    """A visit, and the place of its kit among those of the page."""

    visit: Visit
    kit: int


@dataclass(frozen=True, slots=True)
class KitPage:
    """A page of visits with their kits, each kit once."""

    visits: tuple[PlacedVisit, ...]
    kits: tuple[VisitKit, ...]
    next_place: Place | None


@dataclass(frozen=True, slots=True)
class PartTotal:
    """So many of one part, in all and at each depot."""

    part: Part
    quantity: int
    depots: tuple[tuple[str, int], ...]


def kit_of(session: ReadSession, fleet_key: int, visit: Visit) -> VisitKit | None:
    """The kit of a visit's services; None where none is called for.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        visit: A visit of known services.
    """
    return _kits(session, fleet_key, [visit])[_kit_key(visit)] if visit.due else None


def kit_page(
    session: ReadSession, fleet_key: int, ask: DueAsk, *, limit: int, after: Place | None
) -> KitPage:
    """A page of the visits that something is due at, with their kits.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.
        limit: Services on the due list after which the page ends with the vehicle then at hand.
        after: Where the page before ended.
    """
    page = visit_page(session, fleet_key, ask, limit=limit, after=after)
    due = [visit for visit in page.visits if visit.due]
    kits = _kits(session, fleet_key, due)
    places = {key: place for place, key in enumerate(kits)}
    return KitPage(
        tuple(PlacedVisit(visit, places[_kit_key(visit)]) for visit in due),
        tuple(kits.values()),
        page.next_place,
    )


def part_totals(session: ReadSession, fleet_key: int, ask: DueAsk) -> tuple[PartTotal, ...]:
    """The parts that all visits of the question take together, by part number.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        ask: The question.
    """
    # The same work at the same depot is counted first, so that each kit is looked at once.
    counted = Counter(
        (_kit_key(visit), visit.depot) for visit in visits(session, fleet_key, ask) if visit.due
    )
    kits = kits_of(session, fleet_key, {key for key, _ in counted})
    quantities: defaultdict[str, Counter[str]] = defaultdict(Counter)
    parts: dict[str, Part] = {}
    for (key, depot), visits_made in counted.items():
        for line in kits[key].kit.lines:
            parts[line.part.code] = line.part
            quantities[line.part.code][depot] += line.quantity * visits_made
    return tuple(
        PartTotal(parts[code], quantities[code].total(), tuple(sorted(quantities[code].items())))
        for code in sorted(parts)
    )


def kits_of(session: ReadSession, fleet_key: int, keys: Iterable[KitKey]) -> dict[KitKey, VisitKit]:
    """The kits of visits, by key; the statements don't grow with their number.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        keys: Visits of known services.
    """
    asked = list(keys)
    versions = sorted({version for version, _ in asked})
    if not versions:
        return {}
    parts = parts_of(session, fleet_key, versions)
    numbers = queries_names.version_names(session, fleet_key, versions)
    sheets = {version: load_sheet(session, fleet_key, version) for version in versions}
    fluids = {(version, services): fluid_needs(sheets[version], services) for version, services in asked}
    products = fluid_shelf(
        session, fleet_key, {need.fluid_requirement for needs in fluids.values() for need in needs}
    )
    return {
        (version, services): _kit(
            sheets[version], numbers[version], services, parts, fluids[version, services], products
        )
        for version, services in asked
    }


def parts_of(session: ReadSession, fleet_key: int, versions: list[int]) -> dict[str, Part]:
    """The parts that sheet versions name, and all that can stand in for them, by number."""
    alternates: defaultdict[int, list[str]] = defaultdict(list)
    for row in queries_kits.alternates(session, fleet_key, versions):
        alternates[row.part_id].append(row.code)
    return {
        row.code: Part(
            row.code, row.name, row.unit, PartKind(row.kind), row.superseded_by, tuple(alternates[row.id])
        )
        for row in queries_kits.parts(session, fleet_key, versions)
    }


def _kit_key(visit: Visit) -> KitKey:
    return visit.version_key, tuple(sorted(visit.due))


def _kits(session: ReadSession, fleet_key: int, made: Iterable[Visit]) -> dict[KitKey, VisitKit]:
    return kits_of(session, fleet_key, dict.fromkeys(_kit_key(visit) for visit in made))


def _kit(  # noqa: PLR0913, PLR0917 - what a kit is made of
    sheet: SpecSheet,
    number: tuple[str, int],
    services: tuple[str, ...],
    parts: Mapping[str, Part],
    fluids: tuple[FluidNeed, ...],
    products: Shelf,
) -> VisitKit:
    reached = {service.code for code in services for service in sheet.with_included(code)}
    needed: Counter[str] = Counter()
    for need in fluids:
        needed[need.fluid_requirement] += need.high_ml + need.margin_ml
    return VisitKit(
        *number,
        tuple(VisitService(s.code, s.name, s.code in services) for s in sheet.services if s.code in reached),
        kit_for(sheet, services, parts),
        pass_kits_for(sheet, services, parts),
        fluids,
        {code: products.supply(code, need_ml) for code, need_ml in needed.items()},
    )
