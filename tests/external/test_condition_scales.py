"""The scales of fluid condition against answers that others have published."""

from __future__ import annotations

from itertools import pairwise

import pytest

from domain.cleanliness import OFF_SCALE, Counts, code_of, scale_number
from domain.oil_colour import DARKEST, LIGHTEST, STEP, darkness
from domain.viscosity_index import reference_oils_mm2_s, viscosity_index


@pytest.mark.parametrize(
    ("cold", "hot", "of_zero", "of_hundred", "index", "procedure"),
    [
        (73.30, 8.86, 119.94, 69.48, 92, "A"),
        (22.83, 5.05, None, 28.97, 156, "B"),
        (53.47, 7.80, None, 57.31, 111, "B"),
    ],
)
def test_viscosity_index_is_that_of_the_worked_examples(
    cold: float, hot: float, of_zero: float | None, of_hundred: float, index: int, procedure: str
) -> None:
    """ASTM D2270, examples 5.1.4 and 6.1.4 (1) and (2), from a public copy of its text (dgaequipment.com).

    The index 111 of the last one is from memory; its viscosities and its reference oil stand in that copy.
    """
    found = viscosity_index(at_40c_mm2_s=cold, at_100c_mm2_s=hot)
    zero, hundred = reference_oils_mm2_s(hot)
    assert (found.index, found.procedure) == (index, procedure)
    assert hundred == pytest.approx(of_hundred, abs=0.015)
    assert of_zero is None or zero == pytest.approx(of_zero, abs=0.025)


def test_reference_oils_follow_the_standards_table() -> None:
    """Rows of ASTM D2270, Table 1, as the package chemicals 1.5.2 holds it (its VI_nus, VI_Ls, VI_Hs)."""
    rows = {
        2.0: (7.994, 6.394),
        4.0: (25.32, 19.56),
        5.0: (40.23, 28.49),
        8.8: (118.5, 68.79),
        8.9: (120.9, 69.94),
        10.0: (147.7, 82.87),
        20.0: (493.2, 229.5),
        30.0: (1023.0, 421.7),
        40.0: (1730.0, 651.8),
        70.0: (4905.0, 1558.0),
    }
    for at_100c, listed in rows.items():
        assert reference_oils_mm2_s(at_100c) == pytest.approx(listed, rel=1e-3)


def test_scale_numbers_are_those_of_the_published_table() -> None:
    """ISO 4406:1999, from a maker of filters' printed table (flipbuilder zufy/jyhc, page 130) and two others."""
    more_than = {
        0: 0.0,
        1: 0.01,
        6: 0.32,
        7: 0.64,
        8: 1.3,
        9: 2.5,
        10: 5,
        13: 40,
        17: 640,
        18: 1_300,
        19: 2_500,
        24: 80_000,
        27: 640_000,
        28: 1_300_000,
    }
    for number, bound in more_than.items():
        assert scale_number(bound) == max(number - 1, 0)
        assert scale_number(bound * 1.001 + 0.001) == number
    assert scale_number(2_500_000) == 28
    assert scale_number(2_500_001) == OFF_SCALE


def test_the_published_example_of_a_code() -> None:
    """The same page: more than 80 at 4 um(c), more than 20 at 6, more than 0.64 at 14 is 14/12/7."""
    assert code_of(Counts(150, 30, 1.0)).text == "14/12/7"


def test_colours_run_from_half_to_eight_in_halves() -> None:
    """ASTM D1500: glasses from 0.5 to 8.0; between two, the darker is reported (public copies of its text)."""
    glasses = [darkness(f"{LIGHTEST + place * STEP:.1f}") for place in range(16)]
    assert (glasses[0], glasses[-1], len(glasses)) == (LIGHTEST, DARKEST, 16)
    for lighter, darker in pairwise(glasses):
        assert lighter < darkness(f"L{darker:.1f}") < darker
    assert darkness("D8.0") > DARKEST
