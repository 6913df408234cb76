"""Numbers in words say exactly the number that would be written, and read back to it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.quantity import Quantity, rounded
from logger.speech import LIMIT, UNIT_WORDS, number_words, quantity_words

# fmt: off
ONES = {
    "zero": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15,
    "sixteen": 16,
    "seventeen": 17, "eighteen": 18, "nineteen": 19,
}
TENS = {
    "twenty": 20, "thirty": 30, "forty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80,
    "ninety": 90,
}
# fmt: on
SCALES = {"thousand": 10**3, "million": 10**6, "billion": 10**9}


def heard(words: str) -> str:
    """Write down a spoken number, as somebody would who knows English and not our code."""
    sign = "-" if words.startswith("minus ") else ""
    whole, _, fraction = words.removeprefix("minus ").partition(" point ")
    total = group = 0
    for word in whole.replace("-", " ").split():
        if word in SCALES:
            total, group = total + group * SCALES[word], 0
        elif word == "hundred":
            group *= 100
        elif word != "and":
            group += ONES.get(word, TENS.get(word, 0))
    digits = "".join(str(ONES[word]) for word in fraction.split())
    return f"{sign}{total + group}{'.' if digits else ''}{digits}"


@settings(deadline=None, max_examples=400)
@given(st.floats(-LIMIT * 0.99, LIMIT * 0.99, allow_nan=False), st.integers(-3, 4))
def test_spoken_number_reads_back_to_what_would_be_written(value: float, places: int) -> None:
    assert heard(number_words(value, places)) == rounded(value, places)


@pytest.mark.parametrize(
    ("value", "places", "words"),
    [
        (0, 0, "zero"),
        (-0.04, 1, "zero point zero"),
        (1304.5, 1, "one thousand three hundred and four point five"),
        (1004, 0, "one thousand and four"),
        (100, 0, "one hundred"),
        (68.05, 2, "sixty-eight point zero five"),
        (-18.4, 1, "minus eighteen point four"),
        (1_000_110, 0, "one million one hundred and ten"),
        (1340, -2, "one thousand three hundred"),
    ],
)
def test_numbers_as_people_say_them(value: float, places: int, words: str) -> None:
    assert number_words(value, places) == words


def test_quantity_is_said_with_the_digits_its_uncertainty_supports() -> None:
    total = Quantity(1304.4871, 0.2, "kg")
    assert quantity_words(total, "kg") == "one thousand three hundred and four point five kilograms"
    assert quantity_words(total, "lb") == "two thousand eight hundred and seventy-five point nine pounds"
    assert quantity_words(Quantity(0.56219, 0.0004, "1"), "%") == "fifty-six point two two percent"
    assert quantity_words(Quantity(1.0, 2.0, "kg"), "kg") == "one kilogram"
    assert quantity_words(Quantity(2.0, None, "m"), "m") == "two metres"
    assert quantity_words(Quantity(3.0, None, "1"), "1") == "three"


def test_what_cannot_be_said_says_why() -> None:
    with pytest.raises(ValueError, match="cannot be said"):
        number_words(float("nan"), 1)
    with pytest.raises(ValueError, match="cannot be said"):
        number_words(LIMIT, 0)
    with pytest.raises(ValueError, match="cannot show"):
        quantity_words(Quantity(1.0, 0.1, "kg"), "m")
    with pytest.raises(ValueError, match="no spoken form"):
        quantity_words(Quantity(1.0, 0.1, "N·m/rad"), "N·m/rad")


def test_every_unit_of_the_program_has_words() -> None:
    from logger.units import KG_PER, M_PER

    assert set(KG_PER) | set(M_PER) | {"1", "%"} <= set(UNIT_WORDS)
