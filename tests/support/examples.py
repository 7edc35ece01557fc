"""The worked examples as requests: what each builds on, and all of them one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.openapi import Example, examples

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

BY_NAME = {f"{example.operation_id}.{example.case}": example for example in examples()}
FIRST_REFUSAL = 400


def in_order(name: str, sent: set[str]) -> list[Example]:
    """What the example builds on and was not sent yet, in order, then the example; ``sent`` grows by them."""
    chain: list[Example] = []
    for earlier in BY_NAME[name].after:
        if earlier not in sent:
            chain += in_order(earlier, sent)
    sent.add(name)
    return [*chain, BY_NAME[name]]


def runs() -> dict[str, list[Example]]:
    """All examples in as few courses as show each in its own state, by the courses' last changes.

    A course changes a fresh service step by step; what changes nothing (it only reads, or is refused) is sent where it
    belongs on the way.
    """
    names = {id(example): name for name, example in BY_NAME.items()}
    courses: dict[tuple[str, ...], list[str]] = {}
    for name, example in BY_NAME.items():
        chain = tuple(names[id(step)] for step in in_order(name, set()))
        changes = example.request["method"] != "GET" and example.response["status"] < FIRST_REFUSAL
        courses.setdefault(chain if changes else chain[:-1], []).extend(() if changes else (name,))
    found: dict[str, list[Example]] = {}
    seen: set[tuple[str, ...]] = set()
    for course in sorted(courses, key=len, reverse=True):
        if course in seen:
            continue
        steps: list[str] = []
        for length in range(len(course) + 1):
            before = course[:length]
            steps += before[-1:]
            steps += () if before in seen else courses.get(before, ())
            seen.add(before)
        name = course[-1] if course else "fresh"
        found[f"{name}, {len(course)}th" if name in found else name] = [BY_NAME[step] for step in steps]
    return found


def send(client: CheckedClient, example: Example) -> Response:
    """The answer to an example's request."""
    request = example.request
    body = {}
    if "body" in request:
        # A text is a body of another media type than JSON, as its headers say.
        body = {"content" if isinstance(request["body"], str) else "json": request["body"]}
    return client.request(request["method"], request["path"], headers=request.get("headers"), **body)


def send_all(client: CheckedClient) -> None:
    """Send every example that is taken, so that the fleet of the examples is there."""
    sent: set[str] = set()
    for name, example in BY_NAME.items():
        if name not in sent and example.response["status"] < FIRST_REFUSAL:
            for step in in_order(name, sent):
                send(client, step)
