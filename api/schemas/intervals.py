"""Interval rules of a spec sheet document; each turns into its domain value.

Invariant: a figure on a limb has the dimension of that limb, so months on the odometer are refused where
they stand.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo
from pydantic_core import PydanticCustomError

from api.schemas.base import Choice, Request, Text
from api.schemas.quantities import CalendarSpan, Distance, Duration, Speed, Volume
from domain import sheet
from domain.units import UNITS, Dimension

_QUANTITIES: dict[Dimension, type[CalendarSpan | Distance | Duration | Volume]] = {
    Dimension.CALENDAR: CalendarSpan,
    Dimension.DISTANCE: Distance,
    Dimension.DURATION: Duration,
    Dimension.VOLUME: Volume,
}
# No interval is longer: 100 years, ten million kilometres, a million hours, ten million litres.
_LONGEST = {
    Dimension.CALENDAR: 1_200,
    Dimension.DISTANCE: 10_000_000_000,
    Dimension.DURATION: 3_600_000_000,
    Dimension.VOLUME: 10_000_000_000,
}
FASTEST_IDLE_M_PER_H = 200_000


def dimension_of(limb: sheet.Limb) -> Dimension:
    """What a figure on that limb measures."""
    if limb is sheet.Limb.CALENDAR:
        return Dimension.CALENDAR
    if limb is sheet.Limb.ODOMETER:
        return Dimension.DISTANCE
    return Dimension.VOLUME if limb is sheet.Limb.FUEL_BURNED else Dimension.DURATION


def _of_limb(value: Any, info: ValidationInfo) -> Any:
    limb = info.data.get("limb")
    dimension = _own_dimension(value) if limb is None else dimension_of(limb)
    amount = _QUANTITIES[dimension].model_validate(value)
    if amount.canonical() > _LONGEST[dimension]:
        rule, text = "figure_too_large", "The interval is longer than any real one"
        raise PydanticCustomError(rule, text)
    return amount


def _own_dimension(value: Any) -> Dimension:
    code = value.get("unit") if isinstance(value, dict) else None
    unit = UNITS.get(code) if isinstance(code, str) else None
    return unit.dimension if unit is not None and unit.dimension in _QUANTITIES else Dimension.DISTANCE


def _bounded(speed: Speed) -> Speed:
    if speed.canonical() > FASTEST_IDLE_M_PER_H:
        rule, text = "figure_too_large", "An idle hour counts as at most 200 km"
        raise PydanticCustomError(rule, text)
    return speed


class LimbAmount(Request):
    """A figure on one limb of a rule."""

    limb: Annotated[Choice[sheet.Limb], Field(description="The calendar, or a meter of the vehicle type.")]
    amount: Annotated[
        CalendarSpan | Distance | Duration | Volume,
        BeforeValidator(_of_limb),
        Field(
            description=(
                "The figure: month or year on the calendar, a distance on the odometer, a volume of fuel"
                " burned, a duration on every other meter."
            )
        ),
    ]

    def value(self) -> sheet.Amount:
        """The figure in canonical units."""
        return sheet.Amount(limb=self.limb, amount=self.amount.canonical())


class SevereCondition(Request):
    """What one duty condition does to a rule."""

    condition: Annotated[Choice[sheet.DutyCondition], Field(description="The condition of use.")]
    factor: Annotated[float, Field(description="Multiplier of the interval, above 0 and at most 1 [1].")]
    threshold_share: Annotated[
        float,
        Field(
            description=(
                "Share of use since last done that the condition must pass under the strictest policy, from 0"
                " to below 1 [1]."
            )
        ),
    ] = 0.0
    limbs: Annotated[
        list[Choice[sheet.Limb]], Field(min_length=1, max_length=7, description="Limbs that it shortens.")
    ]

    def value(self) -> sheet.SevereCondition:
        """The condition as the domain has it."""
        return sheet.SevereCondition(
            condition=self.condition,
            factor=self.factor,
            threshold_share=self.threshold_share,
            limbs=tuple(self.limbs),
        )


class Applicability(Request):
    """Limits of a rule to some vehicles of the type; what is left out limits nothing."""

    model_year_from: Annotated[
        int | None, Field(ge=1900, le=2199, description="First model year [calendar year].")
    ] = None
    model_year_to: Annotated[
        int | None, Field(ge=1900, le=2199, description="Last model year [calendar year].")
    ] = None
    engines: Annotated[
        list[Text],
        Field(
            default_factory=list,
            max_length=50,
            description="Engines, as the vehicles state theirs; none admits all.",
        ),
    ]
    serial_from: Annotated[
        Text | None, Field(description="First serial number; shorter ones come first, then by character.")
    ] = None
    serial_to: Annotated[Text | None, Field(description="Last serial number.")] = None

    def value(self) -> sheet.Applicability:
        """The limits as the domain has them."""
        return sheet.Applicability(
            model_year_from=self.model_year_from,
            model_year_to=self.model_year_to,
            engines=tuple(self.engines),
            serial_from=self.serial_from,
            serial_to=self.serial_to,
        )


Amounts = Annotated[list[LimbAmount], Field(max_length=7)]


class IntervalRule(Request):
    """When a service falls due: on whichever limb comes first."""

    every: Annotated[Amounts, Field(description="The interval on each of its limbs; at least one.")]
    first: Annotated[
        Amounts,
        Field(
            default_factory=list,
            description="The first interval where it differs; a limb left out uses the one of every.",
        ),
    ]
    early_window: Annotated[
        Amounts,
        Field(
            default_factory=list,
            description="How far ahead of the due point the service may be done, a limb.",
        ),
    ]
    tolerance: Annotated[
        Amounts,
        Field(
            default_factory=list,
            description="How far past the due point it still counts as due, a limb; moves no due point.",
        ),
    ]
    counting: Annotated[
        Choice[sheet.Counting],
        Field(description="Counted from last done, or at set points (multiples from zero life-to-date)."),
    ] = sheet.Counting.FROM_LAST_DONE
    applies_to: Annotated[
        Applicability | None,
        Field(description="Limits to some vehicles; the first rule that admits a vehicle holds."),
    ] = None
    policy: Annotated[
        Choice[sheet.DutyPolicy], Field(description="How severe duty shortens the interval.")
    ] = sheet.DutyPolicy.STRICTEST
    conditions: Annotated[
        list[SevereCondition],
        Field(default_factory=list, max_length=20, description="Duty conditions that shorten it."),
    ]
    idle_distance: Annotated[
        Annotated[Speed, AfterValidator(_bounded)] | None,
        Field(description="Distance that one idle hour counts as on the odometer; left out: not counted."),
    ] = None

    def value(self) -> sheet.IntervalRule:
        """The rule in canonical units."""
        return sheet.IntervalRule(
            every=_amounts(self.every),
            first=_amounts(self.first),
            early_window=_amounts(self.early_window),
            tolerance=_amounts(self.tolerance),
            counting=self.counting,
            applies_to=sheet.Applicability() if self.applies_to is None else self.applies_to.value(),
            policy=self.policy,
            conditions=tuple(condition.value() for condition in self.conditions),
            idle_m_per_h=None if self.idle_distance is None else self.idle_distance.canonical(),
        )


def _amounts(amounts: list[LimbAmount]) -> tuple[sheet.Amount, ...]:
    return tuple(amount.value() for amount in amounts)
