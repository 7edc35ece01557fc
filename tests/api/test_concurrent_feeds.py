"""Feeds, reviews and other changes of one vehicle at the same time: each sees the vehicle, and none undoes another."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from sqlalchemy import text

from api.services.feed.batch import SentReading
from api.services.feed.judging import rejudge
from api.services.feed.recording import record
from tests.property.test_standing_properties import SHEET, check
from tests.support.fleets import FLEET, at_us, plant

if TYPE_CHECKING:
    from api.store.session import Store, WriteSession

NOW = at_us("2031-05-05")
ROUNDS = 25


def test_a_feed_never_misses_a_vehicle_whose_conclusions_are_drawn_again(store: Store) -> None:
    """Two gateways with new sources feed one vehicle while its readings are judged again and again: all is accepted."""
    planted = plant(store, SHEET, ["K-1"])
    vehicle = planted.vehicles["K-1"]

    def feed(source: str) -> int:
        accepted = 0
        for number in range(ROUNDS):
            sent = [SentReading(0, "K-1", 1, at_us("2031-04-01") + number * 60_000_000, 1_000_000, source)]

            def work(session: WriteSession, sent: list[SentReading] = sent) -> int:
                return record(session, FLEET, sent, now_us=NOW).accepted

            accepted += store.write(work)
        return accepted

    def judge() -> int:
        for _ in range(ROUNDS):
            store.write(lambda session: rejudge(session, FLEET, vehicle, now_us=NOW))
        return ROUNDS

    with ThreadPoolExecutor(3) as pool:
        done = [pool.submit(feed, "gateway"), pool.submit(feed, "driver"), pool.submit(judge)]
        assert [one.result() for one in done] == [ROUNDS] * 3
    with store.reading() as session:
        assert session.execute(text("SELECT count(*) FROM unplaced_reading")).scalar_one() == 0
        assert (
            session.execute(text("SELECT count(*) FROM reading WHERE status = 1")).scalar_one() == 2 * ROUNDS
        )
    check(store)
