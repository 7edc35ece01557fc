"""The catalogue in requests and answers: products, containers with prices, and what a product meets."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.entries import withdrawal
from api.schemas.fluids import Term
from api.schemas.quantities import (
    CalendarSpan,
    Density,
    ShownCalendarSpan,
    ShownDensity,
    ShownVolume,
    Temperature,
    UnitSystem,
    Volume,
    shown_quantity,
)
from api.schemas.times import ShownInstant
from api.schemas.work import Withdrawal
from api.schemas.working import Notices, ShownNotice, shown_notices
from api.services.fluid_products import ProductState, ProductTerms
from api.services.suitability import Suitability as FoundSuitability
from api.services.suitability import SuitabilityAsk
from domain import containers, fluids, requirements
from domain.containers import MAX_PRICE_MINOR, MAX_SIZES
from domain.requirements import FluidKind, Standard, Verdict
from domain.units import Dimension

Currency = Annotated[str, Field(min_length=3, max_length=3, pattern=r"^[A-Z]{3}$", examples=["EUR"])]
"""A currency by its code of ISO 4217."""

Price = Annotated[int, Field(ge=0, le=MAX_PRICE_MINOR)]
"""A price in whole minor units of a currency."""

MOST_STATEMENTS = 40
_STANDARD = "The standard that names the class; maker for what a maker names in its own words."
_CLASS = (
    "The class as the standard writes it, such as SP, C3, GL-5, DOT 4; for a viscosity standard the grade."
)
_GRADE = "The viscosity grade, for classes of engine and gear oils, such as 5W-30 or 75W-90."
_CURRENCY = "Currency of the prices, ISO 4217."
_PRICE = "Price in the minor unit of the currency, such as cents."
_DENSITY = "Density at 15 degC."
_UNOPENED = "How long it keeps unopened, by its maker."
_OPENED = "How long it keeps once opened, by its maker."


class Statement(Request):
    """One thing that a product meets, or that a fluid has to meet, in an open standard's terms."""

    standard: Annotated[Choice[Standard], Field(description=_STANDARD)]
    service_class: Annotated[Term, Field(description=_CLASS)]
    grade: Annotated[Term | None, Field(description=_GRADE)] = None

    def value(self) -> requirements.FluidRequirement:
        """The statement as the domain takes it."""
        return requirements.FluidRequirement(self.standard, self.service_class, self.grade)


class ContainerOffered(Request):
    """A container that a fluid is sold in."""

    size: Annotated[Volume, Field(description="What it holds.")]
    price_minor: Annotated[Price, Field(description=_PRICE)]

    def value(self) -> containers.Container:
        """The container in canonical units."""
        return containers.Container(self.size.canonical(), self.price_minor)


class FluidProductReplacement(Request):
    """All of a fluid product but its code."""

    name: Annotated[Text, Field(description="In words.")]
    kind: Annotated[Choice[FluidKind], Field(description="What it is.")]
    currency: Annotated[Currency, Field(description=_CURRENCY)]
    containers: Annotated[
        list[ContainerOffered],
        Field(
            default_factory=list, max_length=MAX_SIZES, description="What it is sold in, one price a size."
        ),
    ]
    meets: Annotated[
        list[Statement],
        Field(max_length=MOST_STATEMENTS, description="What it states that it meets; at least one thing."),
    ]
    density_15c: Annotated[Density | None, Field(description=_DENSITY)] = None
    shelf_unopened: Annotated[CalendarSpan | None, Field(description=_UNOPENED)] = None
    shelf_opened: Annotated[CalendarSpan | None, Field(description=_OPENED)] = None

    def terms_of(self, code: str) -> ProductTerms:
        """The product of that code."""
        return ProductTerms(
            name=self.name,
            currency=self.currency,
            containers=tuple(one.value() for one in self.containers),
            product=fluids.Product(
                code=code,
                kind=self.kind,
                meets=tuple(one.value() for one in self.meets),
                density_15c_kg_m3=None if self.density_15c is None else self.density_15c.canonical(),
                shelf_unopened_months=None
                if self.shelf_unopened is None
                else self.shelf_unopened.canonical(),
                shelf_opened_months=None if self.shelf_opened is None else self.shelf_opened.canonical(),
            ),
        )


