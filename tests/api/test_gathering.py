"""Small bodies that wait at once: one unit of work, an answer each, as if they had come one after the other."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from api.routes.gathering import Gathering, Waiting, store_together
from api.schemas.reading_batches import read_batch
from api.services.feed.batch import Outcome
from api.services.feed.parts import Checked
from api.services.feed.recording import record
from api.store.errors import StoreBusyError, StoreConflictError
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.services.feed.batch import SentReading
    from api.store.session import Store
    from tests.support.client import CheckedClient

NOW_US = 1_935_648_000_000_000  # 2031-05-05 00:00 UTC
SHEET = sheet(service("oil", km=10_000))


class Sent:
    """A body as far as reading it goes."""

    def __init__(self, *rows: dict[str, Any]) -> None:
        """Of these rows."""
        self.rows = rows


def read(body: Any) -> Checked:
    """The rows of a body; one without rows breaks a rule."""
    if not body.rows:
        msg = "no rows"
        raise ValueError(msg)
    sent, refused = read_batch(msgspec.json.encode({"readings": body.rows}))
    return Checked(len(sent), sent=sent, refused=refused)


def waiting(*bodies: Sent) -> list[Waiting]:
    """The bodies as they wait."""
    gathering = Gathering()
    for body in bodies:
        gathering.join(body, 1)  # type: ignore[arg-type]
    return gathering.taken_along(1)


def row(day: int, km: float, unit: str = "K-01") -> dict[str, Any]:
    """A reading in April 2031."""
    return km_row(unit, f"2031-04-{day:02}T06:00:00Z", km)


BODIES = (
    Sent(row(1, 1000), row(2, 1100)),
    Sent(row(2, 1100)),  # stands in the body before
    Sent(row(3, 1200), row(3, 1200)),  # twice in one body
    Sent(row(4, 900)),  # goes back
    Sent(row(5, 1300) | {"figure": {"value": 1, "unit": "furlong"}}, row(5, 1300)),
    Sent(row(5, 10, "Z-99")),  # nobody has that number
)


def test_a_group_is_answered_as_its_bodies_one_by_one(store: Store) -> None:
    plant(store, SHEET, ["K-01", "K-02"], in_service_on=date(2024, 1, 1))

    def recorded(rows: Sequence[SentReading]) -> Outcome:
        with store.writing() as session:
            return record(session, 1, rows, now_us=NOW_US)

    together = waiting(*BODIES)
    calls: list[int] = []

    def counted(rows: Sequence[SentReading]) -> Outcome:
        calls.append(len(rows))
        return recorded(rows)

    store_together(together, read=read, record=counted)
    assert calls == [8]
    told = [one.told() for one in together]
    assert [(t.accepted, t.duplicate, t.held, t.refused) for t in told] == [
        (2, 0, 0, 0), (0, 1, 0, 0), (1, 1, 0, 0), (0, 0, 1, 0), (1, 0, 0, 1), (0, 0, 1, 0),
    ]  # fmt: skip
    assert [[(d.place, d.code) for d in t.details] for t in told] == [
        [], [(0, "same_reading_stored")], [(1, "same_reading_in_batch")], [(0, "goes_back")],
        [(0, told[4].details[0].code)], [(0, "unit_unknown")],
    ]  # fmt: skip
    # The other vehicle gets the same, one body after the other.
    for body, tally in zip(BODIES, told, strict=True):
        (alone,) = waiting(
            Sent(*({**one, "unit": "K-02"} if one["unit"] == "K-01" else one for one in body.rows))
        )
        store_together([alone], read=read, record=recorded)
        if body is not BODIES[-1]:
            assert alone.told() == tally


def test_what_is_wrong_with_one_is_told_to_that_one() -> None:
    def fails(rows: Sequence[SentReading]) -> Outcome:
        if any(one.figure == 900_000 for one in rows):
            msg = "lost"
            raise StoreConflictError(msg)
        return Outcome(accepted=len(rows))

    bad, conflicting, good = waiting(Sent(), Sent(row(1, 900)), Sent(row(2, 1000)))
    store_together([bad, conflicting, good], read=read, record=fails)
    with pytest.raises(ValueError, match="no rows"):
        bad.told()
    with pytest.raises(StoreConflictError):
        conflicting.told()
    assert good.told().accepted == 1


def test_a_busy_store_is_told_to_all_at_once() -> None:
    calls = []

    def busy(rows: Sequence[SentReading]) -> Outcome:
        calls.append(rows)
        msg = "busy"
        raise StoreBusyError(msg)

    group = waiting(Sent(row(1, 900)), Sent(row(2, 1000)))
    store_together(group, read=read, record=busy)
    assert len(calls) == 1
    for one in group:
        with pytest.raises(StoreBusyError):
            one.told()


def test_many_at_once_are_all_stored(client: CheckedClient) -> None:
    units = [f"K-{place:02}" for place in range(8)]
    plant(client.store, SHEET, units, in_service_on=date(2024, 1, 1))

    def send(unit: str) -> list[int]:
        return [
            client.post("/v1/readings", json={"readings": [row(day, 1000 + day, unit)]}).json()["accepted"]
            for day in range(1, 13)
        ]

    with ThreadPoolExecutor(len(units)) as pool:
        assert list(pool.map(send, units)) == [[1] * 12] * len(units)
    for unit in units:
        page = client.get(f"/v1/vehicles/{unit}/readings").json()
        assert [one["status"] for one in page["readings"]] == ["accepted"] * 12


def test_a_body_that_gave_up_is_not_taken_along() -> None:
    gathering = Gathering()
    first, second = (gathering.join(Sent(row(day, 1000)), 1) for day in (1, 2))  # type: ignore[arg-type]
    other = gathering.join(Sent(row(1, 1000)), 2)  # type: ignore[arg-type]
    gathering.leave(first)
    assert gathering.taken_along(1) == [second]
    assert gathering.taken_along(2) == [other]
    gathering.leave(second)
