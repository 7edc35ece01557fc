"""The steps of a job in words, with what there is to measure; every figure in metric and in inch units.

Invariants: both answers show the same job, so their steps stand in the same places; torques come in both units
whatever the answer's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from domain.job_entries import EntryKind, LevelStage

if TYPE_CHECKING:
    from api.schemas.jobs import Job, JobCompartment, JobPlug, JobStepShown
    from domain.sheet import Caution


class Shown(Protocol):
    """A figure with its unit."""

    @property
    def value(self) -> float:
        """The figure."""

    @property
    def unit(self) -> str:
        """Its unit code."""


@dataclass(frozen=True, slots=True)
class SheetStep:
    """A step on paper.

    Attributes:
        words: What to do.
        to_measure: What is written down, with room for it; empty where ticking is all.
        is_done: Whether it was recorded already.
    """

    words: str
    to_measure: str
    is_done: bool


@dataclass(frozen=True, slots=True)
class StepGroup:
    """Steps on one compartment, or on the vehicle as a whole.

    Attributes:
        title: What they are on.
        cautions: Hazards of these steps.
        steps: The steps, in the order of the work.
    """

    title: str
    cautions: tuple[Caution, ...]
    steps: tuple[SheetStep, ...]


def step_groups(metric: Job, inch: Job) -> tuple[StepGroup, ...]:
    """The steps of a job, in the order of the work, in runs on one compartment.

    Args:
        metric: The job in metric units.
        inch: The same job in inch units.
    """
    compartments = {
        c.compartment: (c, i) for c, i in zip(metric.compartments, inch.compartments, strict=True)
    }
    names = {task.task: task.name for task in metric.tasks}
    groups: list[tuple[str | None, list[SheetStep], dict[Caution, None]]] = []
    for step, in_inch in zip(metric.steps, inch.steps, strict=True):
        if not groups or groups[-1][0] != step.compartment:
            groups.append((step.compartment, [], {}))
        both = None if step.compartment is None else compartments.get(step.compartment)
        words, to_measure = _worded(step, in_inch, both, names, metric)
        groups[-1][1].append(SheetStep(words, to_measure, step.is_done))
        groups[-1][2].update(dict.fromkeys(step.cautions))
    return tuple(
        StepGroup(_title(compartments.get(code or "")), tuple(cautions), tuple(steps))
        for code, steps, cautions in groups
    )


def both_units(metric: Shown | None, inch: Shown | None) -> str:
    """A figure in both systems, such as ``5.7 L (6.02 US qt)``; empty where there is none."""
    if metric is None or inch is None:
        return ""
    return f"{figure(metric)} ({figure(inch)})" if metric.unit != inch.unit else figure(metric)


def figure(shown: Shown) -> str:
    """A figure with its unit as people write it."""
    return f"{shown.value:.12g} {_WRITTEN.get(shown.unit, shown.unit)}"


BLANK = "_____"
"""Room to write a figure."""

_WRITTEN = {
    "qt_us": "US qt",
    "qt_imp": "imp. qt",
    "degC": "°C",
    "degF": "°F",
    "N.m": "N·m",
    "lbf.ft": "lbf·ft",
}
_DEGREES = f"{BLANK} °C/°F"


def _title(both: tuple[JobCompartment, JobCompartment] | None) -> str:
    if both is None:
        return "Vehicle"
    metric, inch = both
    parts = [metric.name]
    if metric.capacity is not None:
        parts.append(f"dry capacity {both_units(metric.capacity, inch.capacity)}")
    if metric.level_method is not None:
        parts.append(f"level by {metric.level_method}")
    if metric.mark_to_mark is not None:
        parts.append(f"mark to mark {both_units(metric.mark_to_mark, inch.mark_to_mark)}")
    return ", ".join(parts)


def _worded(
    step: JobStepShown,
    inch: JobStepShown,
    both: tuple[JobCompartment, JobCompartment] | None,
    names: dict[str, str],
    job: Job,
) -> tuple[str, str]:
    volume = _range(step.volume_low, step.volume_high, inch.volume_low, inch.volume_high)
    window = _range(step.temperature_low, step.temperature_high, inch.temperature_low, inch.temperature_high)
    number = "" if step.pass_number is None else f"Pass {step.pass_number}: "
    at = f" at {window}" if window else ""
    plug = _plug(step.plug, None if both is None else both[0])
    shifted = ", shift through the ranges" if step.is_shifted_through else ""
    is_cold = step.stage is LevelStage.COLD_BEFORE_START
    level = f"level {BLANK} at {_DEGREES}"
    wording: dict[EntryKind, tuple[str, str]] = {
        EntryKind.CHECKED_BEFORE: (f"Before: level{at}, leaks, colour, smell", level),
        EntryKind.FLUID_AT_HAND: (
            f"Fluid at hand: {_fluid(job, step.compartment)}",
            f"product, lot {BLANK * 2}",
        ),
        EntryKind.DRAINED: (f"{number}drain{_about(volume)}", f"drained {BLANK} at {_DEGREES}"),
        EntryKind.SEAL_RENEWED: (f"{number}renew the seal of the {_sealed(plug, step.plug)}", ""),
        EntryKind.TORQUE_APPLIED: (f"{number}tighten the {_tightened(plug, step.plug)}", f"torque {BLANK}"),
        EntryKind.POURED: (f"{number}pour{_about(volume)}", f"poured {BLANK} at {_DEGREES}"),
        EntryKind.RUN: (f"{number}run{shifted}", f"{BLANK} min"),
        EntryKind.LEVEL_CHECKED: ("Level cold, before the start", level)
        if is_cold
        else (f"Level hot{at}", f"{level}, added {BLANK}"),
        EntryKind.TASK_MARKED: (names.get(step.task or "", step.task or ""), ""),
        EntryKind.LEAK_CHECKED: ("Look for leaks all round", ""),
        EntryKind.ROAD_TESTED: ("Road test", ""),
    }
    return wording.get(step.kind, (step.kind.replace("_", " ").capitalize(), ""))


def _about(volume: str) -> str:
    return f", about {volume}" if volume else ""


def _range(low: Shown | None, high: Shown | None, low_inch: Shown | None, high_inch: Shown | None) -> str:
    if low is None or low_inch is None:
        return "" if high is None else f"at most {both_units(high, high_inch)}"
    if high is None or high_inch is None:
        return f"{both_units(low, low_inch)} or more"
    if low.value == high.value:
        return both_units(low, low_inch)
    inner = f"{low_inch.value:.12g} to {figure(high_inch)}"
    spread = f"{low.value:.12g} to {figure(high)}"
    return f"{spread} ({inner})" if low.unit != low_inch.unit else spread


def _plug(code: str | None, compartment: JobCompartment | None) -> JobPlug | None:
    plugs = () if compartment is None else compartment.plugs
    return next((plug for plug in plugs if plug.plug == code), None)


def _sealed(plug: JobPlug | None, code: str | None) -> str:
    return f"{code} plug" if plug is None or plug.seal is None else f"{code} plug, {plug.seal}"


def _tightened(plug: JobPlug | None, code: str | None) -> str:
    words = f"{code} plug"
    if plug is None:
        return words
    torque = both_units(plug.torque_metric, plug.torque_inch)
    wrench = "" if plug.wrench is None else f", wrench {figure(plug.wrench)}"
    return f"{words} to {torque or 'the figure in the manual'}{wrench}"


def _fluid(job: Job, compartment: str | None) -> str:
    for fluid in job.fluids:
        if fluid.compartment == compartment:
            held = "" if fluid.product is None else f", {fluid.product}"
            return f"meets {fluid.fluid_requirement}{held}"
    return "meets the requirement"
