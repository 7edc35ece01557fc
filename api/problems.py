"""Every answer that is not a success, as a problem document (RFC 9457).

Invariants: one table (``KINDS`` by slug, ``_OF_ERROR`` by exception type) decides status, title and slug;
``type`` is a path that this service answers itself; a document never holds the value that was refused,
SQL, a path or a stack; field errors are JSON Pointers (RFC 6901) in fragment form and stop at
``MOST_ERRORS``.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError, ResponseValidationError
from fastapi.routing import iter_route_contexts
from starlette.exceptions import HTTPException

from api.services.errors import (
    BodyMalformedError,
    BodyTooLongError,
    ConflictError,
    CursorError,
    DiskFullInPartError,
    GoneError,
    NotFoundError,
    RefusedError,
    ServiceError,
    StaleVersionError,
    StoredInPartError,
    VersionMissingError,
)
from api.store.errors import (
    StoreBusyError,
    StoreConflictError,
    StoreConstraintError,
    StoreError,
    StoreFullError,
    StoreMoveError,
    StoreSchemaError,
    StoreUnavailableError,
)
from domain.errors import (
    Breach,
    DomainError,
    DutyError,
    ExchangeError,
    JobError,
    MeterError,
    QuantityError,
    RuleBrokenError,
    SheetError,
    StockError,
    WorkError,
)

MEDIA_TYPE = "application/problem+json"
MOST_ERRORS = 100
RETRY_AFTER_S = 1
_log = logging.getLogger("fillmark")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of problem.

    Attributes:
        slug: Last part of the ``type`` path, ``/problems/{slug}``.
        status: HTTP status.
        title: The same words for each occurrence.
        cause: Why a caller meets it, in a sentence or two.
        remedy: What the caller can do.
    """

    slug: str
    status: int
    title: str
    cause: str
    remedy: str

    @property
    def type(self) -> str:
        """The path that explains this kind."""
        return f"/problems/{self.slug}"


_KINDS = (
    Kind(
        "malformed-request",
        400,
        "The request cannot be read",
        "The body is no JSON in UTF-8, its compression is broken, or the request breaks HTTP's own form.",
        "Send one JSON value in UTF-8 without a byte order mark, nested at most 32 deep; where the path reads"
        " other media, send those whole and in their own form.",
    ),
    Kind(
        "cursor-invalid",
        400,
        "The cursor does not fit this query",
        "A cursor is bound to the path and the parameters of the query that gave it.",
        "Start again without a cursor, and follow the next links as they are given.",
    ),
    Kind(
        "not-found",
        404,
        "Nothing is here",
        "The path names nothing, or nothing that belongs to the caller's fleet.",
        "Check the path and the key; lists show what there is.",
    ),
    Kind(
        "method-not-allowed",
        405,
        "The method is not offered here",
        "The path is right, the method is not.",
        "Use a method that the Allow header names.",
    ),
    Kind(
        "conflict",
        409,
        "The request contradicts what is stored",
        "For example, a unit number already belongs to another vehicle on these days.",
        "Read what is stored, and send a request that fits it.",
    ),
    Kind(
        "gone",
        410,
        "It is no longer here",
        "It was here and was retired or withdrawn.",
        "Stop asking for it.",
    ),
    Kind(
        "stale-version",
        412,
        "It changed meanwhile",
        "The version that the request names is no longer the stored one.",
        "Read it again, and repeat the change on what it is now.",
    ),
    Kind(
        "body-too-large",
        413,
        "The body is too large",
        "The service reads bodies up to a set size only; compressed ones are measured when unpacked.",
        "Send it in parts; GET /v1/limits tells the sizes.",
    ),
    Kind(
        "media-type-unsupported",
        415,
        "The body's media type is not read here",
        "Each path reads set media types in UTF-8, application/json on most, and few of them compressed.",
        "Send what the answer's Accept or Accept-Encoding header names, and say so in Content-Type.",
    ),
    Kind(
        "request-invalid",
        422,
        "Fields break a rule",
        "The body, a path part or a parameter breaks the rules named under errors.",
        "Mend each place that errors points to; nothing was stored.",
    ),
    Kind(
        "precondition-required",
        428,
        "The request does not say what it changes",
        "A change names in If-Match the version that it starts from, so that no change is lost unseen.",
        "Read it, and send the change with If-Match holding the ETag of that answer.",
    ),
    Kind(
        "internal-error",
        500,
        "The service failed",
        "A fault of the service; nothing of the request was stored.",
        "Try again later, and give the instance to whoever runs the service.",
    ),
    Kind(
        "busy",
        503,
        "The service is busy",
        "The turn to write, a lock or a connection did not come in time; nothing was stored.",
        "Send the same request again after the seconds that Retry-After names.",
    ),
    Kind(
        "database-unavailable",
        503,
        "The database cannot be reached",
        "The database is down, restarting, or not migrated; nothing was stored.",
        "Send the same request again after the seconds that Retry-After names.",
    ),
    Kind(
        "stored-in-part",
        503,
        "Part of the rows is stored",
        "A long body of readings is stored in parts, and after the first of them the service was hindered.",
        "Send all of it again after the seconds that Retry-After names: rows that are stored count as duplicates.",
    ),
    Kind(
        "stored-in-part-disk-full",
        507,
        "Part of the rows is stored; the disk is full",
        "A long body of readings is stored in parts, and after the first of them there was no room left.",
        "Make room where the database lies, then send all of it again: rows that are stored count as duplicates.",
    ),
    Kind(
        "storage-full",
        507,
        "The disk is full",
        "There was no room to store the request; nothing was stored.",
        "Make room where the database lies, then send the same request again.",
    ),
)
KINDS: dict[str, Kind] = {kind.slug: kind for kind in _KINDS}

