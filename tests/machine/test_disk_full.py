"""The disk is full: a clear problem, reads go on, nothing is corrupt, and writes resume once there is room.

Mounts a small file system in memory, which needs the rights of the superuser.
"""

from __future__ import annotations

import os
import stat
import subprocess
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from api.store.migrate import migrate
from tests.support.apps import SetClock, set_on
from tests.support.client import CheckedClient
from tests.support.databases import postgres_server
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Iterator

    from fastapi import FastAPI

SIZE_BYTES = 32 << 20
ROWS = 300
MOUNT, UNMOUNT = "/usr/bin/mount", "/usr/bin/umount"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 32 MiB."""
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


@pytest.fixture(params=["sqlite", "postgresql"])
def url_on_small_disk(small_disk: Path, request: pytest.FixtureRequest) -> Iterator[str]:
    """The URL of a migrated database whose tables lie on the small disk.

    PostgreSQL's log lies elsewhere: a server whose log finds no room ends, and starts again by itself.
    """
    if request.param == "sqlite":
        url = f"sqlite:///{small_disk / 'fillmark.db'}"
        migrate(url)
        yield url
        return
    with tempfile.TemporaryDirectory() as folder, postgres_server(Path(folder)) as server:
        place = small_disk / "tables"
        place.mkdir()
        owner = (Path(folder) / "data").stat()
        for one in (small_disk, place):
            os.chown(one, owner.st_uid, owner.st_gid)
        for one in (*small_disk.parents[:-1], Path(folder)):  # the server's user has to come through
            one.chmod(one.stat().st_mode | stat.S_IXGRP | stat.S_IXOTH)
        server.run(f"CREATE TABLESPACE small LOCATION '{place}'")
        server.run("CREATE DATABASE small TABLESPACE small")
        migrate(server.url_of("small"))
        yield server.url_of("small")
        server.run("DROP DATABASE small WITH (FORCE)")
        server.run("DROP TABLESPACE small")


def test_a_full_disk_loses_nothing_and_heals(
    built_app: FastAPI, small_disk: Path, url_on_small_disk: str
) -> None:
    url = url_on_small_disk
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
            if url.startswith("sqlite"):
                assert session.execute(text("PRAGMA integrity_check")).scalar_one() == "ok"
            else:  # each row of the table is found by its index too
                session.execute(text("SET LOCAL enable_seqscan = off"))
                assert session.execute(
                    text("SELECT count(*) FROM reading WHERE fleet_id = 1")
                ).scalar_one() == (stored + ROWS)


def counted(client: CheckedClient) -> int:
    """How many readings are stored."""
    with client.store.reading() as session:
        return int(session.execute(text("SELECT count(*) FROM reading")).scalar_one())
