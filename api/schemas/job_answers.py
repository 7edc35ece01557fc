"""Jobs in the bay as answered, in the units of the answer."""

from __future__ import annotations

from typing import Any

from api.schemas import jobs as shown
from api.schemas.kits import KitCaution
from api.schemas.quantities import (
    ShownDuration,
    ShownLength,
    ShownTemperature,
    ShownTorque,
    ShownVolume,
    UnitSystem,
    shown_quantity,
)
from api.schemas.working import shown_notices
from api.services.job_entering import Entered
from api.services.jobs import EntryShown, JobHead, JobShown
from domain.cautions import WORDS, visit_cautions
from domain.exchange import DARK_FLUID
from domain.job_entries import EntryKind, LevelRead, LevelStage, WaitsFor
from domain.job_plan import ExchangePlan, JobPlan, JobStep, level_window_c, steps_of
from domain.job_result import another_pass, contents_after, is_step_done, open_items, to_pour
from domain.jobs import CLOSED, Finding, JobStanding, LevelJudged, Vessel, Volumes
from domain.refill import FINAL_LEVEL_CHECK
from domain.sheet import Compartment, Plug
from domain.units import Dimension, from_canonical


def shown_job(job: JobShown, units: UnitSystem) -> shown.Job:
    """A job with all that stands in it."""
    plan, standing = job.plan, job.standing
    tools = dict.fromkeys(tool for task in plan.tasks for tool in task.tools)
    missing_parts = {one.part: one.missing for one in job.frozen.missing if one.part is not None}
    signed = standing.signed_off
    return shown.Job(
        **_summary(job.head),
        note=job.head.note,
        services_and_included=[
            shown.JobService(service=service.code, name=service.name, is_named=service.code in plan.services)
            for service in plan.sheet.services
            if service.code in dict(job.head.services)
        ],
        tasks=[
            shown.JobTask(
                task=task.code,
                name=task.name,
                compartment=task.compartment,
                labour=ShownDuration(**shown_quantity(task.labour_s, Dimension.DURATION, units)),
                is_done=None if (mark := standing.tasks.get(task.code)) is None else mark.is_done,
                reason=None if mark is None else mark.reason,
            )
            for task in plan.tasks
        ],
        steps=[_step(step, is_done=is_step_done(step, standing), units=units) for step in steps_of(plan)],
        compartments=[_compartment(plan, standing, code, units) for code in plan.compartments],
        parts=[
            shown.JobPart(
                part=line.part,
                name=line.name,
                unit=line.unit,
                quantity=line.quantity,
                missing=missing_parts.get(line.part, 0),
            )
            for line in job.frozen.lines
        ],
        tools=[shown.JobTool(name=tool.name, size=_length(tool.size_mm, units)) for tool in tools],
        fluids=[
            shown.JobFluid(
                compartment=fluid.compartment,
                fluid_requirement=fluid.requirement,
                product=fluid.product,
                need=_volume(fluid.need_ml, units),
            )
            for fluid in job.frozen.fluids
        ],
        lacking=[
            shown.JobLack(product=one.product, missing=_volume(one.missing, units))
            for one in job.frozen.missing
            if one.product is not None
        ],
        cautions=[
            KitCaution(caution=caution, words=WORDS[caution])
            for caution in visit_cautions(plan.sheet, plan.tasks)
        ],
        findings=[_finding(finding) for _, finding in standing.findings],
        open_items=[
            shown.JobOpenItem(item=one.item, detail=one.detail)
            for one in (() if standing.state in CLOSED else open_items(plan, standing))
        ],
        signature=None
        if signed is None
        else shown.JobSignature(
            done_by=list(signed.done_by),
            checked_by=signed.checked_by,
            left_open=[shown.JobReason(item=item, reason=reason) for item, reason in signed.left_open],
        ),
        entries=len(job.entries),
        notices=shown_notices((FINAL_LEVEL_CHECK, DARK_FLUID, shown.STOP_FIRST, shown.SHORT_EXCHANGE)),
    )


def shown_summary(head: JobHead) -> shown.JobSummary:
    """A job in a list."""
    return shown.JobSummary(**_summary(head))


def entered(found: Entered, units: UnitSystem) -> shown.JobEntered:
    """An entry as stored, and what it leads to."""
    plan, standing = found.plan, found.standing
    code: str = getattr(found.entry.entry.said, "compartment", None) or ""
    step = next((one for one in steps_of(plan) if not is_step_done(one, standing)), None)
    return shown.JobEntered(
        entry=shown_entry(found.entry, units),
        state=standing.state,
        version=found.version,
        compartment=_compartment(plan, standing, code, units) if code in plan.compartments else None,
        next_step=None if step is None else _step(step, is_done=False, units=units),
    )


