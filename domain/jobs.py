"""A job in the bay as its entries leave it: state, fluids pass by pass, tasks, findings.

How a job stands is a fold of its entries and of nothing else. An entry that cannot follow what stands before it is
refused; one that was wrong is corrected by a later one that names it, and then the fold is as though the right
one had stood there from the start.

Invariants: a job that was signed off or stopped takes no entry; a drain waits for a check, a fluid held against the
requirement, the pass before to be filled, and for whatever holds the compartment up to be cleared; volumes are
compared and balanced at 15 degC where the fluid's density and the temperature are known, and as measured where
they are not; a level changes by exactly what was poured and topped up, less what was drained, taken off and lost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from domain.corrections import DENSITY_RANGE_15C, TEMPERATURE_RANGE_C, nearest_ml, volume_factor
from domain.drain_expectation import DrainVerdict
from domain.errors import Breach, JobError
from domain.job_entries import (
    CheckedBefore,
    Cleared,
    Corrected,
    Drained,
    EntryKind,
    FluidAtHand,
    Found,
    FoundKind,
    JobEntry,
    Leak,
    LeakChecked,
    LevelChecked,
    LevelRead,
    LevelStage,
    Lost,
    Observation,
    Poured,
    Resumed,
    RoadTested,
    Run,
    SealRenewed,
    SignedOff,
    Started,
    Stopped,
    TakenOff,
    TaskMarked,
    ToppedUp,
    TorqueApplied,
    Waiting,
    WaitsFor,
)
from domain.job_plan import level_window_c
from domain.refill import LevelVerdict
from domain.requirements import LUBRICATING_OILS, Verdict
from domain.sheet import CompartmentKind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from domain.job_plan import ExchangePlan, JobPlan
    from domain.sheet import Compartment, Plug

MOST_ENTRIES = 1_000
"""No job of a careful shop has more; beyond it something else is being written down."""

TORQUE_SHARE, SMALL_TORQUE_SHARE, SMALL_TORQUE_NM = 0.04, 0.06, 10.0
"""How far a torque applied may lie off its figure: what a setting wrench may be off, 4 %, and 6 % up to 10 N.m.

Source: ISO 6789-1, from memory."""


class JobState(StrEnum):
    """Where a job stands."""

    PLANNED = "planned"
    STARTED = "started"
    WAITING = "waiting"
    SIGNED_OFF = "signed_off"
    STOPPED = "stopped"


CLOSED = frozenset({JobState.SIGNED_OFF, JobState.STOPPED})


class LevelPosition(StrEnum):
    """Where a level stands."""

    LOW = "low"
    WITHIN = "within"
    HIGH = "high"


class FindingCode(StrEnum):
    """What an entry gives reason to look at."""

    LEVEL_LOW = "level_low"
    LEVEL_HIGH = "level_high"
    LEVEL_NOT_JUDGED = "level_not_judged"
    LEAK = "leak"
    DAMP = "damp"
    DARK = "dark"
    BURNT_SMELL = "burnt_smell"
    METAL = "metal"
    COOLANT = "coolant"
    WATER = "water"
    FUEL = "fuel"
    FOAM = "foam"
    LESS_DRAINED = "less_drained"
    MORE_DRAINED = "more_drained"
    ABOVE_CAPACITY = "above_capacity"
    TORQUE_OFF = "torque_off"
    OTHER_PRODUCT = "other_product"
    ROAD_TEST_FAILED = "road_test_failed"
    FAILED_LIMIT = "failed_limit"
    WEAR_OR_DAMAGE = "wear_or_damage"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that an entry gives reason to look at.

    Attributes:
        code: What.
        detail: In a sentence.
        compartment: Code of the compartment; None where it is none's.
        is_defect: Whether a person has to see to it beyond this job.
        is_off_road: Whether the vehicle must not be driven until it is released.
        is_holding: Whether no drain follows until the cause is noted or a person decides.
        assigned_to: The person to see to it, where one was named.
    """

    code: FindingCode
    detail: str
    compartment: str | None = None
    is_defect: bool = False
    is_off_road: bool = False
    is_holding: bool = False
    assigned_to: str | None = None


@dataclass(frozen=True, slots=True)
class Volumes:
    """What moved in and out of a compartment [mL]."""

    drained_ml: int = 0
    poured_ml: int = 0
    topped_up_ml: int = 0
    taken_off_ml: int = 0
    lost_ml: int = 0

    @property
    def level_change_ml(self) -> int:
        """By how much more is in the compartment than before [mL]."""
        return self.poured_ml + self.topped_up_ml - self.drained_ml - self.taken_off_ml - self.lost_ml

    def plus(self, part: str, volume_ml: int) -> Volumes:
        """The same with so much more of one part."""
        more: dict[str, Any] = {part: getattr(self, part) + volume_ml}
        return replace(self, **more)


