"""What is written down about a job in the bay: one value for each kind of entry.

Invariants: an entry is never changed; one that was wrong is corrected by a later entry that names it. Volumes are
as measured, with the temperature at which they were.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from domain.requirements import FluidKind, Verdict


class EntryKind(StrEnum):
    """What an entry says."""

    STARTED = "started"
    WAITING = "waiting"
    RESUMED = "resumed"
    STOPPED = "stopped"
    CHECKED_BEFORE = "checked_before"
    FLUID_AT_HAND = "fluid_at_hand"
    DRAINED = "drained"
    SEAL_RENEWED = "seal_renewed"
    TORQUE_APPLIED = "torque_applied"
    POURED = "poured"
    RUN = "run"
    LEVEL_CHECKED = "level_checked"
    TOPPED_UP = "topped_up"
    TAKEN_OFF = "taken_off"
    LOST = "lost"
    TASK_MARKED = "task_marked"
    LEAK_CHECKED = "leak_checked"
    ROAD_TESTED = "road_tested"
    FOUND = "found"
    CLEARED = "cleared"
    CORRECTED = "corrected"
    SIGNED_OFF = "signed_off"


class WaitsFor(StrEnum):
    """What a job waits for."""

    PARTS = "parts"
    AUTHORITY = "authority"


class LevelStage(StrEnum):
    """When a level is checked after a change."""

    COLD_BEFORE_START = "cold_before_start"
    HOT_AFTER_RUN = "hot_after_run"


class Leak(StrEnum):
    """How tight a compartment was found."""

    NONE = "none"
    DAMP = "damp"
    DRIPPING = "dripping"


class Observation(StrEnum):
    """What a fluid looked or smelled like."""

    DARK = "dark"
    BURNT_SMELL = "burnt_smell"
    METAL = "metal"
    COOLANT = "coolant"
    WATER = "water"
    FUEL = "fuel"
    FOAM = "foam"


class LossKind(StrEnum):
    """How fluid left the compartment beside a drain."""

    SAMPLED = "sampled"
    SPILLED = "spilled"


class FoundKind(StrEnum):
    """What was found on the vehicle."""

    LEAK = "leak"
    METAL = "metal"
    COOLANT = "coolant"
    WATER = "water"
    FUEL = "fuel"
    FAILED_LIMIT = "failed_limit"
    WEAR_OR_DAMAGE = "wear_or_damage"


@dataclass(frozen=True, slots=True)
class Started:
    """Work on the vehicle began."""

    note: str | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """Work cannot go on."""

    waits_for: WaitsFor
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Resumed:
    """What was waited for is there."""

    note: str | None = None


@dataclass(frozen=True, slots=True)
class Stopped:
    """The job was given up; nothing of it counts as done."""

    reason: str


@dataclass(frozen=True, slots=True)
class LevelRead:
    """A level as read on the dipstick.

    Attributes:
        mark_share: Where it stands between the marks: 0 at the low mark, 1 at the full mark; beyond, past them.
        temperature_c: Temperature of the fluid [degC].
    """

    mark_share: float
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class CheckedBefore:
    """How a compartment was found before its drain.

    Attributes:
        compartment: Its code.
        level: The level; None where the compartment has no way to read it.
        leak: How tight it was.
        observations: What the fluid looked or smelled like.
        colour: The colour in words or by a scale.
    """

    compartment: str
    level: LevelRead | None = None
    leak: Leak = Leak.NONE
    observations: tuple[Observation, ...] = ()
    colour: str | None = None


@dataclass(frozen=True, slots=True)
class FluidAtHand:
    """A product that was held against the compartment's requirement and may be poured.

    Attributes:
        compartment: Its code.
        product: Code of the product.
        fluid_kind: What it is.
        density_15c_kg_m3: Its density at 15 degC [kg/m3].
        verdict: Whether it suits: yes, or the maker decides and ``authority`` says how.
        authority: Where the maker admits it, such as a page of the manual.
        lot: Code of the lot at hand.
    """

    compartment: str
    product: str
    fluid_kind: FluidKind
    density_15c_kg_m3: float | None = None
    verdict: Verdict = Verdict.YES
    authority: str | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Drained:
    """One drain.

    Attributes:
        compartment: Its code.
        volume_ml: Drained, as measured [mL].
        temperature_c: Temperature at which it was measured [degC].
        fresh_at_c: Temperature of the fluid to be poured [degC].
        observations: What the fluid looked or smelled like.
    """

    compartment: str
    volume_ml: int
    temperature_c: float | None = None
    fresh_at_c: float | None = None
    observations: tuple[Observation, ...] = ()


@dataclass(frozen=True, slots=True)
class SealRenewed:
    """The seal of a plug was renewed."""

    compartment: str
    plug: str


@dataclass(frozen=True, slots=True)
class TorqueApplied:
    """A plug was tightened [N.m]."""

    compartment: str
    plug: str
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Poured:
    """Fresh fluid, poured after a drain.

    Attributes:
        compartment: Its code.
        product: Code of the product.
        volume_ml: Poured, as measured [mL].
        temperature_c: Temperature at which it was measured [degC].
    """

    compartment: str
    product: str
    volume_ml: int
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """The vehicle ran with the compartment filled.

    Attributes:
        compartment: Its code.
        duration_s: How long [s].
        temperature_c: Temperature that the fluid reached [degC].
        is_shifted_through: Whether the transmission was shifted through its ranges.
    """

    compartment: str
    duration_s: int | None = None
    temperature_c: float | None = None
    is_shifted_through: bool = False


@dataclass(frozen=True, slots=True)
class LevelChecked:
    """A level after the change.

    Attributes:
        compartment: Its code.
        stage: Cold before the start, or hot after a run.
        level: The level.
        observations: What the fluid looked or smelled like.
    """

    compartment: str
    stage: LevelStage
    level: LevelRead
    observations: tuple[Observation, ...] = ()


@dataclass(frozen=True, slots=True)
class ToppedUp:
    """Fluid added after a level check; as ``Poured``."""

    compartment: str
    product: str
    volume_ml: int
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class TakenOff:
    """Fluid taken off after a level check [mL, degC]."""

    compartment: str
    volume_ml: int
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """Fluid that left the compartment as a sample or a spill [mL, degC]."""

    compartment: str
    how: LossKind
    volume_ml: int
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class TaskMarked:
    """A task was done, or left undone for a reason."""

    task: str
    is_done: bool = True
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class LeakChecked:
    """The vehicle was looked at for leaks, after the work."""

    is_tight: bool
    compartment: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class RoadTested:
    """The vehicle was driven, after the work [m]."""

    is_passed: bool
    distance_m: int | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """Something was found on the vehicle that a person has to see to.

    Attributes:
        what: What.
        words: In a sentence.
        compartment: Code of the compartment; None where it is none's.
        is_off_road: Whether the vehicle must not be driven until it is released.
        assigned_to: The person to see to it.
    """

    what: FoundKind
    words: str
    compartment: str | None = None
    is_off_road: bool = False
    assigned_to: str | None = None


@dataclass(frozen=True, slots=True)
class Cleared:
    """Why work on a compartment goes on after something that held it up: its cause, or a person's decision."""

    compartment: str
    cause: str | None = None
    override_reason: str | None = None