def shown_entry(entry: EntryShown, units: UnitSystem) -> shown.JobEntry:
    """An entry of a job."""
    said = entry.entry.said

    def member(*names: str) -> Any:
        return next((value for name in names if (value := getattr(said, name, None)) is not None), None)

    level: LevelRead | None = member("level")
    torque_nm, duration_s = member("torque_nm"), member("duration_s")
    return shown.JobEntry(
        number=entry.entry.number,
        kind=entry.entry.kind,
        by=entry.entry.by,
        noted_at=entry.noted_at_us,
        recorded_at=entry.recorded_at_us,
        is_corrected=entry.is_corrected,
        compartment=member("compartment"),
        task=member("task"),
        plug=member("plug"),
        product=member("product"),
        lot=member("lot"),
        verdict=member("verdict"),
        volume=_optional_volume(member("volume_ml"), units),
        temperature=_temperature(member("temperature_c"), units),
        fresh_at=_temperature(member("fresh_at_c"), units),
        torque=None if torque_nm is None else _torque(torque_nm, units),
        duration=None
        if duration_s is None
        else ShownDuration(**shown_quantity(duration_s, Dimension.DURATION, units)),
        level=None
        if level is None
        else shown.JobEntryLevel(
            mark_share=level.mark_share, temperature=_temperature(level.temperature_c, units)
        ),
        stage=member("stage"),
        leak=member("leak"),
        how=member("how"),
        observations=list(member("observations") or ()),
        waits_for=member("waits_for"),
        outcome=member("is_done", "is_tight", "is_passed"),
        corrects=member("corrects"),
        words=member("note", "reason", "words", "cause", "override_reason", "why", "authority", "colour"),
        done_by=list(member("done_by") or ()),
        findings=[_finding(finding) for finding in entry.findings],
    )


def _summary(head: JobHead) -> dict[str, Any]:
    return {
        "number": head.key,
        "unit": head.unit,
        "depot": head.depot,
        "spec_sheet": head.spec_sheet,
        "spec_sheet_version": head.sheet_version,
        "state": head.state,
        "waits_for": None if head.waits_for is None else WaitsFor(head.waits_for),
        "services": [code for code, is_named in head.services if is_named],
        "opened_by": head.opened_by,
        "opened_at": head.opened_at_us,
        "changed_at": head.changed_at_us,
        "closed_at": head.closed_at_us,
        "reference": head.reference,
        "work_done": head.work_done,
        "version": head.version,
    }


def _compartment(plan: JobPlan, standing: JobStanding, code: str, units: UnitSystem) -> shown.JobCompartment:
    compartment, vessel = plan.compartments[code], standing.vessels[code]
    exchange = plan.exchanges.get(code)
    check = compartment.level_check
    low_c, high_c = (None, None) if check is None else level_window_c(compartment, is_hot=True)
    return shown.JobCompartment(
        compartment=code,
        name=compartment.name,
        kind=compartment.kind,
        fluid_requirement=compartment.fluid_requirement,
        capacity=_optional_volume(compartment.dry_capacity_ml, units),
        level_method=None if check is None else check.method,
        level_low=_temperature(low_c, units),
        level_high=_temperature(high_c, units),
        mark_to_mark=None if check is None else _optional_volume(check.mark_to_mark_ml, units),
        plugs=[_plug(plug, vessel, units) for plug in _opened(plan, compartment)],
        exchange=None if exchange is None else _exchange(exchange, vessel, units),
        is_checked=vessel.is_checked,
        level_found=_level(vessel.found, units),
        level_cold=_level(vessel.cold, units),
        level_hot=_level(vessel.hot, units),
        products=list(dict.fromkeys(one.product for one in vessel.products)),
        held_up_by=[_finding(hold) for hold in vessel.holds],
        measured=_volumes(vessel.measured, units),
        at_15c=_volumes(vessel.at_15c, units),
    )


def _opened(plan: JobPlan, compartment: Compartment) -> list[Plug]:
    opened = {plug for task in plan.tasks if task.compartment == compartment.code for plug in task.plugs}
    return [plug for plug in compartment.plugs if plug.code in opened]


