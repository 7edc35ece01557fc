"""What happens to a request before its route sees it: one reading of JSON bodies, one look at parameters.

Invariants: a body is UTF-8 JSON without a byte order mark, nested at most ``DEEPEST``; it holds no figure
that is not finite or beyond 64 bits, no text with NUL or a lone surrogate, and no member twice; each such
place is refused by its JSON Pointer together with the schema's own errors. A query parameter that the
route does not declare, or that stands twice, is refused. Every route of the service is made by ``router``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar
from urllib.parse import parse_qsl

from fastapi import FastAPI, Request, Response
from fastapi.dependencies.utils import get_flat_params
from fastapi.params import ParamTypes
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException

from api.problems import FieldError, RequestRefusedError, field_errors, pointer_of, problem
from api.services.errors import BodyMalformedError

DEEPEST = 32
LARGEST_INTEGER = 2**63 - 1
MOST_PARAMETERS = 50

_STRINGS = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_BRACKETS = re.compile(r"[\[{]|[\]}]")
_ESCAPED_TROUBLE = re.compile(r"\\u(?:0000|[dD][89a-fA-F][0-9a-fA-F]{2})")
_SURROGATE = re.compile("[\ud800-\udfff]")
_READ_CODES = {
    "figure_not_finite": "The figure must be a finite number.",
    "integer_too_large": "A whole number has at most 64 bits.",
    "member_repeated": "The object holds this member more than once.",
    "text_malformed": "Text holds no NUL and no lone surrogate.",
}


class MalformedBodyError(Exception):
    """A body that is no JSON text; ``reason`` says why, without its content."""

    def __init__(self, reason: str) -> None:
        """Keep the reason, one sentence."""
        super().__init__(reason)
        self.reason = reason


class _Refused:
    """Stands in the decoded body for a value that was refused."""

    __slots__ = ("code", "kept")

    def __init__(self, code: str, kept: Any = None) -> None:
        self.code = code
        self.kept = kept


Endpoint = TypeVar("Endpoint", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Router:
    """The routes of one noun, which take requests in by this module's rules.

    They are declared when their module is imported and built when an app takes them in, once: reading some seventy
    signatures is most of what a start costs, and an importer that makes no app is spared it.

    Attributes:
        prefix: Path of the noun.
        tag: Heading in the documentation.
        is_versioned: Whether the routes stand below the version, as all but those about the service itself do.
        declared: (method, path below the prefix, endpoint, FastAPI's settings of the route).
    """

    prefix: str
    tag: str
    is_versioned: bool = True
    declared: list[tuple[str, str, Callable[..., Any], dict[str, Any]]] = field(default_factory=list)

    def get(self, path: str, **settings: Any) -> Callable[[Endpoint], Endpoint]:
        """Declare a GET route, as ``fastapi.APIRouter.get``."""
        return self._declaring("GET", path, settings)

    def post(self, path: str, **settings: Any) -> Callable[[Endpoint], Endpoint]:
        """Declare a POST route, as ``fastapi.APIRouter.post``."""
        return self._declaring("POST", path, settings)

    def put(self, path: str, **settings: Any) -> Callable[[Endpoint], Endpoint]:
        """Declare a PUT route, as ``fastapi.APIRouter.put``."""
        return self._declaring("PUT", path, settings)

    def patch(self, path: str, **settings: Any) -> Callable[[Endpoint], Endpoint]:
        """Declare a PATCH route, as ``fastapi.APIRouter.patch``."""
        return self._declaring("PATCH", path, settings)

    def include_in(self, app: FastAPI, *, prefix: str = "") -> None:
        """Build the routes on an app, below a prefix of its own."""
        for method, path, endpoint, settings in self.declared:
            app.router.add_api_route(
                f"{prefix}{self.prefix}{path}",
                endpoint,
                methods=[method],
                tags=[self.tag],
                route_class_override=StrictRoute,
                **settings,
            )

    def _declaring(self, method: str, path: str, settings: dict[str, Any]) -> Callable[[Endpoint], Endpoint]:
        def declare(endpoint: Endpoint) -> Endpoint:
            self.declared.append((method, path, endpoint, settings))
            return endpoint

        return declare


def router(prefix: str, *, tag: str, is_versioned: bool = True) -> Router:
    """A router whose routes take requests in by this module's rules.

    Args:
        prefix: Path of the noun below ``/v1``, such as ``/vehicles``.
        tag: Heading in the documentation.
        is_versioned: False for routes about the service itself, which stand beside ``/v1``.
    """
    return Router(prefix, tag, is_versioned)


def decoded(body: bytes) -> tuple[Any, list[FieldError]]:
    """The JSON value of a body, and the places in it that were refused.

    Args:
        body: The body as received.

    Raises:
        MalformedBodyError: It is no JSON text in UTF-8, or nested too deep.
    """
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError:
        reason = "The body is not UTF-8."
        raise MalformedBodyError(reason) from None
    if text.startswith("\ufeff"):
        reason = "The body begins with a byte order mark."
        raise MalformedBodyError(reason)
    _refuse_depth(text)
    reader = _Reader()
    value = reader.read(text)
    if not reader.has_refused and not _ESCAPED_TROUBLE.search(text):
        return value, []
    found: list[FieldError] = []
    value = _swept(value, [], found)
    return value, found


def decoded_whole(body: bytes) -> Any:
    """The JSON value of a body that a route takes in itself.

    Args:
        body: The body, unpacked.

    Raises:
        BodyMalformedError: It is no JSON text in UTF-8, or nested too deep.
        RequestRefusedError: Places in it were refused.
    """
    try:
        value, refused = decoded(body)
    except MalformedBodyError as error:
        raise BodyMalformedError(error.reason) from None
    if refused:
        raise RequestRefusedError(refused)
    return value


class StrictRoute(APIRoute):
    """A route that reads its body and parameters by this module's rules."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """FastAPI's handler behind the checks."""
        handler = super().get_route_handler()
        declared = {
            field.alias
            for field in get_flat_params(self.dependant)
            if getattr(field.field_info, "in_", None) is ParamTypes.query
        }

        async def strict(request: Request) -> Response:
            refused = _refused_parameters(request, declared)
            if self.body_field is None:
                if refused:
                    raise RequestRefusedError(refused)
                return await handler(request)
            refuse_media_type(request)
            taken = _StrictRequest(request.scope, request.receive)
            try:
                await taken.take()
            except MalformedBodyError as error:
                return problem("malformed-request", detail=error.reason)
            refused += taken.refused
            if refused:
                _, errors = self.body_field.validate(taken.value, {}, loc=("body",))
                places = {error.pointer for error in taken.refused}
                more = [e for e in field_errors(errors or []) if e.pointer not in places]
                raise RequestRefusedError([*refused, *more])
            return await handler(taken)

        return strict


class _StrictRequest(Request):
    """A request whose JSON was read once, by ``decoded``."""

    value: Any = None
    refused: list[FieldError]

    async def take(self) -> None:
        self.refused = []
        body = await self.body()
        if body:
            self.value, self.refused = decoded(body)

    async def json(self) -> Any:
        return self.value


class _Reader:
    """The standard library's reader, with a stand-in for each value that is refused."""

    def __init__(self) -> None:
        self.has_refused = False

    def read(self, text: str) -> Any:
        try:
            return json.loads(
                text,
                parse_constant=lambda _: self._refuse("figure_not_finite"),
                parse_float=self._figure,
                parse_int=self._integer,
                object_pairs_hook=self._members,
            )
        except json.JSONDecodeError as error:
            reason = f"The body is no JSON: line {error.lineno}, column {error.colno}."
            raise MalformedBodyError(reason) from None
        except RecursionError:
            raise _too_deep() from None

    def _refuse(self, code: str, kept: Any = None) -> _Refused:
        self.has_refused = True
        return _Refused(code, kept)

    def _figure(self, digits: str) -> Any:
        value = float(digits)
        return value if abs(value) != float("inf") else self._refuse("figure_not_finite")

    def _integer(self, digits: str) -> Any:
        if len(digits) <= len(str(LARGEST_INTEGER)) + 1:
            value = int(digits)
            if abs(value) <= LARGEST_INTEGER:
                return value
        return self._refuse("integer_too_large")

    def _members(self, pairs: list[tuple[str, Any]]) -> Any:
        members = dict(pairs)
        if len(members) == len(pairs):
            return members
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                members[name] = self._refuse("member_repeated")
            seen.add(name)
        return members


def _swept(value: Any, steps: list[object], found: list[FieldError]) -> Any:
    """The value without stand-ins; each refused place is added to ``found``."""
    if isinstance(value, _Refused):
        found.append(FieldError("body", pointer_of(steps), value.code, _READ_CODES[value.code]))
        return value.kept
    if isinstance(value, str):
        if "\0" in value or _SURROGATE.search(value):
            found.append(
                FieldError("body", pointer_of(steps), "text_malformed", _READ_CODES["text_malformed"])
            )
            return ""
        return value
    if isinstance(value, list):
        return [_swept(item, [*steps, index], found) for index, item in enumerate(value)]
    if isinstance(value, dict):
        swept = {}
        for name, item in value.items():
            shown = _SURROGATE.sub("\N{REPLACEMENT CHARACTER}", name).replace(
                "\0", "\N{REPLACEMENT CHARACTER}"
            )
            if shown != name:
                place = pointer_of([*steps, shown])
                found.append(FieldError("body", place, "text_malformed", _READ_CODES["text_malformed"]))
                continue
            swept[name] = _swept(item, [*steps, name], found)
        return swept
    return value


def _refuse_depth(text: str) -> None:
    if text.count("[") + text.count("{") <= DEEPEST:
        return
    depth = 0
    for bracket in _BRACKETS.findall(_STRINGS.sub("", text)):
        depth += 1 if bracket in "[{" else -1
        if depth > DEEPEST:
            raise _too_deep()


def _too_deep() -> MalformedBodyError:
    return MalformedBodyError(f"The body is nested more than {DEEPEST} deep.")


def _refused_parameters(request: Request, declared: set[str]) -> list[FieldError]:
    raw = request.scope.get("query_string", b"")
    if not raw:
        return []
    try:
        pairs = parse_qsl(
            raw.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=MOST_PARAMETERS
        )
    except (UnicodeDecodeError, ValueError):
        return [
            FieldError("query", "", "parameters_malformed", "The query is no UTF-8, or has too many parts.")
        ]
    found, seen = [], set()
    for name, value in pairs:
        if name not in declared:
            allowed = ", ".join(sorted(declared)) or "none"
            detail = f"This route takes these parameters: {allowed}."
            found.append(FieldError("query", pointer_of([name]), "parameter_unknown", detail))
        elif name in seen:
            detail = "The parameter stands more than once."
            found.append(FieldError("query", pointer_of([name]), "parameter_repeated", detail))
        elif "\0" in value:
            found.append(
                FieldError("query", pointer_of([name]), "text_malformed", _READ_CODES["text_malformed"])
            )
        seen.add(name)
    return found


JSON = "application/json"
_AS_IT_IS = "identity"


def refuse_media_type(
    request: Request, *, medias: Sequence[str] = (JSON,), codings: Sequence[str] = ()
) -> tuple[str, str]:
    """The media type and the content coding of a body, both of which the route reads.

    Args:
        request: The request.
        medias: Media types that the route reads, all of them text in UTF-8.
        codings: Content codings that it reads besides none.

    Raises:
        HTTPException: The body is announced as something else (415), with what is read in ``Accept``.
    """
    coding = request.headers.get("content-encoding", _AS_IT_IS).strip().lower() or _AS_IT_IS
    coding = {"x-gzip": "gzip"}.get(coding, coding)  # RFC 9110, section 8.4.1.3: the same coding
    if coding not in {_AS_IT_IS, *codings}:
        raise HTTPException(415, headers={"Accept-Encoding": ", ".join([*codings, _AS_IT_IS])})
    accept = {"Accept": ", ".join(medias)}
    kind = request.headers.get("content-type")
    if kind is None:
        if request.headers.get("content-length", "0") != "0" or "transfer-encoding" in request.headers:
            raise HTTPException(415, headers=accept)
        return medias[0], coding
    media, *parameters = (part.strip().lower() for part in kind.split(";"))
    charsets = [
        value.strip('"') for name, _, value in (p.partition("=") for p in parameters) if name == "charset"
    ]
    if media not in medias or any(charset not in {"utf-8", "utf8"} for charset in charsets):
        raise HTTPException(415, headers=accept)
    return media, coding
