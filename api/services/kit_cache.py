"""Kits as sent, remembered: many lines of many answers refer to the same kit, and few things change it.

Invariant: what is remembered is keyed by everything that it was made from: the sheet version (which never
changes), the service, the units, and a stamp that moves with every change of a part, a fluid product or a
fluid requirement of the fleet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from api.services import kits
from api.store import queries_names

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, MutableMapping

    from api.store.session import ReadSession

_MOST = 20_000

# fleet, sheet version, service, units, stamp
_Key = tuple[int, int, str, str, str]
_remembered: MutableMapping[object, dict[_Key, bytes]] = WeakKeyDictionary()


def kits_sent(
    session: ReadSession,
    fleet_key: int,
    asked: Iterable[tuple[int, str]],
    *,
    units: str,
    encoded: Callable[[kits.VisitKit], bytes],
) -> dict[tuple[int, str], bytes]:
    """The kit of each (sheet version key, service) as JSON text.

    Args:
        session: Any unit of work that only reads.
        fleet_key: The fleet.
        asked: Sheet versions and services.
        units: Name of the units that ``encoded`` shows.
        encoded: Makes the JSON text of a kit.
    """
    wanted = dict.fromkeys(asked)
    if not wanted:
        return {}
    known = _remembered.setdefault(session.get_bind(), {})
    stamp = queries_names.kits_stamp(session, fleet_key)
    keys = {one: (fleet_key, *one, units, stamp) for one in wanted}
    missing = [one for one, key in keys.items() if key not in known]
    if missing:
        if len(known) + len(missing) > _MOST:
            known.clear()
        made = kits.kits_of(session, fleet_key, [(version, (service,)) for version, service in missing])
        for (version, (service,)), kit in made.items():
            known[keys[version, service]] = encoded(kit)
    return {one: known[key] for one, key in keys.items()}
