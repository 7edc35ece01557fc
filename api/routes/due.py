"""What is due: over the fleet, and for one vehicle at any day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any, cast
from zoneinfo import ZoneInfo

import msgspec
from fastapi import Path, Query, Response

from api.deps import Fleet, Now, Page, QueryDay, ReadSession, Units
from api.intake import router
from api.problems import documented
from api.routes.asking import FleetAsk
from api.schemas.defects import sent_defect
from api.schemas.due import DueList, ListedState, UnitsShown, VehicleDue, kit_key, sent_dated, sent_line
from api.schemas.kits import shown_kit
from api.schemas.times import Instant
from api.services import due
from api.services.defects import open_defects
from api.services.kit_cache import kits_sent
from api.services.units import vehicle_key_of
from domain.due import State

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.schemas.quantities import UnitSystem
    from api.services.due_dates import DueDates
    from api.services.kits import VisitKit

routes = router("", tag="due")


@routes.get("/due", operation_id="list_due", summary="List what is due", response_model=DueList)
def list_due(  # noqa: PLR0913, PLR0917 - what the route asks for
    fleet: Fleet,
    session: ReadSession,
    ask: FleetAsk,
    units: Units,
    page: Page,
    response: Response,
    state: Annotated[ListedState | None, Query(description="Only lines in this state.")] = None,
    *,
    dates: Annotated[
        bool,
        Query(description="Whether lines tell their early, likely and late day; they take time to work out."),
    ] = False,
    chance_by: Annotated[
        QueryDay,
        Query(description="Lines tell these days, and the chance to have fallen due by this one."),
    ] = None,
) -> Response:
    """Every service that calls for someone now or within the window, each with its reason and its kit.

    Vehicles come by their next date, those that have fallen silent last; the lines of one vehicle stay together, so a
    page may hold a few more than `limit`. Without `state`, the list holds what is due or overdue by the last reading or
    by projection, what falls due within the window, and what cannot be judged: a baseline is needed, a reading is
    missing, or the last one is old.
    """
    after = cast("due.Place | None", page.after(int, int, int))
    asked = ask if state is None else replace(ask, states=frozenset({State(state.value)}))
    found = due.due_page(session, fleet.fleet_key, asked, limit=page.limit, after=after)
    cursor = None if found.next_place is None else page.cursor(*found.next_place)
    told: list[DueDates] | None = None
    if dates or chance_by is not None:
        # Imported here: SciPy takes longer to load than everything else, and the list needs none of it.
        from api.services.due_dates import page_dates

        told = page_dates(session, fleet.fleet_key, found.lines, by=chance_by)
    shown = _shown(session, fleet.fleet_key, found.lines, units, told)
    defects = open_defects(session, fleet.fleet_key, list({line.vehicle_key for line in found.lines}))
    body = {
        "as_of": ask.as_of.isoformat(),
        "through": ask.through.isoformat(),
        **shown,
        "defects": [sent_defect(one) for standing in defects.values() for one in standing],
        "next": page.link(response, cursor),
    }
    return _sent(body, response)


@routes.get(
    "/vehicles/{unit}/due",
    operation_id="show_vehicle_due",
    summary="Show how a vehicle's services stand",
    response_model=VehicleDue,
    responses=documented(410),
)
def show_vehicle_due(  # noqa: PLR0913, PLR0917 - what the route asks for
    unit: Annotated[str, Path(min_length=1, max_length=64, description="Unit number of the vehicle.")],
    fleet: Fleet,
    session: ReadSession,
    units: Units,
    now_us: Now,
    response: Response,
    as_of: Annotated[
        QueryDay, Query(description="Any day, past or future; today in the depot's zone unless given.")
    ] = None,
    known_at: Annotated[
        Instant | None,
        Query(description="Only what had been entered by then; all that is known unless given."),
    ] = None,
    chance_by: Annotated[
        QueryDay, Query(description="Lines tell the chance to have fallen due by this day.")
    ] = None,
) -> Response:
    """Every service of the vehicle, due or not, each with its reason; a past day under the sheet then in force."""
    moment = datetime.fromtimestamp(now_us / 1e6, UTC)
    vehicle = vehicle_key_of(session, fleet.fleet_key, unit, moment.date())
    today = moment.astimezone(ZoneInfo(vehicle.time_zone)).date()
    found = due.vehicle_due(
        session,
        fleet.fleet_key,
        vehicle.key,
        unit=unit,
        as_of=as_of or today,
        today=today,
        known_at_us=known_at,
    )
    from api.services.due_dates import vehicle_dates
    from api.services.vehicle_use import meter_uses, patterns_of

    past = found.as_of if found.as_of < today and known_at is None else None
    patterns = patterns_of(session, fleet.fleet_key, known_us=found.known_us, past_day=past)
    told = vehicle_dates(
        found.lines, meter_uses(found.vehicle, patterns), by=chance_by, retired_on=found.vehicle.retired_on
    )
    body = {
        "unit": unit,
        "as_of": found.as_of.isoformat(),
        "time_zone": vehicle.time_zone,
        "defects": [sent_defect(one) for one in found.defects],
        "is_off_road": any(one.found.is_off_road for one in found.defects),
        **_shown(session, fleet.fleet_key, found.lines, units, told),
    }
    return _sent(body, response)


def _shown(
    session: ReadSession,
    fleet_key: int,
    lines: Sequence[due.DueLine],
    units: UnitSystem,
    told: Sequence[DueDates] | None,
) -> dict[str, Any]:
    """Lines, and the kits that they refer to, in the units of the answer."""
    names = due.sheet_names(session, fleet_key, {line.spec_sheet_version_key for line in lines})
    depots = due.depot_codes(session, fleet_key, {line.depot_key for line in lines})
    shown_in = UnitsShown(units)
    kits = kits_sent(
        session,
        fleet_key,
        ((line.spec_sheet_version_key, line.service) for line in lines),
        units=units.value,
        encoded=lambda kit: _kit(kit, units),
    )
    as_shown = [
        (line, names[line.spec_sheet_version_key], depots[line.depot_key], shown_in) for line in lines
    ]
    return {
        "lines": [msgspec.Raw(sent_line(*one)) for one in as_shown]
        if told is None
        else [msgspec.Raw(sent_dated(dates, *one)) for dates, one in zip(told, as_shown, strict=True)],
        "kits": {
            kit_key(names[version], service): msgspec.Raw(kit) for (version, service), kit in kits.items()
        },
    }


def _kit(kit: VisitKit, units: UnitSystem) -> bytes:
    return shown_kit(kit, units).model_dump_json().encode()


def _sent(body: Mapping[str, Any], response: Response) -> Response:
    return Response(msgspec.json.encode(body), media_type="application/json", headers=dict(response.headers))