@dataclass(frozen=True, slots=True)
class PassDone:
    """One drain and what was poured after it.

    Attributes:
        number: From 1.
        drained_ml: Drained, as measured [mL].
        drained_at_c: Temperature at which it was measured [degC].
        fresh_at_c: Temperature of the fluid to be poured [degC].
        drained_15c_ml: Drained, at 15 degC where that is known [mL].
        is_run_before: Whether the vehicle ran since the pass before.
        verdict: How the drain compares with what was expected.
        deviations: How many standard deviations it lies off.
        product: Code of the product poured; None while the pass is open.
        poured_ml: Poured, as measured [mL].
    """

    number: int
    drained_ml: int
    drained_at_c: float | None
    fresh_at_c: float | None
    drained_15c_ml: int
    is_run_before: bool
    verdict: DrainVerdict
    deviations: float
    product: str | None = None
    poured_ml: int = 0


@dataclass(frozen=True, slots=True)
class LevelJudged:
    """A level, judged.

    Attributes:
        level: As read.
        verdict: Whether it could be judged.
        position: Where it stands; None where it could not.
        off_ml: How far beyond the mark it stands, above 0 [mL]; None where that is not known.
    """

    level: LevelRead
    verdict: LevelVerdict
    position: LevelPosition | None
    off_ml: int | None


