from __future__ import annotations

from dataclasses import replace

import pytest

from domain.errors import JobError
from domain.exchange import exchange
from domain.job_entries import (
    CheckedBefore,
    Drained,
    EntryKind,
    LeakChecked,
    LevelChecked,
    LevelRead,
    LevelStage,
    LossKind,
    Lost,
    Observation,
    Poured,
    RoadTested,
    Run,
    SealRenewed,
    SignedOff,
    Started,
    TakenOff,
    TaskMarked,
    ToppedUp,
    TorqueApplied,
)
from domain.job_plan import FluidPlan, job_plan, steps_of
from domain.job_result import (
    PassReason,
    another_pass,
    check_sign_off,
    contents_after,
    is_step_done,
    open_items,
    outcome,
    restored_share,
    to_pour,
)
from domain.kits import Part
from domain.plans import plan as fluid_plan
from tests.support.jobs import CHECKED, CVT, OIL, SHEET, Log, plan

SIGNED = SignedOff(("mechanic",), "foreman")


def items(log: Log) -> list[str]:
    """What is open."""
    return [one.item for one in open_items(log.plan, log.standing)]


def test_shares_are_those_of_the_exchange_model() -> None:
    log = Log(plan("gearbox"))
    log.ready()
    log.exchanged(3_950, 4_050)
    made = contents_after(log.plan.exchanges["cvt"], log.standing.vessels["cvt"])
    expected = exchange(capacity_ml=8_000, drained_ml=[3_950, 4_050])
    assert [one.old_share for one in made if one is not None] == list(expected.old_shares)


def test_shares_of_two_products_are_those_of_a_plan_with_two_fluids() -> None:
    log = Log(plan("gearbox"))
    log.add(Started(), CHECKED, CVT)
    first = type(CVT)("cvt", "cheaper", CVT.fluid_kind, 850.0)
    log.add(first, Drained("cvt", 4_000), Poured("cvt", "cheaper", 4_000))
    log.add(Drained("cvt", 4_000), Poured("cvt", "cvt-n", 4_000), Run("cvt"))
    last = contents_after(log.plan.exchanges["cvt"], log.standing.vessels["cvt"])[-1]
    assert last is not None
    # Not run in between: the fresh fluid of the first pass was drained out of the pan again.
    made = fluid_plan(capacity_ml=8_000, drained_ml=[4_000, 4_000], last_passes=1, is_run_between=False)
    assert (last.old_share, dict(last.fresh)) == (
        made.old_share,
        {"cheaper": made.first_share, "cvt-n": made.last_share},
    )


def test_what_to_pour_follows_temperature_and_the_level_found() -> None:
    log = Log(plan("gearbox"))
    log.add(Started(), CheckedBefore("cvt", LevelRead(0.5, 60.0)), CVT)
    log.add(Drained("cvt", 3_950, 60.0, 20.0))
    found = to_pour(log.plan.exchanges["cvt"], log.standing.vessels["cvt"])
    assert found is not None
    # Drained 3.95 L warm is 3.832 L cold; half of the 0.4 L between the marks was missing: 0.2 L x 0.970042 = 0.194 L.
    assert found.pour_ml == 3_832 + 194
    log.add(Poured("cvt", "cvt-n", found.pour_ml, 20.0))
    assert to_pour(log.plan.exchanges["cvt"], log.standing.vessels["cvt"]) is None


def test_each_pass_has_the_fluid_planned_for_it() -> None:
    planned = FluidPlan(first_product="cheaper", last_product="cvt-n")
    log = Log(plan("gearbox", fluids={"cvt": planned}))
    made = log.plan.exchanges["cvt"]
    assert [made.product_for(number) for number in (1, 2, 3)] == ["cheaper", "cvt-n", "cvt-n"]
    log.ready()
    standing = log.exchanged(4_000, 4_000)
    # Both passes were filled with the last product: the first one is told.
    assert [(number, one.code.value) for number, one in standing.findings] == [(7, "other_product")]


