"""The condition of a fluid by open scales: what was measured on a sample, and how it stands against limits.

Invariants: a measure is judged only where it can be: a colour number only on an undyed fluid, a cleanliness code only
on a live mid-stream sample in a clean bottle, an acid or base number only against a limit by the same method, a
change of viscosity only against the fresh fluid. What is not judged says why. ``near`` begins where
``NEAR_SHARE`` of the way to the limit is used up (our convention), counted from the fresh fluid where that is known.

Sources: ASTM D1500 (colour), ISO 4406 (particles), ASTM D2270 (viscosity index); the methods' numbers and names, and
that their results don't compare with each other, from memory; that pan drainings show the pan and not the fluid:
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from domain import cleanliness, oil_colour
from domain.cleanliness import Counts  # noqa: TC001 - stored samples are decoded by these annotations
from domain.errors import Breach, ConditionError, RuleBrokenError
from domain.viscosity_index import LEAST_AT_100C_MM2_S, ViscosityIndex, check_order, viscosity_index

if TYPE_CHECKING:
    from collections.abc import Iterator

    from domain.sheet import ConditionLimits

NEAR_SHARE = 0.8
"""Share of the way to a limit from which on a measure is near it (our convention)."""

MOST_WAYS = 1000.0
"""The way to a limit is counted so many times over at most."""


class Taking(StrEnum):
    """How a sample was taken."""

    LIVE_MID_STREAM = "live_mid_stream"
    TUBE_FROM_TANK = "tube_from_tank"
    DRAIN_STREAM = "drain_stream"
    PAN = "pan"


class ColourChange(StrEnum):
    """A fluid's colour beside a fresh sample of it."""

    SAME = "same"
    DARKER = "darker"
    MUCH_DARKER = "much_darker"
    OTHER_HUE = "other_hue"


class AcidMethod(StrEnum):
    """How an acid number was found, by the number of its ASTM method."""

    D664 = "D664"
    D974 = "D974"


class BaseMethod(StrEnum):
    """How a base number was found, by the number of its ASTM method."""

    D974 = "D974"
    D2896 = "D2896"
    D4739 = "D4739"


class Measure(StrEnum):
    """What is judged on a sample."""

    COLOUR = "colour"
    CLEANLINESS = "cleanliness"
    WATER = "water"
    VISCOSITY_40 = "viscosity_40"
    VISCOSITY_100 = "viscosity_100"
    ACID_NUMBER = "acid_number"
    BASE_NUMBER = "base_number"


class Verdict(StrEnum):
    """How a measure stands against its limit."""

    WITHIN = "within"
    NEAR = "near"
    BEYOND = "beyond"
    NOT_JUDGED = "not_judged"


@dataclass(frozen=True, slots=True)
class Colour:
    """What a fluid's colour was.

    Attributes:
        is_dyed: Whether the fluid is dyed.
        number: Its number by ASTM D1500; None on a dyed fluid, or where none was taken.
        beside_fresh: What it looked like beside a fresh sample.
    """

    is_dyed: bool
    number: str | None = None
    beside_fresh: ColourChange | None = None


@dataclass(frozen=True, slots=True)
class Acid:
    """An acid number [mg/g of KOH] with its method."""

    mg_g: float
    method: AcidMethod


@dataclass(frozen=True, slots=True)
class Base:
    """A base number [mg/g of KOH] with its method."""

    mg_g: float
    method: BaseMethod


