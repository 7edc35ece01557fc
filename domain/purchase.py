"""What to buy from one supplier: the cheapest containers that cover the needs of some items, by an integer programme.

What is bought beyond a need is not lost: it is worth its share of the lowest unit price, as long as it will be used.
A purchase costs what is paid less what is left over is worth. No more is bought of an item than the depot has room for
and can use before it expires; a supplier may ask for a least amount of money, which items that are not needed yet may
fill up.

Invariants: every need is covered as far as its item's most allows; of equally good purchases it is the one with the
least left over, then the one with the fewest containers. The programme is solved exactly, by branch and bound (HiGHS,
through SciPy), and its answer is checked in whole numbers before it is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from domain.containers import MAX_PRICE_MINOR, MAX_SIZE_ML
from domain.errors import Breach, StockError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Real = NDArray[np.float64]

MOST_NEED = 1_000_000_000
# Price units within which two purchases cost the same; prices are whole minor units.
_SAME = 1e-4
# A purchase that takes longer is refused; those of a depot take some hundredths of a second.
_LONGEST_S = 10.0
_TIMED_OUT = 1


@dataclass(frozen=True, slots=True)
class Pack:
    """What an item is sold in: a container of a fluid, a pack of a part.

    Attributes:
        size: What it holds [piece or mL].
        price_minor: Its price, in the minor unit of a currency.
    """

    size: int
    price_minor: int


@dataclass(frozen=True, slots=True)
class Need:
    """What is needed of an item.

    Attributes:
        amount: How much; 0: nothing, but it may fill up a least amount of money [piece or mL].
        most: Most that may be bought [piece or mL]; None: as much as one likes.
        packs: What it is sold in; at least one.
        kept_share: Share of the lowest unit price that what is left over is worth, at least 0 and below 1 [1].
    """

    amount: int
    most: int | None
    packs: tuple[Pack, ...]
    kept_share: float = 0.0

    @property
    def lowest_unit_price(self) -> float:
        """The lowest price of a piece or mL, over all packs."""
        return min(pack.price_minor / pack.size for pack in self.packs)


@dataclass(frozen=True, slots=True)
class Bought:
    """What is bought of an item.

    Attributes:
        counts: How many of each pack, in the order given.
        amount: What they hold [piece or mL].
        left_over: What they hold beyond the need [piece or mL].
        missing: What the most that may be bought leaves open of the need [piece or mL].
        cost_minor: What they cost.
        kept_value_minor: What is left over is worth, rounded to a whole minor unit.
    """

    counts: tuple[int, ...]
    amount: int
    left_over: int
    missing: int
    cost_minor: int
    kept_value_minor: int


@dataclass(frozen=True, slots=True)
class Purchase:
    """What is bought from a supplier.

    Attributes:
        items: In the order of the needs.
        cost_minor: What all of it costs.
        is_minimum_met: Whether the least amount of money is reached; always where there is none.
    """

    items: tuple[Bought, ...]
    cost_minor: int
    is_minimum_met: bool


def cheapest_purchase(needs: Sequence[Need], *, least_minor: int = 0) -> Purchase:
    """The purchase that costs the least, what is left over counted at its worth.

    Where the most of an item is less than its need, as much is bought of it as its packs come to. Where a least amount
    of money cannot be reached, the needs are covered all the same, and the answer says so.

    Args:
        needs: Items of one supplier, in one currency.
        least_minor: Least amount of money that the supplier takes an order for, in minor units.

    Raises:
        StockError: A size, price, amount or share out of range, or no pack; or too many nearly equal ways to buy for
            the best to be proven in time (``purchase_too_many_ways``).
    """
    breaches = list(_breaches(needs))
    if breaches:
        raise StockError(*breaches)
    if not any(need.amount for need in needs):
        return Purchase(tuple(_bought(need, [0] * len(need.packs), 0) for need in needs), 0, True)  # noqa: FBT003 - of a dataclass
    covered = [min(need.amount, _most_reached(need)) for need in needs]
    counts = _solved(needs, covered, least_minor)
    is_met = counts is not None
    if counts is None:
        counts = _solved(needs, covered, 0)
    if counts is None:
        msg = "needs within their most can always be covered"
        raise ArithmeticError(msg)
    items = tuple(_bought(need, one, most) for need, one, most in zip(needs, counts, covered, strict=True))
    return Purchase(items, sum(one.cost_minor for one in items), is_met)


def _most_reached(need: Need) -> int:
    """The most that packs come to within what may be bought."""
    if need.most is None:
        return need.amount
    if need.most >= need.amount + max(pack.size for pack in need.packs):
        return need.amount
    # The packs' sizes have a common measure in practice, so few totals are possible.
    measure = math.gcd(*(pack.size for pack in need.packs))
    room = need.most // measure
    if room > _MOST_TOTALS:
        smallest = min(pack.size for pack in need.packs)
        return need.most // smallest * smallest
    # One bit a total: bit n is set where packs come to n times the measure.
    totals = 1
    for pack in need.packs:
        step = pack.size // measure
        while step <= room:
            totals |= totals << step
            step *= 2
        totals &= (2 << room) - 1
    return (totals.bit_length() - 1) * measure


def _solved(needs: Sequence[Need], covered: Sequence[int], least_minor: int) -> list[list[int]] | None:
    """How many of each pack of each need; None where nothing is possible."""
    # The prices less the worth of what they hold; the worth of the need itself is the same for every purchase.
    cost = np.array(
        [
            pack.price_minor - need.kept_share * need.lowest_unit_price * pack.size
            for need in needs
            for pack in need.packs
        ]
    )
    size = np.array([float(pack.size) for need in needs for pack in need.packs])
    programme = _Programme.of(needs, covered, least_minor)
    try:
        found = programme.least(cost, ())
    except _NotProvenError as error:
        detail = "there are too many nearly equal ways to buy: order fewer items at a time"
        raise StockError(Breach("", "purchase_too_many_ways", detail)) from error
    if found is None:
        return None
    return _numbers(needs, programme.tidied(cost, size, found))


def _numbers(needs: Sequence[Need], found: Real) -> list[list[int]]:
    counts, at = [], 0
    for need in needs:
        counts.append([int(n) for n in found[at : at + len(need.packs)]])
        at += len(need.packs)
    return counts


class _NotProvenError(Exception):
    """The programme was not solved in time, or its answer does not hold in whole numbers."""


@dataclass(frozen=True, slots=True, eq=False)
class _Programme:
    # Rows: the volume of each item, in the common measure of its sizes; then the money, in its own.
    matrix: Real
    low: Real
    high: Real
    most: Real
    measure: float

    @classmethod
    def of(cls, needs: Sequence[Need], covered: Sequence[int], least_minor: int) -> _Programme:
        width = sum(len(need.packs) for need in needs)
        rows, low, high, most = [], [], [], []
        at = 0
        prices = np.array([float(pack.price_minor) for need in needs for pack in need.packs])
        for need, amount in zip(needs, covered, strict=True):
            measure = math.gcd(*(pack.size for pack in need.packs))
            row = np.zeros(width)
            row[at : at + len(need.packs)] = [pack.size // measure for pack in need.packs]
            at += len(need.packs)
            rows.append(row)
            low.append(-(-amount // measure))
            high.append(np.inf if need.most is None else max(need.most, amount) // measure)
            for pack in need.packs:
                room = math.inf if need.most is None else max(need.most, amount) // pack.size
                # More than covers both the need and the least amount of money is never better.
                enough = -(-amount // pack.size) + (
                    -(-least_minor // pack.price_minor) if pack.price_minor else 0
                )
                most.append(min(room, max(enough, 0)))
        if least_minor:
            rows.append(prices)
            low.append(least_minor)
            high.append(np.inf)
        whole = float(math.gcd(*(pack.size for need in needs for pack in need.packs)))
        return cls(np.array(rows), np.array(low, float), np.array(high, float), np.array(most, float), whole)

    def tidied(self, cost: Real, size: Real, found: Real) -> Real:
        """Of what costs the same the purchase with the least left over, then with the fewest packs."""
        held = [(cost, float(cost @ found) + _SAME)]
        try:
            closer = self.least(size / self.measure, held)
            found = found if closer is None else closer
            held.append((size / self.measure, float(size @ found) / self.measure + _SAME))
            fewer = self.least(np.ones_like(cost), held)
        except _NotProvenError:
            return found
        return found if fewer is None else fewer

    def least(self, cost: Real, held: Sequence[tuple[Real, float]]) -> Real | None:
        """The whole numbers of packs that make a sum least, within some other sums; None where there are none."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        rules = [LinearConstraint(self.matrix, self.low, self.high)]
        rules += [LinearConstraint(row[None, :], -np.inf, bound) for row, bound in held]
        found = milp(
            cost,
            constraints=rules,
            bounds=Bounds(0, self.most),
            integrality=np.ones_like(cost),
            options={"mip_rel_gap": 0.0, "time_limit": _LONGEST_S},
        )
        if found.status == _TIMED_OUT:
            raise _NotProvenError
        if found.x is None:
            return None
        counts = np.round(found.x)
        sums = self.matrix @ counts
        if (sums < self.low).any() or (sums > self.high).any():
            # Sizes so far apart that the solver's figures do not hold them.
            raise _NotProvenError
        return np.asarray(counts, dtype=np.float64)


