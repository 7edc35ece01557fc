"""The stock ledger as a job in the bay uses it: reserve, issue, return, scrap, release, and undo.

Invariant: each call is one entry under a key of the caller's; a call repeated with its key books nothing more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.services.errors import ConflictError
from api.services.stock_booking import Booking, Shortfall, StockEntry, book, kept_items
from api.services.used_fluids import UsedFluidBooking, UsedFluidKind, book_used_fluid
from api.store import queries_stock
from domain.stock import Cause, EntryKind, Measure, StockItem, StockLine, WasteStream

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.store.session import ReadSession, WriteSession

__all__ = [
    "Shortfall",
    "StockEntry",
    "StockItem",
    "StockLine",
    "issue",
    "issued_for",
    "release",
    "reserve",
    "reserved_for",
    "return_to_stock",
    "reverse",
    "scrap",
    "waste",
]


def reserve(  # noqa: PLR0913 - a place, what, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    lines: Sequence[StockLine],
    *,
    job_key: str,
    entry_key: str,
    now_us: int,
) -> StockEntry:
    """The reservation of items for a job; more than is free is reserved all the same, and told as shortfalls.

    Raises:
        RefusedError: The fleet has no such part or fluid product.
        ConflictError: The key was used for something else.
    """
    booking = Booking(entry_key, EntryKind.RESERVATION, tuple(lines), depot_key, job_key=job_key)
    return book(session, fleet_key, booking, now_us=now_us)


def release(
    session: WriteSession, fleet_key: int, *, job_key: str, entry_key: str, now_us: int
) -> StockEntry | None:
    """The release of all that is still reserved for a job; None where nothing is.

    Raises:
        ConflictError: The key was used for something else.
    """
    is_repeated = queries_stock.entry_by_code(session, fleet_key, entry_key) is not None
    if not is_repeated and not reserved_for(session, fleet_key, job_key):
        return None
    booking = Booking(entry_key, EntryKind.RELEASE, job_key=job_key)
    try:
        return book(session, fleet_key, booking, now_us=now_us)
    except ConflictError as error:
        if error.breaches[0].rule == "nothing_open":
            return None
        raise


def issue(  # noqa: PLR0913 - a place, what, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    lines: Sequence[StockLine],
    *,
    job_key: str,
    entry_key: str,
    now_us: int,
) -> StockEntry:
    """What a job took: from its reservation first, the earliest expiry first.

    Raises:
        RefusedError: An unknown part, product or lot, or a lot past its date.
        ConflictError: The key was used for something else.
    """
    booking = Booking(entry_key, EntryKind.ISSUE, tuple(lines), depot_key, job_key=job_key)
    return book(session, fleet_key, booking, now_us=now_us)


def return_to_stock(  # noqa: PLR0913 - a place, what, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    lines: Sequence[StockLine],
    *,
    job_key: str,
    entry_key: str,
    now_us: int,
) -> StockEntry:
    """What a job took and did not use; opened brake fluid is scrapped at once.

    Raises:
        RefusedError: An unknown part or product.
        ConflictError: The key was used for something else.
    """
    booking = Booking(entry_key, EntryKind.RETURN, tuple(lines), depot_key, job_key=job_key)
    return book(session, fleet_key, booking, now_us=now_us)


def scrap(  # noqa: PLR0913 - a place, what, why, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    lines: Sequence[StockLine],
    *,
    reason: str,
    job_key: str,
    entry_key: str,
    now_us: int,
) -> StockEntry:
    """What was spoiled and thrown away.

    Raises:
        RefusedError: An unknown part, product or lot.
        ConflictError: The key was used for something else.
    """
    booking = Booking(
        entry_key,
        EntryKind.SCRAP,
        tuple(lines),
        depot_key,
        job_key=job_key,
        reason=reason,
    )
    return book(session, fleet_key, booking, now_us=now_us)


def waste(  # noqa: PLR0913 - a place, what, and for whom
    session: WriteSession,
    fleet_key: int,
    depot_key: int,
    stream: WasteStream,
    volume_ml: int,
    *,
    job_key: str,
    entry_key: str,
    now_us: int,
) -> int:
    """The key of the entry of used fluid that a job put into its stream.

    Raises:
        RefusedError: The volume is not above zero.
        ConflictError: The key was used for something else.
    """
    booking = UsedFluidBooking(
        entry_key, UsedFluidKind.DRAINED, depot_key, stream, volume_ml, job_key=job_key
    )
    return book_used_fluid(session, fleet_key, booking, now_us=now_us)


def reverse(  # noqa: PLR0913 - an entry, why, and under which key
    session: WriteSession, fleet_key: int, entry_id: int, *, reason: str, entry_key: str, now_us: int
) -> StockEntry:
    """The correcting entry that takes an earlier one back, movement by movement.

    Raises:
        RefusedError: The ledger has no such entry, or it is a correction itself.
        ConflictError: It was corrected before, later entries built on it, or the key was used for something else.
    """
    booking = Booking(entry_key, EntryKind.CORRECTION, reason=reason, corrects=entry_id)
    return book(session, fleet_key, booking, now_us=now_us)


def reserved_for(session: ReadSession, fleet_key: int, job_key: str) -> dict[tuple[int, StockItem], int]:
    """What is still reserved for a job, by depot and item [piece or mL]."""
    found = queries_stock.outstanding(session, fleet_key, Measure.RESERVED.value, job=job_key)
    return _by_item(session, fleet_key, found)


def issued_for(session: ReadSession, fleet_key: int, job_key: str) -> dict[tuple[int, StockItem], int]:
    """What a job took and did not return, by depot and item [piece or mL]."""
    causes = (Cause.ISSUE.value, Cause.RETURN.value)
    found = queries_stock.outstanding(session, fleet_key, Measure.ON_HAND.value, job=job_key, causes=causes)
    return _by_item(session, fleet_key, {place: -amount for place, amount in found.items()})


def _by_item(
    session: ReadSession, fleet_key: int, found: dict[tuple[int, int], int]
) -> dict[tuple[int, StockItem], int]:
    kept = kept_items(session, fleet_key, {item for _, item in found})
    return {(depot, kept[item].item): amount for (depot, item), amount in found.items()}
