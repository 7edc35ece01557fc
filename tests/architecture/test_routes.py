"""What holds for every route, request and answer of the service, seen from its own description."""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, Any

import pytest
from fastapi.routing import APIRoute, iter_route_contexts

import api.routes
import api.schemas
from api.app import routers
from api.intake import StrictRoute
from api.openapi import examples
from api.schemas.base import Answer, Request

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI
    from pydantic import BaseModel

LARGEST_INTEGER = 2**63 - 1


@pytest.fixture
def description(built_app: FastAPI) -> dict[str, Any]:
    """The service's OpenAPI description."""
    return built_app.openapi()


def operations(description: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every operation with its method and path."""
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            yield method, path, operation


def models(root: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """Every model of the service below ``root``, apart from common bases."""
    for package in (api.schemas, api.routes):
        for module in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            importlib.import_module(module.name)
    for child in root.__subclasses__():
        yield from models(child)
        if child.__module__.startswith("api.") and not child.__name__.startswith("_"):
            yield child


def test_every_router_is_wired_once(built_app: FastAPI) -> None:
    """Each declared route stands on the app, under the name of its operation."""
    declared = [
        settings.get("operation_id", endpoint.__name__)
        for router in routers()
        for _, _, endpoint, settings in router.declared
        if settings.get("include_in_schema", True)
    ]
    described = [operation["operationId"] for _, _, operation in operations(built_app.openapi())]
    assert sorted(declared) == sorted(described)
    assert len(routers()) > 1


def test_every_route_takes_requests_in_strictly(built_app: FastAPI) -> None:
    for route in iter_route_contexts(built_app.routes):
        if isinstance(route.original_route, APIRoute):
            assert isinstance(route.original_route, StrictRoute), route.path


def test_every_operation_has_a_name_of_its_own_and_words(description: dict[str, Any]) -> None:
    names = [operation["operationId"] for _, _, operation in operations(description)]
    assert len(names) == len(set(names))
    for _, path, operation in operations(description):
        # FastAPI's own names repeat path and method.
        assert "__" not in operation["operationId"], f"{path} has no operation_id"
        assert operation.get("description"), path
        assert operation.get("tags"), path


def test_every_parameter_has_words_and_bounds(description: dict[str, Any]) -> None:
    for method, path, operation in operations(description):
        for parameter in operation.get("parameters", []):
            place = f"{method} {path} {parameter['name']}"
            assert parameter.get("description"), f"{place} has no description"
            check_bounded(parameter["schema"], description, place)


def test_every_request_field_is_bounded(description: dict[str, Any]) -> None:
    for method, path, operation in operations(description):
        content = operation.get("requestBody", {}).get("content", {}).get("application/json")
        if content:
            check_bounded(content["schema"], description, f"{method} {path}")


def test_every_field_has_words() -> None:
    for root in (Request, Answer):
        for model in models(root):
            fields = model.model_json_schema(by_alias=False)["properties"]
            for name, field in model.model_fields.items():
                # A type with words of its own may stand among several that a field takes.
                found = [fields[name], *fields[name].get("anyOf", [])]
                has_words = field.description or any("description" in part for part in found)
                assert has_words, f"{model.__name__}.{name}"


def test_requests_take_nothing_unknown_and_coerce_nothing() -> None:
    for model in models(Request):
        assert model.model_config.get("extra") == "forbid", model
        assert model.model_config.get("strict") is True, model


def test_answers_have_no_defaults() -> None:
    for model in models(Answer):
        for name, field in model.model_fields.items():
            assert field.is_required(), f"{model.__name__}.{name}"


def test_every_operation_has_an_example(description: dict[str, Any]) -> None:
    shown = {example.operation_id for example in examples()}
    missing = {operation["operationId"] for _, _, operation in operations(description)} - shown
    assert not missing


def check_bounded(schema: dict[str, Any], description: dict[str, Any], place: str, depth: int = 0) -> None:
    """Fail where a figure, a text or a list may be as large as the client likes."""
    assert depth < 24, f"{place} refers to itself"
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        check_bounded(description["components"]["schemas"][name], description, place, depth + 1)
        return
    for choice in (*schema.get("anyOf", []), *schema.get("oneOf", []), *schema.get("allOf", [])):
        check_bounded(choice, description, place, depth + 1)
    if "enum" in schema or "const" in schema:
        return
    kind = schema.get("type")
    if kind == "integer":
        least, most = (
            schema.get("minimum", schema.get("exclusiveMinimum")),
            schema.get("maximum", schema.get("exclusiveMaximum")),
        )
        assert least is not None, f"{place} has no least"
        assert most is not None, f"{place} has no most"
        assert abs(least) <= LARGEST_INTEGER, place
        assert abs(most) <= LARGEST_INTEGER, place
    elif kind == "string" and schema.get("format") not in {"date", "date-time"}:
        assert "maxLength" in schema, f"{place} has no length"
    elif kind == "array":
        assert "maxItems" in schema, f"{place} has no most items"
        check_bounded(schema["items"], description, f"{place}[]", depth + 1)
    elif kind == "object":
        for name, part in schema.get("properties", {}).items():
            check_bounded(part, description, f"{place}.{name}", depth + 1)
        more = schema.get("additionalProperties")
        if isinstance(more, dict):
            assert "maxProperties" in schema, f"{place} has no most members"
            check_bounded(more, description, f"{place}.*", depth + 1)
