"""Bases of request and answer models.

Invariants: a request model takes no unknown member and coerces nothing (``true`` is no number, ``"1"`` is
no number, a number is no text); an answer model has no defaults, so that a client sees what is always
there. Enumerations in requests are written ``Choice[Kind]``, lists ``list[...]`` with a ``max_length``,
texts ``Text`` or a bounded string.
"""

from __future__ import annotations

from enum import Enum
from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field, Strict

# Largest whole number in a request; JSON readers keep each integer up to here exactly (RFC 8259, section 6).
LARGEST_WHOLE = 2**53 - 1

E = TypeVar("E", bound=Enum)

Choice = Annotated[E, Strict(strict=False)]
"""A member of an enumeration, given by its value."""

Whole = Annotated[int, Field(ge=0, le=LARGEST_WHOLE)]
"""A whole number from 0 to 2^53 - 1."""

Share = Annotated[float, Field(ge=0.0, le=1.0)]
"""A share from 0 to 1 [1]."""

Text = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$")]
"""One line of text, 1 to 200 characters, not blank."""

Note = Annotated[str, Field(max_length=4000, pattern=r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$")]
"""Free text of up to 4,000 characters; may hold line breaks."""

Key = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
"""A key that a fleet gives: letters, digits, ``.``, ``_`` and ``-``; safe in a path."""


class Request(BaseModel):
    """Base of every model that a client sends."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, hide_input_in_errors=True
    )


class Answer(BaseModel):
    """Base of every model that the service sends; its fields have no defaults."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, hide_input_in_errors=True)
