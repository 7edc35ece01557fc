"""How large the type of a sheet may be so that it stays on one page, of A4 and of Letter alike.

The figures are those of a printer's paper with margins of 8 mm: the width of A4, the height of Letter. Widths of
characters are roughly those of a common sans serif, with room to spare, since a browser takes the font that it has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

MARGIN_MM = 8
WIDTH_MM = 210 - 2 * MARGIN_MM
HEIGHT_MM = 279.4 - 2 * MARGIN_MM
LARGEST_PT, SMALLEST_PT, STEP_PT = 12.0, 6.0, 0.25
LINE_EM = 1.25
MM_PER_PT = 25.4 / 72

_SPARE = 0.97


def largest_pt(height_em: Callable[[float], float]) -> float:
    """The largest type that fits one page; the smallest one where none does.

    Args:
        height_em: Height of the sheet for a width, both in the size of the type [em].
    """
    steps = int((LARGEST_PT - SMALLEST_PT) / STEP_PT)
    for step in range(steps):
        size = LARGEST_PT - step * STEP_PT
        em_mm = size * MM_PER_PT
        if height_em(WIDTH_MM / em_mm) * em_mm <= HEIGHT_MM * _SPARE:
            return size
    return SMALLEST_PT


def lines_of(text: str, width_em: float) -> int:
    """How many lines a text takes at a width, words kept whole where they fit [em]."""
    lines, used = 1, 0.0
    for word in text.split():
        needed = _width_em(word)
        gap = _SPACE_EM if used else 0.0
        if used and used + gap + needed > width_em:
            lines, used, gap = lines + 1, 0.0, 0.0
        used += gap + needed
        if used > width_em:
            # A word that is longer than a line is broken.
            broken = int(used / width_em)
            lines, used = lines + broken, used - broken * width_em
    return lines


def _width_em(word: str) -> float:
    return sum(
        _NARROW_EM if c in _NARROW else _WIDE_EM if c in _WIDE or c.isupper() else _USUAL_EM for c in word
    )


_SPACE_EM = 0.28
_NARROW, _NARROW_EM = frozenset(",.:;'()|!/ijlftIr-°·"), 0.31
_WIDE, _WIDE_EM = frozenset("mw@%"), 0.76
_USUAL_EM = 0.55
