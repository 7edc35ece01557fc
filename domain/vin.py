"""The vehicle identification number: its check digit and the model years that it can stand for.

Invariants: a vehicle identification number has 17 characters, letters but I, O and Q and digits. Its check
digit is binding only where 49 CFR 565 or its neighbours' rules hold, so one that fails elsewhere proves
nothing. The model-year letter comes round every thirty years; position 7 tells the rounds apart for light
vehicles only, so it is a hint and never decides. Plant and machines carry a serial number instead, which is
another property with no check digit; it never comes here.

Sources: 49 CFR 565.15 (content, check digit, model year codes); ISO 3779 and ISO 3780 by secondary tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from domain.errors import Breach, RuleBrokenError

LENGTH = 17

# 49 CFR 565.15(c), tables of assigned values and of weight factors.
_VALUES = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_DIGITS = "0123456789X"

# 49 CFR 565.15(d), table of model year codes: thirty codes, then they come round again.
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEARS = (1980, 2010)


class VinVerdict(StrEnum):
    """What the check digit says."""

    VALID = "valid"
    INVALID = "invalid"
    NOT_VERIFIABLE = "not_verifiable"


@dataclass(frozen=True, slots=True)
class ModelYears:
    """What position 10 says about the model year.

    Attributes:
        candidates: Every year that the code stands for, earliest first; empty when it is no year code.
        hinted: The candidate that position 7 points to if the vehicle is a car, or a multipurpose vehicle or
            truck of at most 4,536 kg gross; for others it says nothing. None when there is no candidate.
    """

    candidates: tuple[int, ...]
    hinted: int | None


@dataclass(frozen=True, slots=True)
class Vin:
    """A well-formed vehicle identification number.

    Attributes:
        text: Its 17 characters, in capitals.
        verdict: What its check digit says.
        model_years: What position 10 says.
    """

    text: str
    verdict: VinVerdict
    model_years: ModelYears


def parse_vin(text: str) -> Vin:
    """The vehicle identification number that the text holds, judged.

    Small letters count as capitals.

    Raises:
        RuleBrokenError: Not 17 characters (``vin_length``), or one that no such number holds
            (``vin_character``).
    """
    if len(text) != LENGTH:
        detail = f"a vehicle identification number has {LENGTH} characters, this text has {len(text)}"
        raise RuleBrokenError(Breach("", "vin_length", detail))
    # Only ASCII is put into capitals: other letters may change in number.
    capitals = text.upper() if text.isascii() else text
    for position, character in enumerate(capitals, start=1):
        if character not in _VALUES:
            detail = f"position {position} holds neither a digit nor a letter other than I, O and Q"
            raise RuleBrokenError(Breach("", "vin_character", detail))
    return Vin(capitals, _verdict(capitals), _model_years(capitals))


def check_digit(vin: str) -> str:
    """The character that position 9 should hold.

    Args:
        vin: 17 admitted characters in capitals; the one at position 9 doesn't count.
    """
    weighted = sum(_VALUES[character] * weight for character, weight in zip(vin, _WEIGHTS, strict=True))
    return _CHECK_DIGITS[weighted % 11]


def _verdict(vin: str) -> VinVerdict:
    if check_digit(vin) == vin[8]:
        return VinVerdict.VALID
    return VinVerdict.INVALID if _is_north_american(vin) else VinVerdict.NOT_VERIFIABLE


def _is_north_american(vin: str) -> bool:
    # ISO 3780 by secondary tables: 1 to 5 are North America; of 7, A to E at position 2 are New Zealand, and
    # the rest has gone to the United States since (older tables call it unassigned).
    return vin[0] in "12345" or (vin[0] == "7" and vin[1] not in "ABCDE")


def _model_years(vin: str) -> ModelYears:
    place = _YEAR_CODES.find(vin[9])
    if place < 0:
        return ModelYears((), None)
    earlier, later = (first + place for first in _FIRST_YEARS)
    # 49 CFR 565.15(b): position 7 of light vehicles is a letter; before model year 2010 it was a digit.
    return ModelYears((earlier, later), later if vin[6].isalpha() else earlier)