class ShownStatement(Answer):
    """One thing that a product meets, or that a fluid has to meet."""

    standard: Annotated[Standard, Field(description=_STANDARD)]
    service_class: Annotated[str, Field(description=_CLASS)]
    grade: Annotated[str | None, Field(description=_GRADE)]

    @classmethod
    def of(cls, one: requirements.FluidRequirement) -> ShownStatement:
        """The answer for a statement."""
        return cls(standard=one.standard, service_class=one.class_, grade=one.grade)


class ShownContainer(Answer):
    """A container that a fluid is sold in."""

    size: Annotated[ShownVolume, Field(description="What it holds.")]
    price_minor: Annotated[int, Field(description=_PRICE)]


class FluidProduct(Answer):
    """A fluid that can be bought; a withdrawn one stays and is offered no longer."""

    code: Annotated[str, Field(description="The fleet's code of the product.")]
    name: Annotated[str, Field(description="In words.")]
    kind: Annotated[FluidKind, Field(description="What it is.")]
    currency: Annotated[str, Field(description=_CURRENCY)]
    containers: Annotated[list[ShownContainer], Field(description="What it is sold in, the smallest first.")]
    meets: Annotated[list[ShownStatement], Field(description="What it states that it meets.")]
    density_15c: Annotated[ShownDensity | None, Field(description=_DENSITY)]
    shelf_unopened: Annotated[ShownCalendarSpan | None, Field(description=_UNOPENED)]
    shelf_opened: Annotated[ShownCalendarSpan | None, Field(description=_OPENED)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]
    withdrawal: Annotated[Withdrawal | None, Field(description="Its withdrawal; null while it stands.")]

    @classmethod
    def of(cls, state: ProductState, units: UnitSystem) -> FluidProduct:
        """The answer for a stored product."""
        terms, product = state.terms, state.terms.product
        return cls(
            code=product.code,
            name=terms.name,
            kind=product.kind,
            currency=terms.currency,
            containers=[
                ShownContainer(
                    size=ShownVolume(**shown_quantity(one.size_ml, Dimension.VOLUME, units)),
                    price_minor=one.price_minor,
                )
                for one in terms.containers
            ],
            meets=[ShownStatement.of(one) for one in product.meets],
            density_15c=None
            if product.density_15c_kg_m3 is None
            else ShownDensity(**shown_quantity(product.density_15c_kg_m3, Dimension.DENSITY, units)),
            shelf_unopened=_span(product.shelf_unopened_months, units),
            shelf_opened=_span(product.shelf_opened_months, units),
            version=state.version,
            recorded_at=state.recorded_at_us,
            withdrawal=withdrawal(state.withdrawn_at_us, state.withdrawn_reason),
        )