def _exchange(exchange: ExchangePlan, vessel: Vessel, units: UnitSystem) -> shown.JobExchange:
    contents = contents_after(exchange, vessel)
    refill = to_pour(exchange, vessel)
    passes = []
    for one in vessel.passes:
        within = contents[one.number - 1] if one.number <= len(contents) else None
        passes.append(
            shown.JobPass(
                number=one.number,
                drained=_volume(one.drained_ml, units),
                drained_15c=_volume(one.drained_15c_ml, units),
                is_run_before=one.is_run_before,
                verdict=one.verdict,
                deviations=round(one.deviations, 2),
                product=one.product,
                poured=_volume(one.poured_ml, units),
                old_share=None if within is None else within.old_share,
                fresh=[]
                if within is None
                else [shown.JobShare(product=product, share=share) for product, share in within.fresh],
            )
        )
    return shown.JobExchange(
        tasks=list(exchange.tasks),
        passes_prescribed=exchange.passes,
        pass_low=_volume(exchange.pass_low_ml, units),
        pass_high=_volume(exchange.pass_high_ml, units),
        is_common_practice=exchange.is_common_practice,
        expected=shown.JobExpectation(
            mean=_volume(exchange.expected.mean_ml, units),
            spread=_volume(exchange.expected.spread_ml, units),
            drains=exchange.expected.drains,
        ),
        target_share=exchange.target_share,
        passes=passes,
        to_pour=None if refill is None else _volume(refill.pour_ml, units),
        to_take_out=None if refill is None or not refill.take_out_ml else _volume(refill.take_out_ml, units),
        product=exchange.product_for(vessel.passes_filled + 1),
        another_pass=another_pass(exchange, vessel),
    )


def _plug(plug: Plug, vessel: Vessel, units: UnitSystem) -> shown.JobPlug:
    applied = next((one for one in vessel.torques if one[0] == plug.code), None)
    metric, inch = (
        None if plug.torque_nm is None else ShownTorque(value=from_canonical(plug.torque_nm, code), unit=code)
        for code in ("N.m", "lbf.ft")
    )
    return shown.JobPlug(
        plug=plug.code,
        wrench=_length(plug.wrench_mm, units),
        torque_metric=metric,
        torque_inch=inch,
        seal=plug.seal_part,
        is_seal_renewed=plug.is_seal_renewed,
        seals_renewed=vessel.seals.count(plug.code),
        torque_applied=None if applied is None else _torque(applied[1], units),
        is_torque_met=None if applied is None else applied[2],
    )


def _step(step: JobStep, *, is_done: bool, units: UnitSystem) -> shown.JobStepShown:
    is_hot = step.temperature_low_c is not None or step.temperature_high_c is not None
    stage = LevelStage.HOT_AFTER_RUN if is_hot else LevelStage.COLD_BEFORE_START
    return shown.JobStepShown(
        kind=step.kind,
        task=step.task,
        compartment=step.compartment,
        pass_number=step.pass_number,
        plug=None if step.plug is None else step.plug.code,
        stage=stage if step.kind is EntryKind.LEVEL_CHECKED else None,
        volume_low=_optional_volume(step.volume_low_ml, units),
        volume_high=_optional_volume(step.volume_high_ml, units),
        temperature_low=_temperature(step.temperature_low_c, units),
        temperature_high=_temperature(step.temperature_high_c, units),
        is_shifted_through=step.is_shifted_through,
        cautions=list(step.cautions),
        is_done=is_done,
    )


def _level(judged: LevelJudged | None, units: UnitSystem) -> shown.JobLevelJudged | None:
    if judged is None:
        return None
    return shown.JobLevelJudged(
        mark_share=judged.level.mark_share,
        temperature=_temperature(judged.level.temperature_c, units),
        verdict=judged.verdict,
        position=judged.position,
        off_by=_optional_volume(judged.off_ml, units),
    )


def _finding(finding: Finding) -> shown.JobFinding:
    return shown.JobFinding(
        code=finding.code,
        detail=finding.detail,
        compartment=finding.compartment,
        is_defect=finding.is_defect,
        is_off_road=finding.is_off_road,
        is_holding=finding.is_holding,
    )


def _volumes(moved: Volumes, units: UnitSystem) -> shown.JobVolumes:
    return shown.JobVolumes(
        drained=_volume(moved.drained_ml, units),
        poured=_volume(moved.poured_ml, units),
        topped_up=_volume(moved.topped_up_ml, units),
        taken_off=_volume(moved.taken_off_ml, units),
        lost=_volume(moved.lost_ml, units),
        level_change=_volume(moved.level_change_ml, units),
    )


def _volume(volume_ml: float, units: UnitSystem) -> ShownVolume:
    return ShownVolume(**shown_quantity(volume_ml, Dimension.VOLUME, units))


def _optional_volume(volume_ml: float | None, units: UnitSystem) -> ShownVolume | None:
    return None if volume_ml is None else _volume(volume_ml, units)


def _temperature(degrees_c: float | None, units: UnitSystem) -> ShownTemperature | None:
    if degrees_c is None:
        return None
    return ShownTemperature(**shown_quantity(degrees_c, Dimension.TEMPERATURE, units))


def _torque(torque_nm: float, units: UnitSystem) -> ShownTorque:
    return ShownTorque(**shown_quantity(torque_nm, Dimension.TORQUE, units))


def _length(length_mm: float | None, units: UnitSystem) -> ShownLength | None:
    if length_mm is None:
        return None
    return ShownLength(**shown_quantity(length_mm, Dimension.LENGTH, units))
