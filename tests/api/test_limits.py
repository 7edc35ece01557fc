"""The limits that the service tells are those that it keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.support.fleets import km_row

if TYPE_CHECKING:
    from tests.support.client import CheckedClient


def test_the_limits_told_are_those_kept(client: CheckedClient) -> None:
    """One row, byte and second inside is taken, one beyond is not."""
    limits = client.get("/v1/limits").json()
    row = km_row("K-01", "2031-05-05T08:00:00Z", 1)
    for rows, status in ((limits["batch_rows"], 200), (limits["batch_rows"] + 1, 422)):
        assert client.post("/v1/readings", json={"readings": [row] * rows}).status_code == status
    space = b" " * (limits["body_bytes"] - len(b'{"readings": []}'))
    for more, status in ((b"", 422), (b" ", 413)):
        answer = client.post(
            "/v1/readings",
            content=b'{"readings": []}' + space + more,
            headers={"Content-Type": "application/json"},
        )
        assert answer.status_code == status
    assert limits["lines_bytes"] >= 20 * limits["body_bytes"] // 2
    assert limits["transaction_rows"] == limits["batch_rows"]
    assert (limits["line_bytes"], limits["part_rows"], limits["ahead_s"]) == (65_536, 10_000, 300)
    assert (limits["earliest_at"], limits["before_at"]) == ("1970-01-01T00:00:00Z", "2200-01-01T00:00:00Z")
    assert limits["codings"] == ["gzip"]
