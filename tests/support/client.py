"""An HTTP client that holds every answer against the service's own description.

Invariant: each answer has a documented status, media type and body; each refusal is a problem document;
nothing answers 500 unless the test says that it expects one.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import jsonschema_rs
from starlette.testclient import TestClient

from api.problems import KINDS, MEDIA_TYPE, PROBLEM_SCHEMA

if TYPE_CHECKING:
    from fastapi import FastAPI
    from httpx2 import Response

    from api.store.session import Store

FIRST_ERROR = 400
FAULT = 500
_PROBLEM = jsonschema_rs.validator_for(PROBLEM_SCHEMA)
# Refusals that any request can meet, whatever its operation: no such path or method, a large body, a fault.
_ANYWHERE = {400, 404, 405, 413, 415, 422, 500, 503, 507}


class CheckedClient(TestClient):
    """The test client, with every answer checked."""

    app: FastAPI

    def __init__(self, app: FastAPI, *, expects_faults: bool = False) -> None:
        """Ask ``app``; answers of status 500 fail the test unless ``expects_faults``."""
        super().__init__(app, raise_server_exceptions=not expects_faults)
        self.expects_faults = expects_faults

    @property
    def store(self) -> Store:
        """The store of the running service."""
        found: Store = self.app.state.store
        return found

    def request(self, method: str, url: Any, **kwargs: Any) -> Response:
        """The checked answer."""
        response = super().request(method, url, **kwargs)
        self.check(method, str(url), response)
        return response

    def check(self, method: str, url: str, response: Response) -> None:
        """Hold one answer against the description."""
        if response.status_code == FAULT:
            assert self.expects_faults, response.text
        if response.status_code >= FIRST_ERROR:
            if method != "HEAD":
                check_problem(response)
            assert response.status_code in _ANYWHERE or self._operation(method, url) is not None
        operation = self._operation(method, url)
        if operation is None:
            return
        documented = operation["responses"].get(str(response.status_code))
        if response.status_code in _ANYWHERE and documented is None:
            return
        assert documented is not None, f"{method} {url} does not document {response.status_code}"
        content = documented.get("content")
        if not content or method == "HEAD":
            return
        media = response.headers["content-type"].partition(";")[0]
        assert media in content, f"{method} {url} does not document {media}"
        if media.endswith("json") and "schema" in content[media]:
            validator = self._validator(content[media])
            found = [
                f"{error.instance_path}: {error.message}" for error in validator.iter_errors(response.json())
            ]
            assert not found, found

    def _validator(self, content: dict[str, Any]) -> jsonschema_rs.Validator:
        # Building one takes longer than most requests; an app keeps its description for as long as it lives.
        made: dict[int, jsonschema_rs.Validator] = self.app.state.__dict__.setdefault("validators", {})
        if id(content) not in made:
            described = {**content["schema"], "components": self._description["components"]}
            made[id(content)] = jsonschema_rs.validator_for(described)
        return made[id(content)]

    @property
    def _description(self) -> dict[str, Any]:
        return self.app.openapi()

    @property
    def _paths(self) -> list[tuple[re.Pattern[str], dict[str, Any]]]:
        kept: dict[str, Any] = self.app.state.__dict__
        if "path_patterns" not in kept:
            kept["path_patterns"] = [
                (re.compile(re.sub(r"\\{\w+\\}", "[^/]+", re.escape(path))), methods)
                for path, methods in self._description["paths"].items()
            ]
        found: list[tuple[re.Pattern[str], dict[str, Any]]] = kept["path_patterns"]
        return found

    def _operation(self, method: str, url: str) -> dict[str, Any] | None:
        path = urlsplit(url).path
        for pattern, methods in self._paths:
            if pattern.fullmatch(path):
                found: dict[str, Any] | None = methods.get("get" if method == "HEAD" else method.lower())
                if found is not None:
                    return found
        return None


def check_problem(response: Response) -> dict[str, Any]:
    """The problem document of an answer, checked."""
    assert response.headers["content-type"] == MEDIA_TYPE, response.text
    document: dict[str, Any] = response.json()
    _PROBLEM.validate(document)
    assert document["status"] == response.status_code
    kind = KINDS[document["type"].removeprefix("/problems/")]
    assert (kind.status, kind.title) == (document["status"], document["title"])
    return document


def codes_at(response: Response) -> dict[str, str]:
    """The rule codes of a problem document by pointer."""
    return {error["pointer"]: error["code"] for error in check_problem(response).get("errors", [])}
