"""The service's own description: problem documents and worked examples added to what FastAPI derives.

Invariants: every operation documents its problems as ``application/problem+json``; each file of
``openapi_examples`` (``<operation_id>.<case>.json``) belongs to an operation and shows under its request,
parameters and answer.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from api.problems import PROBLEM_SCHEMA, documented_one
from api.schemas.readings import ReadingBatch

EXAMPLES = Path(__file__).parents[1] / "openapi_examples"
_VALIDATION = 422
# Models of bodies that their routes decode themselves, so that FastAPI does not meet them.
_RAW_BODIES = (ReadingBatch,)
_WRITING = {"post", "put", "patch", "delete"}


class UnknownExampleError(ValueError):
    """A file of examples names an operation that the service does not have."""


@dataclass(frozen=True, slots=True)
class Example:
    """One worked example.

    Attributes:
        operation_id: The operation that it shows.
        case: Its name among the operation's examples.
        request: ``method``, ``path`` and, where sent, ``headers`` and ``body``.
        response: ``status`` and ``body``.
        after: Examples that have to be sent before this one.
    """

    operation_id: str
    case: str
    request: dict[str, Any]
    response: dict[str, Any]
    after: tuple[str, ...] = ()


@cache
def examples(folder: Path = EXAMPLES) -> tuple[Example, ...]:
    """The worked examples of a folder, by file name."""
    found = []
    for file in sorted(folder.glob("*.json")):
        operation_id, _, case = file.stem.partition(".")
        content = json.loads(file.read_text(encoding="utf-8"))
        after = tuple(content.get("after", ()))
        found.append(Example(operation_id, case or "example", content["request"], content["response"], after))
    return tuple(found)


def completed(schema: dict[str, Any], shown: tuple[Example, ...]) -> dict[str, Any]:
    """FastAPI's description with problems and examples, changed in place.

    Raises:
        UnknownExampleError: An example's operation is not in the description.
    """
    components = schema.setdefault("components", {}).setdefault("schemas", {})
    components.pop("HTTPValidationError", None)
    components.pop("ValidationError", None)
    components["Problem"] = PROBLEM_SCHEMA
    for model in _RAW_BODIES:
        described = model.model_json_schema(ref_template="#/components/schemas/{model}")
        for name, part in described.pop("$defs", {}).items():
            components.setdefault(name, part)
        components[model.__name__] = described
    operations: dict[str, tuple[str, dict[str, Any]]] = {}
    for path, methods in schema.get("paths", {}).items():
        for method, operation in methods.items():
            operations[operation["operationId"]] = (path, operation)
            for status in _problems(method, operation):
                operation["responses"][str(status)] = documented_one(status)
            operation["responses"] = dict(sorted(operation["responses"].items()))
    for example in shown:
        if example.operation_id not in operations:
            raise UnknownExampleError(example.operation_id)
        _attach(example, *operations[example.operation_id])
    return schema


def raw_body(
    model: type | Mapping[str, Any], *, lines_of: type | None = None, also: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """The ``openapi_extra=`` of a route that decodes its body itself.

    Args:
        model: What a JSON body is: a model of ``_RAW_BODIES``, or a JSON schema.
        lines_of: What each line of a body of lines is.
        also: Further media types, with what a body of each is in words.
    """
    reference = {"$ref": f"#/components/schemas/{model.__name__}"} if isinstance(model, type) else dict(model)
    content: dict[str, Any] = {"application/json": {"schema": reference}}
    if lines_of is not None:
        words = f"One {lines_of.__name__} a line, each line a JSON object in UTF-8."
        content["application/x-ndjson"] = {"schema": {"type": "string", "description": words}}
    for media, words in (also or {}).items():
        content[media] = {"schema": {"type": "string", "description": words}}
    return {"requestBody": {"required": True, "content": content}}


def _problems(method: str, operation: dict[str, Any]) -> list[int]:
    statuses = [_VALIDATION, 500, 503]
    parameters = operation.get("parameters", [])
    if any(p["in"] == "path" for p in parameters):
        statuses.append(404)
    if "requestBody" in operation:
        statuses += [400, 413, 415]
    if any(p["name"] == "cursor" for p in parameters):
        statuses.append(400)
    if method in _WRITING:
        statuses.append(507)
    return [s for s in sorted(set(statuses)) if s == _VALIDATION or str(s) not in operation["responses"]]


def _attach(example: Example, path: str, operation: dict[str, Any]) -> None:
    for parameter in operation.get("parameters", []):
        value = _sent(example, path).get((parameter["in"], parameter["name"]))
        if value is not None:
            parameter.setdefault("examples", {})[example.case] = {"value": value}
    if "body" in example.request and "requestBody" in operation:
        kind = example.request.get("headers", {}).get("Content-Type", "application/json")
        media = operation["requestBody"]["content"][kind]
        media.setdefault("examples", {})[example.case] = {"value": example.request["body"]}
    answer = operation["responses"].get(str(example.response["status"]), {})
    for name, media in answer.get("content", {}).items():
        # A text is an answer of another media type than JSON.
        if "body" in example.response and isinstance(example.response["body"], str) != name.endswith("json"):
            media.setdefault("examples", {})[example.case] = {"value": example.response["body"]}


def _sent(example: Example, path: str) -> dict[tuple[str, str], str]:
    """The parameters that an example sends, by place and name."""
    parts = urlsplit(example.request["path"])
    pattern = re.sub(r"\\{(\w+)\\}", r"(?P<\1>[^/]+)", re.escape(path))
    match = re.fullmatch(pattern, parts.path)
    sent = {("path", name): unquote(value) for name, value in (match.groupdict() if match else {}).items()}
    return sent | {("query", name): value for name, value in parse_qsl(parts.query)}
