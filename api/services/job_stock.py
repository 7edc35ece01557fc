"""The stock of a job: reserved when it is opened, settled when it is closed.

Invariants: what a job reserves is what its kit and fluids take; when it is closed, what its entries say was used
has left the stock, nothing stays reserved for it, and used fluid stands in its stream. Each call is made under a key
of the job's own, so that a second one books nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.services import stock_jobs
from api.store.job_texts import FrozenMissing
from domain.stock import StockItem, StockLine, WasteStream, waste_stream_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.store.job_texts import FrozenFluid, FrozenLine
    from api.store.session import WriteSession
    from domain.job_result import Outcome


def reserve(  # noqa: PLR0913, PLR0917 - a place, what, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    job: int,
    lines: Iterable[FrozenLine],
    fluids: Iterable[FrozenFluid],
    *,
    now_us: int,
) -> tuple[FrozenMissing, ...]:
    """What the depot lacks of what was reserved.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        depot_key: The depot.
        job: The job.
        lines: Parts.
        fluids: Fluids; one without a product reserves nothing.
        now_us: The present [us UTC].
    """
    amounts: dict[StockItem, int] = {}
    for line in lines:
        item = StockItem(part=line.part)
        amounts[item] = amounts.get(item, 0) + line.quantity
    for fluid in fluids:
        if fluid.product is not None:
            item = StockItem(fluid_product=fluid.product)
            amounts[item] = amounts.get(item, 0) + fluid.need_ml
    if not amounts:
        return ()
    made = stock_jobs.reserve(
        session,
        fleet_key,
        depot_key,
        [StockLine(item, amount) for item, amount in amounts.items()],
        job_key=str(job),
        entry_key=f"job:{job}:reserve",
        now_us=now_us,
    )
    return tuple(FrozenMissing(one.item.part, one.item.fluid_product, one.missing) for one in made.shortfalls)


def settle(  # noqa: PLR0913 - a place, what, and for whom
    session: WriteSession, fleet_key: int, depot_key: int, job: int, done: Outcome, *, now_us: int
) -> bool:
    """Whether the depot's book ran out by it, so that a count is asked for.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        depot_key: The depot.
        job: The job.
        done: What the job did.
        now_us: The present [us UTC].
    """
    lines = [StockLine(StockItem(part=code), quantity) for code, quantity in sorted(done.parts.items())]
    lines += [
        StockLine(StockItem(fluid_product=code), used_ml) for code, used_ml in sorted(done.products.items())
    ]
    asks_count = False
    if lines:
        issued = stock_jobs.issue(
            session,
            fleet_key,
            depot_key,
            lines,
            job_key=str(job),
            entry_key=f"job:{job}:issue",
            now_us=now_us,
        )
        asks_count = issued.asks_count
    stock_jobs.release(session, fleet_key, job_key=str(job), entry_key=f"job:{job}:release", now_us=now_us)
    for fluid in done.fluids:
        if fluid.waste_ml and fluid.fluid_kind is not None:
            stream = (
                WasteStream.CONTAMINATED_FLUID if fluid.is_contaminated else waste_stream_of(fluid.fluid_kind)
            )
            stock_jobs.waste(
                session,
                fleet_key,
                depot_key,
                stream,
                fluid.waste_ml,
                job_key=str(job),
                entry_key=f"job:{job}:waste:{fluid.compartment}",
                now_us=now_us,
            )
    return asks_count
