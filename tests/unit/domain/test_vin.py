from __future__ import annotations

import pytest

from domain.errors import RuleBrokenError
from domain.vin import ModelYears, VinVerdict, check_digit, parse_vin

# Invented: no manufacturer holds these; the check digit is worked out below where it matters.
ALL_ONES = "11111111111111111"


def test_the_check_digit_of_all_ones_is_one() -> None:
    """Worked by hand: the weights add up to 89, and 89 = 8 x 11 + 1."""
    assert check_digit(ALL_ONES) == "1"
    assert parse_vin(ALL_ONES).verdict is VinVerdict.VALID


def test_a_remainder_of_ten_is_written_x() -> None:
    """Worked by hand: position 14 weighs 5, so a 5 there in place of a 1 adds 20 to 89: 109 = 99 + 10."""
    assert check_digit("11111111111115111") == "X"


@pytest.mark.parametrize(
    ("start", "verdict"),
    [
        ("11", VinVerdict.INVALID),
        ("2A", VinVerdict.INVALID),
        ("3A", VinVerdict.INVALID),
        ("4A", VinVerdict.INVALID),
        ("5A", VinVerdict.INVALID),
        ("7F", VinVerdict.INVALID),
        ("70", VinVerdict.INVALID),
        ("7A", VinVerdict.NOT_VERIFIABLE),
        ("7E", VinVerdict.NOT_VERIFIABLE),
        ("6A", VinVerdict.NOT_VERIFIABLE),
        ("8A", VinVerdict.NOT_VERIFIABLE),
        ("W1", VinVerdict.NOT_VERIFIABLE),
        ("L1", VinVerdict.NOT_VERIFIABLE),
    ],
)
def test_a_failed_check_digit_proves_something_in_north_america_only(start: str, verdict: VinVerdict) -> None:
    """By the first two characters."""
    # Z is no check digit anywhere.
    assert parse_vin(f"{start}111111Z11111111").verdict is verdict


def test_a_right_check_digit_counts_everywhere() -> None:
    """A maker outside North America may well keep to it."""
    text = "W1111111011111111"
    digit = check_digit(text)
    assert parse_vin(f"W1111111{digit}11111111").verdict is VinVerdict.VALID


def test_small_letters_count_as_capitals() -> None:
    """The number is kept in capitals."""
    assert parse_vin("w1zzz111111111111").text == "W1ZZZ111111111111"


@pytest.mark.parametrize(
    ("code", "position_7", "years"),
    [
        ("A", "1", ModelYears((1980, 2010), 1980)),
        ("A", "A", ModelYears((1980, 2010), 2010)),
        ("Y", "A", ModelYears((2000, 2030), 2030)),
        ("1", "1", ModelYears((2001, 2031), 2001)),
        ("9", "A", ModelYears((2009, 2039), 2039)),
        ("U", "A", ModelYears((), None)),
        ("Z", "1", ModelYears((), None)),
        ("0", "1", ModelYears((), None)),
    ],
)
def test_position_10_names_years_and_position_7_hints(code: str, position_7: str, years: ModelYears) -> None:
    """49 CFR 565.15: both rounds of thirty years stay possible, position 7 points to one."""
    assert parse_vin(f"111111{position_7}11{code}1111111").model_years == years


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "vin_length"),
        (ALL_ONES[1:], "vin_length"),
        (ALL_ONES + "1", "vin_length"),
        ("SN-000123", "vin_length"),
        ("I1111111111111111", "vin_character"),
        ("1111111111111111o", "vin_character"),
        ("11111111Q11111111", "vin_character"),
        ("1111111 111111111", "vin_character"),
        ("11111111\N{LATIN SMALL LETTER SHARP S}11111111", "vin_character"),
        ("1111111111111111\N{FULLWIDTH DIGIT ONE}", "vin_character"),
        ("1111111111111111\ud800", "vin_character"),
        ("1111111111111111\N{SUPERSCRIPT TWO}", "vin_character"),
    ],
)
def test_what_is_no_vehicle_identification_number(text: str, rule: str) -> None:
    """Wrong length, forbidden letters, look-alikes; the detail repeats none of it."""
    with pytest.raises(RuleBrokenError) as caught:
        parse_vin(text)
    (breach,) = caught.value.breaches
    assert breach.rule == rule
    breach.detail.encode("utf-8")