# The nearest type of an exception's ancestry decides; a test walks all subclasses.
_OF_ERROR: dict[type[Exception], str] = {
    RuleBrokenError: "request-invalid",
    QuantityError: "request-invalid",
    SheetError: "request-invalid",
    MeterError: "request-invalid",
    DutyError: "request-invalid",
    WorkError: "request-invalid",
    JobError: "request-invalid",
    ExchangeError: "request-invalid",
    StockError: "request-invalid",
    NotFoundError: "not-found",
    GoneError: "gone",
    ConflictError: "conflict",
    StaleVersionError: "stale-version",
    VersionMissingError: "precondition-required",
    BodyMalformedError: "malformed-request",
    BodyTooLongError: "body-too-large",
    StoredInPartError: "stored-in-part",
    DiskFullInPartError: "stored-in-part-disk-full",
    CursorError: "cursor-invalid",
    RefusedError: "request-invalid",
    StoreBusyError: "busy",
    StoreConflictError: "busy",
    StoreConstraintError: "conflict",
    StoreFullError: "storage-full",
    StoreMoveError: "database-unavailable",
    StoreSchemaError: "database-unavailable",
    StoreUnavailableError: "database-unavailable",
}
_READING = frozenset({"GET", "HEAD"})
_OF_STATUS = {
    400: "malformed-request",
    404: "not-found",
    405: "method-not-allowed",
    409: "conflict",
    410: "gone",
    412: "stale-version",
    413: "body-too-large",
    415: "media-type-unsupported",
    422: "request-invalid",
    428: "precondition-required",
    503: "busy",
    507: "storage-full",
}
# Pydantic's names of what is wrong, in this service's words; others pass through unchanged.
_CODES = {
    "missing": "field_missing",
    "model_type": "object_expected",
    "model_attributes_type": "object_expected",
    "dict_type": "object_expected",
    "list_type": "list_expected",
    "string_type": "text_expected",
    "bool_type": "flag_expected",
    "float_type": "number_expected",
    "float_parsing": "number_expected",
    "int_type": "whole_number_expected",
    "int_from_float": "whole_number_expected",
    "int_parsing": "whole_number_expected",
    "int_parsing_size": "whole_number_expected",
    "extra_forbidden": "field_unknown",
    "finite_number": "figure_not_finite",
    "literal_error": "value_not_listed",
    "enum": "value_not_listed",
    "greater_than": "figure_too_small",
    "greater_than_equal": "figure_too_small",
    "less_than": "figure_too_large",
    "less_than_equal": "figure_too_large",
    "string_too_short": "text_too_short",
    "string_too_long": "text_too_long",
    "string_pattern_mismatch": "text_malformed",
    "too_short": "list_too_short",
    "too_long": "list_too_long",
}
_WORDS = {
    "field_missing": "The field is required.",
    "field_unknown": "The object has no such field.",
    "object_expected": "An object is expected.",
    "list_expected": "A list is expected.",
    "text_expected": "A text is expected.",
    "flag_expected": "true or false is expected.",
    "number_expected": "A number is expected.",
    "whole_number_expected": "A whole number is expected.",
    "figure_not_finite": "The figure must be a finite number.",
}


