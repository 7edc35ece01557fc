"""Opening a job in the bay: what it sets out to do is frozen, what it takes is reserved.

Invariants: of a vehicle and a service at most one job is open; the figures frozen are those of the sheet version in
force, and what was learned of drains so far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from api.services import job_stock
from api.services.errors import ConflictError, NotFoundError, RefusedError
from api.services.fluid_products import products_named
from api.services.kits import parts_of
from api.services.suited_products import suited_products
from api.services.units import vehicle_at
from api.services.visits import vehicle_visit
from api.store import queries_jobs, writes_jobs
from api.store.errors import StoreConstraintError
from api.store.job_texts import Frozen, FrozenFluid, FrozenLine, encode
from api.store.sheets import load_sheet
from domain.drain_expectation import MOST_REMEMBERED, learned
from domain.errors import Breach
from domain.fluid_need import fluid_needs
from domain.job_plan import FluidPlan, job_plan
from domain.jobs import JobState
from domain.kits import kit_for

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from api.services.due import DueAsk
    from api.services.units import Address, VehicleRef
    from api.store.session import ReadSession, WriteSession
    from domain.job_plan import JobPlan
    from domain.sheet import SpecSheet


@dataclass(frozen=True, slots=True)
class FluidWanted:
    """What a job is to use in a compartment.

    Attributes:
        compartment: Its code.
        product: Code of the product to reserve; None: one that suits.
        first_product: Code of another product for all passes but the last ones; None: the same.
        last_passes: How many passes, at the end, take ``product``.
        target_share: Share of fresh fluid wanted; None: the passes prescribed alone.
    """

    compartment: str
    product: str | None
    first_product: str | None = None
    last_passes: int = 1
    target_share: float | None = None


@dataclass(frozen=True, slots=True)
class NewJob:
    """A job as it is opened.

    Attributes:
        services: Codes of its services; None: those that are due.
        opened_by: Who opens it.
        fluids: What it is to use.
        reference: The order's own number.
        note: Free text.
    """

    services: tuple[str, ...] | None
    opened_by: str
    fluids: tuple[FluidWanted, ...] = ()
    reference: str | None = None
    note: str | None = None


def open_job(session: WriteSession, at: Address, new: NewJob, ask: DueAsk, *, now_us: int) -> int:
    """The number of a new job.

    Args:
        session: The unit of work.
        at: The vehicle.
        new: The job.
        ask: The day on which services are due, where none are named.
        now_us: The present [us UTC].

    Raises:
        RefusedError: No vehicle bears the number, nothing is due and nothing was asked for, or a service, a
            compartment or a product does not fit.
        ConflictError: Another job of the vehicle is open for one of the services (``job_open_already``).
    """
    try:
        vehicle = vehicle_at(session, at, is_locking=True)
    except NotFoundError:
        detail = "no vehicle of the fleet bears this unit number"
        raise RefusedError(Breach("/unit", "vehicle_unknown", detail)) from None
    sheet = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key)
    named = _named(session, at, vehicle, sheet, new, ask)
    reached = {service.code for code in named for service in sheet.with_included(code)}
    _refuse_open(session, at.fleet_key, vehicle.key, sorted(reached))
    frozen = _frozen(session, at.fleet_key, vehicle, sheet, named, new)
    key = writes_jobs.add_job(
        session,
        {
            "fleet_id": at.fleet_key,
            "vehicle_id": vehicle.key,
            "depot_id": vehicle.depot_key,
            "spec_sheet_version_id": vehicle.spec_sheet_version_key,
            "unit": vehicle.unit,
            "state": JobState.PLANNED.value,
            "opened_by": new.opened_by,
            "opened_at_us": now_us,
            "changed_at_us": now_us,
            "reference": new.reference,
            "note": new.note,
            "frozen": encode(frozen),
            "version": 1,
        },
    )
    rows = [
        {
            "fleet_id": at.fleet_key,
            "job_id": key,
            "service": code,
            "vehicle_id": vehicle.key,
            "is_named": code in named,
            "is_open": True,
        }
        for code in sorted(reached)
    ]
    try:
        writes_jobs.add_services(session, rows)
    except StoreConstraintError as error:
        if error.is_unique:
            raise _open_already(None) from error
        raise
    missing = job_stock.reserve(
        session, at.fleet_key, vehicle.depot_key, key, frozen.lines, frozen.fluids, now_us=now_us
    )
    if missing:
        writes_jobs.freeze(session, at.fleet_key, key, encode(replace(frozen, missing=missing)))
    return key


def _named(  # noqa: PLR0913, PLR0917 - a vehicle, its sheet, and what is asked for
    session: ReadSession, at: Address, vehicle: VehicleRef, sheet: SpecSheet, new: NewJob, ask: DueAsk
) -> tuple[str, ...]:
    if new.services is not None:
        known = {service.code for service in sheet.services}
        breaches = [
            Breach(
                f"/services/{index}",
                "service_unknown",
                "the vehicle's spec sheet has no service of that code",
            )
            for index, code in enumerate(new.services)
            if code not in known
        ]
        if breaches:
            raise RefusedError(*breaches)
        return tuple(dict.fromkeys(new.services))
    visit = vehicle_visit(session, at.fleet_key, vehicle.key, ask, unit=vehicle.unit, today=at.on)
    if not visit.due:
        detail = "nothing is due on the vehicle: name the services that are asked for"
        raise RefusedError(Breach("/services", "nothing_due", detail))
    return visit.due


def _refuse_open(session: ReadSession, fleet_key: int, vehicle_key: int, codes: Sequence[str]) -> None:
    found = queries_jobs.open_for(session, fleet_key, vehicle_key, codes)
    if found:
        raise _open_already(min(found.values()))


def _open_already(job: int | None) -> ConflictError:
    which = "another job" if job is None else f"job {job}"
    detail = f"{which} is open on this vehicle for one of these services, or for one that they include"
    return ConflictError(Breach("/services", "job_open_already", detail))


def _frozen(  # noqa: PLR0913, PLR0917 - a vehicle, its sheet, and what is asked for
    session: ReadSession,
    fleet_key: int,
    vehicle: VehicleRef,
    sheet: SpecSheet,
    named: tuple[str, ...],
    new: NewJob,
) -> Frozen:
    plan = job_plan(sheet, named)
    wanted: dict[str, FluidWanted] = {}
    breaches = []
    for index, one in enumerate(new.fluids):
        if one.compartment not in plan.exchanges:
            detail = "no task of these services exchanges the fluid of a compartment of that code"
            breaches.append(Breach(f"/fluids/{index}/compartment", "no_exchange_here", detail))
        elif wanted.setdefault(one.compartment, one) is not one:
            detail = "the compartment is named before"
            breaches.append(Breach(f"/fluids/{index}/compartment", "compartment_repeated", detail))
    if breaches:
        raise RefusedError(*breaches)
    places = {
        f"/fluids/{index}/{member}": code
        for index, one in enumerate(new.fluids)
        for member, code in (("product", one.product), ("first_product", one.first_product))
        if code is not None
    }
    products_named(session, fleet_key, places)
    parts = parts_of(session, fleet_key, [vehicle.spec_sheet_version_key])
    lines = kit_for(sheet, named, parts).lines
    fluids = _fluids(session, fleet_key, vehicle.depot_key, plan, wanted)
    return Frozen(
        services=named,
        expected={
            code: learned(
                exchange.expected,
                queries_jobs.drains(session, fleet_key, vehicle.spec_sheet_key, code, MOST_REMEMBERED),
            )
            for code, exchange in plan.exchanges.items()
        },
        plans={
            fluid.compartment: FluidPlan(
                None if one is None else one.first_product,
                fluid.product,
                1 if one is None else one.last_passes,
                None if one is None else one.target_share,
            )
            for fluid in fluids
            if fluid.compartment in plan.exchanges
            for one in (wanted.get(fluid.compartment),)
        },
        lines=tuple(
            FrozenLine(line.part.code, line.part.name, line.part.unit, line.quantity) for line in lines
        ),
        fluids=fluids,
    )


def _fluids(
    session: ReadSession, fleet_key: int, depot_key: int, plan: JobPlan, wanted: Mapping[str, FluidWanted]
) -> tuple[FrozenFluid, ...]:
    needs = fluid_needs(plan.sheet, plan.services)
    asked = {code: one.product for code, one in wanted.items()}
    open_needs = {need.fluid_requirement for need in needs if asked.get(need.compartment) is None}
    suited = suited_products(session, fleet_key, open_needs)
    codes = sorted({code for found in suited.values() for code in found})
    free = queries_jobs.free_products(session, fleet_key, depot_key, codes)
    # Of the products that suit the one of which the depot has most; of equal ones the first by its code.
    chosen = {
        code: max(found, key=lambda one: free.get(one, 0), default=None) for code, found in suited.items()
    }
    found: list[FrozenFluid] = []
    for need in needs:
        one = wanted.get(need.compartment)
        product = asked.get(need.compartment) or chosen.get(need.fluid_requirement)
        first_ml = 0
        if one is not None and one.first_product is not None:
            first_ml = max(need.passes - one.last_passes, 0) * need.pass_high_ml
            found.append(FrozenFluid(need.compartment, need.fluid_requirement, one.first_product, first_ml))
        need_ml = need.high_ml - first_ml + need.margin_ml
        found.append(FrozenFluid(need.compartment, need.fluid_requirement, product, need_ml))
    return tuple(one for one in found if one.need_ml)
