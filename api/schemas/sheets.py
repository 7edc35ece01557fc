"""Spec sheet documents in requests and answers.

Invariants: a document holds quantities in the units that the maker's manual states, and is answered as it was
sent; the codes of compartments, plugs, tasks and services are the sheet's own, those of parts and fluid
requirements the fleet's.
"""

from __future__ import annotations

from typing import Annotated, Any, Self

from pydantic import Field, ModelWrapValidatorHandler, ValidationError, model_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from api.schemas.base import Answer, Choice, Key, Request, Text
from api.schemas.compartments import Compartment
from api.schemas.contradictions import Place, breaches_beside, place_of
from api.schemas.fluids import FluidRequirementDefinition
from api.schemas.intervals import IntervalRule
from api.schemas.parts import PartDefinition
from api.schemas.tasks import Task
from api.schemas.times import ShownInstant
from api.services.spec_sheets import Publication, VersionState
from domain import sheet


class Service(Request):
    """A service: tasks done together, and the rules that call for it."""

    code: Annotated[Key, Field(description="Its code within the sheet.")]
    name: Annotated[Text, Field(description="In words.")]
    tasks: Annotated[list[Task], Field(default_factory=list, max_length=100, description="Its own tasks.")]
    rules: Annotated[
        list[IntervalRule],
        Field(
            default_factory=list,
            max_length=50,
            description="Tried in order; the first that admits the vehicle holds. None: done on demand only.",
        ),
    ]
    includes: Annotated[
        list[Key],
        Field(
            default_factory=list,
            max_length=50,
            description="Codes of services that it does as well, transitively.",
        ),
    ]
    is_inspection: Annotated[
        bool, Field(description="Whether it is an inspection, which includes and resets nothing else.")
    ] = False
    is_statutory: Annotated[
        bool, Field(description="Whether the law requires it; then it has no tolerance and no deferral.")
    ] = False
    is_one_time: Annotated[
        bool, Field(description="Whether it is done once in the life of the vehicle or component.")
    ] = False
    compartment: Annotated[
        Key | None, Field(description="Compartment whose exchange for another restarts the service's clock.")
    ] = None

    def value(self) -> sheet.Service:
        """The service in canonical units."""
        return sheet.Service(
            code=self.code,
            name=self.name,
            tasks=tuple(task.value() for task in self.tasks),
            rules=tuple(rule.value() for rule in self.rules),
            includes=tuple(self.includes),
            is_inspection=self.is_inspection,
            is_statutory=self.is_statutory,
            is_one_time=self.is_one_time,
            compartment=self.compartment,
        )


class SpecSheetDocument(Request):
    """What a vehicle type needs, as its maker's manual prescribes it."""

    code: Annotated[Key, Field(description="The fleet's code of the vehicle type.")]
    name: Annotated[Text, Field(description="The vehicle type in words.")]
    meters: Annotated[
        list[Choice[sheet.Meter]], Field(max_length=6, description="Meters that a vehicle of the type has.")
    ]
    fluid_requirements: Annotated[
        list[FluidRequirementDefinition],
        Field(
            default_factory=list,
            max_length=200,
            description=(
                "Fluid requirements defined here; one that is stored already must be the same, and one that"
                " compartments name must stand here or be stored."
            ),
        ),
    ]
    parts: Annotated[
        list[PartDefinition],
        Field(
            default_factory=list,
            max_length=1000,
            description=(
                "Parts defined here; one that is stored already must agree in all that is stated, and one"
                " that plugs and tasks name must stand here or be stored."
            ),
        ),
    ]
    compartments: Annotated[
        list[Compartment], Field(default_factory=list, max_length=60, description="Bodies of fluid.")
    ]
    services: Annotated[
        list[Service], Field(default_factory=list, max_length=200, description="What is done to the type.")
    ]

    def value(self) -> sheet.SpecSheet:
        """The sheet in canonical units."""
        return sheet.SpecSheet(
            code=self.code,
            name=self.name,
            meters=tuple(self.meters),
            compartments=tuple(compartment.value() for compartment in self.compartments),
            services=tuple(service.value() for service in self.services),
        )

    @model_validator(mode="wrap")
    @classmethod
    def _told_at_once(cls, sent: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        try:
            return handler(sent)
        except ValidationError as error:
            found = error.errors(include_url=False, include_context=False, include_input=False)
            beside = breaches_beside(sent, found, lambda rest: handler(rest).value())
            raise ValidationError.from_exception_data(
                error.title,
                [
                    *(_entry(e["type"], e["msg"], e["loc"]) for e in found),
                    *(_entry(b.rule, b.detail, place_of(b.pointer)) for b in beside),
                ],
            ) from None

    def publication(self) -> Publication:
        """The document as it is published."""
        return Publication(
            document=self.model_dump_json(exclude_unset=True),
            sheet=self.value(),
            fluids=tuple(definition.terms() for definition in self.fluid_requirements),
            parts=tuple(definition.terms() for definition in self.parts),
        )


class SpecSheetVersion(Answer):
    """One version of a spec sheet."""

    code: Annotated[str, Field(description="The fleet's code of the vehicle type.")]
    number: Annotated[int, Field(description="Number of the version, from 1 up.")]
    newest_number: Annotated[int, Field(description="Number of the newest version, which is in force.")]
    recorded_at: Annotated[ShownInstant, Field(description="When the version was recorded.")]
    document: Annotated[
        SpecSheetDocument,
        Field(description="The document as sent, in its own units."),
    ]

    @classmethod
    def of(cls, state: VersionState, document: str) -> SpecSheetVersion:
        """The answer for a stored version."""
        return cls(
            code=state.code,
            number=state.number,
            newest_number=state.newest_number,
            recorded_at=state.recorded_at_us,
            document=SpecSheetDocument.model_validate_json(document),
        )


class SpecSheetSummary(Answer):
    """A spec sheet by its newest version."""

    code: Annotated[str, Field(description="The fleet's code of the vehicle type.")]
    name: Annotated[str, Field(description="The vehicle type in words.")]
    newest_number: Annotated[int, Field(description="Number of the newest version, which is in force.")]
    recorded_at: Annotated[ShownInstant, Field(description="When the newest version was recorded.")]

    @classmethod
    def of(cls, state: VersionState) -> SpecSheetSummary:
        """The answer for a stored sheet."""
        return cls(
            code=state.code,
            name=state.name,
            newest_number=state.newest_number,
            recorded_at=state.recorded_at_us,
        )


class SpecSheetList(Answer):
    """A page of spec sheets, by code."""

    spec_sheets: Annotated[list[SpecSheetSummary], Field(description="The sheets, by code.")]
    next: Annotated[str | None, Field(description="Cursor of the next page; null on the last.")]


def _entry(rule: str, detail: str, place: Place) -> InitErrorDetails:
    return InitErrorDetails(type=PydanticCustomError(rule, detail), loc=place, input=None)
