"""Requests made from the service's own description: no fault, and every answer as described."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import hypothesis
import pytest
import schemathesis
from hypothesis import HealthCheck
from schemathesis.core.result import Ok

from tests.support.examples import send_all

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

POSITIVE, NEGATIVE = schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE
EACH = 3
SETTINGS = hypothesis.settings(
    max_examples=EACH,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
    phases=[hypothesis.Phase.generate],
)


def test_requests_as_described_meet_no_fault(client: CheckedClient) -> None:
    """The client itself holds each answer against the description; the fleet of the examples is there."""
    send_generated(client, POSITIVE)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_requests_that_break_the_description_meet_no_fault(client: CheckedClient) -> None:
    """Most are refused before they reach a database, so one kind is enough here."""
    send_generated(client, NEGATIVE)


def send_generated(client: CheckedClient, mode: schemathesis.GenerationMode) -> None:
    """Send some requests to each operation."""
    send_all(client)
    schema = schemathesis.openapi.from_dict(client.app.openapi())
    for found in schema.get_all_operations():
        assert isinstance(found, Ok)
        operation = found.ok()
        described = operation.definition.raw
        if mode is NEGATIVE and not (described.get("parameters") or described.get("requestBody")):
            continue  # nothing of it can be wrong

        @SETTINGS
        @hypothesis.given(case=operation.as_strategy(generation_mode=mode))
        def ask(case: Any) -> None:
            sent = case.as_transport_kwargs(base_url="http://testserver")
            client.request(
                sent["method"],
                sent["url"],
                headers={
                    name: value.encode("utf-8", "replace") for name, value in (sent["headers"] or {}).items()
                },
                params=sent.get("params") or None,
                **({"json": sent["json"]} if "json" in sent else {"content": sent.get("data")}),
            )

        ask()
