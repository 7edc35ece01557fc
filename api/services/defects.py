"""Defects of vehicles: raising one, taking it step by step to its release, and finding them.

Invariants: each step is kept with name and time; of two steps that start from the same state at the same time one
is made; a defect entered in error is withdrawn with a name and a reason and stays.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.services.errors import ConflictError, NotFoundError
from api.services.units import reference_of
from api.services.vehicle_span import day_in_depot, instant_breaches
from api.store import queries_defects, queries_vehicles
from api.store.sheets import load_sheet
from domain.defects import (
    STANDING_STATES,
    DefectState,
    DefectStep,
    StepTaken,
    check_step,
    state_after,
    state_at,
)
from domain.errors import Breach, WorkError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from api.services.units import VehicleRef
    from api.store.session import ReadSession, WriteSession


@dataclass(frozen=True, slots=True)
class NewDefect:
    """A defect as found.

    Attributes:
        what: What is wrong, in a sentence.
        found_by: By whom.
        found_at_us: When [us UTC].
        is_off_road: Whether it takes the vehicle off the road until it is released.
        compartment: Code of the compartment that it concerns.
        assigned_to: Who is to see to it.
        reference: Number of the job or paper that it was found with.
    """

    what: str
    found_by: str
    found_at_us: int
    is_off_road: bool
    compartment: str | None = None
    assigned_to: str | None = None
    reference: str | None = None


@dataclass(frozen=True, slots=True)
class Defect:
    """A defect as it stands.

    Attributes:
        key: Identifies it.
        vehicle_key: The vehicle.
        unit: The vehicle's newest unit number.
        found: As it was found; ``assigned_to`` is who is to see to it now.
        state: How it stands.
        steps: Its steps, in the order in which they were entered; empty where they were not asked for.
        recorded_at_us: When it was entered [us UTC].
        withdrawn_at_us: When it was withdrawn [us UTC]; None while it stands.
        withdrawn_by: By whom.
        withdrawn_reason: Why.
    """

    key: int
    vehicle_key: int
    unit: str
    found: NewDefect
    state: DefectState
    steps: tuple[StepTaken, ...]
    recorded_at_us: int
    withdrawn_at_us: int | None
    withdrawn_by: str | None
    withdrawn_reason: str | None


@dataclass(frozen=True, slots=True)
class DefectsAsked:
    """Which defects a list shows; an empty wish admits all.

    Attributes:
        unit: Only of the vehicle that bears this unit number, or bore it last.
        depot: Only of vehicles of this depot.
        state: Only in this state.
        is_off_road: Only those that take the vehicle off the road, or only the others.
        assigned_to: Only those that this person is to see to.
        reference: Only those found with this job or paper.
        has_withdrawn: Whether withdrawn ones are listed too.
    """

    unit: str | None = None
    depot: str | None = None
    state: DefectState | None = None
    is_off_road: bool | None = None
    assigned_to: str | None = None
    reference: str | None = None
    has_withdrawn: bool = False


def enter(session: WriteSession, fleet_key: int, unit: str, new: NewDefect, *, now_us: int) -> int:
    """The key of a defect entered by unit number.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        unit: The vehicle's unit number, of that day or now.
        new: The defect.
        now_us: The present [us UTC].

    Raises:
        WorkError: It cannot have been found as entered, with a breach for each reason.
    """
    vehicle = _vehicle(session, fleet_key, unit, new.found_at_us, now_us)
    breaches = instant_breaches(vehicle, new.found_at_us, pointer="/found_at", now_us=now_us)
    if new.compartment is not None:
        sheet = load_sheet(session, fleet_key, vehicle.spec_sheet_version_key)
        if new.compartment not in {compartment.code for compartment in sheet.compartments}:
            detail = "the vehicle's spec sheet has no compartment of that code"
            breaches.append(Breach("/compartment", "compartment_unknown", detail))
    if breaches:
        raise WorkError(*breaches)
    return raise_defect(session, fleet_key, vehicle.key, new, now_us=now_us)


def raise_defect(
    session: WriteSession, fleet_key: int, vehicle_key: int, new: NewDefect, *, now_us: int
) -> int:
    """The key of a new defect of a vehicle.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        vehicle_key: The vehicle; it exists, and was in the fleet when the defect was found.
        new: The defect.
        now_us: The present [us UTC].
    """
    key = queries_defects.add(
        session,
        fleet_key,
        {
            "vehicle_id": vehicle_key,
            "compartment": new.compartment,
            "what": new.what,
            "is_off_road": new.is_off_road,
            "found_by": new.found_by,
            "found_at_us": new.found_at_us,
            "reference": new.reference,
            "state": DefectState.OPEN.value,
            "assigned_to": new.assigned_to,
            "recorded_at_us": now_us,
        },
    )
    found = StepTaken(DefectStep.FOUND, new.found_by, new.found_at_us, new.assigned_to, None, now_us)
    _add_step(session, fleet_key, key, found)
    return key


def take_step(session: WriteSession, fleet_key: int, key: int, step: StepTaken, *, now_us: int) -> Defect:
    """The defect after one more step.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        key: The defect.
        step: The step.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: The fleet has no such defect.
        WorkError: The step cannot follow the last one in time, or does not say what it must.
        ConflictError: The defect does not stand as the step asks (``step_out_of_turn``), or is withdrawn
            (``already_withdrawn``).
    """
    found = defect(session, fleet_key, key)
    if found.withdrawn_at_us is not None:
        raise ConflictError(_WITHDRAWN)
    after = state_after(found.state, step.step)
    if after is None:
        raise ConflictError(_out_of_turn(found.state))
    check_step(found.steps[-1], step, now_us=now_us)
    values: dict[str, Any] = {"state": after.value}
    if step.assigned_to is not None:
        values["assigned_to"] = step.assigned_to
    if not queries_defects.move(session, fleet_key, key, state=found.state.value, values=values):
        raise ConflictError(_out_of_turn(defect(session, fleet_key, key).state))
    _add_step(session, fleet_key, key, step)
    return defect(session, fleet_key, key)


def withdraw(  # noqa: PLR0913 - by whom and why
    session: WriteSession, fleet_key: int, key: int, *, by: str, reason: str, now_us: int
) -> Defect:
    """The defect, withdrawn as entered in error.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        key: The defect.
        by: Who withdraws it.
        reason: Why.
        now_us: The present [us UTC].

    Raises:
        NotFoundError: The fleet has no such defect.
        ConflictError: It was withdrawn before (``already_withdrawn``), or another step came first
            (``step_out_of_turn``).
    """
    found = defect(session, fleet_key, key)
    if found.withdrawn_at_us is not None:
        raise ConflictError(_WITHDRAWN)
    values = {"withdrawn_at_us": now_us, "withdrawn_by": by, "withdrawn_reason": reason}
    if not queries_defects.move(session, fleet_key, key, state=found.state.value, values=values):
        raise ConflictError(_out_of_turn(defect(session, fleet_key, key).state))
    return defect(session, fleet_key, key)


def defect(session: ReadSession, fleet_key: int, key: int) -> Defect:
    """One defect, withdrawn or not, with its steps.

    Raises:
        NotFoundError: The fleet has none of that key.
    """
    rows = queries_defects.defects(session, fleet_key, {"entry": key}, has_withdrawn=True, limit=1)
    if not rows:
        raise NotFoundError(_KIND)
    (found,) = _with_steps(session, fleet_key, rows)
    return found


def defects(  # noqa: PLR0913 - what a page asks for
    session: ReadSession,
    fleet_key: int,
    asked: DefectsAsked,
    *,
    today: date,
    before: int | None,
    limit: int,
) -> tuple[Defect, ...]:
    """Defects with their steps, the newest recorded first.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        asked: Which defects.
        today: The day on which a unit number is looked up.
        before: Only those recorded before the defect of this key; None: from the newest on.
        limit: Most defects.
    """
    wishes: dict[str, Any] = {
        "depot": asked.depot,
        "state": None if asked.state is None else asked.state.value,
        "is_off_road": asked.is_off_road,
        "assigned_to": asked.assigned_to,
        "reference": asked.reference,
        "before": before,
    }
    wishes = {name: wish for name, wish in wishes.items() if wish is not None}
    if asked.unit is not None:
        row = queries_vehicles.labelled(session, fleet_key, asked.unit, today)
        if row is None:
            return ()
        wishes["vehicle"] = row.id
    rows = queries_defects.defects(session, fleet_key, wishes, has_withdrawn=asked.has_withdrawn, limit=limit)
    return _with_steps(session, fleet_key, rows)


def vehicle_defects(session: ReadSession, fleet_key: int, vehicle_key: int) -> tuple[Defect, ...]:
    """Every defect of a vehicle with its steps, withdrawn ones too, the newest recorded first."""
    rows = queries_defects.defects(
        session, fleet_key, {"vehicle": vehicle_key}, has_withdrawn=True, limit=None
    )
    return _with_steps(session, fleet_key, rows)


def open_defects(
    session: ReadSession, fleet_key: int, vehicle_keys: Sequence[int]
) -> dict[int, tuple[Defect, ...]]:
    """The defects that stand against vehicles, without their steps; one statement for any number of them."""
    found: dict[int, list[Defect]] = defaultdict(list)
    if vehicle_keys:
        for row in queries_defects.standing(session, fleet_key, vehicle_keys):
            found[row.vehicle_id].append(_defect(row, ()))
    return {key: tuple(rows) for key, rows in found.items()}


def standing_at(found: Iterable[Defect], at_us: int, known_at_us: int) -> tuple[Defect, ...]:
    """Those defects of a vehicle that stood against it at an instant, the oldest first.

    Args:
        found: Its defects with their steps.
        at_us: The instant [us UTC].
        known_at_us: By what had been entered then [us UTC].
    """
    return tuple(
        one
        for one in sorted(found, key=lambda each: each.key)
        if state_at(one.steps, at_us, known_at_us) in STANDING_STATES
        and (one.withdrawn_at_us is None or one.withdrawn_at_us > known_at_us)
    )


_KIND = "defect"
_WITHDRAWN = Breach("", "already_withdrawn", "this defect was withdrawn before")


def _out_of_turn(state: DefectState) -> Breach:
    return Breach("/step", "step_out_of_turn", f"the step cannot follow while the defect is {state.value}")


def _vehicle(session: WriteSession, fleet_key: int, unit: str, at_us: int, now_us: int) -> VehicleRef:
    """The vehicle that bore the number on the day of the finding, else the one that bears it, or bore it last."""
    for instant in (at_us, now_us):
        row = queries_vehicles.labelled(session, fleet_key, unit, day_in_depot(instant, "UTC"))
        if row is not None:
            return reference_of(row)
    raise WorkError(Breach("/unit", "vehicle_unknown", "no vehicle of the fleet bears this unit number"))


def _add_step(session: WriteSession, fleet_key: int, key: int, step: StepTaken) -> None:
    queries_defects.add_step(
        session,
        fleet_key,
        key,
        {
            "step": step.step.value,
            "taken_by": step.taken_by,
            "taken_at_us": step.taken_at_us,
            "assigned_to": step.assigned_to,
            "note": step.note,
            "recorded_at_us": step.recorded_at_us,
        },
    )


def _with_steps(session: ReadSession, fleet_key: int, rows: Sequence[Any]) -> tuple[Defect, ...]:
    steps: dict[int, list[StepTaken]] = defaultdict(list)
    for row in queries_defects.steps(session, fleet_key, [row.id for row in rows]):
        taken = StepTaken(
            DefectStep(row.step), row.taken_by, row.taken_at_us, row.assigned_to, row.note, row.recorded_at_us
        )
        steps[row.defect_id].append(taken)
    return tuple(_defect(row, tuple(steps[row.id])) for row in rows)


def _defect(row: Any, steps: tuple[StepTaken, ...]) -> Defect:
    return Defect(
        key=row.id,
        vehicle_key=row.vehicle_id,
        unit=row.unit or "",
        found=NewDefect(
            row.what,
            row.found_by,
            row.found_at_us,
            bool(row.is_off_road),
            row.compartment,
            row.assigned_to,
            row.reference,
        ),
        state=DefectState(row.state),
        steps=steps,
        recorded_at_us=row.recorded_at_us,
        withdrawn_at_us=row.withdrawn_at_us,
        withdrawn_by=row.withdrawn_by,
        withdrawn_reason=row.withdrawn_reason,
    )
