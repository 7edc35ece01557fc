"""A step of a job and the opening of one over HTTP, beside a change of one row on the same server."""

from __future__ import annotations

import itertools
import json
from functools import partial
from typing import TYPE_CHECKING, Any

from api.store.migrate import migrate
from tests.benchmarks.databases import disk_folder
from tests.benchmarks.figures import Figure, interleaved
from tests.benchmarks.served import Client, served
from tests.support.bay import PRODUCTS, SHUTTLE
from tests.support.sheet_documents import quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

_ROUNDS, _WARM = 150, 20
_JOBS = 10
"""Jobs that steps are posted to in turns, each with some twenty entries when the first one is measured."""
_WARM_LEVEL = {"mark_share": 0.5, "temperature": quantity(60, "degC")}
_OPENING: tuple[dict[str, Any], ...] = (
    {"kind": "started"},
    {"kind": "checked_before", "compartment": "cvt", "level": _WARM_LEVEL},
    {"kind": "fluid_at_hand", "compartment": "cvt", "product": "cvt-n"},
)
_PASS: tuple[dict[str, Any], ...] = (
    {
        "kind": "drained",
        "compartment": "cvt",
        "volume": quantity(4, "L"),
        "temperature": quantity(60, "degC"),
    },
    {"kind": "seal_renewed", "compartment": "cvt", "plug": "drain"},
    {"kind": "torque_applied", "compartment": "cvt", "plug": "drain", "torque": quantity(34, "N.m")},
    {"kind": "poured", "compartment": "cvt", "product": "cvt-n", "volume": quantity(4, "L")},
    {"kind": "run", "compartment": "cvt"},
)


def figures() -> Iterator[Figure]:
    """The two figures of jobs."""
    with disk_folder() as folder:
        url = f"sqlite:///{folder / 'jobs.db'}"
        migrate(url)
        with served(url) as port:
            yield from _figures(Client(port))


def _figures(client: Client) -> Iterator[Figure]:
    _set_up(client, vehicles=_JOBS + _ROUNDS + _WARM)
    jobs = itertools.cycle([_Job(client, number) for number in range(_JOBS)])
    for job in itertools.islice(jobs, _JOBS):
        for _ in range(20):
            job.step()
    units = itertools.count(_JOBS)
    row = _Row(client)
    taken = interleaved(
        {
            "a change of one row": row.change,
            "a step of a job": lambda: next(jobs).step(),
            "opening a job": lambda: _opened(client, next(units)),
        },
        rounds=_ROUNDS,
        warm=_WARM,
    )
    change, step, opening = taken.values()
    yield Figure("jobs: a step against a change of one row", step.median / change.median, 2.0, (step, change))
    yield Figure(
        "jobs: opening one against a change of one row",
        opening.median / change.median,
        6.0,
        (opening, change),
    )


class _Row:
    """A depot whose name is changed."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._tag = '"1"'
        self._names = itertools.count(1)

    def change(self) -> None:
        body = json.dumps({"name": f"North {next(self._names)}"}).encode()
        _, self._tag = self._client.changed("PATCH", "/v1/depots/north", body, self._tag)


class _Job:
    """A job on a transmission, drained and filled again and again."""

    def __init__(self, client: Client, which: int) -> None:
        self._client = client
        answer, self._tag = _opened(client, which)
        self._path = f"/v1/jobs/{json.loads(answer)['number']}/entries"
        self._steps = itertools.chain(_OPENING, itertools.cycle(_PASS))

    def step(self) -> None:
        body = json.dumps({"by": "mechanic", **next(self._steps)}).encode()
        _, self._tag = self._client.changed("POST", self._path, body, self._tag)


def _opened(client: Client, which: int) -> tuple[bytes, str]:
    body = {"unit": f"V-{which}", "services": ["gearbox"], "opened_by": "foreman"}
    return client.changed("POST", "/v1/jobs", json.dumps(body).encode())


def _set_up(client: Client, *, vehicles: int) -> None:
    send = partial(client.changed, "POST")
    send("/v1/depots", json.dumps({"code": "north", "name": "North", "time_zone": "UTC"}).encode())
    send("/v1/spec-sheets", json.dumps(SHUTTLE).encode())
    for code, product in PRODUCTS.items():
        client.changed("PUT", f"/v1/fluid-products/{code}", json.dumps(product).encode())
    for number in range(vehicles):
        vehicle = {
            "unit": f"V-{number}",
            "spec_sheet": "shuttle",
            "depot": "north",
            "in_service_on": "2030-05-01",
            "is_known_from_new": True,
        }
        send("/v1/vehicles", json.dumps(vehicle).encode())