@dataclass(frozen=True, slots=True)
class Corrected:
    """An earlier entry was wrong.

    Attributes:
        corrects: Number of that entry.
        why: Why it was wrong.
        volume_ml: The volume that was meant [mL]; None: the entry does not count at all.
    """

    corrects: int
    why: str
    volume_ml: int | None = None


@dataclass(frozen=True, slots=True)
class SignedOff:
    """The job was signed off.

    Attributes:
        done_by: Who did the work.
        checked_by: Who checked it.
        left_open: Item that stayed open and why, each.
    """

    done_by: tuple[str, ...]
    checked_by: str
    left_open: tuple[tuple[str, str], ...] = ()


Said = (
    Started
    | Waiting
    | Resumed
    | Stopped
    | CheckedBefore
    | FluidAtHand
    | Drained
    | SealRenewed
    | TorqueApplied
    | Poured
    | Run
    | LevelChecked
    | ToppedUp
    | TakenOff
    | Lost
    | TaskMarked
    | LeakChecked
    | RoadTested
    | Found
    | Cleared
    | Corrected
    | SignedOff
)

CLASS_OF: dict[EntryKind, type[Said]] = {
    EntryKind.STARTED: Started,
    EntryKind.WAITING: Waiting,
    EntryKind.RESUMED: Resumed,
    EntryKind.STOPPED: Stopped,
    EntryKind.CHECKED_BEFORE: CheckedBefore,
    EntryKind.FLUID_AT_HAND: FluidAtHand,
    EntryKind.DRAINED: Drained,
    EntryKind.SEAL_RENEWED: SealRenewed,
    EntryKind.TORQUE_APPLIED: TorqueApplied,
    EntryKind.POURED: Poured,
    EntryKind.RUN: Run,
    EntryKind.LEVEL_CHECKED: LevelChecked,
    EntryKind.TOPPED_UP: ToppedUp,
    EntryKind.TAKEN_OFF: TakenOff,
    EntryKind.LOST: Lost,
    EntryKind.TASK_MARKED: TaskMarked,
    EntryKind.LEAK_CHECKED: LeakChecked,
    EntryKind.ROAD_TESTED: RoadTested,
    EntryKind.FOUND: Found,
    EntryKind.CLEARED: Cleared,
    EntryKind.CORRECTED: Corrected,
    EntryKind.SIGNED_OFF: SignedOff,
}
KIND_OF: dict[type[Said], EntryKind] = {said: kind for kind, said in CLASS_OF.items()}


@dataclass(frozen=True, slots=True)
class JobEntry:
    """One entry of a job.

    Attributes:
        number: Its place among the job's entries, from 1.
        by: Who says so.
        said: What.
    """

    number: int
    by: str
    said: Said

    @property
    def kind(self) -> EntryKind:
        """What it says."""
        return KIND_OF[type(self.said)]
