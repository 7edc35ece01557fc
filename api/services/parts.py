"""Parts as the fleet keeps them, with alternates and supersession.

Invariant: no part supersedes itself in the end, and none is an alternate of itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.services.errors import (
    NotFoundError,
    RefusedError,
    StaleVersionError,
)
from api.store import queries_parts, writes_parts
from api.store.new_rows import insert_new
from api.store.tables_fleet import Part as PartRow
from domain.errors import Breach
from domain.kits import Part, PartKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from api.services.preconditions import PutCondition
    from api.store.queries_parts import Found
    from api.store.session import ReadSession, WriteSession

_KIND = "part"
_UNKNOWN = "no part of this code is stored or defined here"


@dataclass(frozen=True, slots=True)
class PartState:
    """A part as it is stored.

    Attributes:
        key: Its key.
        part: The part.
        version: Grows by one with each change.
        recorded_at_us: When it was first recorded [us UTC].
    """

    key: int
    part: Part
    version: int
    recorded_at_us: int


@dataclass(frozen=True, slots=True)
class PartTerms:
    """What a document states of a part; None states nothing.

    Attributes:
        code: The part number.
        name: In words.
        unit: What one of it is.
        kind: What it is.
        superseded_by: The part number supplied in its place.
        alternates: Part numbers that do as well, best first.
    """

    code: str
    name: str
    unit: str | None = None
    kind: PartKind | None = None
    superseded_by: str | None = None
    alternates: tuple[str, ...] | None = None

    def part(self) -> Part:
        """The part with what is not stated filled in."""
        return Part(
            code=self.code,
            name=self.name,
            unit="piece" if self.unit is None else self.unit,
            kind=self.kind or PartKind.OTHER,
            superseded_by=self.superseded_by,
            alternates=self.alternates or (),
        )

    def agrees_with(self, part: Part) -> bool:
        """Whether all that is stated is so."""
        return self.name == part.name and all(
            stated is None or stated == stored
            for stated, stored in (
                (self.unit, part.unit),
                (self.kind, part.kind),
                (self.superseded_by, part.superseded_by),
                (self.alternates, part.alternates),
            )
        )


def part_state(session: ReadSession, fleet_key: int, code: str) -> PartState:
    """The part of that code.

    Raises:
        NotFoundError: The fleet has none.
    """
    row = queries_parts.part(session, fleet_key, code)
    if row is None:
        raise NotFoundError(_KIND)
    return _states(session, fleet_key, [row])[0]


def parts_after(session: ReadSession, fleet_key: int, after: str | None, limit: int) -> list[PartState]:
    """Parts in the order of their codes, from the one after ``after`` on."""
    return _states(
        session, fleet_key, queries_parts.listed_parts(session, fleet_key, after=after, limit=limit)
    )


def put_part(
    session: WriteSession, fleet_key: int, part: Part, condition: PutCondition, *, now_us: int
) -> tuple[PartState, bool]:
    """The part as it is now, and whether it was created.

    Args:
        session: The unit of work.
        fleet_key: The fleet.
        part: All of the part.
        condition: What the replacement expects to find.
        now_us: The instant of the request [us UTC].

    Raises:
        RefusedError: It names itself or a part that is not stored, or would supersede itself in the end.
        StaleVersionError: Another version is stored by now, or one where none may be.
        VersionMissingError: The part is there, and the request names no version.
    """
    queries_parts.lock_parts(session, fleet_key)
    row = queries_parts.part(session, fleet_key, part.code)
    stored = None if row is None else _states(session, fleet_key, [row])[0]
    condition.check(_KIND, None if stored is None else stored.version)
    keys = _keys_of(session, fleet_key, {*part.alternates, *_some(part.superseded_by)})
    breaches = [*_reference_breaches(part, keys), *_cycle_breaches(session, fleet_key, {"": part})]
    if breaches:
        raise RefusedError(*breaches)
    if stored is None:
        _insert(session, fleet_key, [part], now_us)
        _link(session, fleet_key, [part])
    elif stored.part != part:
        values = {**_columns(part), "superseded_by_id": keys.get(part.superseded_by or "")}
        is_changed = writes_parts.change_part(
            session, fleet_key, stored.key, version=stored.version, values=values
        )
        if not is_changed:
            newer = part_state(session, fleet_key, part.code)
            raise StaleVersionError(_KIND, stored_version=newer.version)
        writes_parts.replace_alternates(
            session, fleet_key, stored.key, [keys[code] for code in part.alternates]
        )
    return part_state(session, fleet_key, part.code), stored is None


def definition_breaches(session: ReadSession, fleet_key: int, defined: Sequence[PartTerms]) -> list[Breach]:
    """What is wrong with parts that a document defines, each place relative to this sequence.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        defined: The definitions.
    """
    parts = [terms.part() for terms in defined]
    own = {part.code: index for index, part in enumerate(parts)}
    named = {code for part in parts for code in (*part.alternates, *_some(part.superseded_by))}
    known = own | _keys_of(session, fleet_key, named)
    breaches = [
        breach.under(f"/{index}")
        for index, part in enumerate(parts)
        for breach in _reference_breaches(part, known)
    ]
    # A definition that states no supersession leaves a stored one as it is.
    stating = {f"/{index}": part for index, part in enumerate(parts) if part.superseded_by is not None}
    return [*breaches, *_cycle_breaches(session, fleet_key, stating)]


def define_parts(
    session: WriteSession, fleet_key: int, defined: Sequence[PartTerms], *, now_us: int
) -> list[Breach]:
    """Store parts that a document defines; gives back where another part is stored under a code.

    Args:
        session: The unit of work; it must not be kept if there are breaches.
        fleet_key: The fleet.
        defined: The definitions, without ``definition_breaches``; places are relative to this sequence.
        now_us: The instant of the request [us UTC].
    """
    parts = [terms.part() for terms in defined]
    inserted = _insert(session, fleet_key, parts, now_us)
    _link(session, fleet_key, [part for part in parts if part.code in inserted])
    rows = queries_parts.parts(session, fleet_key, [part.code for part in parts if part.code not in inserted])
    stored = {state.part.code: state.part for state in _states(session, fleet_key, rows)}
    return [
        Breach(f"/{index}", "definition_differs", "another part is stored under this code")
        for index, terms in enumerate(defined)
        if terms.code in stored and not terms.agrees_with(stored[terms.code])
    ]


def part_keys(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> dict[str, int]:
    """Keys of the parts of these codes that are stored."""
    return _keys_of(session, fleet_key, codes)


def _reference_breaches(part: Part, known: Mapping[str, int]) -> Iterator[Breach]:
    if part.superseded_by == part.code:
        yield Breach("/superseded_by", "part_names_itself", "a part is not supplied in its own place")
    elif part.superseded_by is not None and part.superseded_by not in known:
        yield Breach("/superseded_by", "part_unknown", _UNKNOWN)
    seen: set[str] = set()
    for index, code in enumerate(part.alternates):
        place = f"/alternates/{index}"
        if code == part.code:
            yield Breach(place, "part_names_itself", "a part is no alternate of itself")
        elif code in seen:
            yield Breach(place, "code_repeated", "the list names this part more than once")
        elif code not in known:
            yield Breach(place, "part_unknown", _UNKNOWN)
        seen.add(code)


def _cycle_breaches(session: ReadSession, fleet_key: int, changed: Mapping[str, Part]) -> Iterator[Breach]:
    if not any(part.superseded_by for part in changed.values()):
        return
    following = {row.code: row.superseded_by for row in queries_parts.supersessions(session, fleet_key)}
    following.update({part.code: part.superseded_by for part in changed.values()})
    for place, part in changed.items():
        if part.superseded_by != part.code and _comes_back(part.code, following):
            detail = "the parts supplied in its place lead back to itself"
            yield Breach(f"{place}/superseded_by", "supersession_cycle", detail)


def _comes_back(code: str, following: Mapping[str, str | None]) -> bool:
    seen: set[str] = set()
    current = following.get(code)
    while current is not None and current not in seen:
        if current == code:
            return True
        seen.add(current)
        current = following.get(current)
    return False


def _insert(session: WriteSession, fleet_key: int, parts: Sequence[Part], now_us: int) -> set[str]:
    rows = [
        {
            "fleet_id": fleet_key,
            "code": part.code,
            **_columns(part),
            "version": 1,
            "recorded_at_us": now_us,
        }
        for part in parts
    ]
    return insert_new(session, PartRow, rows)


def _link(session: WriteSession, fleet_key: int, new: Sequence[Part]) -> None:
    codes = {code for part in new for code in (part.code, *part.alternates, *_some(part.superseded_by))}
    keys = _keys_of(session, fleet_key, codes)
    writes_parts.link_supersessions(
        session,
        fleet_key,
        {keys[part.code]: keys[part.superseded_by] for part in new if part.superseded_by is not None},
    )
    writes_parts.add_alternates(
        session,
        fleet_key,
        [(keys[part.code], keys[code], rank) for part in new for rank, code in enumerate(part.alternates)],
    )


def _keys_of(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> dict[str, int]:
    wanted = sorted(set(codes))
    if not wanted:
        return {}
    return {row.code: int(row.id) for row in queries_parts.parts(session, fleet_key, wanted)}


def _some(code: str | None) -> tuple[str, ...]:
    return () if code is None else (code,)


def _columns(part: Part) -> dict[str, str]:
    return {"name": part.name, "unit": part.unit, "kind": part.kind.value}


def _states(session: ReadSession, fleet_key: int, rows: Sequence[Found]) -> list[PartState]:
    alternates: dict[str, list[str]] = {row.code: [] for row in rows}
    if alternates:
        for line in queries_parts.alternates(session, fleet_key, alternates):
            alternates[line.part].append(line.alternate)
    return [
        PartState(
            int(row.id),
            Part(
                row.code,
                row.name,
                row.unit,
                PartKind(row.kind),
                row.superseded_by,
                tuple(alternates[row.code]),
            ),
            row.version,
            row.recorded_at_us,
        )
        for row in rows
    ]
