"""Words that commands say."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """A number with its noun, such as ``1 vehicle`` and ``2,000 vehicles``."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
