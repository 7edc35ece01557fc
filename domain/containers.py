"""Which containers to buy for a volume: the cheapest set that covers it.

Invariants: the set holds at least the volume needed; of equally cheap sets it is the one with the least left
over, then the one with the fewest containers. Buying more can cost less than covering the need exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from domain.errors import Breach, ExchangeError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

# A fleet's need in one total; a single plan stays far below.
MAX_NEED_ML = 1_000_000_000_000
MAX_PRICE_MINOR = 1_000_000_000
MAX_SIZES = 12
MAX_SIZE_ML = 10_000_000
_MOST_TRIED = 20_000


@dataclass(slots=True)
class Tries:
    """How many more sets may be tried; shared by searches that belong together.

    Attributes:
        left: So many.
    """

    left: int = _MOST_TRIED


@dataclass(frozen=True, slots=True)
class Container:
    """A container that a fluid is sold in.

    Attributes:
        size_ml: What it holds [mL].
        price_minor: Its price, in the minor unit of the fleet's currency.
    """

    size_ml: int
    price_minor: int


@dataclass(frozen=True, slots=True)
class ContainerSet:
    """What to buy.

    Attributes:
        counts: How many of each container, in the order given.
        bought_ml: What they hold [mL].
        left_over_ml: What they hold beyond the need [mL].
        cost_minor: What they cost.
    """

    counts: tuple[int, ...]
    bought_ml: int
    left_over_ml: int
    cost_minor: int


def cheapest_containers(
    need_ml: int, containers: Sequence[Container], *, tries: Tries | None = None
) -> ContainerSet:
    """The cheapest set of containers that holds a volume; then the least left over, then the fewest.

    Args:
        need_ml: Volume needed [mL].
        containers: What the fluid is sold in.
        tries: Shared with other searches; None: this one has its own.

    Raises:
        ExchangeError: A volume, size or price out of range, no container, or sizes of so little in common
            that the search would be too long (``containers_too_many_ways``).
    """
    breaches = list(_breaches(need_ml, containers))
    if breaches:
        raise ExchangeError(*breaches)
    counts = _Search(need_ml, containers, tries or Tries()).cheapest()
    bought_ml = sum(n * c.size_ml for n, c in zip(counts, containers, strict=True))
    return ContainerSet(
        counts=tuple(counts),
        bought_ml=bought_ml,
        left_over_ml=bought_ml - need_ml,
        cost_minor=sum(n * c.price_minor for n, c in zip(counts, containers, strict=True)),
    )


def container_breaches(containers: Sequence[Container]) -> Iterator[Breach]:
    """The rules that containers break; there may be none of them."""
    if len(containers) > MAX_SIZES:
        yield Breach("/containers", "containers_out_of_range", f"at most {MAX_SIZES} containers")
    for index, container in enumerate(containers):
        if not 0 < container.size_ml <= MAX_SIZE_ML:
            detail = f"a container holds more than 0 and at most {MAX_SIZE_ML} mL"
            yield Breach(f"/containers/{index}/size", "volume_out_of_range", detail)
        if not 0 <= container.price_minor <= MAX_PRICE_MINOR:
            detail = f"a price is at least 0 and at most {MAX_PRICE_MINOR} minor units"
            yield Breach(f"/containers/{index}/price", "price_out_of_range", detail)


@dataclass(frozen=True, slots=True)
class _Held:
    cost: int
    volume_ml: int
    pieces: int

    def plus(self, number: int, container: Container) -> _Held:
        return _Held(
            self.cost + number * container.price_minor,
            self.volume_ml + number * container.size_ml,
            self.pieces + number,
        )


class _Search:
    # The container of the best value is "bulk". Each other one costs an excess over bulk of the same volume,
    # and the best set found so far bounds the excess of a better one: so only a few of the others can be in
    # the cheapest set, however large the need is. All of those combinations are tried; bulk fills the rest.

    def __init__(self, need_ml: int, containers: Sequence[Container], tries: Tries) -> None:
        # Of equal value the largest, which takes the fewest pieces.
        bulk = min(
            range(len(containers)),
            key=lambda i: (
                Fraction(containers[i].price_minor, containers[i].size_ml),
                -containers[i].size_ml,
            ),
        )
        self.need_ml = need_ml
        self.bulk = containers[bulk]
        self.order = [i for i in range(len(containers)) if i != bulk]
        self.others = [containers[i] for i in self.order]
        # Excess in minor units times the bulk size, to stay in whole numbers.
        self.excess = [
            other.price_minor * self.bulk.size_ml - self.bulk.price_minor * other.size_ml
            for other in self.others
        ]
        self.order.append(bulk)
        self.tries = tries
        self.rank = (0, 0, 0)
        self.counts: list[int] = []

    def cheapest(self) -> list[int]:
        self._try([], _Held(0, 0, 0))
        by_place = dict(zip(self.order, self.counts, strict=True))
        return [by_place[i] for i in range(len(by_place))]

    def _try(self, counts: list[int], held: _Held) -> None:
        place = len(counts)
        if place == len(self.others):
            self._fill_up(counts, held)
            return
        other, excess = self.others[place], self.excess[place]
        most = -(-max(self.need_ml - held.volume_ml, 0) // other.size_ml)
        if excess == 0:
            # Pieces that make up whole bulk containers at the same value are bought as these.
            most = min(most, self.bulk.size_ml // math.gcd(self.bulk.size_ml, other.size_ml) - 1)
        for number in range(most + 1):
            more = held.plus(number, other)
            if self.counts and more.cost * self.bulk.size_ml > self._bound(more.volume_ml):
                break
            self._try([*counts, number], more)

    def _bound(self, volume_ml: int) -> int:
        # Bulk for what is missing at its unit price is the least that a set can still cost.
        missing_ml = max(self.need_ml - volume_ml, 0)
        return self.rank[0] * self.bulk.size_ml - self.bulk.price_minor * missing_ml

    def _fill_up(self, counts: list[int], held: _Held) -> None:
        self.tries.left -= 1
        if self.tries.left < 0:
            detail = "there are too many nearly equal ways to buy: leave out some containers"
            raise ExchangeError(Breach("/containers", "containers_too_many_ways", detail))
        number = -(-max(self.need_ml - held.volume_ml, 0) // self.bulk.size_ml)
        full = held.plus(number, self.bulk)
        rank = (full.cost, full.volume_ml, full.pieces)
        if not self.counts or rank < self.rank:
            self.rank, self.counts = rank, [*counts, number]


def _breaches(need_ml: int, containers: Sequence[Container]) -> Iterator[Breach]:
    if not 0 <= need_ml <= MAX_NEED_ML:
        yield Breach("/need", "volume_out_of_range", f"a volume is at least 0 and at most {MAX_NEED_ML} mL")
    if not containers:
        yield Breach("/containers", "containers_out_of_range", f"1 to {MAX_SIZES} containers to choose from")
    yield from container_breaches(containers)
