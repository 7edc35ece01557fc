"""Fluid requirements in requests and answers: what a fluid must meet, in an open standard's terms."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.times import ShownInstant
from api.services.fluid_requirements import FluidState, FluidTerms
from domain import requirements
from domain.errors import Breach
from domain.requirements import Standard

_LINE = r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$"
Term = Annotated[str, Field(min_length=1, max_length=64, pattern=_LINE)]
_STANDARD = "The standard that names the class; maker for what the sheet names in its maker's own words."
_CLASS = "The class as the standard writes it, such as SP, C3, GL-5 or DOT 4; for maker the maker's name."
_GRADE = "The viscosity grade or concentration, such as 5W-30, 75W-90 or 50 %."


class FluidRequirementReplacement(Request):
    """All of a fluid requirement but its code."""

    name: Annotated[Text, Field(description="In words.")]
    standard: Annotated[Choice[Standard], Field(description=_STANDARD)]
    service_class: Annotated[Term | None, Field(description=_CLASS)] = None
    grade: Annotated[Term | None, Field(description=_GRADE)] = None

    @field_validator("service_class")
    @classmethod
    def _of_its_standard(cls, service_class: str | None, info: ValidationInfo) -> str | None:
        standard = info.data.get("standard")
        if service_class is not None and standard is not None:
            named = requirements.FluidRequirement(standard, service_class)
            _refuse(requirements.requirement_breaches(named))
        return service_class

    @field_validator("grade")
    @classmethod
    def _of_its_class(cls, grade: str | None, info: ValidationInfo) -> str | None:
        standard, service_class = info.data.get("standard"), info.data.get("service_class")
        if grade is not None and standard is not None and service_class is not None:
            named = requirements.FluidRequirement(standard, service_class, grade)
            # A grade beside a class that takes none, such as a share of glycol, is the fleet's own note.
            breaches = requirements.requirement_breaches(named)
            _refuse([breach for breach in breaches if breach.rule == "grade_unknown"])
        return grade

    def terms_of(self, code: str) -> FluidTerms:
        """The requirement of that code."""
        return FluidTerms(code, self.name, self.standard.value, self.service_class, self.grade)


class FluidRequirementDefinition(FluidRequirementReplacement):
    """A fluid requirement as a spec sheet document defines it."""

    code: Annotated[Key, Field(description="The fleet's code of the requirement.")]

    def terms(self) -> FluidTerms:
        """The requirement."""
        return self.terms_of(self.code)


class FluidRequirement(Answer):
    """What a fluid must meet; fluids of different requirements are never added together."""

    code: Annotated[str, Field(description="The fleet's code of the requirement.")]
    name: Annotated[str, Field(description="In words.")]
    standard: Annotated[Standard, Field(description=_STANDARD)]
    service_class: Annotated[str | None, Field(description=_CLASS)]
    grade: Annotated[str | None, Field(description=_GRADE)]
    version: Annotated[int, Field(description="Grows by one with each change; the ETag names it.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was first recorded.")]

    @classmethod
    def of(cls, state: FluidState) -> FluidRequirement:
        """The answer for a stored requirement."""
        terms = state.terms
        return cls(
            code=terms.code,
            name=terms.name,
            standard=Standard(terms.standard),
            service_class=terms.service_class,
            grade=terms.grade,
            version=state.version,
            recorded_at=state.recorded_at_us,
        )


class FluidRequirementList(Answer):
    """A page of fluid requirements, by code."""

    fluid_requirements: Annotated[list[FluidRequirement], Field(description="The requirements, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def _refuse(breaches: list[Breach]) -> None:
    for breach in breaches:
        raise PydanticCustomError(breach.rule, "{detail}", {"detail": breach.detail})
