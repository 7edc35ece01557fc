"""A job's plan and its entries as domain values, for tests that need no database.

The sheet is that of ``tests.support.bay``: a transmission of 8 L changed in two passes of 4 L, an engine sump of 6.5 L
of which an oil change takes 5.7 L.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from api.schemas.sheets import SpecSheetDocument
from domain.job_entries import (
    CheckedBefore,
    Drained,
    FluidAtHand,
    JobEntry,
    LevelChecked,
    LevelRead,
    LevelStage,
    Poured,
    Run,
    SealRenewed,
    Started,
    TorqueApplied,
)
from domain.job_plan import JobPlan, job_plan
from domain.jobs import JobStanding, appended, folded
from domain.requirements import FluidKind
from tests.support.bay import SHUTTLE

if TYPE_CHECKING:
    from domain.job_entries import Said

SHEET = SpecSheetDocument.model_validate(SHUTTLE).value()
CVT = FluidAtHand("cvt", "cvt-n", FluidKind.CONTINUOUSLY_VARIABLE_FLUID, 850.0)
OIL = FluidAtHand("sump", "oil", FluidKind.ENGINE_OIL, 850.0)
CHECKED = CheckedBefore("cvt", LevelRead(0.5, 60.0))


def plan(*services: str, **more: Any) -> JobPlan:
    """The plan of a job for these services; for both unless given."""
    return job_plan(SHEET, services or ("oil", "gearbox"), **more)


class Log:
    """Entries that were taken, one after the other."""

    def __init__(self, made: JobPlan | None = None) -> None:
        """No entry yet."""
        self.plan = made or plan()
        self.entries: list[JobEntry] = []

    def add(self, *said: Said) -> JobStanding:
        """How the job stands after these entries."""
        for one in said:
            entry = JobEntry(len(self.entries) + 1, "mechanic", one)
            appended(self.plan, self.entries, entry)
            self.entries.append(entry)
        return folded(self.plan, self.entries)

    @property
    def standing(self) -> JobStanding:
        """How the job stands."""
        return folded(self.plan, self.entries)

    def ready(self) -> JobStanding:
        """Started, and the transmission ready for its first drain."""
        return self.add(Started(), CHECKED, CVT)

    def exchanged(self, *drained_ml: int, is_run: bool = True) -> JobStanding:
        """Passes on the transmission, each filled with what came out, and a run after each."""
        for volume_ml in drained_ml:
            self.add(
                Drained("cvt", volume_ml), SealRenewed("cvt", "drain"), TorqueApplied("cvt", "drain", 34.0)
            )
            self.add(Poured("cvt", "cvt-n", volume_ml))
            if is_run:
                self.add(Run("cvt"))
        return self.standing

    def levelled(self) -> JobStanding:
        """The hot level, right."""
        return self.add(LevelChecked("cvt", LevelStage.HOT_AFTER_RUN, LevelRead(0.8, 60.0)))
