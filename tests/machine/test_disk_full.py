"""The disk is full: a clear problem, reads go on, nothing is corrupt, and writes resume once there is room.

Mounts a small file system in memory, which needs the rights of the superuser.
"""

from __future__ import annotations

import subprocess
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.store.migrate import migrate
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from fastapi import FastAPI

SIZE_BYTES = 16 << 20
ROWS = 300
MOUNT, UNMOUNT = "/usr/bin/mount", "/usr/bin/umount"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 16 MiB."""
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run([MOUNT, "-t", "tmpfs", "-o", f"size={SIZE_BYTES}", "tmpfs", str(place)], check=True)
    yield place
    subprocess.run([UNMOUNT, str(place)], check=True)


def batch(number: int) -> list[dict[str, Any]]:
    """Rows that no other batch has."""
    return [
        km_row(
            "K-01",
            f"2031-04-{1 + number // 24:02}T{number % 24:02}:{row // 60:02}:{row % 60:02}Z",
            number + row / 10_000,
        )
        for row in range(ROWS)
    ]


def fill(ballast: Path) -> None:
    """Leave no room on a disk but what one page takes."""
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return


def test_a_full_disk_loses_nothing_and_heals(built_app: FastAPI, small_disk: Path) -> None:
    url = f"sqlite:///{small_disk / 'fillmark.db'}"
    migrate(url)
    app = set_on(built_app, url, SetClock(datetime(2031, 5, 5, 8, tzinfo=UTC)))
    with CheckedClient(app) as client:
        plant(client.store, sheet(service("oil", km=10_000)), ["K-01"])
        stored = 0
        for number in range(5):
            answer = client.post("/v1/readings", json={"readings": batch(number)})
            assert answer.json()["accepted"] == ROWS
            stored += ROWS
        fill(small_disk / "ballast")
        refused = []
        for number in range(5, 200):
            answer = client.post("/v1/readings", json={"readings": batch(number)})
            if answer.status_code == 200:
                stored += ROWS
                continue
            refused.append(answer)
            if len(refused) == 3:
                break
        assert [answer.status_code for answer in refused] == [507] * 3
        assert refused[0].json()["type"] == "/problems/storage-full"
        assert client.get("/v1/due").status_code == 200
        assert client.get("/v1/vehicles/K-01/readings?limit=1000").status_code == 200
        assert counted(client) == stored
        (small_disk / "ballast").unlink()
        answer = client.post("/v1/readings", json={"readings": batch(199)})
        assert answer.json()["accepted"] == ROWS
        assert counted(client) == stored + ROWS
        with client.store.reading() as session:
            assert session.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"


def counted(client: CheckedClient) -> int:
    """How many readings are stored."""
    with client.store.reading() as session:
        return int(session.execute(text("SELECT count(*) FROM reading")).scalar_one())
