"""The worked examples are true: each is sent to a fresh service, and the answer is the one shown."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from api.openapi import EXAMPLES
from tests.support.examples import BY_NAME, in_order, send

if TYPE_CHECKING:
    from tests.support.client import CheckedClient


def without_instance(body: Any) -> Any:
    """An answer without what differs each time: a problem's own name."""
    if isinstance(body, dict) and "instance" in body:
        return body | {"instance": "urn:uuid:00000000-0000-0000-0000-000000000000"}
    return body


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_the_answer_is_the_one_shown(client: CheckedClient, name: str) -> None:
    for example in in_order(name, set()):
        response = send(client, example)
        assert response.status_code == example.response["status"], response.text
    if "body" in example.response:
        shown = example.response["body"]
        answered = response.text if isinstance(shown, str) else response.json()
        assert without_instance(answered) == without_instance(shown)


def test_files_hold_what_they_must() -> None:
    for file in EXAMPLES.glob("*.json"):
        content = json.loads(file.read_text("utf-8"))
        assert set(content) <= {"after", "request", "response"}, file.name
        assert {"method", "path"} <= set(content["request"]), file.name
        assert "status" in content["response"], file.name
