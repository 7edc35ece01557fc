"""The size of type that stays on one page."""

from __future__ import annotations

import pytest

from api.printed.paper import HEIGHT_MM, LARGEST_PT, MM_PER_PT, SMALLEST_PT, largest_pt, lines_of


def test_little_is_set_large_and_too_much_as_small_as_can_be_read() -> None:
    assert largest_pt(lambda _: 10.0) == LARGEST_PT
    assert largest_pt(lambda _: 1000.0) == SMALLEST_PT


@pytest.mark.parametrize("height_em", [60.0, 75.0, 90.0, 110.0])
def test_what_fits_is_as_large_as_it_can_be(height_em: float) -> None:
    size = largest_pt(lambda _: height_em)
    assert height_em * size * MM_PER_PT <= HEIGHT_MM
    assert height_em * (size + 0.5) * MM_PER_PT > HEIGHT_MM * 0.97


def test_words_are_kept_whole_and_longer_ones_are_broken() -> None:
    assert lines_of("", 10) == 1
    assert lines_of("nnnn nnnn", 5.0) == 1
    assert lines_of("nnnn nnnn", 4.0) == 2
    assert lines_of("n" * 40, 6.0) == 4
    assert lines_of(f"nnnn {'n' * 40}", 6.0) == 5
