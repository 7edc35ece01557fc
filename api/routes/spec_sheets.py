"""Spec sheets: what each vehicle type needs, in versions."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path, Response

from api.deps import Fleet, Now, Page, ReadSession, WriteSession, tag
from api.intake import router
from api.problems import documented
from api.schemas.base import Key
from api.schemas.sheets import SpecSheetDocument, SpecSheetList, SpecSheetSummary, SpecSheetVersion
from api.services import spec_sheets

routes = router("/spec-sheets", tag="spec sheets")

Code = Annotated[Key, Path(description="The fleet's code of the vehicle type.")]
Number = Annotated[int, Path(ge=1, le=999_999_999, description="Number of the version, from 1 up.")]


@routes.post(
    "",
    operation_id="publish_spec_sheet",
    summary="Publish a new spec sheet",
    status_code=201,
    response_model_exclude_unset=True,
    responses=documented(409),
)
def publish_spec_sheet(
    body: SpecSheetDocument, fleet: Fleet, session: WriteSession, now_us: Now, response: Response
) -> SpecSheetVersion:
    """Stores version 1 of a vehicle type, with the parts and fluid requirements that it defines."""
    spec_sheets.publish_sheet(session, fleet.fleet_key, body.publication(), now_us=now_us)
    return _published(session, fleet, body.code, response)


@routes.post(
    "/{code}/versions",
    operation_id="publish_spec_sheet_version",
    summary="Publish the next version of a spec sheet",
    status_code=201,
    response_model_exclude_unset=True,
    responses=documented(409),
)
def publish_spec_sheet_version(  # noqa: PLR0913, PLR0917 - what FastAPI hands in
    code: Code,
    body: SpecSheetDocument,
    fleet: Fleet,
    session: WriteSession,
    now_us: Now,
    response: Response,
) -> SpecSheetVersion:
    """Puts a version in force from now on; what was due or done under the one before stays as it was."""
    spec_sheets.publish_version(session, fleet.fleet_key, code, body.publication(), now_us=now_us)
    return _published(session, fleet, code, response)


@routes.get("", operation_id="list_spec_sheets", summary="The vehicle types by their newest versions")
def list_spec_sheets(page: Page, fleet: Fleet, session: ReadSession, response: Response) -> SpecSheetList:
    """Sheets in the order of their codes, without their documents."""
    after = page.after(str)
    found = spec_sheets.sheets_after(
        session, fleet.fleet_key, None if after is None else str(after[0]), page.limit + 1
    )
    more = page.cursor(found[page.limit - 1].code) if len(found) > page.limit else None
    return SpecSheetList(
        spec_sheets=[SpecSheetSummary.of(state) for state in found[: page.limit]],
        next=page.link(response, more),
    )


@routes.get(
    "/{code}",
    operation_id="show_spec_sheet",
    summary="The newest version of a spec sheet",
    response_model_exclude_unset=True,
)
def show_spec_sheet(code: Code, fleet: Fleet, session: ReadSession, response: Response) -> SpecSheetVersion:
    """The version in force, its document as it was sent."""
    found = SpecSheetVersion.of(*spec_sheets.version_with_document(session, fleet.fleet_key, code))
    tag(response, found.number)
    return found


@routes.get(
    "/{code}/versions/{number}",
    operation_id="show_spec_sheet_version",
    summary="One version of a spec sheet",
    response_model_exclude_unset=True,
)
def show_spec_sheet_version(
    code: Code, number: Number, fleet: Fleet, session: ReadSession
) -> SpecSheetVersion:
    """A version never changes; its document is as it was sent."""
    return SpecSheetVersion.of(*spec_sheets.version_with_document(session, fleet.fleet_key, code, number))


def _published(session: WriteSession, fleet: Fleet, code: str, response: Response) -> SpecSheetVersion:
    found = SpecSheetVersion.of(*spec_sheets.version_with_document(session, fleet.fleet_key, code))
    response.headers["Location"] = f"/v1/spec-sheets/{code}/versions/{found.number}"
    return found