def _bought(need: Need, counts: Sequence[int], covered: int) -> Bought:
    amount = sum(n * pack.size for n, pack in zip(counts, need.packs, strict=True))
    left_over = max(amount - need.amount, 0)
    return Bought(
        tuple(counts),
        amount,
        left_over,
        need.amount - covered,
        sum(n * pack.price_minor for n, pack in zip(counts, need.packs, strict=True)),
        round(left_over * need.kept_share * need.lowest_unit_price),
    )


def _breaches(needs: Sequence[Need]) -> Iterator[Breach]:
    for index, need in enumerate(needs):
        place = f"/needs/{index}"
        if not 0 <= need.amount <= MOST_NEED or (need.most is not None and need.most < 0):
            yield Breach(f"{place}/amount", "amount_out_of_range", f"at least 0 and at most {MOST_NEED}")
        if not 0.0 <= need.kept_share < 1.0:
            detail = "what is left over is worth at least nothing and less than it costs"
            yield Breach(f"{place}/kept_share", "share_out_of_range", detail)
        if not need.packs:
            yield Breach(f"{place}/packs", "packs_missing", "an item that is bought is sold in something")
        for number, pack in enumerate(need.packs):
            if not 0 < pack.size <= MAX_SIZE_ML:
                detail = f"a pack holds more than 0 and at most {MAX_SIZE_ML}"
                yield Breach(f"{place}/packs/{number}/size", "size_out_of_range", detail)
            if not 0 <= pack.price_minor <= MAX_PRICE_MINOR:
                detail = f"a price is at least 0 and at most {MAX_PRICE_MINOR} minor units"
                yield Breach(f"{place}/packs/{number}/price", "price_out_of_range", detail)


_MOST_TOTALS = 200_000
