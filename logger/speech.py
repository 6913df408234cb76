"""Numbers and quantities in spoken English, the same words on phone, loudspeaker and bus."""

from __future__ import annotations

from math import isfinite

from logger.quantity import Quantity, decimals, rounded

# fmt: off
_ONES = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
    "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)
_TENS = ("zero", "ten", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
# fmt: on
_SCALES = ((10**9, "billion"), (10**6, "million"), (10**3, "thousand"))

LIMIT = 10**12
"""Magnitudes from here on are not spoken."""

UNIT_WORDS: dict[str, tuple[str, str]] = {
    "kg": ("kilogram", "kilograms"),
    "g": ("gram", "grams"),
    "t": ("tonne", "tonnes"),
    "lb": ("pound", "pounds"),
    "oz": ("ounce", "ounces"),
    "N": ("newton", "newtons"),
    "kN": ("kilonewton", "kilonewtons"),
    "m": ("metre", "metres"),
    "mm": ("millimetre", "millimetres"),
    "cm": ("centimetre", "centimetres"),
    "in": ("inch", "inches"),
    "ft": ("foot", "feet"),
    "%": ("percent", "percent"),
    "1": ("", ""),
}
"""Unit → how it is said of exactly one, and of any other number."""


def number_words(value: float, places: int) -> str:
    """Say a number rounded to `places` decimal places (negative: tens, hundreds …).

    Digits after the point are said one by one. ValueError when it is not finite or not smaller than LIMIT.
    """
    if not isfinite(value) or abs(value) >= LIMIT:
        raise ValueError(f"{value} cannot be said in words; give a number smaller than {LIMIT:.0e}")
    text = rounded(value, places)
    sign = "minus " if text.startswith("-") else ""
    whole, _, fraction = text.lstrip("-").partition(".")
    words = sign + _whole_words(int(whole))
    if fraction:
        words += " point " + " ".join(_ONES[int(digit)] for digit in fraction)
    return words


def quantity_words(quantity: Quantity, unit: str) -> str:
    """Say a quantity in `unit` with the digits its 2·u supports: "sixty point four kilograms".

    Without u (None) six significant digits are said at most. ValueError for a unit of another kind or
    without words.
    """
    shown = quantity.shown_in(unit)
    if unit not in UNIT_WORDS:
        raise ValueError(f"unit {unit!r} has no spoken form; known are {', '.join(UNIT_WORDS)}")
    words = number_words(shown.value, _places(shown))
    one, many = UNIT_WORDS[unit]
    return f"{words} {one if words in ('one', 'minus one') else many}".rstrip()


def _places(shown: Quantity) -> int:
    if shown.u is not None and isfinite(shown.u) and shown.u > 0:
        return decimals(2 * shown.u)
    return len(f"{shown.value:.6g}".partition(".")[2])


def _whole_words(number: int) -> str:
    if number < 1000:
        return _hundreds_words(number)
    scale, name = next(entry for entry in _SCALES if number >= entry[0])
    head, rest = divmod(number, scale)
    words = f"{_whole_words(head)} {name}"
    if rest == 0:
        return words
    return f"{words}{' and ' if rest < 100 else ' '}{_whole_words(rest)}"


def _hundreds_words(number: int) -> str:
    hundreds, rest = divmod(number, 100)
    if hundreds == 0:
        return _tens_words(rest)
    words = f"{_ONES[hundreds]} hundred"
    return words if rest == 0 else f"{words} and {_tens_words(rest)}"


def _tens_words(number: int) -> str:
    if number < 20:
        return _ONES[number]
    tens, ones = divmod(number, 10)
    return _TENS[tens] if ones == 0 else f"{_TENS[tens]}-{_ONES[ones]}"