@dataclass(frozen=True, slots=True)
class FieldError:
    """One refused place.

    Attributes:
        place: ``body``, ``query``, ``path`` or ``header``.
        pointer: JSON Pointer inside that place, such as ``/readings/3/odometer``.
        code: Short stable name of the rule.
        detail: One sentence; never the refused value.
    """

    place: str
    pointer: str
    code: str
    detail: str


class RequestRefusedError(Exception):
    """Fields of a request that were refused before any service saw them."""

    def __init__(self, errors: Sequence[FieldError]) -> None:
        """Keep the refused places, in the order found; there is at least one."""
        super().__init__(f"{len(errors)} fields refused")
        self.errors = tuple(errors)


def problem(
    slug: str,
    *,
    detail: str | None = None,
    errors: Iterable[FieldError] = (),
    headers: Mapping[str, str] | None = None,
    stored_through_line: int | None = None,
) -> Response:
    """The answer for one occurrence of a kind.

    Args:
        slug: A key of ``KINDS``.
        detail: One sentence about this occurrence; the kind's cause unless given.
        errors: Refused places.
        headers: Further headers of the answer.
        stored_through_line: The last line that is stored, where a body is stored in part.
    """
    kind = KINDS[slug]
    document: dict[str, Any] = {
        "type": kind.type,
        "title": kind.title,
        "status": kind.status,
        "detail": detail or kind.cause,
        "instance": f"urn:uuid:{uuid.uuid4()}",
    }
    listed = list(errors)
    if listed:
        document["errors"] = [
            {"in": e.place, "pointer": f"#{e.pointer}", "code": e.code, "detail": e.detail}
            for e in listed[:MOST_ERRORS]
        ]
        document["errors_truncated"] = len(listed) > MOST_ERRORS
    if stored_through_line is not None:
        document["stored_through_line"] = stored_through_line
    sent = dict(headers or {})
    if kind.status == KINDS["busy"].status:
        sent.setdefault("Retry-After", str(RETRY_AFTER_S))
    if kind.status >= KINDS["internal-error"].status:
        _log.warning("%s %s %s", kind.status, kind.slug, document["instance"])
    return Response(
        msgspec.json.encode(document), status_code=kind.status, headers=sent, media_type=MEDIA_TYPE
    )


def kind_of(error: type[Exception]) -> Kind:
    """The kind that an exception type becomes; ``internal-error`` where the table has none."""
    for ancestor in error.__mro__:
        if ancestor in _OF_ERROR:
            return KINDS[_OF_ERROR[ancestor]]
    return KINDS["internal-error"]


def field_errors(errors: Iterable[Mapping[str, Any]]) -> list[FieldError]:
    """Refused places from Pydantic's error entries; the refused input stays behind."""
    found = []
    for entry in errors:
        place, *parts = entry["loc"] or ("body",)
        code = str(entry["type"])
        found.append(FieldError(str(place), pointer_of(parts), _CODES.get(code, code), _sentence(entry)))
    return found


def pointer_of(parts: Iterable[object]) -> str:
    """A JSON Pointer (RFC 6901) to the place that these steps lead to."""
    return "".join("/" + _shown_part(part).replace("~", "~0").replace("/", "~1") for part in parts)


def install(app: FastAPI) -> None:
    """Answer every error of ``app`` with a problem document."""
    app.add_exception_handler(HTTPException, _on_http_error)
    app.add_exception_handler(RequestValidationError, _on_validation_error)
    app.add_exception_handler(ResponseValidationError, _on_fault)
    app.add_exception_handler(RequestRefusedError, _on_refused)
    for root in (DomainError, ServiceError, StoreError):
        app.add_exception_handler(root, _on_error)
    app.add_exception_handler(Exception, _on_fault)


