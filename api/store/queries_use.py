"""The SELECTs of use: learned patterns, and what is known of the levels of a fleet, in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy import Row

    from api.store.session import ReadSession

_PATTERNS = text(
    """
    SELECT p.spec_sheet_id, p.meter, p.version, p.vehicles, p.forecasts, p.pattern, p.learned_at_us
    FROM use_pattern p
    WHERE p.fleet_id = :fleet AND p.learned_at_us <= :known AND NOT EXISTS (
      SELECT 1 FROM use_pattern q WHERE q.fleet_id = p.fleet_id AND q.spec_sheet_id = p.spec_sheet_id
      AND q.meter = p.meter AND q.version > p.version AND q.learned_at_us <= :known)
    """
)


def patterns(session: ReadSession, fleet: int, known_us: int) -> Sequence[Row[Any]]:
    """The newest pattern of each type and meter that was learned by an instant [us UTC]."""
    return session.execute(_PATTERNS, {"fleet": fleet, "known": known_us}).all()
