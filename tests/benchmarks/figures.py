"""A figure of a benchmark: a ratio against a bare limit, measured in one run, side by side with it."""

from __future__ import annotations

import contextlib
import gc
import time
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping


@dataclass(frozen=True, slots=True)
class Raw:
    """What was measured: values of one kind, in the order in which they came.

    Attributes:
        label: What they are.
        values: The values.
        unit: Their unit.
    """

    label: str
    values: tuple[float, ...]
    unit: str = "ms"

    @property
    def median(self) -> float:
        """The middle value."""
        return median(self.values)

    def line(self) -> str:
        """Median, range and count in one line."""
        return (
            f"{self.label}: median {_shown(self.median)} {self.unit}, "
            f"{_shown(min(self.values))}..{_shown(max(self.values))}, n {len(self.values)}"
        )


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure and what it should reach.

    Attributes:
        name: Its name.
        value: The figure, a ratio unless the name says otherwise.
        goal: What it should reach; None: shown beside another figure.
        is_floor: Whether the goal is a least value and not a most.
        raw: What it was made from.
    """

    name: str
    value: float
    goal: float | None
    raw: tuple[Raw, ...] = field(default=())
    is_floor: bool = False

    @property
    def is_met(self) -> bool:
        """Whether the figure reaches its goal."""
        if self.goal is None:
            return True
        return self.value >= self.goal if self.is_floor else self.value <= self.goal

    def lines(self) -> list[str]:
        """The figure in one line, and what was measured below it."""
        goal = "no goal"
        if self.goal is not None:
            bound = ">=" if self.is_floor else "<="
            goal = f"goal {bound} {self.goal:g}  {'met' if self.is_met else 'missed'}"
        return [f"{self.name}  {_shown(self.value)}  {goal}", *(f"    {raw.line()}" for raw in self.raw)]


def interleaved(
    works: Mapping[str, Callable[[], object]], *, rounds: int, warm: int = 2, longest_s: float = 60.0
) -> dict[str, Raw]:
    """How long each work takes, done in turns so that a busy moment of the machine strikes all alike.

    Args:
        works: What is done, by label.
        rounds: Turns that are measured.
        warm: Turns before them.
        longest_s: After so long no further turn begins [s].

    Returns:
        Milliseconds of each turn, by label.
    """
    taken: dict[str, list[float]] = {label: [] for label in works}
    ends = time.perf_counter() + longest_s
    with collected():
        for turn in range(warm + rounds):
            if turn > warm and time.perf_counter() > ends:
                break
            for label, work in works.items():
                elapsed_ms = timed_ms(work)
                if turn >= warm:
                    taken[label].append(elapsed_ms)
    return {label: Raw(label, tuple(values)) for label, values in taken.items()}


def timed_ms(work: Callable[[], object]) -> float:
    """How long a piece of work takes [ms]."""
    start = time.perf_counter()
    work()
    return (time.perf_counter() - start) * 1e3


@contextlib.contextmanager
def collected() -> Iterator[None]:
    """No collection of garbage on the measuring side inside the block: it would fall on one side by chance."""
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _shown(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1e3 else f"{value:.3g}"
