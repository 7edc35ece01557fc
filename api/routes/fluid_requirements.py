"""Fluid requirements that spec sheets name."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Response

from api.deps import Fleet, Now, Page, Precondition, ReadSession, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.fluids import FluidRequirement, FluidRequirementList, FluidRequirementReplacement
from api.services import fluid_requirements

routes = router("/fluid-requirements", tag="fluid requirements")

Code = Annotated[Key, Path(description="The fleet's code of the requirement.")]


@routes.get("", operation_id="list_fluid_requirements", summary="The fleet's fluid requirements")
def list_fluid_requirements(
    page: Page, fleet: Fleet, session: ReadSession, response: Response
) -> FluidRequirementList:
    """Requirements in the order of their codes."""
    after = page.after(str)
    found = fluid_requirements.fluids_after(
        session, fleet.fleet_key, None if after is None else str(after[0]), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].terms.code) if len(found) > page.limit else None
    return FluidRequirementList(
        fluid_requirements=[FluidRequirement.of(state) for state in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get("/{code}", operation_id="show_fluid_requirement", summary="One fluid requirement")
def show_fluid_requirement(
    code: Code, fleet: Fleet, session: ReadSession, response: Response
) -> FluidRequirement:
    """What a fluid must meet, in an open standard's terms or as the maker names it."""
    found = fluid_requirements.fluid_state(session, fleet.fleet_key, code)
    tag(response, found.version)
    return FluidRequirement.of(found)


@routes.put(
    "/{code}",
    operation_id="put_fluid_requirement",
    summary="Create or replace a fluid requirement",
    responses={201: {"description": "Created", "model": FluidRequirement}, **documented(409, 412, 428)},
)
def put_fluid_requirement(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: FluidRequirementReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> FluidRequirement:
    """Creates the requirement, or replaces the version that If-Match names."""
    found, is_created = fluid_requirements.put_fluid(
        session, fleet.fleet_key, body.terms_of(code), condition, now_us=now_us
    )
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/fluid-requirements/{code}"
    return FluidRequirement.of(found)
