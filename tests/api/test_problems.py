"""Refusals are problem documents, whoever makes them, and the service explains each kind itself."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest

from api.problems import KINDS, MEDIA_TYPE
from tests.support.client import CheckedClient, check_problem
from tests.support.probe import sent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI


def test_every_kind_is_explained_at_its_own_path(client: CheckedClient) -> None:
    for kind in KINDS.values():
        explained = client.get(kind.type).json()
        assert explained["title"] == kind.title
        assert explained["remedy"]
    assert client.get("/problems/unheard-of").status_code == 404


def test_a_wrong_method_names_all_that_are_offered(probes: CheckedClient) -> None:
    response = probes.delete("/v1/probes")
    assert response.status_code == 405
    assert response.headers["allow"] == "GET, HEAD, POST"
    assert check_problem(response)["type"] == "/problems/method-not-allowed"


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "BREW"])
def test_no_path_and_method_escapes(client: CheckedClient, method: str) -> None:
    for path in ("/", "/v1", "/v1/", "/v1/nothing", "/livez/", "/..%2f", "/%ff", "//livez"):
        response = client.request(method, path)
        assert response.status_code == 404
        check_problem(response)


def test_every_route_answers_a_foreign_method_with_a_problem(client: CheckedClient) -> None:
    for path in client.app.openapi()["paths"]:
        response = client.request("BREW", path.replace("{", "").replace("}", ""))
        assert response.status_code == 405
        assert check_problem(response)["type"] == "/problems/method-not-allowed"
        assert response.headers["allow"]


def test_head_answers_wherever_get_does(probes: CheckedClient) -> None:
    head, get = probes.head("/v1/probes"), probes.get("/v1/probes")
    assert head.status_code == 200
    assert head.content == b""
    assert head.headers["content-length"] == get.headers["content-length"]
    missing = probes.head("/v1/probes/1")
    assert (missing.status_code, missing.content) == (404, b"")


def test_every_answer_says_how_it_may_be_kept(client: CheckedClient) -> None:
    for path in ("/livez", "/nothing", "/docs"):
        headers = client.get(path).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "private, no-cache"


def test_an_announced_body_above_the_limit_is_refused(probes: CheckedClient) -> None:
    limit = probes.app.state.settings.max_body_bytes
    response = probes.post(
        "/v1/probes", content=b" " * (limit + 1), headers={"content-type": "application/json"}
    )
    assert response.status_code == 413
    assert check_problem(response)["type"] == "/problems/body-too-large"


def test_a_body_in_chunks_above_the_limit_is_refused(probes: CheckedClient) -> None:
    limit = probes.app.state.settings.max_body_bytes

    def chunks() -> Iterator[bytes]:
        for _ in range(limit // 65_536 + 1):
            yield b" " * 65_536

    response = probes.post("/v1/probes", content=chunks(), headers={"content-type": "application/json"})
    assert response.status_code == 413
    assert check_problem(response)["type"] == "/problems/body-too-large"


def test_a_length_that_is_no_number_is_no_fault(probes: CheckedClient) -> None:
    for length in ("9" * 30, "-1", "1e9", "\u0661"):
        response = probes.post(
            "/v1/probes",
            content=b"{}",
            headers=[(b"content-type", b"application/json"), (b"content-length", length.encode())],
        )
        assert response.status_code in {413, 422}


@pytest.mark.parametrize("path", ["/v1/probes/fault", "/v1/probes/faulty-answer"])
def test_a_fault_tells_nothing_of_the_inside(
    faulty_probes: CheckedClient, path: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING, "fillmark")
    response = faulty_probes.post(path)
    document = check_problem(response)
    assert document["type"] == "/problems/internal-error"
    assert "secret" not in response.text
    assert document["instance"] in caplog.text


def test_the_description_documents_problems_and_nothing_else_for_refusals(app: FastAPI) -> None:
    description = app.openapi()
    for path, methods in description["paths"].items():
        for method, operation in methods.items():
            assert {"422", "500", "503"} <= set(operation["responses"])
            for status, answer in operation["responses"].items():
                if int(status) >= 400:
                    assert list(answer["content"]) == [MEDIA_TYPE], (path, method, status)
    assert "HTTPValidationError" not in description["components"]["schemas"]


def test_the_documentation_loads_nothing_from_elsewhere(probes: CheckedClient) -> None:
    page = probes.get("/docs")
    assert "make_probe" in page.text
    assert "http://" not in page.text
    assert "https://" not in page.text
    assert "<script" not in page.text
    assert page.headers["content-security-policy"].startswith("default-src 'none'")


def test_a_good_request_after_each_refusal_still_works(probes: CheckedClient) -> None:
    probes.post("/v1/probes", content=b"{", headers={"content-type": "application/json"})
    assert probes.post("/v1/probes", json=sent()).status_code == 201