@pytest.mark.parametrize(
    ("drained_ml", "restored"),
    [
        # Both passes prescribed, as expected: all of it, a little less or more of a drain aside.
        ((4_000, 4_000), 1.0),
        ((3_900, 4_100), 1.0),
        # One of two: 0.5 of the old fluid is out where the passes prescribed take 0.75 out.
        ((4_000,), 0.5 / 0.75),
        # Two short ones: 1 - (1 - 2/8)^2 = 0.4375 of 0.75.
        ((2_000, 2_000), 0.4375 / 0.75),
        # 0.6 of the prescribed share: 0.45 of the old fluid out, so that 0.4 of what was used carries over.
        ((3_600,), 0.6),
        ((), 0.0),
    ],
)
def test_a_short_exchange_restores_its_share_of_the_one_prescribed(
    drained_ml: tuple[int, ...], restored: float
) -> None:
    log = Log(plan("gearbox"))
    log.ready()
    log.exchanged(*drained_ml)
    found = restored_share(log.plan.exchanges["cvt"], log.standing.vessels["cvt"])
    assert found == pytest.approx(restored, abs=1e-12)


def test_where_the_capacity_is_unknown_no_share_is_told_and_volumes_count() -> None:
    cvt = replace(SHEET.compartment("cvt"), dry_capacity_ml=None)
    sheet = replace(SHEET, compartments=(SHEET.compartment("sump"), cvt))
    log = Log(job_plan(sheet, ["gearbox"]))
    log.ready()
    log.exchanged(4_000)
    exchange, vessel = log.plan.exchanges["cvt"], log.standing.vessels["cvt"]
    assert contents_after(exchange, vessel) == (None,)
    # One pass of 4 L of two prescribed.
    assert restored_share(exchange, vessel) == 0.5


def test_what_to_pour_is_as_measured_where_no_correction_is_published() -> None:
    log = Log(plan("gearbox"))
    log.add(Started(), CHECKED, CVT, Drained("cvt", 4_000, 60.0, 190.0))
    found = to_pour(log.plan.exchanges["cvt"], log.standing.vessels["cvt"])
    assert found is not None
    assert (found.pour_ml, found.is_temperature_corrected) == (4_000, False)


def test_another_pass_is_due_by_prescription_target_or_condition() -> None:
    log = Log(plan("gearbox", fluids={"cvt": FluidPlan(target_share=0.8)}))
    log.ready()
    made = log.plan.exchanges["cvt"]
    reasons = []
    for _ in range(3):
        reasons.append(another_pass(made, log.standing.vessels["cvt"]).value)
        log.exchanged(4_000)
    reasons.append(another_pass(made, log.standing.vessels["cvt"]).value)
    log.add(LevelChecked("cvt", LevelStage.HOT_AFTER_RUN, LevelRead(0.5, 60.0), (Observation.DARK,)))
    reasons.append(another_pass(made, log.standing.vessels["cvt"]).value)
    # 0.75 of fresh fluid after two passes, 0.875 after three; 0.8 was wanted.
    assert reasons == ["prescribed", "prescribed", "target", "none", PassReason.CONDITION]


def test_what_is_open_is_named_until_it_is_done() -> None:
    log = Log()
    log.ready()
    assert items(log) == ["passes:sump", "task:look-at-belts", "passes:cvt", "leak_check", "road_test"]
    log.add(Drained("cvt", 4_000))
    assert [one for one in items(log) if "cvt" in one] == [
        "fill:cvt",
        "passes:cvt",
        "seal:cvt:drain",
        "torque:cvt:drain",
        "level:cvt",
    ]
    log.add(SealRenewed("cvt", "drain"), TorqueApplied("cvt", "drain", 50.0), Poured("cvt", "cvt-n", 4_000))
    assert [one for one in items(log) if "cvt" in one] == ["passes:cvt", "torque:cvt:drain", "level:cvt"]
    log.add(TorqueApplied("cvt", "drain", 34.0), Run("cvt"))
    log.exchanged(4_000)
    log.levelled()
    log.add(TaskMarked("change-oil", is_done=False, reason="no filter"), TaskMarked("look-at-belts"))
    log.add(LeakChecked(is_tight=False), RoadTested(is_passed=True))
    assert items(log) == ["leak_check"]
    log.add(LeakChecked(is_tight=True))
    assert items(log) == []
    undone = [step for step in steps_of(log.plan) if not is_step_done(step, log.standing)]
    assert {step.compartment for step in undone} == {"sump"}