class FluidProductList(Answer):
    """A page of fluid products, by code."""

    fluid_products: Annotated[list[FluidProduct], Field(description="The products, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


class SuitabilityQuestion(Request):
    """What is asked about a product: one requirement or more, a product in the same compartment, its storage."""

    requirements: Annotated[
        list[Statement],
        Field(default_factory=list, max_length=20, description="All that the fluid has to meet, together."),
    ]
    fluid_requirement: Annotated[
        Key | None, Field(description="Code of a stored fluid requirement, in place of `requirements`.")
    ] = None
    fluid_kind: Annotated[
        Choice[FluidKind] | None,
        Field(description="What the fluid has to be; needed only where the requirements don't say it."),
    ] = None
    mixed_with: Annotated[
        Key | None, Field(description="Code of the product that is in the compartment already.")
    ] = None
    storage_temperature: Annotated[
        Temperature | None,
        Field(description="Constant storage temperature; gives the shelf life of AUS 32."),
    ] = None

    def ask_of(self, code: str) -> SuitabilityAsk:
        """The question about the product of that code."""
        stored = self.storage_temperature
        return SuitabilityAsk(
            code=code,
            requirements=tuple(one.value() for one in self.requirements),
            fluid_requirement=self.fluid_requirement,
            fluid_kind=self.fluid_kind,
            mixed_with=self.mixed_with,
            storage_c=None if stored is None else stored.canonical(),
        )


class ShownRuling(Answer):
    """An answer with its reason."""

    requirement: Annotated[
        ShownStatement | None,
        Field(description="What it is about; null where it is about the products as such."),
    ]
    verdict: Annotated[Verdict, Field(description="yes, no, or maker_decides: no match is assumed.")]
    rule: Annotated[str, Field(description="Short stable code of the reason.")]
    detail: Annotated[str, Field(description="The reason.")]
    source: Annotated[str, Field(description="Where the rule is known from.")]


class ShownJudgement(Answer):
    """An answer with all its reasons; the least favourable one decides."""

    verdict: Annotated[Verdict, Field(description="yes, no, or maker_decides: no match is assumed.")]
    rulings: Annotated[list[ShownRuling], Field(description="The reasons.")]

    @classmethod
    def of(cls, judgement: fluids.Judgement) -> ShownJudgement:
        """The answer for a judgement."""
        return cls(
            verdict=judgement.verdict,
            rulings=[
                ShownRuling(
                    requirement=None if one.requirement is None else ShownStatement.of(one.requirement),
                    verdict=one.ruling.verdict,
                    rule=one.ruling.rule,
                    detail=one.ruling.detail,
                    source=one.ruling.source,
                )
                for one in judgement.rulings
            ],
        )


class StorageLife(Answer):
    """How long a fluid keeps at a constant storage temperature."""

    keeps: Annotated[
        ShownCalendarSpan | None,
        Field(description="From its manufacture; null where it has to be tested first."),
    ]
    is_test_needed: Annotated[bool, Field(description="Whether it has to be tested before use.")]
    source: Annotated[str, Field(description="Where that is known from.")]


class Suitability(Answer):
    """Whether a product suits, whether it may be mixed, and how long it keeps."""

    product: Annotated[str, Field(description="Code of the product.")]
    suitability: Annotated[
        ShownJudgement | None, Field(description="Whether it meets what is asked; null where nothing was.")
    ]
    mixed_with: Annotated[str | None, Field(description="Code of the product that is in the compartment.")]
    mixing: Annotated[
        ShownJudgement | None, Field(description="Whether both may be mixed; null where that was not asked.")
    ]
    storage_life: Annotated[
        StorageLife | None, Field(description="How long it keeps so stored; null where that was not asked.")
    ]
    shelf_unopened: Annotated[ShownCalendarSpan | None, Field(description=_UNOPENED)]
    shelf_opened: Annotated[ShownCalendarSpan | None, Field(description=_OPENED)]
    notices: Notices

    @classmethod
    def of(cls, found: FoundSuitability, units: UnitSystem) -> Suitability:
        """The answer."""
        product, life = found.product.terms.product, found.shelf_life
        return cls(
            product=product.code,
            suitability=None if found.judgement is None else ShownJudgement.of(found.judgement),
            mixed_with=None if found.other is None else found.other.terms.product.code,
            mixing=None if found.mixing is None else ShownJudgement.of(found.mixing),
            storage_life=None
            if life is None
            else StorageLife(
                keeps=_span(life.months, units), is_test_needed=life.is_test_needed, source=life.source
            ),
            shelf_unopened=_span(product.shelf_unopened_months, units),
            shelf_opened=_span(product.shelf_opened_months, units),
            notices=[ShownNotice(**one) for one in shown_notices(())],
        )


def _span(months: int | None, units: UnitSystem) -> ShownCalendarSpan | None:
    return None if months is None else ShownCalendarSpan(**shown_quantity(months, Dimension.CALENDAR, units))
