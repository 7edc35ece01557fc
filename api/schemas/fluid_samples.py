"""Fluid samples in requests and answers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.defects import NamedWithdrawal, named_withdrawal
from api.schemas.meter_figures import MeterFigure, ShownFigure, shown_figure
from api.schemas.quantities import UnitSystem
from api.schemas.times import Day, Instant, ShownInstant
from api.schemas.work import Reference, Remark
from api.services import fluid_samples
from domain import condition
from domain.cleanliness import Counts
from domain.condition import AcidMethod, BaseMethod, ColourChange, Measure, Taking, Verdict
from domain.sheet import Meter

_TAKING = (
    "`live_mid_stream`: from the running system, in mid-stream; `tube_from_tank`; `drain_stream`: from the stream at"
    " the drain; `pan`: from what stood in the pan."
)
_CODE = "Cleanliness code by ISO 4406, for 4, 6 and 14 um(c); `-` not counted, `*` too many, `>28` beyond the scale."
_COLOUR = (
    "Number by ASTM D1500, 0.5 to 8.0 in halves, L before it for lighter, D8.0 for darker than the scale."
)


class ColourSeen(Request):
    """The colour of a fluid: a number of an undyed oil, or how it looks beside a fresh sample."""

    is_dyed: Annotated[bool, Field(description="Whether the fluid is dyed, as many transmission fluids are.")]
    astm_number: Annotated[str | None, Field(max_length=5, description=_COLOUR, examples=["L3.5"])] = None
    beside_fresh: Annotated[
        Choice[ColourChange] | None, Field(description="What it looked like beside a fresh sample.")
    ] = None


class ParticleCounts(Request):
    """Particles in a millilitre, each size with all larger ones."""

    from_4um_per_ml: Annotated[
        float | None, Field(ge=0, le=1e12, description="Of 4 um(c) and larger [1/mL].")
    ] = None
    from_6um_per_ml: Annotated[float, Field(ge=0, le=1e12, description="Of 6 um(c) and larger [1/mL].")]
    from_14um_per_ml: Annotated[float, Field(ge=0, le=1e12, description="Of 14 um(c) and larger [1/mL].")]


class AcidNumber(Request):
    """An acid number."""

    mg_g: Annotated[float, Field(ge=0, le=1000, description="The number [mg/g of KOH].")]
    method: Annotated[Choice[AcidMethod], Field(description="ASTM method that found it.")]


class BaseNumber(Request):
    """A base number."""

    mg_g: Annotated[float, Field(ge=0, le=1000, description="The number [mg/g of KOH].")]
    method: Annotated[Choice[BaseMethod], Field(description="ASTM method that found it.")]


_KinematicIn = Annotated[float, Field(ge=0.01, le=1e6)]


class SampleMeasures(Request):
    """What was measured on a sample; at least one thing."""

    colour: Annotated[ColourSeen | None, Field(description="Its colour.")] = None
    counts: Annotated[
        ParticleCounts | None, Field(description="Particles counted; the cleanliness code follows.")
    ] = None
    cleanliness_code: Annotated[
        str | None, Field(max_length=11, description=f"{_CODE} In place of counts.", examples=["18/16/13"])
    ] = None
    water_mg_kg: Annotated[float | None, Field(ge=0, le=1_000_000, description="Water [mg/kg].")] = None
    kinematic_40_mm2_s: Annotated[
        _KinematicIn | None, Field(description="Kinematic viscosity at 40 degC [mm2/s].")
    ] = None
    kinematic_100_mm2_s: Annotated[
        _KinematicIn | None, Field(description="Kinematic viscosity at 100 degC [mm2/s].")
    ] = None
    acid_number: Annotated[AcidNumber | None, Field(description="Acid number, with its method.")] = None
    base_number: Annotated[BaseNumber | None, Field(description="Base number, with its method.")] = None

    def value(self) -> condition.Measures:
        """The measures as the domain takes them."""
        colour, counts, acid, base = self.colour, self.counts, self.acid_number, self.base_number
        return condition.Measures(
            None
            if colour is None
            else condition.Colour(colour.is_dyed, colour.astm_number, colour.beside_fresh),
            None
            if counts is None
            else Counts(counts.from_4um_per_ml, counts.from_6um_per_ml, counts.from_14um_per_ml),
            self.cleanliness_code,
            self.water_mg_kg,
            self.kinematic_40_mm2_s,
            self.kinematic_100_mm2_s,
            None if acid is None else condition.Acid(acid.mg_g, acid.method),
            None if base is None else condition.Base(base.mg_g, base.method),
        )


class SampleTaken(Request):
    """A sample as it is entered."""

    compartment: Annotated[Key, Field(description="Code of a compartment of the vehicle's spec sheet.")]
    taken_at: Annotated[Instant, Field(description="When it was taken.")]
    taken_by: Annotated[Text, Field(description="Who took it.")]
    taking: Annotated[Choice[Taking], Field(description=_TAKING)]
    is_bottle_clean: Annotated[bool, Field(description="Whether the bottle was clean, of a known class.")]
    figures: Annotated[
        list[MeterFigure],
        Field(default_factory=list, max_length=6, description="What the meters' dials showed then."),
    ]
    fluid_product: Annotated[
        Key | None, Field(description="Code of the product in the compartment, where known.")
    ] = None
    measures: Annotated[SampleMeasures, Field(description="What was measured.")]
    fresh: Annotated[
        SampleMeasures | None,
        Field(
            description=(
                "What was measured on the fresh fluid; without it, what a sample of the same product gave last."
            )
        ),
    ] = None
    reference: Annotated[Reference | None, Field(description="The laboratory's or the paper's number.")] = (
        None
    )
    note: Annotated[Remark | None, Field(description="Free text.")] = None
    assigned_to: Annotated[
        Text | None, Field(description="Who is to see to the defect that a sample beyond a limit becomes.")
    ] = None

    def value(self) -> fluid_samples.NewSample:
        """The sample as services take it."""
        return fluid_samples.NewSample(
            self.compartment,
            self.taken_at,
            self.taken_by,
            self.taking,
            self.is_bottle_clean,
            tuple((noted.meter, noted.given()) for noted in self.figures),
            self.fluid_product,
            self.measures.value(),
            None if self.fresh is None else self.fresh.value(),
            self.reference,
            self.note,
            self.assigned_to,
        )


class ShownColour(Answer):
    """The colour of a fluid."""

    is_dyed: Annotated[bool, Field(description="Whether the fluid is dyed.")]
    astm_number: Annotated[str | None, Field(description=_COLOUR)]
    beside_fresh: Annotated[ColourChange | None, Field(description="What it looked like beside fresh fluid.")]


class ShownCounts(Answer):
    """Particles in a millilitre, each size with all larger ones."""

    from_4um_per_ml: Annotated[float | None, Field(description="Of 4 um(c) and larger [1/mL].")]
    from_6um_per_ml: Annotated[float, Field(description="Of 6 um(c) and larger [1/mL].")]
    from_14um_per_ml: Annotated[float, Field(description="Of 14 um(c) and larger [1/mL].")]


class ShownAcid(Answer):
    """An acid number."""

    mg_g: Annotated[float, Field(description="The number [mg/g of KOH].")]
    method: Annotated[AcidMethod, Field(description="ASTM method that found it.")]


class ShownBase(Answer):
    """A base number."""

    mg_g: Annotated[float, Field(description="The number [mg/g of KOH].")]
    method: Annotated[BaseMethod, Field(description="ASTM method that found it.")]


class ShownMeasures(Answer):
    """What was measured, and what follows from it."""

    colour: Annotated[ShownColour | None, Field(description="Its colour.")]
    counts: Annotated[ShownCounts | None, Field(description="Particles counted.")]
    cleanliness_code: Annotated[str | None, Field(description=_CODE)]
    water_mg_kg: Annotated[float | None, Field(description="Water [mg/kg].")]
    kinematic_40_mm2_s: Annotated[float | None, Field(description="Kinematic viscosity at 40 degC [mm2/s].")]
    kinematic_100_mm2_s: Annotated[
        float | None, Field(description="Kinematic viscosity at 100 degC [mm2/s].")
    ]
    viscosity_index: Annotated[
        int | None, Field(description="By ASTM D2270; null where a viscosity is missing or below 2 mm2/s.")
    ]
    acid_number: Annotated[ShownAcid | None, Field(description="Acid number, with its method.")]
    base_number: Annotated[ShownBase | None, Field(description="Base number, with its method.")]


class ShownJudgement(Answer):
    """A measure against its limit in the spec sheet."""

    measure: Annotated[Measure, Field(description="Which measure.")]
    verdict: Annotated[
        Verdict,
        Field(
            description=(
                "`near` from four fifths of the way from the fresh fluid to the limit (our convention), and on the"
                " limit's own scale number."
            )
        ),
    ]
    used_share: Annotated[
        float | None, Field(description="Share of the way to the limit used up, above 1 beyond it [1].")
    ]
    why: Annotated[str, Field(description="The limit, or why there is no judgement.")]


class NotedFigure(Answer):
    """A meter's figure in life-to-date."""

    meter: Annotated[Meter, Field(description="Which meter of the vehicle.")]
    life_to_date: Annotated[ShownFigure, Field(description="Over all meters that the vehicle has had.")]


