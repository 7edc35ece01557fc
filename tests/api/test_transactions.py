"""One request, one transaction: kept before the answer is sent, or not at all."""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import sqlalchemy as sa

from api.app import create_app
from api.settings import Settings
from tests.support.client import CheckedClient, check_problem
from tests.support.probe import CHILD, create_tables, routes, sent
from tests.support.queries import counted_queries

if TYPE_CHECKING:
    from fastapi import FastAPI

    from api.store.session import Store


def test_a_commit_that_fails_answers_a_problem_and_keeps_nothing(probes: CheckedClient) -> None:
    # The parent's key is checked at the commit only. With a dependency of FastAPI's default scope the commit
    # would come after the answer, and this would say 201.
    response = probes.post("/v1/probes", json=sent(parent_id=99))
    assert response.status_code == 409
    check_problem(response)
    assert probes.get("/v1/probes").json()["ids"] == []


def test_a_key_taken_answers_a_conflict_and_the_next_request_works(probes: CheckedClient) -> None:
    assert probes.post("/v1/probes", json=sent()).status_code == 201
    assert probes.post("/v1/probes", json=sent()).status_code == 409
    assert probes.post("/v1/probes", json=sent(id=2)).status_code == 201


def test_a_request_refused_for_its_form_sends_no_statement(probes: CheckedClient) -> None:
    with counted_queries(probes.store) as counted:
        probes.post("/v1/probes?units=us", json=sent(id=-1))
        probes.get("/v1/probes?limit=0")
    assert counted.count == 0


def test_a_read_is_one_statement(probes: CheckedClient) -> None:
    with counted_queries(probes.store) as counted:
        probes.get("/v1/probes")
    assert counted.count == 1


def test_a_writer_that_holds_its_turn_too_long_makes_others_busy_and_readers_go_on(
    database_url: str, store: Store
) -> None:
    app = create_app(Settings(database_url=database_url, writer_wait_s=0.3))
    routes.include_in(app, prefix="/v1")
    create_tables(store)
    with CheckedClient(app) as client:
        assert client.post("/v1/probes", json=sent(id=1)).status_code == 201
        with store.writing() as session:
            # On PostgreSQL only the same key stands in the way, on SQLite any writer.
            session.execute(CHILD.insert().values(id=2, words="held"))
            busy = client.post("/v1/probes", json=sent(id=2))
            assert busy.status_code == 503
            assert busy.headers["retry-after"] == "1"
            assert check_problem(busy)["type"] == "/problems/busy"
            assert client.get("/v1/probes").json()["ids"] == [1]
        assert client.post("/v1/probes", json=sent(id=3)).status_code == 201
        assert client.get("/v1/probes").json()["ids"] == [1, 2, 3]


def test_a_full_database_answers_so_and_recovers(probes: CheckedClient, backend: str) -> None:
    """SQLite says that the disk is full; the transaction leaves no trace, and reads go on."""
    if backend != "sqlite":
        # PostgreSQL's own code for a full disk is mapped in the same table; see test_driver_errors.
        return
    store: Store = probes.store

    def limit_pages(pages: int) -> None:
        with store.engines.write.connect() as connection:
            driver = connection.connection.dbapi_connection
            assert driver is not None
            driver.cursor().execute(f"PRAGMA max_page_count = {pages}")

    limit_pages(1)  # SQLite takes the present size instead: not a page more
    statuses, number = [], 0
    while 507 not in statuses:
        number += 1
        statuses.append(probes.post("/v1/probes", json=sent(id=number, words="x" * 200)).status_code)
        assert number < 500
    kept = [n + 1 for n, status in enumerate(statuses) if status == 201]
    assert probes.get("/v1/probes?limit=1000").json()["ids"] == kept
    limit_pages(1_000_000)
    assert probes.post("/v1/probes", json=sent(id=number)).status_code == 201


def test_many_requests_at_once_all_end(probe_app: FastAPI, database_url: str) -> None:
    """More requests than threads and connections: none hangs, none fails."""
    probe_app.state.settings = Settings(database_url=database_url, writer_wait_s=60)
    with CheckedClient(probe_app) as client:

        def ask(number: int) -> int:
            if number % 4:
                return client.get("/v1/probes").status_code
            return client.post("/v1/probes", json=sent(id=number)).status_code

        with ThreadPoolExecutor(40) as pool:
            statuses = list(pool.map(ask, range(200)))
        assert set(statuses) == {200, 201}
        assert len(client.get("/v1/probes?limit=1000").json()["ids"]) == 50


def test_liveness_does_not_wait_for_the_database(probes: CheckedClient) -> None:
    store: Store = probes.store
    release = threading.Event()

    def hold() -> None:
        with store.writing() as session:
            session.execute(sa.text("SELECT 1"))
            release.wait(60)

    holder = threading.Thread(target=hold)
    holder.start()
    try:
        with ThreadPoolExecutor(8) as pool:
            waiting = [pool.submit(probes.post, "/v1/probes", json=sent(id=n)) for n in range(8)]
            time.sleep(0.2)
            assert probes.get("/livez").status_code == 200
            assert probes.get("/v1/probes").status_code == 200
            assert holder.is_alive()
            release.set()
            assert {future.result().status_code for future in waiting} == {201}
    finally:
        release.set()
        holder.join()
