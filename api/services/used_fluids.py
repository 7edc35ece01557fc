"""Used fluid by waste stream: what was drained into it, what was collected, and what waits.

Invariants: entries are only ever added; what waits is the sum of the entries, kept in the same transaction. A collection
of more than the book has is booked: the tank is right and the book is wrong.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import msgspec

from api.services.errors import ConflictError, NotFoundError, RefusedError
from api.store import queries_stock, writes_stock
from domain.errors import Breach
from domain.stock import MAX_AMOUNT, WasteStream

if TYPE_CHECKING:
    from collections.abc import Sequence

    from api.store.queries_stock import Found
    from api.store.session import ReadSession, WriteSession


class UsedFluidKind(StrEnum):
    """What an entry of used fluid tells."""

    DRAINED = "drained"
    COLLECTED = "collected"
    CORRECTION = "correction"


@dataclass(frozen=True, slots=True)
class UsedFluidBooking:
    """An entry of used fluid as it is to be booked.

    Attributes:
        key: The sender's key of it, unique in the fleet.
        kind: What it tells.
        depot_key: The depot; None for a correction.
        stream: Where it was put; None for a correction.
        volume_ml: How much [mL]; 0 for a correction.
        at_us: When [us UTC]; None: now.
        job_key: The job that drained it.
        entered_by: Who says so.
        collected_by: Who took it away.
        reason: Why it is corrected.
        note: Free text, such as the number of the transport document.
        corrects: Key of the entry that it undoes.
    """

    key: str
    kind: UsedFluidKind
    depot_key: int | None = None
    stream: WasteStream | None = None
    volume_ml: int = 0
    at_us: int | None = None
    job_key: str | None = None
    entered_by: str | None = None
    collected_by: str | None = None
    reason: str | None = None
    note: str | None = None
    corrects: int | None = None


@dataclass(frozen=True, slots=True)
class UsedFluidEntry:
    """An entry of used fluid.

    Attributes:
        id: Its key.
        key: The sender's key of it.
        kind: What it tells.
        depot: Code of the depot.
        stream: The stream.
        volume_ml: What it added [mL]; below zero what it took away.
        after_ml: What waited afterwards [mL].
        at_us: When [us UTC].
        job: The job that drained it.
        entered_by: Who says so.
        collected_by: Who took it away.
        reason: Why it corrects.
        note: Free text.
        corrects: The entry that it undoes.
        corrected_by: The entry that undoes it.
        recorded_at_us: When it was entered [us UTC].
    """

    id: int
    key: str
    kind: UsedFluidKind
    depot: str
    stream: WasteStream
    volume_ml: int
    after_ml: int
    at_us: int
    job: str | None
    entered_by: str | None
    collected_by: str | None
    reason: str | None
    note: str | None
    corrects: int | None
    corrected_by: int | None
    recorded_at_us: int


@dataclass(frozen=True, slots=True)
class StreamHeld:
    """What waits in a stream at a depot [mL]."""

    depot_key: int
    depot: str
    stream: WasteStream
    held_ml: int
    changed_at_us: int


def book_used_fluid(session: WriteSession, fleet_key: int, booking: UsedFluidBooking, *, now_us: int) -> int:
    """The key of the entry, booked; of the same entry again where its key came before with the same content.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        booking: The entry.
        now_us: The instant of the request [us UTC].

    Raises:
        RefusedError: A member that its kind lacks or needs, a volume out of range, an unknown entry.
        ConflictError: The key was used for something else, or the entry was corrected before.
    """
    _check(booking, now_us)
    digest = hashlib.blake2b(msgspec.json.encode(booking), digest_size=16).hexdigest()
    stored = queries_stock.used_entry_by_code(session, fleet_key, booking.key)
    if stored is None:
        depot, stream, volume_ml = _moved(session, fleet_key, booking)
        writes_stock.add_stream(session, fleet_key, depot, stream, now_us=now_us)
        held = queries_stock.locked_used_fluid(session, fleet_key, depot, stream)
        after_ml = held.held_ml + volume_ml
        values = {
            "fleet_id": fleet_key,
            "code": booking.key,
            "digest": digest,
            "kind": booking.kind.value,
            "depot_id": depot,
            "stream": stream,
            "volume_ml": volume_ml,
            "after_ml": after_ml,
            "at_us": now_us if booking.at_us is None else booking.at_us,
            "job_key": booking.job_key,
            "entered_by": booking.entered_by,
            "collected_by": booking.collected_by,
            "reason": booking.reason,
            "note": booking.note,
            "corrects_id": booking.corrects,
            "recorded_at_us": now_us,
        }
        if writes_stock.add_used_entry(session, values):
            writes_stock.save_stream(session, fleet_key, depot, stream, held_ml=after_ml, now_us=now_us)
        stored = queries_stock.used_entry_by_code(session, fleet_key, booking.key)
    if stored is None or stored.digest != digest:
        detail = "an entry of this key has other content; each entry has a key of its own"
        raise ConflictError(Breach("/key", "entry_key_taken", detail))
    return int(stored.id)


def enter_used_fluid(session: WriteSession, fleet_key: int, booking: UsedFluidBooking, *, now_us: int) -> int:
    """As ``book_used_fluid``, for what a client sends: an entry that a job made is undone in the job.

    Raises:
        RefusedError: As there.
        ConflictError: As there, or the entry to be corrected belongs to a job (``entry_of_job``).
    """
    if booking.corrects is not None:
        row = queries_stock.used_entry(session, fleet_key, booking.corrects)
        # Keys of the service's own hold a colon, which no client can send.
        if row is not None and ":" in row.code:
            detail = "a job made this entry, and it is undone in the job"
            raise ConflictError(Breach("/corrects", "entry_of_job", detail))
    return book_used_fluid(session, fleet_key, booking, now_us=now_us)


def used_fluid_entry(session: ReadSession, fleet_key: int, key: int) -> UsedFluidEntry:
    """One entry of used fluid.

    Raises:
        NotFoundError: There is none of that key.
    """
    row = queries_stock.used_entry(session, fleet_key, key)
    if row is None:
        raise NotFoundError(_KIND)
    return _shown(session, fleet_key, [row])[0]


def used_fluid_entries(  # noqa: PLR0913 - a page and two filters
    session: ReadSession,
    fleet_key: int,
    *,
    before: int | None,
    limit: int,
    depot_key: int | None = None,
    stream: WasteStream | None = None,
) -> list[UsedFluidEntry]:
    """Entries of used fluid, the newest recorded first."""
    rows = queries_stock.used_entries(
        session,
        fleet_key,
        before=before,
        limit=limit,
        depot=depot_key,
        stream=None if stream is None else stream.value,
    )
    return _shown(session, fleet_key, rows)


def used_fluids_held(
    session: ReadSession,
    fleet_key: int,
    *,
    after: tuple[int, str] | None,
    limit: int,
    depot_key: int | None,
) -> list[StreamHeld]:
    """What waits for collection, by depot and stream."""
    depots = queries_stock.depot_zones(session, fleet_key)
    rows = queries_stock.held_used_fluid(session, fleet_key, after=after, limit=limit, depot=depot_key)
    return [
        StreamHeld(
            row.depot_id, depots[row.depot_id][0], WasteStream(row.stream), row.held_ml, row.changed_at_us
        )
        for row in rows
    ]


def _check(booking: UsedFluidBooking, now_us: int) -> None:
    is_correction = booking.kind is UsedFluidKind.CORRECTION
    breaches = []
    members = {
        "depot": (booking.depot_key is not None, not is_correction),
        "stream": (booking.stream is not None, not is_correction),
        "volume": (booking.volume_ml != 0, not is_correction),
        "corrects": (booking.corrects is not None, is_correction),
        "reason": (booking.reason is not None, is_correction),
    }
    for name, (is_given, is_needed) in members.items():
        if is_needed and not is_given:
            breaches.append(Breach(f"/{name}", "field_missing", f"an entry of this kind needs {name}"))
        elif is_given and not is_needed:
            breaches.append(
                Breach(f"/{name}", "field_not_applicable", f"an entry of this kind has no {name}")
            )
    if booking.collected_by is not None and booking.kind is not UsedFluidKind.COLLECTED:
        detail = "only a collection names who took it away"
        breaches.append(Breach("/collected_by", "field_not_applicable", detail))
    if not 0 <= booking.volume_ml <= MAX_AMOUNT:
        detail = f"a volume is above 0 and at most {MAX_AMOUNT} mL"
        breaches.append(Breach("/volume", "volume_out_of_range", detail))
    if booking.at_us is not None and booking.at_us > now_us:
        breaches.append(Breach("/at", "instant_in_future", "an entry tells what has happened"))
    if breaches:
        raise RefusedError(*breaches)


def _moved(session: ReadSession, fleet_key: int, booking: UsedFluidBooking) -> tuple[int, str, int]:
    """Depot, stream and what the entry adds [mL]."""
    if booking.corrects is None:
        stream = (booking.stream or WasteStream.USED_OIL).value
        sign = 1 if booking.kind is UsedFluidKind.DRAINED else -1
        return booking.depot_key or 0, stream, sign * booking.volume_ml
    row = queries_stock.used_entry(session, fleet_key, booking.corrects)
    if row is None:
        raise RefusedError(Breach("/corrects", "entry_unknown", "there is no such entry"))
    if row.kind == UsedFluidKind.CORRECTION.value:
        detail = "a correction is not corrected; enter anew what it took back"
        raise RefusedError(Breach("/corrects", "entry_is_correction", detail))
    if queries_stock.used_corrections_of(session, fleet_key, [row.id]):
        detail = "this entry was corrected before; enter what is right anew"
        raise ConflictError(Breach("/corrects", "corrected_before", detail))
    return row.depot_id, row.stream, -row.volume_ml


def _shown(session: ReadSession, fleet_key: int, rows: Sequence[Found]) -> list[UsedFluidEntry]:
    depots = queries_stock.depot_zones(session, fleet_key)
    corrected = queries_stock.used_corrections_of(session, fleet_key, [row.id for row in rows])
    return [
        UsedFluidEntry(
            row.id,
            row.code,
            UsedFluidKind(row.kind),
            depots[row.depot_id][0],
            WasteStream(row.stream),
            row.volume_ml,
            row.after_ml,
            row.at_us,
            row.job_key,
            row.entered_by,
            row.collected_by,
            row.reason,
            row.note,
            row.corrects_id,
            corrected.get(row.id),
            row.recorded_at_us,
        )
        for row in rows
    ]


_KIND = "entry of used fluid"
