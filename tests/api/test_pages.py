"""Pages: every row once, in order; a cursor belongs to its query."""

from __future__ import annotations

import base64
import json

import pytest

from tests.support.client import CheckedClient, check_problem
from tests.support.probe import sent

ROWS = 7


@pytest.fixture
def filled(probes: CheckedClient) -> CheckedClient:
    """A client of a service with some probes in it."""
    for number in range(ROWS):
        assert probes.post("/v1/probes", json=sent(id=number)).status_code == 201
    return probes


def encoded(parts: object) -> str:
    """A cursor made by hand."""
    return base64.urlsafe_b64encode(json.dumps(parts).encode()).decode().rstrip("=")


def decoded(cursor: str) -> list[object]:
    """The parts of a cursor."""
    parts: list[object] = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
    return parts


def test_following_the_link_header_gives_every_row_once(filled: CheckedClient) -> None:
    seen: list[int] = []
    path = "/v1/probes?limit=3"
    while path:
        response = filled.get(path)
        seen += response.json()["ids"]
        link = response.headers.get("link", "")
        path = link.removeprefix("<").partition(">")[0]
        assert link.endswith('rel="next"') == bool(response.json()["next"])
    assert seen == list(range(ROWS))


def test_a_page_that_just_fits_has_no_next(filled: CheckedClient) -> None:
    response = filled.get(f"/v1/probes?limit={ROWS}")
    assert response.json() == {"ids": list(range(ROWS)), "next": None}
    assert "link" not in response.headers


def test_the_limit_may_change_on_the_way(filled: CheckedClient) -> None:
    cursor = filled.get("/v1/probes?limit=2").json()["next"]
    assert filled.get(f"/v1/probes?limit=3&cursor={cursor}").json()["ids"] == [2, 3, 4]


def test_a_cursor_of_another_query_is_refused(filled: CheckedClient) -> None:
    cursor = filled.get("/v1/probes?limit=2&least=1").json()["next"]
    assert filled.get(f"/v1/probes?limit=2&least=1&cursor={cursor}").status_code == 200
    for query in ("", "&least=2", "&least=1&words=oil"):
        response = filled.get(f"/v1/probes?limit=2{query}&cursor={cursor}")
        assert response.status_code == 400
        assert check_problem(response)["type"] == "/problems/cursor-invalid"


def test_a_cursor_that_is_none_is_refused(filled: CheckedClient) -> None:
    version, binding, *_ = decoded(filled.get("/v1/probes?limit=2").json()["next"])
    made = [
        "",
        "x",
        "====",
        "%00",
        "%ff",
        "a" * 999,
        encoded({}),
        encoded([]),
        encoded([version]),
        encoded([version, binding]),
        encoded([2, binding, 1]),
        encoded([version, "0" * 18, 1]),
        encoded([version, binding, "1"]),
        encoded([version, binding, 1, 1]),
        encoded([version, binding, True]),
        encoded([version, binding, 1.5]),
        encoded([version, binding, None]),
        encoded([version, binding, [1]]),
        encoded([version, binding, 2**63]),
        encoded([version, binding, "a\0"]),
        encoded([version, binding, "\ud800"]),
        base64.urlsafe_b64encode(b"[" * 700).decode(),
        base64.urlsafe_b64encode(b"[1,NaN]").decode(),
    ]
    for cursor in made:
        response = filled.get(f"/v1/probes?cursor={cursor}")
        assert response.status_code in {400, 422}, cursor
        check_problem(response)
    assert filled.get(f"/v1/probes?cursor={'a' * 1001}").status_code == 422


def test_rows_added_or_removed_between_pages_move_no_other_row(filled: CheckedClient) -> None:
    first = filled.get("/v1/probes?limit=3").json()
    for number in (100, 101):
        filled.post("/v1/probes", json=sent(id=number))
    rest = filled.get(f"/v1/probes?limit=100&cursor={first['next']}").json()
    assert first["ids"] + rest["ids"] == [*range(ROWS), 100, 101]
