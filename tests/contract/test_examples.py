"""The worked examples are true: each is sent to a fresh service, and the answer is the one shown."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from api.openapi import EXAMPLES, Example, examples

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

BY_NAME = {f"{example.operation_id}.{example.case}": example for example in examples()}


def sent_after(example: Example, done: set[str]) -> list[Example]:
    """What an example builds on, in order, and the example itself."""
    chain: list[Example] = []
    for name in example.after:
        if name not in done:
            done.add(name)
            chain += sent_after(BY_NAME[name], done)
    return [*chain, example]


def without_instance(body: Any) -> Any:
    """An answer without what differs each time: a problem's own name."""
    if isinstance(body, dict) and "instance" in body:
        return body | {"instance": "urn:uuid:00000000-0000-0000-0000-000000000000"}
    return body


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_the_answer_is_the_one_shown(client: CheckedClient, name: str) -> None:
    for example in sent_after(BY_NAME[name], {name}):
        request = example.request
        response = client.request(
            request["method"],
            request["path"],
            headers=request.get("headers"),
            **({"json": request["body"]} if "body" in request else {}),
        )
        assert response.status_code == example.response["status"], response.text
    if "body" in example.response:
        assert without_instance(response.json()) == without_instance(example.response["body"])


def test_files_hold_what_they_must() -> None:
    for file in EXAMPLES.glob("*.json"):
        content = json.loads(file.read_text("utf-8"))
        assert set(content) <= {"after", "request", "response"}, file.name
        assert {"method", "path"} <= set(content["request"]), file.name
        assert "status" in content["response"], file.name
