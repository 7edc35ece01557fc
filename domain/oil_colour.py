"""Colour of undyed oils by ASTM D1500: 16 glasses from 0.5 to 8.0, half a number apart.

An oil between two glasses is given the darker one with an L before it ("less than"), and one darker than the darkest
glass is D8.0. A dye shifts what is seen, so dyed fluids have no number here: they are held beside a fresh sample.

Sources: ASTM D1500, range of the glasses and the darker of two, from public copies of its text; the letters L and D
from memory.
"""

from __future__ import annotations

import re

from domain.errors import Breach, ConditionError

LIGHTEST, DARKEST = 0.5, 8.0
STEP = 0.5
PATTERN = r"^(L?(0\.5|[1-7]\.[05]|8\.0)|D8\.0)$"
"""What a number looks like."""


def darkness(text: str) -> float:
    """Where a number stands: its glass, a quarter below it with an L, a quarter above the darkest with a D.

    Raises:
        ConditionError: It is no number of the scale (``colour_number_unknown``).
    """
    if _NUMBER.fullmatch(text) is None:
        detail = "a number of ASTM D1500 is 0.5 to 8.0 in halves, with an L before it for lighter, or D8.0"
        raise ConditionError(Breach("", "colour_number_unknown", detail))
    glass = float(text.lstrip("LD"))
    return glass + (STEP / 2 if text[0] == "D" else -STEP / 2 if text[0] == "L" else 0.0)


_NUMBER = re.compile(PATTERN)