def test_signing_off_names_what_is_open_and_takes_reasons_for_nothing_else() -> None:
    log = Log(plan("gearbox"))
    log.ready()
    log.exchanged(4_000)
    log.levelled()
    with pytest.raises(JobError) as caught:
        check_sign_off(log.plan, log.standing, SIGNED)
    assert [one.rule for one in caught.value.breaches] == ["item_open"] * 3
    reasons = [
        ("passes:cvt", "no time"),
        ("leak_check", "dark"),
        ("road_test", "no plate"),
        ("level:cvt", "no"),
    ]
    with pytest.raises(JobError) as caught:
        check_sign_off(log.plan, log.standing, SignedOff(("one",), "two", tuple(reasons)))
    assert [(one.pointer, one.rule) for one in caught.value.breaches] == [
        ("/left_open/3/item", "item_not_open")
    ]
    check_sign_off(log.plan, log.standing, SignedOff(("one",), "two", tuple(reasons[:3])))
    done = outcome(log.plan, log.standing, {})
    ((service, share),) = done.services
    assert service == "gearbox"
    assert share == pytest.approx(2 / 3)
    assert done.tasks_left_undone == ()


def test_a_job_on_which_nothing_was_done_is_stopped_not_signed_off() -> None:
    log = Log(plan("gearbox"))
    log.ready()
    reasons = tuple((one.item, "no lift") for one in open_items(log.plan, log.standing))
    with pytest.raises(JobError) as caught:
        check_sign_off(log.plan, log.standing, SignedOff(("one",), "two", reasons))
    assert [one.rule for one in caught.value.breaches] == ["nothing_done"]


def test_what_was_used_is_counted_by_the_passes_made() -> None:
    log = Log()
    log.ready()
    log.exchanged(4_000)
    log.add(ToppedUp("cvt", "cvt-n", 100), TakenOff("cvt", 30), Lost("cvt", LossKind.SPILLED, 20))
    log.add(
        CheckedBefore("sump", LevelRead(0.5)), OIL, Drained("sump", 5_600, observations=(Observation.WATER,))
    )
    log.add(SealRenewed("sump", "drain"), Poured("sump", "oil", 5_700))
    parts = {"F-2": Part("F-2", "Oil filter", superseded_by="F-9")}
    done = outcome(log.plan, log.standing, parts)
    assert done.parts == {"F-9": 1, "S-14": 2}
    assert done.products == {"cvt-n": 4_100, "oil": 5_700}
    assert {one.compartment: (one.drained_ml, one.filled_ml, one.waste_ml) for one in done.fluids} == {
        "sump": (5_600, 5_700, 5_600),
        "cvt": (4_030, 4_100, 4_050),
    }
    assert {one.compartment: one.is_contaminated for one in done.fluids} == {"sump": True, "cvt": False}
    assert done.tasks_left_undone == ("look-at-belts",)


def test_steps_of_both_exchanges_stand_in_the_order_of_the_work() -> None:
    steps = steps_of(plan())
    assert [step.kind for step in steps if step.compartment == "sump"] == [
        EntryKind.CHECKED_BEFORE,
        EntryKind.FLUID_AT_HAND,
        EntryKind.DRAINED,
        EntryKind.SEAL_RENEWED,
        EntryKind.TORQUE_APPLIED,
        EntryKind.POURED,
        EntryKind.LEVEL_CHECKED,
        EntryKind.RUN,
        EntryKind.LEVEL_CHECKED,
    ]
    assert [step.kind for step in steps[-2:]] == [EntryKind.LEAK_CHECKED, EntryKind.ROAD_TESTED]
    assert all(step.cautions for step in steps[:-2])
