"""Exchange plans: 100,000 in columns against a bare NumPy expression, and one over HTTP against an echo."""

from __future__ import annotations

import json
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from api.store.migrate import migrate
from domain.plans import Prices, plan_columns
from tests.benchmarks.databases import disk_folder
from tests.benchmarks.figures import Figure, interleaved
from tests.benchmarks.served import Client, served

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_PLANS = 100_000
_ROUNDS = 300
_PRICES = Prices(first_minor_per_l=790.0, last_minor_per_l=1190.0, pass_minor=2500)


def figures() -> Iterator[Figure]:
    """The figures of plans in columns and over HTTP."""
    yield _columns()
    with disk_folder() as folder:
        url = f"sqlite:///{folder / 'plans.db'}"
        migrate(url)
        with served(url) as port:
            client = Client(port)
            for name, question in _QUESTIONS.items():
                yield _over_http(client, name, json.dumps(question).encode())


def _columns() -> Figure:
    dice = np.random.default_rng(5)
    capacity = dice.integers(2_000, 20_000, _PLANS)
    drained = (capacity * dice.uniform(0.3, 0.9, _PLANS)).astype(np.int64)
    first, last = dice.integers(0, 5, _PLANS), dice.integers(1, 4, _PLANS)
    taken = interleaved(
        {
            f"{_PLANS:,} plans in columns": partial(
                plan_columns,
                capacity_ml=capacity,
                drained_ml=drained,
                first_passes=first,
                last_passes=last,
                prices=_PRICES,
            ),
            "bare expression": partial(_bare, capacity, drained, first, last),
        },
        rounds=31,
    )
    columns, bare = taken.values()
    return Figure("exchange plans in columns", columns.median / bare.median, 3.0, (columns, bare))


def _bare(
    capacity: NDArray[np.int64], drained: NDArray[np.int64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> tuple[NDArray[Any], ...]:
    """Shares, litres and cost as one would write them down in a hurry."""
    kept = 1.0 - drained / capacity
    by_last = kept**last
    old = kept ** (first + last)
    first_ml, last_ml = first * drained, last * drained
    cost = np.rint(first_ml * 0.79) + np.rint(last_ml * 1.19) + (first + last) * 2500
    return old, by_last - old, 1.0 - by_last, first_ml, last_ml, cost


def _over_http(client: Client, name: str, body: bytes) -> Figure:
    taken = interleaved(
        {
            f"plan, {name}": partial(client.post, "/v1/exchange-plans", body),
            "echo of the same body": partial(client.post, "/v1/bare/exchange-plan", body),
        },
        rounds=_ROUNDS,
        warm=20,
    )
    plan, echo = taken.values()
    return Figure(f"exchange plan over HTTP, {name}", plan.median / echo.median, 1.5, (plan, echo))


def _litres(value: float) -> dict[str, Any]:
    return {"value": value, "unit": "L"}


def _sold_at(minor: int) -> dict[str, Any]:
    return {"price": {"minor": minor, "per": _litres(1)}}


_TWO_PASSES = {"capacity": _litres(8), "drained_volume": _litres(4), "passes": 2}
_QUESTIONS: dict[str, dict[str, Any]] = {
    "two passes": _TWO_PASSES,
    "two fluids with prices": {
        **_TWO_PASSES,
        "margin_share": 0.05,
        "currency": "EUR",
        "first_fluid": _sold_at(790),
        "last_fluid": _sold_at(1190),
    },
}
