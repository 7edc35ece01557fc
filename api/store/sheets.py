"""Spec sheet versions as domain values.

A committed version never changes, so a reader decodes each once a process. A writer may see one that is not
committed yet, and whose key another may get after a rollback: it reads each once a unit of work, and only the
decoding is remembered beyond that.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import msgspec
from sqlalchemy import Engine, text

from api.store.session import ReadSession, WriteSession
from domain.sheet import SpecSheet

if TYPE_CHECKING:
    from collections.abc import MutableMapping

_KEPT = 2_000
_remembered: MutableMapping[object, dict[tuple[int, int], SpecSheet]] = WeakKeyDictionary()


def encode_sheet(sheet: SpecSheet) -> str:
    """The sheet as stored."""
    return msgspec.json.encode(sheet).decode()


def load_sheet(session: ReadSession, fleet_key: int, version_key: int) -> SpecSheet:
    """The sheet of a version's key, which must exist.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        version_key: Key of the spec sheet version.
    """
    known = _known(session)
    found = known.get((fleet_key, version_key))
    if found is None:
        if len(known) >= _KEPT:
            known.clear()
        found = known[fleet_key, version_key] = _decoded(_stored(session, fleet_key, version_key))
    return found


def _known(session: ReadSession) -> dict[tuple[int, int], SpecSheet]:
    bind = session.get_bind()
    if isinstance(session, WriteSession) or not isinstance(bind, Engine):
        own: dict[tuple[int, int], SpecSheet] = session.info.setdefault("spec_sheets", {})
        return own
    return _remembered.setdefault(bind, {})


def _stored(session: ReadSession, fleet_key: int, version_key: int) -> str:
    found: str = session.execute(
        text("SELECT sheet FROM spec_sheet_version WHERE fleet_id = :fleet AND id = :version"),
        {"fleet": fleet_key, "version": version_key},
    ).scalar_one()
    return found


@lru_cache(maxsize=_KEPT)
def _decoded(stored: str) -> SpecSheet:
    return msgspec.json.decode(stored, type=SpecSheet)