@dataclass(frozen=True, slots=True)
class Measures:
    """What was measured on a sample; None where it was not.

    Attributes:
        colour: Its colour.
        counts: Particles counted.
        code: Cleanliness code, where it was given in place of counts.
        water_mg_kg: Water [mg/kg].
        kinematic_40_mm2_s: Kinematic viscosity at 40 degC [mm2/s].
        kinematic_100_mm2_s: Kinematic viscosity at 100 degC [mm2/s].
        acid: Acid number.
        base: Base number.
    """

    colour: Colour | None = None
    counts: Counts | None = None
    code: str | None = None
    water_mg_kg: float | None = None
    kinematic_40_mm2_s: float | None = None
    kinematic_100_mm2_s: float | None = None
    acid: Acid | None = None
    base: Base | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """One measure against its limit.

    Attributes:
        measure: Which.
        verdict: How it stands.
        used_share: Share of the way to the limit that is used up; None where none is counted.
        why: Why it is not judged, or what it is judged by, in a sentence.
    """

    measure: Measure
    verdict: Verdict
    used_share: float | None
    why: str


def check_measures(measures: Measures) -> None:
    """Nothing, when the measures agree with themselves.

    Raises:
        ConditionError: With one breach for each contradiction.
    """
    breaches = list(_breaches(measures))
    if breaches:
        raise ConditionError(*breaches)


def particle_basis(taking: Taking, *, is_bottle_clean: bool) -> str | None:
    """Why a sample is no basis for a cleanliness code; None where it is one."""
    if taking is Taking.PAN:
        return "pan drainings hold what was in the pan and around the plug, so they are no basis for a code"
    if taking is not Taking.LIVE_MID_STREAM:
        return "only a live mid-stream sample is a basis for a code"
    return None if is_bottle_clean else "a bottle that was not clean is no basis for a code"


def code_of(measures: Measures) -> cleanliness.Code | None:
    """The cleanliness code of a sample, from its counts where they are known; None without particles."""
    if measures.counts is not None:
        return cleanliness.code_of(measures.counts)
    return None if measures.code is None else cleanliness.parse_code(measures.code)


def index_of(measures: Measures) -> ViscosityIndex | None:
    """The viscosity index of a sample; None where a viscosity is missing, or the oil too thin for one."""
    cold, hot = measures.kinematic_40_mm2_s, measures.kinematic_100_mm2_s
    if cold is None or hot is None or hot < LEAST_AT_100C_MM2_S:
        return None
    return viscosity_index(at_40c_mm2_s=cold, at_100c_mm2_s=hot)


def viscosity_change(measures: Measures, fresh: Measures | None, at_c: int) -> float | None:
    """Change of viscosity against the fresh fluid as a share of it, below 0 for thinner; None where unknown.

    Args:
        measures: The sample.
        fresh: The fresh fluid.
        at_c: 40 or 100 [degC].
    """
    now, then = _kinematic(measures, at_c), _kinematic(fresh, at_c)
    return None if now is None or then is None else now / then - 1


def judged(
    measures: Measures, fresh: Measures | None, limits: ConditionLimits | None, *, no_code_why: str | None
) -> tuple[Judged, ...]:
    """Each measure taken, against its limit.

    Args:
        measures: The sample.
        fresh: The fresh fluid, where known.
        limits: The limits of the compartment; None: none are set.
        no_code_why: Why the sample is no basis for a cleanliness code; None: it is one.
    """
    return tuple(_judgements(measures, fresh or Measures(), limits, no_code_why))


def way_used(value: float, limit: float, fresh: float | None) -> float:
    """The share of the way to a limit that a figure has used up; above 1 beyond the limit.

    Args:
        value: The figure.
        limit: The limit, above 0 and above where the way begins.
        fresh: Where the way begins; 0 where unknown.
    """
    start = fresh or 0.0
    return (value - start) / (limit - start)


def way_fallen(value: float, limit: float, fresh: float | None) -> float:
    """As ``way_used``, for a figure that falls to its limit; by their ratio where the fresh figure is unknown."""
    if fresh is not None and fresh > limit:
        return (fresh - value) / (fresh - limit)
    return limit / value if value > 0 else 2.0


