"""Parts that services take, with supersession and alternates."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Response

from api.deps import Fleet, Now, Page, Precondition, ReadSession, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.parts import Part, PartList, PartReplacement
from api.services import parts

routes = router("/parts", tag="parts")

Code = Annotated[Key, Path(description="The fleet's part number.")]


@routes.get("", operation_id="list_parts", summary="The fleet's parts")
def list_parts(page: Page, fleet: Fleet, session: ReadSession, response: Response) -> PartList:
    """Parts in the order of their codes."""
    after = page.after(str)
    found = parts.parts_after(
        session, fleet.fleet_key, None if after is None else str(after[0]), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].part.code) if len(found) > page.limit else None
    return PartList(parts=[Part.of(state) for state in found[: page.limit]], next=page.link(response, more))


@routes.get("/{code}", operation_id="show_part", summary="One part")
def show_part(code: Code, fleet: Fleet, session: ReadSession, response: Response) -> Part:
    """The part with the one that supersedes it and its alternates."""
    found = parts.part_state(session, fleet.fleet_key, code)
    tag(response, found.version)
    return Part.of(found)


@routes.put(
    "/{code}",
    operation_id="put_part",
    summary="Create or replace a part",
    responses={201: {"description": "Created", "model": Part}, **documented(409, 412, 428)},
)
def put_part(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: PartReplacement,
    condition: Precondition,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> Part:
    """Creates the part, or replaces the version that If-Match names; kits use it at once."""
    found, is_created = parts.put_part(session, fleet.fleet_key, body.part(code), condition, now_us=now_us)
    tag(response, found.version)
    if is_created:
        response.status_code = 201
        response.headers["Location"] = f"/v1/parts/{code}"
    return Part.of(found)
