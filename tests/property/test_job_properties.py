"""A job's fluids balance, whatever is entered in whatever order."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from domain.corrections import nearest_ml, volume_factor
from domain.errors import JobError
from domain.job_entries import (
    CheckedBefore,
    Cleared,
    Corrected,
    Drained,
    FluidAtHand,
    JobEntry,
    LevelRead,
    LossKind,
    Lost,
    Observation,
    Poured,
    Run,
    Said,
    Started,
    TakenOff,
    ToppedUp,
)
from domain.job_result import contents_after
from domain.jobs import JobStanding, appended, folded
from domain.requirements import FluidKind
from tests.support.jobs import plan

DENSITY = 850.0
PLAN = plan("gearbox")
OPENING = (
    Started(),
    CheckedBefore("cvt", LevelRead(0.5, 60.0)),
    FluidAtHand("cvt", "cvt-n", FluidKind.CONTINUOUSLY_VARIABLE_FLUID, DENSITY),
)
SIGNS = {Drained: -1, Poured: 1, ToppedUp: 1, TakenOff: -1, Lost: -1}

volumes = st.integers(-5, 9_000)
degrees = st.none() | st.floats(-40, 140)
entries = st.one_of(
    st.builds(
        Drained, st.just("cvt"), volumes, degrees, observations=st.sampled_from([(), (Observation.METAL,)])
    ),
    st.builds(Poured, st.just("cvt"), st.just("cvt-n"), volumes, degrees),
    st.builds(ToppedUp, st.just("cvt"), st.just("cvt-n"), volumes, degrees),
    st.builds(TakenOff, st.just("cvt"), volumes, degrees),
    st.builds(Lost, st.just("cvt"), st.sampled_from(LossKind), volumes, degrees),
    st.builds(Run, st.just("cvt")),
    st.builds(Cleared, st.just("cvt"), st.just("found")),
    st.builds(Corrected, st.integers(4, 30), st.just("mistyped"), st.none() | volumes),
)


def counted(log: list[JobEntry]) -> list[Said]:
    """What counts of a log, by going through it backwards: the newest correction of an entry decides."""
    decided: dict[int, Corrected] = {}
    for entry in reversed(log):
        if isinstance(entry.said, Corrected) and entry.number not in decided:
            decided.setdefault(entry.said.corrects, entry.said)
    kept: list[Said] = []
    for entry in log:
        correction = decided.get(entry.number)
        if correction is None:
            kept.append(entry.said)
        elif correction.volume_ml is not None:
            members: dict[str, Any] = {name: getattr(entry.said, name) for name in entry.said.__slots__}
            kept.append(type(entry.said)(**(members | {"volume_ml": correction.volume_ml})))
    return kept


def at_15c_ml(said: Any) -> int:
    """A volume at 15 degC."""
    if said.temperature_c is None:
        return int(said.volume_ml)
    return nearest_ml(said.volume_ml * volume_factor(said.temperature_c, base_density_kg_m3=DENSITY))


def taken(sent: list[Said]) -> tuple[list[JobEntry], JobStanding]:
    """The entries that a job takes of those sent, and how it stands."""
    log: list[JobEntry] = []
    for said in (*OPENING, *sent):
        entry = JobEntry(len(log) + 1, "mechanic", said)
        try:
            appended(PLAN, log, entry)
        except JobError:
            continue
        log.append(entry)
    return log, folded(PLAN, log)


@settings(max_examples=120, deadline=None)
@given(st.lists(entries, max_size=25))
def test_the_level_changes_by_what_moved(sent: list[Said]) -> None:
    log, standing = taken(sent)
    vessel = standing.vessels["cvt"]
    moved: list[Any] = [said for said in counted(log) if type(said) in SIGNS]
    assert vessel.at_15c.level_change_ml == sum(SIGNS[type(said)] * at_15c_ml(said) for said in moved)
    assert vessel.measured.level_change_ml == sum(SIGNS[type(said)] * said.volume_ml for said in moved)
    # What left the stock is what went in; passes and movements tell the same.
    assert sum(volume_ml for _, volume_ml in vessel.used) == (
        vessel.measured.poured_ml + vessel.measured.topped_up_ml
    )
    assert sum(one.drained_ml for one in vessel.passes) == vessel.measured.drained_ml
    assert sum(one.poured_ml for one in vessel.passes) == vessel.measured.poured_ml
    for contents in contents_after(PLAN.exchanges["cvt"], vessel):
        assert contents is not None
        assert abs(contents.old_share + sum(share for _, share in contents.fresh) - 1) < 1e-9


@settings(max_examples=40, deadline=None)
@given(st.lists(entries, max_size=15), st.integers(0, 18))
def test_an_undone_entry_counts_as_though_it_had_not_been_made(sent: list[Said], which: int) -> None:
    log, _ = taken([one for one in sent if not isinstance(one, Corrected)])
    number = which % len(log) + 1
    undo = JobEntry(len(log) + 1, "mechanic", Corrected(number, "never happened"))
    try:
        after = appended(PLAN, log, undo)
    except JobError:
        return
    others = [entry.said for entry in log if entry.number != number]
    renumbered = [JobEntry(index, "mechanic", said) for index, said in enumerate(others, start=1)]
    assert after.vessels == folded(PLAN, renumbered).vessels