def _judgements(
    measures: Measures, fresh: Measures, limits: ConditionLimits | None, no_code_why: str | None
) -> Iterator[Judged]:
    if measures.colour is not None:
        yield _colour(measures.colour, fresh, None if limits is None else limits.colour_darkest)
    code = code_of(measures)
    if code is not None:
        yield _cleanliness(code, None if limits is None else limits.cleanliness_worst, no_code_why)
    if measures.water_mg_kg is not None:
        limit = None if limits is None else limits.water_max_mg_kg
        why = None if limit is None else f"limit {limit:g} mg/kg"
        share = (
            None if limit is None else way_used(measures.water_mg_kg, limit, _below(fresh.water_mg_kg, limit))
        )
        yield _by_share(Measure.WATER, share, why or _NO_LIMIT)
    for measure, at_c in ((Measure.VISCOSITY_40, 40), (Measure.VISCOSITY_100, 100)):
        if _kinematic(measures, at_c) is not None:
            yield _viscosity(measure, viscosity_change(measures, fresh, at_c), limits)
    if measures.acid is not None:
        yield _acid(measures.acid, fresh.acid, limits)
    if measures.base is not None:
        yield _base(measures.base, fresh.base, limits)


def _colour(colour: Colour, fresh: Measures, limit: str | None) -> Judged:
    if colour.number is None:
        why = "a dyed fluid is held beside a fresh sample" if colour.is_dyed else "no number was taken"
        return Judged(Measure.COLOUR, Verdict.NOT_JUDGED, None, why)
    if limit is None:
        return Judged(Measure.COLOUR, Verdict.NOT_JUDGED, None, _NO_LIMIT)
    darkest, seen = oil_colour.darkness(limit), oil_colour.darkness(colour.number)
    start = None if fresh.colour is None or fresh.colour.number is None else fresh.colour.number
    share = way_used(seen, darkest, _below(None if start is None else oil_colour.darkness(start), darkest))
    # The scale has halves: one of them below the limit is near, whatever the way there.
    verdict = _verdict(share)
    if verdict is Verdict.WITHIN and seen >= darkest - oil_colour.STEP:
        verdict = Verdict.NEAR
    return Judged(Measure.COLOUR, verdict, share, f"limit {limit} by ASTM D1500")


def _cleanliness(code: cleanliness.Code, limit: str | None, no_code_why: str | None) -> Judged:
    if no_code_why is not None:
        return Judged(Measure.CLEANLINESS, Verdict.NOT_JUDGED, None, no_code_why)
    above = None if limit is None else cleanliness.excess(code, cleanliness.parse_code(limit))
    if above is None:
        return Judged(Measure.CLEANLINESS, Verdict.NOT_JUDGED, None, _NO_LIMIT)
    verdict = Verdict.BEYOND if above > 0 else Verdict.NEAR if above == 0 else Verdict.WITHIN
    return Judged(Measure.CLEANLINESS, verdict, None, f"limit {limit} by ISO 4406, {above:+d} scale numbers")


def _viscosity(measure: Measure, change: float | None, limits: ConditionLimits | None) -> Judged:
    if change is None:
        return Judged(measure, Verdict.NOT_JUDGED, None, "the fresh fluid's viscosity is not known")
    fall = None if limits is None else limits.viscosity_fall_max_share
    rise = None if limits is None else limits.viscosity_rise_max_share
    limit, word = (fall, "thinner") if change < 0 else (rise, "thicker")
    share = None if limit is None else abs(change) / limit
    why = _NO_LIMIT if limit is None else f"at most {limit:.0%} {word} than fresh, {change:+.1%} now"
    return _by_share(measure, share, why)