PROBLEM_SCHEMA: dict[str, Any] = {
    "title": "Problem",
    "description": "A problem document (RFC 9457).",
    "type": "object",
    "additionalProperties": False,
    "required": ["type", "title", "status", "detail", "instance"],
    "properties": {
        "type": {
            "type": "string",
            "format": "uri-reference",
            "description": "Path of this service that explains this kind of problem.",
            "examples": ["/problems/request-invalid"],
        },
        "title": {"type": "string", "description": "The kind in words, the same for each occurrence."},
        "status": {"type": "integer", "minimum": 400, "maximum": 599, "description": "HTTP status."},
        "detail": {"type": "string", "description": "What happened this time."},
        "instance": {"type": "string", "format": "uri", "description": "Names this occurrence in the log."},
        "errors": {
            "type": "array",
            "maxItems": MOST_ERRORS,
            "description": "Refused places, where there are any.",
            "items": {
                "type": "object",
                "additionalProperties": False,
                "required": ["in", "pointer", "code", "detail"],
                "properties": {
                    "in": {
                        "enum": ["body", "query", "path", "header"],
                        "description": "Part of the request.",
                    },
                    "pointer": {"type": "string", "description": "JSON Pointer (RFC 6901) inside that part."},
                    "code": {"type": "string", "description": "Short stable name of the rule."},
                    "detail": {"type": "string", "description": "What the rule asks for."},
                },
            },
        },
        "stored_through_line": {
            "type": "integer",
            "minimum": 1,
            "description": "Where a body is stored in part: its last line that is stored, from 1.",
        },
        "errors_truncated": {
            "type": "boolean",
            "description": f"Whether more than {MOST_ERRORS} places were refused and the rest is left out.",
        },
    },
}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The ``responses=`` entries that document problems with these statuses for a route."""
    return {status: documented_one(status) for status in statuses}


def documented_one(status: int) -> dict[str, Any]:
    """The OpenAPI response object of a problem with this status."""
    titles = [kind.title for kind in _KINDS if kind.status == status]
    return {
        "description": "; or: ".join(titles),
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


async def _on_http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 - the handler is registered for this type
    slug = _OF_STATUS.get(error.status_code)
    if slug is None:
        slug = "malformed-request" if error.status_code < KINDS["internal-error"].status else "internal-error"
    headers = dict(error.headers or {})
    if error.status_code == KINDS["method-not-allowed"].status:
        headers["Allow"] = ", ".join(allowed_methods(request))
    return problem(slug, headers=headers)


async def _on_validation_error(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - the handler is registered for this type
    return problem("request-invalid", errors=field_errors(error.errors()))


async def _on_refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestRefusedError)  # noqa: S101 - the handler is registered for this type
    return problem("request-invalid", errors=error.errors)


async def _on_error(request: Request, error: Exception) -> Response:
    kind = kind_of(type(error))
    breaches: tuple[Breach, ...] = getattr(error, "breaches", ())
    # What a read asks for stands in its parameters.
    place = "query" if request.method in _READING else "body"
    errors = [FieldError(place, breach.pointer, breach.rule, breach.detail) for breach in breaches]
    if kind.status >= KINDS["internal-error"].status:
        _log.error("%s", kind.title, exc_info=error)
    says_more = isinstance(error, ServiceError) and not breaches
    return problem(
        kind.slug,
        detail=_as_sentence(str(error)) if says_more else None,
        errors=errors,
        stored_through_line=error.through_line if isinstance(error, StoredInPartError) else None,
    )


async def _on_fault(_request: Request, error: Exception) -> Response:
    if isinstance(error, ResponseValidationError):
        _log.error("an answer breaks its own schema: %s", error)
    return problem("internal-error")


def allowed_methods(request: Request) -> list[str]:
    """The methods that the path of a request offers, HEAD with GET."""
    found: set[str] = set()
    for route in iter_route_contexts(request.app.routes):
        pattern = getattr(route, "path_regex", None)
        if pattern is not None and pattern.match(request.url.path):
            found |= route.methods or set()
    if "GET" in found:
        found.add("HEAD")
    return sorted(found)


def _sentence(entry: Mapping[str, Any]) -> str:
    code = _CODES.get(entry["type"], "")
    return _WORDS.get(code) or _as_sentence(str(entry["msg"]))


def _as_sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if not text.endswith(".") else text


def _shown_part(part: object) -> str:
    # A member name that the client made up is part of the place, so it is shown, but short and printable.
    text = str(part)[:80]
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
