"""What duty entries, component exchanges and deferrals have in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer, Request
from api.schemas.times import ShownInstant
from api.schemas.work import Withdrawal

Reason = Annotated[
    str, Field(min_length=1, max_length=2000, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")
]
"""One line of text, 1 to 2,000 characters, not blank."""


class EntryWithdrawal(Request):
    """The withdrawal of an entry; it stays, and counts no longer."""

    reason: Annotated[Reason, Field(description="Why the entry does not hold, in a sentence.")]


class Entry(Answer):
    """An entry about a vehicle."""

    id: Annotated[int, Field(description="Identifies the entry.")]
    recorded_at: Annotated[ShownInstant, Field(description="When it was entered.")]
    withdrawal: Annotated[Withdrawal | None, Field(description="Its withdrawal; null while it stands.")]


def withdrawal(at_us: int | None, reason: str | None) -> Withdrawal | None:
    """The withdrawal of an entry; None while it stands."""
    return None if at_us is None else Withdrawal(withdrawn_at=at_us, reason=reason or "")
