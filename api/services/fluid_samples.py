"""Fluid samples of vehicles: entering one, reading them with their judgement, withdrawing a wrong one.

Invariants: a sample is held against itself and the vehicle's sheet before it is stored; it is judged when it is read,
by the limits that the newest sheet sets then; what was measured on the fresh fluid comes from the sample itself, else
from the last sample in the fleet that gave it for the same product.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import msgspec

from api.services import defects
from api.services.defects import NewDefect, open_defects, raise_defect
from api.services.errors import ConflictError, NotFoundError
from api.services.figures import GivenFigure, noted_figures
from api.services.history import as_date, figures_of, load_histories, stored_figures
from api.services.units import vehicle_at
from api.services.vehicle_span import day_in_depot, instant_breaches
from api.store import queries_products, queries_samples
from api.store.facts import Owner, Window
from api.store.sheets import load_sheet
from domain.condition import Judged, Measures, Taking, Verdict, check_measures, judged, particle_basis
from domain.defects import DefectState
from domain.errors import Breach, ConditionError, RuleBrokenError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from api.services.units import Address, VehicleRef
    from api.store.session import ReadSession, WriteSession
    from domain.sheet import ConditionLimits, Meter, SpecSheet


@dataclass(frozen=True, slots=True)
class NewSample:
    """A sample as entered.

    Attributes:
        compartment: Code of the compartment.
        taken_at_us: When it was taken [us UTC].
        taken_by: By whom.
        taking: How.
        is_bottle_clean: Whether the bottle was clean.
        figures: What the meters' dials showed then.
        fluid_product: Code of the product in the compartment, where known.
        measures: What was measured.
        fresh: The same on the fresh fluid, where it was.
        reference: The laboratory's or the paper's number.
        note: Free text.
        assigned_to: Who is to see to a limit that the sample is beyond.
    """

    compartment: str
    taken_at_us: int
    taken_by: str
    taking: Taking
    is_bottle_clean: bool
    figures: tuple[tuple[Meter, GivenFigure], ...]
    fluid_product: str | None
    measures: Measures
    fresh: Measures | None
    reference: str | None
    note: str | None
    assigned_to: str | None = None


@dataclass(frozen=True, slots=True)
class Sample:
    """A sample as stored, judged.

    Attributes:
        key: Identifies it.
        compartment: Code of the compartment.
        taken_at_us: When it was taken [us UTC].
        taken_on: The day in the depot's time zone.
        taken_by: By whom.
        taking: How.
        is_bottle_clean: Whether the bottle was clean.
        figures: Life-to-date figures noted then, a meter [canonical units].
        fluid_product: Code of the product in the compartment.
        measures: What was measured.
        fresh: The same on the fresh fluid; None where unknown.
        is_fresh_of_product: Whether that comes from another sample of the same product.
        no_code_why: Why it is no basis for a cleanliness code; None: it is one.
        judged: Each measure against its limit.
        reference: The laboratory's or the paper's number.
        note: Free text.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_by: By whom.
        withdrawn_reason: Why.
    """

    key: int
    compartment: str
    taken_at_us: int
    taken_on: date
    taken_by: str
    taking: Taking
    is_bottle_clean: bool
    figures: Mapping[Meter, int]
    fluid_product: str | None
    measures: Measures
    fresh: Measures | None
    is_fresh_of_product: bool
    no_code_why: str | None
    judged: tuple[Judged, ...]
    reference: str | None
    note: str | None
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_by: str | None
    withdrawn_reason: str | None


def enter(session: WriteSession, at: Address, new: NewSample, *, now_us: int) -> Sample:
    """A sample, stored; one beyond a limit becomes a defect, unless an earlier one of its compartment stands.

    Args:
        session: The unit of work.
        at: The vehicle.
        new: The sample.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
        ConditionError: It cannot have been taken or measured as entered, with a breach for each reason.
    """
    vehicle = vehicle_at(session, at, is_locking=True)
    sheet = load_sheet(session, at.fleet_key, vehicle.spec_sheet_version_key)
    loaded = load_histories(session, at.fleet_key, [vehicle.key])[vehicle.key]
    figures, breaches = noted_figures(session, at.fleet_key, loaded, new.figures, new.taken_at_us)
    breaches += instant_breaches(vehicle, new.taken_at_us, pointer="/taken_at", now_us=now_us)
    if new.compartment not in {compartment.code for compartment in sheet.compartments}:
        detail = "the vehicle's spec sheet has no compartment of that code"
        breaches.append(Breach("/compartment", "compartment_unknown", detail))
    breaches += _measure_breaches(new)
    product = None
    if new.fluid_product is not None:
        product = queries_products.product(session, at.fleet_key, new.fluid_product)
        if product is None:
            detail = "the fleet keeps no fluid product of that code"
            breaches.append(Breach("/fluid_product", "fluid_product_unknown", detail))
    if breaches:
        raise ConditionError(*breaches)
    owner = Owner(at.fleet_key, vehicle.key)
    key = queries_samples.add(
        session,
        owner,
        {
            "compartment": new.compartment,
            "taken_at_us": new.taken_at_us,
            "taken_on": day_in_depot(new.taken_at_us, vehicle.time_zone),
            "taken_by": new.taken_by,
            "taking": new.taking.value,
            "is_bottle_clean": new.is_bottle_clean,
            "figures": stored_figures(figures),
            "fluid_product_id": None if product is None else product.id,
            "measures": _stored(new.measures),
            "fresh": None if new.fresh is None else _stored(new.fresh),
            "reference": new.reference,
            "note": new.note,
            "recorded_at_us": now_us,
        },
    )
    found = _sample(session, at.fleet_key, vehicle, key)
    _raise_beyond(session, at.fleet_key, vehicle, found, new.assigned_to, now_us=now_us)
    return found


def samples_of(session: ReadSession, at: Address, window: Window) -> tuple[Sample, ...]:
    """Samples of the vehicle at an address, in the order in which they were recorded.

    Raises:
        NotFoundError: No vehicle carries the number on that day.
        GoneError: None does any longer.
    """
    vehicle = vehicle_at(session, at)
    rows = queries_samples.samples(session, Owner(at.fleet_key, vehicle.key), window)
    return judged_rows(session, at.fleet_key, _sheet(session, at.fleet_key, vehicle), rows)


def sample_of(session: ReadSession, at: Address, key: int) -> Sample:
    """One sample, withdrawn or not.

    Raises:
        NotFoundError: No such vehicle, or it has no such sample.
        GoneError: No vehicle carries the number any longer.
    """
    return _sample(session, at.fleet_key, vehicle_at(session, at), key)


def withdraw(  # noqa: PLR0913 - by whom and why
    session: WriteSession, at: Address, key: int, *, by: str, reason: str, now_us: int
) -> Sample:
    """A sample, withdrawn; it stays, counts in no trend, and takes the defect with it that it raised and nobody saw to.

    Args:
        session: The unit of work.
        at: The vehicle.
        key: The sample.
        by: Who withdraws it.
        reason: Why.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: No such vehicle, or it has no such sample.
        GoneError: No vehicle carries the number any longer.
        ConflictError: It was withdrawn before (``already_withdrawn``).
    """
    vehicle = vehicle_at(session, at)
    found = _sample(session, at.fleet_key, vehicle, key)
    values = {"withdrawn_at_us": now_us, "withdrawn_by": by, "withdrawn_reason": reason}
    if not queries_samples.withdraw(session, Owner(at.fleet_key, vehicle.key), found.key, values):
        raise ConflictError(Breach("", "already_withdrawn", "this sample was withdrawn before"))
    for one in open_defects(session, at.fleet_key, [vehicle.key]).get(vehicle.key, ()):
        if one.found.reference == f"{_REFERENCE} {key}" and one.state is DefectState.OPEN:
            defects.withdraw(session, at.fleet_key, one.key, by=by, reason=reason, now_us=now_us)
    return _sample(session, at.fleet_key, vehicle, key)


def judged_rows(
    session: ReadSession, fleet_key: int, sheet: SpecSheet, rows: Sequence[Any]
) -> tuple[Sample, ...]:
    """The samples in these rows, judged by the limits of a sheet; one more statement for all of them.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        sheet: The vehicle's sheet.
        rows: Rows of ``api.store.queries_samples``.
    """
    limits = {compartment.code: compartment.condition_limits for compartment in sheet.compartments}
    unknown = {row.fluid_product_id for row in rows if row.fresh is None and row.fluid_product_id is not None}
    fresh = queries_samples.fresh_products(session, fleet_key, sorted(unknown))
    return tuple(_judged(row, fresh, limits.get(row.compartment)) for row in rows)


_KIND = "fluid sample"
_REFERENCE = "fluid sample"
_decode = msgspec.json.Decoder(Measures).decode


def _sheet(session: ReadSession, fleet_key: int, vehicle: VehicleRef) -> SpecSheet:
    return load_sheet(session, fleet_key, vehicle.spec_sheet_version_key)


def _sample(session: ReadSession, fleet_key: int, vehicle: VehicleRef, key: int) -> Sample:
    row = queries_samples.sample(session, Owner(fleet_key, vehicle.key), key)
    if row is None:
        raise NotFoundError(_KIND)
    (found,) = judged_rows(session, fleet_key, _sheet(session, fleet_key, vehicle), [row])
    return found


def _raise_beyond(  # noqa: PLR0913 - a sample, and who is to see to it
    session: WriteSession,
    fleet_key: int,
    vehicle: VehicleRef,
    sample: Sample,
    assigned_to: str | None,
    *,
    now_us: int,
) -> None:
    """Raise a defect where the sample is beyond a limit, and none of an earlier sample stands."""
    beyond = [one for one in sample.judged if one.verdict is Verdict.BEYOND]
    standing = open_defects(session, fleet_key, [vehicle.key]).get(vehicle.key, ()) if beyond else ()
    if not beyond or any(
        one.found.compartment == sample.compartment and (one.found.reference or "").startswith(_REFERENCE)
        for one in standing
    ):
        return
    what = "; ".join(f"{one.measure.replace('_', ' ')} beyond its limit ({one.why})" for one in beyond)
    defect = NewDefect(
        f"Fluid of {sample.compartment}: {what}",
        sample.taken_by,
        sample.taken_at_us,
        is_off_road=False,
        compartment=sample.compartment,
        assigned_to=assigned_to,
        reference=f"{_REFERENCE} {sample.key}",
    )
    raise_defect(session, fleet_key, vehicle.key, defect, now_us=now_us)


def _judged(row: Any, products: Mapping[int, str], limits: ConditionLimits | None) -> Sample:
    stored_fresh = row.fresh or products.get(row.fluid_product_id)
    measures = _decode(row.measures)
    fresh = None if stored_fresh is None else _decode(stored_fresh)
    taking = Taking(row.taking)
    no_code_why = particle_basis(taking, is_bottle_clean=bool(row.is_bottle_clean))
    return Sample(
        key=row.id,
        compartment=row.compartment,
        taken_at_us=row.taken_at_us,
        taken_on=as_date(row.taken_on),
        taken_by=row.taken_by,
        taking=taking,
        is_bottle_clean=bool(row.is_bottle_clean),
        figures=figures_of(row.figures),
        fluid_product=row.fluid_product,
        measures=measures,
        fresh=fresh,
        is_fresh_of_product=row.fresh is None and fresh is not None,
        no_code_why=no_code_why,
        judged=judged(measures, fresh, limits, no_code_why=no_code_why),
        reference=row.reference,
        note=row.note,
        recorded_at_us=row.recorded_at_us,
        withdrawn_at_us=row.withdrawn_at_us,
        withdrawn_by=row.withdrawn_by,
        withdrawn_reason=row.withdrawn_reason,
    )


def _measure_breaches(new: NewSample) -> list[Breach]:
    found: list[Breach] = []
    for pointer, measures in (("/measures", new.measures), ("/fresh", new.fresh)):
        if measures is not None:
            try:
                check_measures(measures)
            except RuleBrokenError as error:
                found += [breach.under(pointer) for breach in error.breaches]
    return found


def _stored(measures: Measures) -> str:
    return msgspec.json.encode(measures).decode()