def _acid(acid: Acid, fresh: Acid | None, limits: ConditionLimits | None) -> Judged:
    limit = None if limits is None else limits.acid_max_mg_g
    if limit is None or limits is None:
        return Judged(Measure.ACID_NUMBER, Verdict.NOT_JUDGED, None, _NO_LIMIT)
    if acid.method.value != limits.acid_method:
        return Judged(Measure.ACID_NUMBER, Verdict.NOT_JUDGED, None, _OTHER_METHOD)
    start = fresh.mg_g if fresh is not None and fresh.method is acid.method else None
    share = way_used(acid.mg_g, limit, _below(start, limit))
    return _by_share(Measure.ACID_NUMBER, share, f"limit {limit:g} mg/g by {acid.method}")


def _base(base: Base, fresh: Base | None, limits: ConditionLimits | None) -> Judged:
    limit = None if limits is None else limits.base_min_mg_g
    if limit is None or limits is None:
        return Judged(Measure.BASE_NUMBER, Verdict.NOT_JUDGED, None, _NO_LIMIT)
    if base.method.value != limits.base_method:
        return Judged(Measure.BASE_NUMBER, Verdict.NOT_JUDGED, None, _OTHER_METHOD)
    start = fresh.mg_g if fresh is not None and fresh.method is base.method else None
    share = way_fallen(base.mg_g, limit, start)
    return _by_share(Measure.BASE_NUMBER, share, f"at least {limit:g} mg/g by {base.method}")


def _by_share(measure: Measure, share: float | None, why: str) -> Judged:
    # A base number that is all but gone lies any number of ways beyond its limit.
    share = None if share is None else min(share, MOST_WAYS)
    return Judged(measure, Verdict.NOT_JUDGED if share is None else _verdict(share), share, why)


def _verdict(share: float) -> Verdict:
    return Verdict.BEYOND if share > 1 else Verdict.NEAR if share >= NEAR_SHARE else Verdict.WITHIN


def _below(fresh: float | None, limit: float | None) -> float | None:
    # A fresh figure at or beyond the limit is no place for a way to begin.
    return fresh if fresh is not None and limit is not None and fresh < limit else None


def _kinematic(measures: Measures | None, at_c: int) -> float | None:
    if measures is None:
        return None
    return measures.kinematic_40_mm2_s if at_c == _COLD_C else measures.kinematic_100_mm2_s


def _breaches(measures: Measures) -> Iterator[Breach]:
    if measures == Measures():
        yield Breach("", "sample_without_measure", "a sample has at least one measure")
    if measures.colour is not None:
        yield from _colour_breaches(measures.colour)
    if measures.counts is not None and measures.code is not None:
        yield Breach("/cleanliness_code", "code_beside_counts", "the code follows from the counts")
    checks = (
        ("/counts", lambda: measures.counts and cleanliness.code_of(measures.counts)),
        ("/cleanliness_code", lambda: measures.code and cleanliness.parse_code(measures.code)),
    )
    for pointer, check in checks:
        try:
            check()
        except RuleBrokenError as error:
            yield from (breach.under(pointer) for breach in error.breaches)
    cold, hot = measures.kinematic_40_mm2_s, measures.kinematic_100_mm2_s
    if cold is not None and hot is not None:
        try:
            check_order(at_40c_mm2_s=cold, at_100c_mm2_s=hot)
        except RuleBrokenError as error:
            yield from error.breaches


def _colour_breaches(colour: Colour) -> Iterator[Breach]:
    if colour.number is None and colour.beside_fresh is None:
        yield Breach(
            "/colour", "colour_not_said", "a colour is a number, or what it is beside a fresh sample"
        )
    if colour.number is not None and colour.is_dyed:
        detail = "the scale of ASTM D1500 is for undyed oils; hold a dyed fluid beside a fresh sample"
        yield Breach("/colour/number", "colour_number_of_dyed_fluid", detail)
    elif colour.number is not None:
        try:
            oil_colour.darkness(colour.number)
        except RuleBrokenError as error:
            yield from (breach.under("/colour/number") for breach in error.breaches)


_COLD_C = 40
_NO_LIMIT = "the spec sheet sets no limit"
_OTHER_METHOD = "the limit is by another method, and results of two methods don't compare"
