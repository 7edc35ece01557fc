"""The worked examples are true: each is sent to a fresh service, and the answer is the one shown."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from api.openapi import EXAMPLES
from tests.support.examples import BY_NAME, runs, send

if TYPE_CHECKING:
    from api.openapi import Example
    from tests.support.client import CheckedClient

RUNS = runs()


def without_instance(body: Any) -> Any:
    """An answer without what differs each time: a problem's own name."""
    if isinstance(body, dict) and "instance" in body:
        return body | {"instance": "urn:uuid:00000000-0000-0000-0000-000000000000"}
    return body


def differs(client: CheckedClient, example: Example) -> str:
    """How the answer differs from the one shown; empty if it doesn't."""
    response = send(client, example)
    name = f"{example.operation_id}.{example.case}"
    if response.status_code != example.response["status"]:
        return f"{name}: {response.status_code} {response.text}"
    if "body" not in example.response:
        return ""
    shown = example.response["body"]
    answered = response.text if isinstance(shown, str) else response.json()
    if without_instance(answered) == without_instance(shown):
        return ""
    return f"{name}: shown {json.dumps(shown)} but answered {json.dumps(answered)}"


@pytest.mark.parametrize("course", sorted(RUNS))
def test_the_answers_are_those_shown(client: CheckedClient, course: str) -> None:
    found = [difference for example in RUNS[course] if (difference := differs(client, example))]
    assert not found, "\n".join(found)


def test_every_example_is_in_a_course() -> None:
    sent = {f"{example.operation_id}.{example.case}" for course in RUNS.values() for example in course}
    assert sent == set(BY_NAME)


def test_files_hold_what_they_must() -> None:
    for file in EXAMPLES.glob("*.json"):
        content = json.loads(file.read_text("utf-8"))
        assert set(content) <= {"after", "request", "response"}, file.name
        assert {"method", "path"} <= set(content["request"]), file.name
        assert "status" in content["response"], file.name