@dataclass(frozen=True, slots=True)
class Vessel:
    """How one compartment stands in a job.

    Attributes:
        compartment: Its code.
        is_checked: Whether it was looked at before the drain.
        found: The level found then.
        products: Products held against the requirement, the newest last.
        holds: What holds a further drain up.
        passes: The passes.
        is_run: Whether the vehicle ran since the last pour.
        measured: What moved, as measured.
        at_15c: What moved, at 15 degC where that is known.
        torques: Torque last applied to each plug [N.m], and whether it is the figure.
        seals: Plugs whose seals were renewed, once for each time.
        cold: The cold level after the change.
        hot: The hot level after the last change of volume.
        observations: What the fluid was last seen as.
        used: Product and volume of each pour and top-up, as measured [mL].
    """

    compartment: str
    is_checked: bool = False
    found: LevelJudged | None = None
    products: tuple[FluidAtHand, ...] = ()
    holds: tuple[Finding, ...] = ()
    passes: tuple[PassDone, ...] = ()
    is_run: bool = False
    measured: Volumes = Volumes()
    at_15c: Volumes = Volumes()
    torques: tuple[tuple[str, float, bool], ...] = ()
    seals: tuple[str, ...] = ()
    cold: LevelJudged | None = None
    hot: LevelJudged | None = None
    observations: tuple[Observation, ...] = ()
    used: tuple[tuple[str, int], ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether the last pass was drained and not filled."""
        return bool(self.passes) and self.passes[-1].product is None

    @property
    def passes_filled(self) -> int:
        """Passes that were drained and filled."""
        return len(self.passes) - self.is_open

    def product(self, code: str) -> FluidAtHand | None:
        """The product of that code as it was held against the requirement last; None where it was not."""
        return next((one for one in reversed(self.products) if one.product == code), None)


@dataclass(frozen=True, slots=True)
class JobStanding:
    """How a job stands.

    Attributes:
        state: Where it stands.
        waits_for: What it waits for.
        vessels: Its compartments, by code.
        tasks: How tasks were marked last, by code.
        leak_check: The last leak check of the vehicle.
        road_test: The last road test.
        findings: Findings with the numbers of their entries.
        corrected: Numbers of the entries that count no longer, or otherwise than they say.
        signed_off: How it was signed off.
    """

    state: JobState
    waits_for: WaitsFor | None
    vessels: Mapping[str, Vessel]
    tasks: Mapping[str, TaskMarked]
    leak_check: LeakChecked | None
    road_test: RoadTested | None
    findings: tuple[tuple[int, Finding], ...]
    corrected: frozenset[int]
    signed_off: SignedOff | None

    def findings_of(self, number: int) -> tuple[Finding, ...]:
        """The findings of one entry."""
        return tuple(finding for at, finding in self.findings if at == number)


def folded(plan: JobPlan, entries: Sequence[JobEntry]) -> JobStanding:
    """How a job stands after its entries.

    Args:
        plan: What it set out to do.
        entries: All its entries, by number.

    Raises:
        JobError: An entry cannot follow those before it; pointers are relative to that entry.
    """
    meant = _meant(entries)
    fold = _Fold(plan)
    for entry in entries:
        said = entry.said
        correction = meant.get(entry.number)
        if correction is not None and correction.number != entry.number:
            if correction.said.volume_ml is None:  # type: ignore[union-attr]
                continue
            changes: dict[str, Any] = {"volume_ml": correction.said.volume_ml}  # type: ignore[union-attr]
            said = replace(said, **changes)
        fold.take(entry.number, said)
    return fold.standing(frozenset(meant))


def appended(plan: JobPlan, entries: Sequence[JobEntry], new: JobEntry) -> JobStanding:
    """How a job stands with one more entry.

    Args:
        plan: What it set out to do.
        entries: All its entries so far, by number.
        new: The next one.

    Raises:
        JobError: It cannot follow them, or corrects an entry on which a later one rests.
    """
    if len(entries) >= MOST_ENTRIES:
        raise JobError(Breach("", "entries_too_many", f"a job has at most {MOST_ENTRIES} entries"))
    if not isinstance(new.said, Corrected):
        return folded(plan, [*entries, new])
    _check_correction(entries, new.said)
    try:
        return folded(plan, [*entries, new])
    except JobError as error:
        if folded(plan, entries).state in CLOSED:
            raise
        reason = error.breaches[0].detail
        detail = (
            f"a later entry rests on it and would no longer stand ({reason}): correct the later one first"
        )
        raise JobError(Breach("/corrects", "later_entry_rests_on_it", detail)) from error


def level_judged(compartment: Compartment, level: LevelRead, *, is_hot: bool = False) -> LevelJudged:
    """A level, judged: low, within or high, or too cold or too hot to judge.

    Args:
        compartment: The compartment.
        level: The level as read.
        is_hot: Whether it is the hot one after a run.
    """
    low_c, high_c = level_window_c(compartment, is_hot=is_hot)
    at_c = level.temperature_c
    if at_c is not None and low_c is not None and at_c < low_c:
        return LevelJudged(level, LevelVerdict.TOO_COLD, None, None)
    if at_c is not None and high_c is not None and at_c > high_c:
        return LevelJudged(level, LevelVerdict.TOO_HOT, None, None)
    check = compartment.level_check
    marks_ml = None if check is None else check.mark_to_mark_ml
    share = level.mark_share
    position = LevelPosition.LOW if share < 0 else LevelPosition.HIGH if share > 1 else LevelPosition.WITHIN
    beyond = max(-share, share - 1, 0.0)
    off_ml = None if marks_ml is None else nearest_ml(beyond * marks_ml)
    return LevelJudged(level, LevelVerdict.JUDGED, position, off_ml)


def is_torque_met(plug: Plug, torque_nm: float) -> bool:
    """Whether a torque applied is the plug's figure, within what a setting wrench may be off."""
    if plug.torque_nm is None:
        return True
    allowed = SMALL_TORQUE_SHARE if plug.torque_nm <= SMALL_TORQUE_NM else TORQUE_SHARE
    return abs(torque_nm - plug.torque_nm) <= allowed * plug.torque_nm + 1e-9


_CORRECTABLE_NOT = frozenset(
    {EntryKind.STARTED, EntryKind.WAITING, EntryKind.RESUMED, EntryKind.STOPPED, EntryKind.SIGNED_OFF}
)


def _meant(entries: Sequence[JobEntry]) -> dict[int, JobEntry]:
    """The correction that counts, by the number of the entry that it corrects: the newest, if not undone itself."""
    meant: dict[int, JobEntry] = {}
    for entry in reversed(entries):
        if isinstance(entry.said, Corrected) and entry.number not in meant:
            meant.setdefault(entry.said.corrects, entry)
    return meant


def _check_correction(entries: Sequence[JobEntry], said: Corrected) -> None:
    target = next((entry for entry in entries if entry.number == said.corrects), None)
    if target is None:
        raise JobError(Breach("/corrects", "entry_unknown", "the job has no entry of that number"))
    if target.kind in _CORRECTABLE_NOT:
        detail = "a change of the job's state stays as it was; make another one"
        raise JobError(Breach("/corrects", "state_change_stays", detail))
    if said.volume_ml is not None and not hasattr(target.said, "volume_ml"):
        raise JobError(Breach("/volume", "entry_without_volume", "the entry corrected has no volume"))
    if said.volume_ml is not None and isinstance(target.said, Corrected):
        raise JobError(
            Breach("/volume", "entry_without_volume", "a correction is undone, not given a volume")
        )
    if entry_is_undone(entries, said.corrects):
        raise JobError(Breach("/corrects", "corrected_before", "the entry does not count any longer"))


def entry_is_undone(entries: Sequence[JobEntry], number: int) -> bool:
    """Whether an entry does not count any longer."""
    correction = _meant(entries).get(number)
    return correction is not None and correction.said.volume_ml is None  # type: ignore[union-attr]


class _Fold:
    """Takes entries in, one after the other."""

    def __init__(self, plan: JobPlan) -> None:
        self._plan = plan
        self._state = JobState.PLANNED
        self._was_started = False
        self._waits_for: WaitsFor | None = None
        self._vessels = {code: Vessel(code) for code in plan.compartments}
        self._tasks: dict[str, TaskMarked] = {}
        self._task_codes = frozenset(task.code for task in plan.tasks)
        self._leak_check: LeakChecked | None = None
        self._road_test: RoadTested | None = None
        self._findings: list[tuple[int, Finding]] = []
        self._signed_off: SignedOff | None = None
        self._number = 0

    def standing(self, corrected: frozenset[int]) -> JobStanding:
        return JobStanding(
            self._state,
            self._waits_for,
            self._vessels,
            self._tasks,
            self._leak_check,
            self._road_test,
            tuple(self._findings),
            corrected,
            self._signed_off,
        )

    def take(self, number: int, said: Any) -> None:
        self._number = number
        kind = type(said)
        if kind not in _ADMITTED[self._state]:
            rule, detail = _NOT_NOW[self._state]
            raise JobError(Breach("", rule, detail))
        _TAKERS[kind](self, said)

    def started(self, _: Started) -> None:
        if self._was_started:
            raise JobError(Breach("", "started_before", "the job was started before"))
        self._state, self._was_started = JobState.STARTED, True

    def waiting(self, said: Waiting) -> None:
        self._state, self._waits_for = JobState.WAITING, said.waits_for

    def resumed(self, _: Resumed) -> None:
        self._state = JobState.STARTED if self._was_started else JobState.PLANNED
        self._waits_for = None

    def stopped(self, _: Stopped) -> None:
        self._state, self._waits_for = JobState.STOPPED, None

    def signed_off(self, said: SignedOff) -> None:
        self._state, self._signed_off = JobState.SIGNED_OFF, said

    def corrected(self, _: Corrected) -> None:
        # What it corrects was taken in, or left out, at its own place.
        return

    def checked_before(self, said: CheckedBefore) -> None:
        vessel, compartment = self._vessel(said.compartment)
        if vessel.passes:
            raise JobError(Breach("/kind", "drained_before", "the check comes before the drain"))
        if said.level is None and compartment.level_check is not None:
            detail = f"the level is checked by {compartment.level_check.method} before the drain"
            raise JobError(Breach("/level", "level_missing", detail))
        found = None if said.level is None else self._read(compartment, said.level, "/level")
        for finding in _level_findings(said.compartment, found):
            self._find(finding)
        if said.leak is not Leak.NONE:
            self._find(_leak_finding(compartment, said.leak))
        self._observe(compartment, said.observations)
        vessel = self._vessels[said.compartment]
        self._vessels[said.compartment] = replace(
            vessel, is_checked=True, found=found, observations=said.observations
        )

    def fluid_at_hand(self, said: FluidAtHand) -> None:
        vessel, _ = self._vessel(said.compartment)
        if said.verdict is Verdict.NO:
            raise JobError(
                Breach("/product", "fluid_unsuitable", "the product does not meet the requirement")
            )
        if said.verdict is Verdict.MAKER_DECIDES and said.authority is None:
            detail = "the maker decides whether the product may be used: name where the maker says so"
            raise JobError(Breach("/authority", "fluid_not_settled", detail))
        self._vessels[said.compartment] = replace(vessel, products=(*vessel.products, said))

    def drained(self, said: Drained) -> None:
        vessel, compartment = self._vessel(said.compartment)
        exchange = self._exchange(said.compartment)
        _check_volume(said.volume_ml)
        breaches = []
        if not vessel.is_checked:
            detail = "level, leaks and fluid are looked at before the drain"
            breaches.append(Breach("/kind", "check_before_missing", detail))
        if not vessel.products:
            detail = "the fluid to be poured is held against the requirement before the drain"
            breaches.append(Breach("/kind", "fluid_at_hand_missing", detail))
        if vessel.is_open:
            breaches.append(Breach("/kind", "pass_open", "the pass before was drained and not filled"))
        held = "; ".join(dict.fromkeys(hold.detail for hold in vessel.holds))
        if held:
            detail = f"{held}: note the cause, or let a person decide"
            breaches.append(Breach("/kind", "drain_held_up", detail))
        if breaches:
            raise JobError(*breaches)
        at_15c_ml = _at_15c_ml(vessel, said.volume_ml, said.temperature_c)
        expected = exchange.expected
        verdict = expected.verdict(at_15c_ml)
        done = PassDone(
            number=len(vessel.passes) + 1,
            drained_ml=said.volume_ml,
            drained_at_c=said.temperature_c,
            fresh_at_c=said.fresh_at_c,
            drained_15c_ml=at_15c_ml,
            is_run_before=vessel.is_run or not vessel.passes,
            verdict=verdict,
            deviations=expected.deviations(at_15c_ml),
        )
        for finding in _drain_findings(exchange, done):
            self._find(finding)
        self._vessels[said.compartment] = replace(
            self._moved("drained_ml", said.compartment, said.volume_ml, said.temperature_c),
            passes=(*vessel.passes, done),
            is_run=False,
            torques=(),
            observations=said.observations,
        )
        self._observe(compartment, said.observations)

    def seal_renewed(self, said: SealRenewed) -> None:
        vessel, compartment = self._vessel(said.compartment)
        if _plug(compartment, said.plug).seal_part is None:
            raise JobError(Breach("/plug", "plug_without_seal", "the sheet gives this plug no seal"))
        self._vessels[said.compartment] = replace(vessel, seals=(*vessel.seals, said.plug))

    def torque_applied(self, said: TorqueApplied) -> None:
        vessel, compartment = self._vessel(said.compartment)
        plug = _plug(compartment, said.plug)
        if said.torque_nm <= 0:
            raise JobError(Breach("/torque", "torque_not_positive", "a torque applied is above 0"))
        is_met = is_torque_met(plug, said.torque_nm)
        if not is_met:
            detail = f"{said.torque_nm:.4g} N.m was applied where the sheet gives {plug.torque_nm:.4g} N.m"
            self._find(Finding(FindingCode.TORQUE_OFF, detail, said.compartment))
        others = tuple(one for one in vessel.torques if one[0] != said.plug)
        self._vessels[said.compartment] = replace(
            vessel, torques=(*others, (said.plug, said.torque_nm, is_met))
        )

    def poured(self, said: Poured) -> None:
        vessel, _ = self._vessel(said.compartment)
        exchange = self._exchange(said.compartment)
        _check_volume(said.volume_ml)
        _check_at_hand(vessel, said.product)
        if not vessel.passes or vessel.is_run or vessel.hot is not None:
            detail = "nothing was drained that this could refill: a top-up is an entry of its own"
            raise JobError(Breach("/kind", "nothing_drained", detail))
        *before, last = vessel.passes
        if last.product not in {None, said.product}:
            raise JobError(Breach("/product", "product_differs", "one pass is filled with one product"))
        planned = exchange.product_for(last.number)
        if planned not in {None, said.product}:
            detail = f"pass {last.number} was planned with product {planned}"
            self._find(Finding(FindingCode.OTHER_PRODUCT, detail, said.compartment))
        filled = replace(last, product=said.product, poured_ml=last.poured_ml + said.volume_ml)
        self._vessels[said.compartment] = replace(
            self._moved("poured_ml", said.compartment, said.volume_ml, said.temperature_c),
            passes=(*before, filled),
            used=(*vessel.used, (said.product, said.volume_ml)),
        )

    def run(self, said: Run) -> None:
        vessel, _ = self._vessel(said.compartment)
        if vessel.is_open:
            detail = "the compartment was drained and not filled: it must not run"
            raise JobError(Breach("/kind", "pass_open", detail))
        self._vessels[said.compartment] = replace(vessel, is_run=True)

    def level_checked(self, said: LevelChecked) -> None:
        vessel, compartment = self._vessel(said.compartment)
        if vessel.is_open:
            raise JobError(Breach("/kind", "pass_open", "the compartment was drained and not filled"))
        is_hot = said.stage is LevelStage.HOT_AFTER_RUN
        judged = self._read(compartment, said.level, "/level", is_hot=is_hot)
        if is_hot:
            _check_hot(compartment, vessel, judged)
            for finding in _level_findings(said.compartment, judged, is_holding=False):
                self._find(finding)
            self._vessels[said.compartment] = replace(vessel, hot=judged, observations=said.observations)
        else:
            self._vessels[said.compartment] = replace(vessel, cold=judged, observations=said.observations)
        self._observe(compartment, said.observations)

    def topped_up(self, said: ToppedUp) -> None:
        vessel, _ = self._vessel(said.compartment)
        _check_volume(said.volume_ml)
        _check_at_hand(vessel, said.product)
        if vessel.is_open:
            raise JobError(Breach("/kind", "pass_open", "a drained compartment is filled, not topped up"))
        self._vessels[said.compartment] = replace(
            self._moved("topped_up_ml", said.compartment, said.volume_ml, said.temperature_c),
            used=(*vessel.used, (said.product, said.volume_ml)),
        )

    def taken_off(self, said: TakenOff) -> None:
        self._vessel(said.compartment)
        _check_volume(said.volume_ml)
        self._vessels[said.compartment] = self._moved(
            "taken_off_ml", said.compartment, said.volume_ml, said.temperature_c
        )

    def lost(self, said: Lost) -> None:
        self._vessel(said.compartment)
        _check_volume(said.volume_ml)
        self._vessels[said.compartment] = self._moved(
            "lost_ml", said.compartment, said.volume_ml, said.temperature_c
        )

    def task_marked(self, said: TaskMarked) -> None:
        if said.task not in self._task_codes:
            raise JobError(Breach("/task", "task_unknown", "the job has no task of that code"))
        if not said.is_done and said.reason is None:
            raise JobError(Breach("/reason", "reason_missing", "a task is left undone for a reason"))
        if said.is_done:
            for exchange in self._plan.exchanges.values():
                filled = self._vessels[exchange.compartment.code].passes_filled
                if said.task in exchange.tasks and filled < exchange.passes:
                    detail = f"{filled} of {exchange.passes} passes were drained and filled"
                    raise JobError(Breach("/task", "passes_open", detail))
        self._tasks[said.task] = said

    def leak_checked(self, said: LeakChecked) -> None:
        if said.compartment is not None:
            self._vessel(said.compartment)
        if not said.is_tight:
            compartment = self._plan.compartments.get(said.compartment or "")
            self._find(_leak_finding(compartment, Leak.DRIPPING))
        self._leak_check = said

    def road_tested(self, said: RoadTested) -> None:
        if not said.is_passed:
            detail = "the vehicle did not pass its road test after the work"
            self._find(Finding(FindingCode.ROAD_TEST_FAILED, detail, is_defect=True))
        self._road_test = said

    def found(self, said: Found) -> None:
        if said.compartment is not None:
            self._vessel(said.compartment)
        self._find(
            Finding(
                FindingCode(said.what.value),
                _FOUND_WORDS[said.what],
                said.compartment,
                is_defect=True,
                is_off_road=said.is_off_road,
                is_holding=said.what in {FoundKind.METAL, FoundKind.COOLANT},
                assigned_to=said.assigned_to,
            )
        )

    def cleared(self, said: Cleared) -> None:
        vessel, _ = self._vessel(said.compartment)
        if not vessel.holds:
            raise JobError(Breach("/compartment", "nothing_to_clear", "nothing holds this compartment up"))
        if (said.cause is None) == (said.override_reason is None):
            detail = "give the cause that was found, or a person's reason to go on without one"
            raise JobError(Breach("/cause", "clearance_not_one_way", detail))
        self._vessels[said.compartment] = replace(vessel, holds=())

    def _vessel(self, code: str) -> tuple[Vessel, Compartment]:
        vessel = self._vessels.get(code)
        if vessel is None:
            detail = "no task of the job works on a compartment of that code"
            raise JobError(Breach("/compartment", "compartment_not_in_job", detail))
        return vessel, self._plan.compartments[code]

    def _exchange(self, code: str) -> ExchangePlan:
        exchange = self._plan.exchanges.get(code)
        if exchange is None:
            detail = "no task of the job exchanges the fluid of this compartment"
            raise JobError(Breach("/compartment", "no_exchange_here", detail))
        return exchange

    def _read(
        self, compartment: Compartment, level: LevelRead, pointer: str, *, is_hot: bool = False
    ) -> LevelJudged:
        low_c, high_c = level_window_c(compartment, is_hot=is_hot)
        if level.temperature_c is None and (is_hot or low_c is not None or high_c is not None):
            detail = "this level is judged in a window of temperature, so it needs the fluid's temperature"
            raise JobError(Breach(f"{pointer}/temperature", "level_temperature_missing", detail))
        return level_judged(compartment, level, is_hot=is_hot)

    def _moved(self, part: str, code: str, volume_ml: int, at_c: float | None) -> Vessel:
        vessel = self._vessels[code]
        return replace(
            vessel,
            measured=vessel.measured.plus(part, volume_ml),
            at_15c=vessel.at_15c.plus(part, _at_15c_ml(vessel, volume_ml, at_c)),
            # Whatever moves fluid asks for another look at the level.
            hot=None,
        )

    def _observe(self, compartment: Compartment, observations: Iterable[Observation]) -> None:
        for one in dict.fromkeys(observations):
            self._find(
                Finding(
                    FindingCode(one.value),
                    _OBSERVED_WORDS[one],
                    compartment.code,
                    is_defect=one in _DEFECTS,
                    is_holding=one in _HOLDING,
                )
            )

    def _find(self, finding: Finding) -> None:
        self._findings.append((self._number, finding))
        if finding.is_holding and finding.compartment is not None:
            vessel = self._vessels[finding.compartment]
            self._vessels[finding.compartment] = replace(vessel, holds=(*vessel.holds, finding))


def _at_15c_ml(vessel: Vessel, volume_ml: int, at_c: float | None) -> int:
    fluid = vessel.products[-1] if vessel.products else None
    if fluid is None or at_c is None or fluid.fluid_kind not in LUBRICATING_OILS:
        return volume_ml
    density = fluid.density_15c_kg_m3
    if density is None or not DENSITY_RANGE_15C[0] <= density <= DENSITY_RANGE_15C[1]:
        return volume_ml
    low_c, high_c = TEMPERATURE_RANGE_C
    if not low_c <= at_c <= high_c:
        detail = f"an oil is measured between {low_c:g} and {high_c:g} degC"
        raise JobError(Breach("/temperature", "temperature_out_of_range", detail))
    return nearest_ml(volume_ml * volume_factor(at_c, base_density_kg_m3=density))


def _check_volume(volume_ml: int) -> None:
    if volume_ml <= 0:
        raise JobError(Breach("/volume", "volume_not_positive", "a volume moved is above 0"))


def _check_at_hand(vessel: Vessel, product: str) -> None:
    if vessel.product(product) is None:
        detail = "the product was not held against the compartment's requirement in this job"
        raise JobError(Breach("/product", "fluid_at_hand_missing", detail))


def _check_hot(compartment: Compartment, vessel: Vessel, judged: LevelJudged) -> None:
    low_c, high_c = level_window_c(compartment, is_hot=True)
    if judged.verdict is LevelVerdict.TOO_COLD:
        detail = f"a hot level is read from {low_c:g} degC on: warm the fluid up by running"
        raise JobError(Breach("/level/temperature", "too_cold_to_judge", detail))
    if judged.verdict is LevelVerdict.TOO_HOT:
        detail = f"a hot level is read up to {high_c:g} degC: let the fluid cool down"
        raise JobError(Breach("/level/temperature", "too_hot_to_judge", detail))
    if vessel.passes and not vessel.is_run:
        detail = "a hot level is read after a run with the fresh fluid"
        raise JobError(Breach("/stage", "not_run", detail))


def _plug(compartment: Compartment, code: str) -> Plug:
    for plug in compartment.plugs:
        if plug.code == code:
            return plug
    raise JobError(Breach("/plug", "plug_unknown", "the compartment has no plug of that code"))


def _level_findings(code: str, judged: LevelJudged | None, *, is_holding: bool = True) -> list[Finding]:
    if judged is None or judged.position is LevelPosition.WITHIN:
        return []
    if judged.position is None:
        words = "cold" if judged.verdict is LevelVerdict.TOO_COLD else "hot"
        detail = f"the fluid was too {words} for its level to be judged"
        return [Finding(FindingCode.LEVEL_NOT_JUDGED, detail, code)]
    by = "" if judged.off_ml is None else f" by {judged.off_ml} mL"
    if judged.position is LevelPosition.LOW:
        detail = f"the level stood below the low mark{by}, which may mean a leak"
        return [Finding(FindingCode.LEVEL_LOW, detail, code, is_holding=is_holding)]
    detail = f"the level stood above the full mark{by}, which may mean overfilling, coolant, water or fuel"
    return [Finding(FindingCode.LEVEL_HIGH, detail, code, is_holding=is_holding)]


def _drain_findings(exchange: ExchangePlan, done: PassDone) -> list[Finding]:
    code, capacity_ml = exchange.compartment.code, exchange.compartment.dry_capacity_ml
    found = []
    off = abs(done.deviations)
    told = (
        f"{done.drained_15c_ml} mL is {off:.1f} standard deviations %s the {exchange.expected.mean_ml:.0f} mL"
        " expected"
    )
    if done.verdict is DrainVerdict.LESS:
        detail = told % "below" + ": a short drain, a low level, or a leak"
        found.append(Finding(FindingCode.LESS_DRAINED, detail, code))
    if done.verdict is DrainVerdict.MORE:
        detail = told % "above" + ": overfilled before, or water, fuel or coolant in it"
        found.append(Finding(FindingCode.MORE_DRAINED, detail, code))
    if capacity_ml is not None and done.drained_ml > capacity_ml:
        detail = f"{done.drained_ml} mL is more than the compartment holds, {capacity_ml} mL: find out why"
        found.append(Finding(FindingCode.ABOVE_CAPACITY, detail, code))
    return found


def _leak_finding(compartment: Compartment | None, leak: Leak) -> Finding:
    code = None if compartment is None else compartment.code
    if leak is Leak.DAMP:
        return Finding(FindingCode.DAMP, "the compartment was damp outside", code)
    is_off_road = compartment is not None and compartment.kind in _OFF_ROAD_LEAKS
    return Finding(FindingCode.LEAK, "fluid leaks", code, is_defect=True, is_off_road=is_off_road)


# A vehicle whose brakes leak is not driven; common practice, no source.
_OFF_ROAD_LEAKS = frozenset({CompartmentKind.BRAKE_CIRCUIT, CompartmentKind.CLUTCH_CIRCUIT})
# Burnt smell, metal and coolant: stop and find the cause, not another pass; common practice, no source.
_HOLDING = frozenset({Observation.BURNT_SMELL, Observation.METAL, Observation.COOLANT})
_DEFECTS = frozenset({Observation.METAL, Observation.COOLANT, Observation.WATER, Observation.FUEL})
_OBSERVED_WORDS = {
    Observation.DARK: "the fluid was dark",
    Observation.BURNT_SMELL: "the fluid smelled burnt",
    Observation.METAL: "metal was in the fluid",
    Observation.COOLANT: "coolant was in the fluid",
    Observation.WATER: "water was in the fluid",
    Observation.FUEL: "fuel was in the fluid",
    Observation.FOAM: "the fluid foamed",
}
_FOUND_WORDS = {
    FoundKind.LEAK: "a leak was found",
    FoundKind.METAL: "metal was found",
    FoundKind.COOLANT: "coolant was found where it does not belong",
    FoundKind.WATER: "water was found where it does not belong",
    FoundKind.FUEL: "fuel was found where it does not belong",
    FoundKind.FAILED_LIMIT: "a limit was not met",
    FoundKind.WEAR_OR_DAMAGE: "wear or damage was found",
}
_TAKERS: dict[type, Callable[[_Fold, Any], None]] = {
    Started: _Fold.started,
    Waiting: _Fold.waiting,
    Resumed: _Fold.resumed,
    Stopped: _Fold.stopped,
    CheckedBefore: _Fold.checked_before,
    FluidAtHand: _Fold.fluid_at_hand,
    Drained: _Fold.drained,
    SealRenewed: _Fold.seal_renewed,
    TorqueApplied: _Fold.torque_applied,
    Poured: _Fold.poured,
    Run: _Fold.run,
    LevelChecked: _Fold.level_checked,
    ToppedUp: _Fold.topped_up,
    TakenOff: _Fold.taken_off,
    Lost: _Fold.lost,
    TaskMarked: _Fold.task_marked,
    LeakChecked: _Fold.leak_checked,
    RoadTested: _Fold.road_tested,
    Found: _Fold.found,
    Cleared: _Fold.cleared,
    Corrected: _Fold.corrected,
    SignedOff: _Fold.signed_off,
}
_ADMITTED: dict[JobState, frozenset[type]] = {
    JobState.PLANNED: frozenset({Started, Waiting, Stopped, Found, Corrected}),
    JobState.STARTED: frozenset(_TAKERS) - {Resumed},
    JobState.WAITING: frozenset({Resumed, Stopped, Found, Cleared, Corrected}),
    JobState.SIGNED_OFF: frozenset(),
    JobState.STOPPED: frozenset(),
}
_NOT_NOW = {
    JobState.PLANNED: ("job_not_started", "the job was not started yet"),
    JobState.STARTED: ("job_not_waiting", "the job waits for nothing"),
    JobState.WAITING: ("job_waiting", "the job waits; resume it first"),
    JobState.SIGNED_OFF: ("job_signed_off", "the job was signed off and takes no entry"),
    JobState.STOPPED: ("job_stopped", "the job was stopped and takes no entry"),
}
