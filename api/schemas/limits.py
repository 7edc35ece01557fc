"""What the service takes in: sizes, lengths and times, as answered."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api.schemas.base import Answer
from api.schemas.times import ShownInstant


class Limits(Answer):
    """What a gateway has to keep to."""

    body_bytes: Annotated[
        int, Field(description="Largest body, unpacked, of any media type but lines [byte].")
    ]
    batch_rows: Annotated[int, Field(description="Most rows of a JSON body of readings.")]
    lines_bytes: Annotated[
        int, Field(description="Largest body of readings as lines, as sent and unpacked [byte].")
    ]
    lines: Annotated[int, Field(description="Most lines of a body of readings.")]
    line_bytes: Annotated[int, Field(description="Longest line; a longer one is a refused row [byte].")]
    transaction_rows: Annotated[
        int, Field(description="Most rows that are stored whole or not at all; more are stored in parts.")
    ]
    part_rows: Annotated[int, Field(description="Most rows of such a part, itself whole or absent.")]
    detail_rows: Annotated[int, Field(description="Most rows that an answer tells one by one.")]
    equipment: Annotated[int, Field(description="Most pieces of equipment in a fleet snapshot.")]
    earliest_at: Annotated[ShownInstant, Field(description="Earliest instant of a reading.")]
    before_at: Annotated[ShownInstant, Field(description="Instants of readings lie before this one.")]
    ahead_s: Annotated[
        int, Field(description="A reading further ahead of the service's clock is held for review [s].")
    ]
    codings: Annotated[list[str], Field(description="Content codings of bodies of readings.")]