class FluidSample(Answer):
    """A sample, judged by the limits of the vehicle's newest spec sheet."""

    id: Annotated[int, Field(description="Identifies the sample.")]
    compartment: Annotated[str, Field(description="Code of the compartment.")]
    taken_at: Annotated[ShownInstant, Field(description="When it was taken.")]
    taken_on: Annotated[Day, Field(description="The day in the depot's time zone.")]
    taken_by: Annotated[str, Field(description="Who took it.")]
    taking: Annotated[Taking, Field(description=_TAKING)]
    is_bottle_clean: Annotated[bool, Field(description="Whether the bottle was clean.")]
    no_code_because: Annotated[
        str | None,
        Field(description="Why the sample is no basis for a cleanliness code; null where it is one."),
    ]
    figures: Annotated[list[NotedFigure], Field(description="Figures noted then, in life-to-date.")]
    fluid_product: Annotated[str | None, Field(description="Code of the product in the compartment.")]
    measures: Annotated[ShownMeasures, Field(description="What was measured.")]
    fresh: Annotated[ShownMeasures | None, Field(description="The same on the fresh fluid, where known.")]
    is_fresh_of_product: Annotated[
        bool, Field(description="Whether `fresh` comes from another sample of the same product.")
    ]
    viscosity_40_change: Annotated[
        float | None, Field(description="Change at 40 degC as a share of fresh, below 0 for thinner [1].")
    ]
    viscosity_100_change: Annotated[
        float | None, Field(description="Change at 100 degC as a share of fresh, below 0 for thinner [1].")
    ]
    judgements: Annotated[list[ShownJudgement], Field(description="Each measure against its limit.")]
    reference: Annotated[str | None, Field(description="The laboratory's or the paper's number.")]
    note: Annotated[str | None, Field(description="Free text.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    withdrawal: Annotated[NamedWithdrawal | None, Field(description="Its withdrawal; null while it stands.")]


class FluidSampleList(Answer):
    """A page of samples, in the order in which they were recorded."""

    samples: Annotated[list[FluidSample], Field(description="The samples.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null at the end.")]


class SampleWithdrawal(Request):
    """The withdrawal of a sample; it stays, and counts in no trend."""

    by: Annotated[Text, Field(description="Who withdraws it.")]
    reason: Annotated[Remark, Field(description="Why the entry does not hold, in a sentence.")]


def shown_sample(found: fluid_samples.Sample, units: UnitSystem) -> FluidSample:
    """A sample, its meter figures in a system's units."""
    return FluidSample(
        id=found.key,
        compartment=found.compartment,
        taken_at=found.taken_at_us,
        taken_on=found.taken_on,
        taken_by=found.taken_by,
        taking=found.taking,
        is_bottle_clean=found.is_bottle_clean,
        no_code_because=found.no_code_why,
        figures=[
            NotedFigure(meter=meter, life_to_date=shown_figure(meter, figure, units))
            for meter, figure in found.figures.items()
        ],
        fluid_product=found.fluid_product,
        measures=shown_measures(found.measures),
        fresh=None if found.fresh is None else shown_measures(found.fresh),
        is_fresh_of_product=found.is_fresh_of_product,
        viscosity_40_change=_change(found, 40),
        viscosity_100_change=_change(found, 100),
        judgements=[shown_judgement(one) for one in found.judged],
        reference=found.reference,
        note=found.note,
        recorded_at=found.recorded_at_us,
        withdrawal=named_withdrawal(found.withdrawn_at_us, found.withdrawn_by, found.withdrawn_reason),
    )


def shown_judgement(found: condition.Judged) -> ShownJudgement:
    """A measure against its limit."""
    return ShownJudgement(
        measure=found.measure,
        verdict=found.verdict,
        used_share=None if found.used_share is None else six_digits(found.used_share),
        why=found.why,
    )


def six_digits(figure: float) -> float:
    """A computed figure to six significant digits: more than any of these measures has."""
    return float(f"{figure:.6g}")


def shown_measures(found: condition.Measures) -> ShownMeasures:
    """What was measured, with the code and the index that follow."""
    code, index = condition.code_of(found), condition.index_of(found)
    colour, counts, acid, base = found.colour, found.counts, found.acid, found.base
    return ShownMeasures(
        colour=None
        if colour is None
        else ShownColour(is_dyed=colour.is_dyed, astm_number=colour.number, beside_fresh=colour.beside_fresh),
        counts=None
        if counts is None
        else ShownCounts(
            from_4um_per_ml=counts.from_4um_per_ml,
            from_6um_per_ml=counts.from_6um_per_ml,
            from_14um_per_ml=counts.from_14um_per_ml,
        ),
        cleanliness_code=found.code if code is None or counts is None else code.text,
        water_mg_kg=found.water_mg_kg,
        kinematic_40_mm2_s=found.kinematic_40_mm2_s,
        kinematic_100_mm2_s=found.kinematic_100_mm2_s,
        viscosity_index=None if index is None else index.index,
        acid_number=None if acid is None else ShownAcid(mg_g=acid.mg_g, method=acid.method),
        base_number=None if base is None else ShownBase(mg_g=base.mg_g, method=base.method),
    )


def _change(found: fluid_samples.Sample, at_c: int) -> float | None:
    change = condition.viscosity_change(found.measures, found.fresh, at_c)
    return None if change is None else six_digits(change)
