"""What one occasion of each service takes: fluids, parts and labour, by the functions that fill kits and fluid needs.

Invariant: what is remembered is keyed by the sheet version, which never changes, and by a stamp that moves with every
change of a part; a service takes what it and all that it includes take in one visit.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from api.services.kits import parts_of
from api.store import queries_names
from api.store.session import WriteSession
from api.store.sheets import load_sheet
from domain.fluid_need import fluid_needs
from domain.kits import kit_for

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, MutableMapping

    from api.store.session import ReadSession
    from domain.kits import Part
    from domain.sheet import SpecSheet

_MOST = 2_000


@dataclass(frozen=True, slots=True)
class FluidTaken:
    """What a service takes of a fluid.

    Attributes:
        low_ml: Least [mL].
        high_ml: Most [mL].
        margin_ml: To have at hand beyond the most [mL].
        is_common_practice: Whether any of it rests on common practice and not on the sheet's data.
    """

    low_ml: int
    high_ml: int
    margin_ml: int
    is_common_practice: bool


@dataclass(frozen=True, slots=True)
class Taken:
    """What an occasion of a service takes.

    Attributes:
        fluids: By the code of the requirement.
        parts: Pieces by the number now supplied.
        labour_s: Labour time [s].
    """

    fluids: Mapping[str, FluidTaken]
    parts: Mapping[str, int]
    labour_s: int


def work_taken(
    session: ReadSession, fleet_key: int, versions: Iterable[int], changed: Mapping[int, SpecSheet]
) -> dict[int, dict[str, Taken]]:
    """What each service of sheet versions takes, by its code, by the key of the version.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        versions: Keys of sheet versions.
        changed: Sheets that are assumed in the place of versions.
    """
    asked = list(dict.fromkeys(versions))
    if not asked:
        return {}
    is_kept = not isinstance(session, WriteSession)
    known = _remembered.setdefault(session.get_bind(), {}) if is_kept else {}
    stamp = queries_names.kits_stamp(session, fleet_key)
    missing = [key for key in asked if key in changed or (fleet_key, key, stamp) not in known]
    parts = parts_of(session, fleet_key, missing) if missing else {}
    found = {}
    for key in asked:
        sheet = changed.get(key)
        if sheet is None and (fleet_key, key, stamp) in known:
            found[key] = known[fleet_key, key, stamp]
            continue
        found[key] = sheet_taken(sheet or load_sheet(session, fleet_key, key), parts)
        if sheet is None:
            if len(known) >= _MOST:
                known.clear()
            known[fleet_key, key, stamp] = found[key]
    return found


def sheet_taken(sheet: SpecSheet, parts: Mapping[str, Part]) -> dict[str, Taken]:
    """What each service of a sheet takes, by its code.

    Args:
        sheet: A checked spec sheet.
        parts: The fleet's parts by number.
    """
    return {service.code: _taken(sheet, service.code, parts) for service in sheet.services}


_Key = tuple[int, int, str]
_remembered: MutableMapping[object, dict[_Key, dict[str, Taken]]] = WeakKeyDictionary()


def _taken(sheet: SpecSheet, service: str, parts: Mapping[str, Part]) -> Taken:
    fluids: dict[str, FluidTaken] = {}
    for need in fluid_needs(sheet, (service,)):
        before = fluids.get(need.fluid_requirement, _NOTHING)
        fluids[need.fluid_requirement] = FluidTaken(
            before.low_ml + need.low_ml,
            before.high_ml + need.high_ml,
            before.margin_ml + need.margin_ml,
            before.is_common_practice or need.is_common_practice,
        )
    kit = kit_for(sheet, (service,), parts)
    pieces: Counter[str] = Counter()
    for line in kit.lines:
        pieces[line.part.code] += line.quantity
    return Taken(fluids, dict(pieces), kit.labour_s)


_NOTHING = FluidTaken(0, 0, 0, is_common_practice=False)
