"""Tasks of a spec sheet document, with the parts and tools they take; each turns into its domain value."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from api.schemas.base import Choice, Key, Request, Text
from api.schemas.quantities import Duration, Length, Volume
from domain import sheet

# No task takes longer; beyond it a kit's total would mean nothing.
LONGEST_LABOUR_S = 10_000 * 3600


def _bounded(duration: Duration) -> Duration:
    if duration.canonical() > LONGEST_LABOUR_S:
        rule, text = "figure_too_large", "A task takes at most 10,000 hours"
        raise PydanticCustomError(rule, text)
    return duration


class PartLine(Request):
    """A part that a task takes."""

    part: Annotated[Key, Field(description="Code of the part.")]
    quantity: Annotated[
        int, Field(ge=-10_000, le=10_000, description="How many, at least 1 [the part's own unit].")
    ] = 1
    is_each_pass: Annotated[bool, Field(description="Whether it is taken again at each drain pass.")] = False

    def value(self) -> sheet.PartLine:
        """The line as the domain has it."""
        return sheet.PartLine(part=self.part, quantity=self.quantity, is_each_pass=self.is_each_pass)


class Tool(Request):
    """A tool that a task takes."""

    name: Annotated[Text, Field(description="In words.")]
    size: Annotated[Length | None, Field(description="Its size, where it has one.")] = None

    def value(self) -> sheet.Tool:
        """The tool in canonical units."""
        return sheet.Tool(name=self.name, size_mm=None if self.size is None else self.size.canonical())


class Task(Request):
    """One piece of work that is done or left undone as a whole."""

    code: Annotated[
        Key,
        Field(description="Its code; wherever it occurs in the sheet, the task is the same in every field."),
    ]
    name: Annotated[Text, Field(description="In words.")]
    labour_time: Annotated[
        Annotated[Duration, AfterValidator(_bounded)] | None,
        Field(description="Labour time; none is stated where it is left out."),
    ] = None
    compartment: Annotated[
        Key | None, Field(description="Code of the compartment that it works on; a task on a fluid names it.")
    ] = None
    fluid_action: Annotated[
        Choice[sheet.FluidAction], Field(description="What it does with the compartment's fluid.")
    ] = sheet.FluidAction.NONE
    passes: Annotated[
        int, Field(ge=-100, le=100, description="Drain-and-fill passes of an exchange, at least 1 [1].")
    ] = 1
    fill_basis: Annotated[
        Choice[sheet.FillBasis],
        Field(description="Which of the compartment's volumes one pass of an exchange takes."),
    ] = sheet.FillBasis.DRAINED_VOLUME
    top_up: Annotated[Volume | None, Field(description="Volume of a top-up.")] = None
    margin_share: Annotated[
        float, Field(description="Fluid to have at hand beyond the computed volume, from 0 to 1 of it [1].")
    ] = 0.0
    plugs: Annotated[
        list[Key],
        Field(
            default_factory=list,
            max_length=50,
            description="Codes of the compartment's plugs that are opened.",
        ),
    ]
    parts: Annotated[
        list[PartLine],
        Field(
            default_factory=list,
            max_length=200,
            description="Parts that it takes, beside the seals of its plugs.",
        ),
    ]
    tools: Annotated[
        list[Tool],
        Field(
            default_factory=list,
            max_length=100,
            description="Tools that it takes, beside the wrenches of its plugs.",
        ),
    ]
    cautions: Annotated[
        list[Choice[sheet.Caution]],
        Field(
            default_factory=list,
            max_length=20,
            description="Hazards, beside those that its fluid and compartment always carry.",
        ),
    ]
    closing_checks: Annotated[
        list[Choice[sheet.ClosingCheck]],
        Field(
            default_factory=list,
            max_length=10,
            description="What is checked on the vehicle before a job with this task is signed off.",
        ),
    ]

    def value(self) -> sheet.Task:
        """The task in canonical units."""
        return sheet.Task(
            code=self.code,
            name=self.name,
            labour_s=0 if self.labour_time is None else self.labour_time.canonical(),
            compartment=self.compartment,
            fluid_action=self.fluid_action,
            passes=self.passes,
            fill_basis=self.fill_basis,
            top_up_ml=None if self.top_up is None else self.top_up.canonical(),
            margin_share=self.margin_share,
            plugs=tuple(self.plugs),
            parts=tuple(line.value() for line in self.parts),
            tools=tuple(tool.value() for tool in self.tools),
            cautions=tuple(self.cautions),
            closing_checks=tuple(self.closing_checks),
        )
