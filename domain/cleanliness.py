"""Particles in a fluid by the code of ISO 4406: three scale numbers, for 4, 6 and 14 um(c), each a doubling.

Invariants: counts are cumulative, so that each is at most the one before, and so are the scale numbers; a count on a
bound has the lower number. ``-`` stands for a size that was not counted, ``*`` for too many to count, and ``>28``
for more than the scale holds; the last two are worse than every number.

Source: the scale of ISO 4406:1999 (unchanged in 2017), from three public copies of its table. That fewer than 20
particles counted make a number uncertain is not judged here: the volume counted is not asked for.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise

from domain.errors import Breach, ConditionError

SIZES_UM = (4, 6, 14)
"""The sizes that the code counts from [um(c)]."""

HIGHEST = 28
OFF_SCALE = HIGHEST + 1

# Up to and including so many particles in a millilitre, by scale number from 0 [1/mL].
UPPER_PER_ML = (
    *(0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5.0),
    *(10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1_300.0, 2_500.0, 5_000.0),
    *(10_000.0, 20_000.0, 40_000.0, 80_000.0, 160_000.0, 320_000.0, 640_000.0, 1_300_000.0, 2_500_000.0),
)


@dataclass(frozen=True, slots=True)
class Counts:
    """Particles of a size and larger in a millilitre [1/mL]; None for a size that was not counted."""

    from_4um_per_ml: float | None
    from_6um_per_ml: float
    from_14um_per_ml: float

    @property
    def by_size(self) -> tuple[float | None, float, float]:
        """The counts, in the order of ``SIZES_UM``."""
        return self.from_4um_per_ml, self.from_6um_per_ml, self.from_14um_per_ml


@dataclass(frozen=True, slots=True)
class Code:
    """A code: the scale number of each size; None where not counted, ``OFF_SCALE`` beyond the scale."""

    numbers: tuple[int | None, int | None, int | None]

    @property
    def text(self) -> str:
        """As written, such as ``18/16/13``."""
        return "/".join("-" if n is None else f">{HIGHEST}" if n > HIGHEST else str(n) for n in self.numbers)


def scale_number(per_ml: float) -> int:
    """The scale number of a count [1/mL]; ``OFF_SCALE`` above the highest."""
    return bisect_left(UPPER_PER_ML, per_ml)


def code_of(counts: Counts) -> Code:
    """The code of counts.

    Raises:
        ConditionError: A larger size is counted more often than a smaller one (``counts_not_cumulative``).
    """
    given = [count for count in counts.by_size if count is not None]
    if any(later > earlier for earlier, later in pairwise(given)):
        detail = "counts take in all larger particles, so each is at most the one before"
        raise ConditionError(Breach("", "counts_not_cumulative", detail))
    first, second, third = (None if count is None else scale_number(count) for count in counts.by_size)
    return Code((first, second, third))


def parse_code(text: str) -> Code:
    """The code that a text stands for, such as ``18/16/13``, ``-/16/13`` or ``*/18/15``.

    Raises:
        ConditionError: It is none (``cleanliness_code_malformed``).
    """
    found = _CODE.fullmatch(text)
    if found is None:
        raise ConditionError(_MALFORMED)
    first, second, third = (
        _NUMBERS.get(part, int(part) if part.isdigit() else None) for part in found.groups()
    )
    given = [number for number in (first, second, third) if number is not None]
    if not given or any(later > earlier for earlier, later in pairwise(given)):
        raise ConditionError(_MALFORMED)
    return Code((first, second, third))


def excess(code: Code, limit: Code) -> int | None:
    """By how many scale numbers the worst size lies above a limit, below 0 where cleaner; None if none compares."""
    above = [
        number - most
        for number, most in zip(code.numbers, limit.numbers, strict=True)
        if number is not None and most is not None
    ]
    return max(above, default=None)


def count_excess(counts: Counts, limit: Code) -> float | None:
    """As ``excess``, in doublings of the count and not whole numbers; None if no size compares.

    Args:
        counts: The counts.
        limit: The limit; its sizes beyond the scale don't limit.
    """
    above = [
        math.log2(max(count, UPPER_PER_ML[0]) / UPPER_PER_ML[most])
        for count, most in zip(counts.by_size, limit.numbers, strict=True)
        if count is not None and most is not None and most <= HIGHEST
    ]
    return max(above, default=None)


_PART = r"(0|[1-9]|1[0-9]|2[0-8]|>28|\*|-)"
_CODE = re.compile(f"{_PART}/{_PART}/{_PART}")
_NUMBERS: dict[str, int | None] = {"-": None, "*": OFF_SCALE, f">{HIGHEST}": OFF_SCALE}
_MALFORMED = Breach(
    "",
    "cleanliness_code_malformed",
    "a code is three scale numbers from 0 to 28, none above the one before, such as 18/16/13",
)
